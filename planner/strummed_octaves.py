"""Octaves inside a strummed chord: strings whose every partial lies on a lower string's.

Shapes of six strings double their root and fifth an octave up, so an octave is as likely there as
not; between keys of a piano it is not, and is not looked for. What tells it are the even partials
of the lower string, which stand higher than its odd ones lead one to expect.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.chord_known import LOOKED_AT, expected_db
from planner.chord_partials import HIGHEST_HZ, partial_hz
from planner.chord_peaks import Peaks, match_partials

Array = NDArray[np.float64]
Named = tuple[float, float, float]  # f0_hz, B, share of partials

# Chosen where an octave is as likely struck as not: a shape doubles half of its lower strings. Of
# what is added so above rendered strums (seed 43002 of tests.bench.chorded) one in four is wrong.
LEAST_EXCESS_DB = 3.0  # mean over the lowest five
LEAST_FOUND = 0.7
MEAN_OF = 5
MOST_EXCESS_DB = 12.0  # chosen: no single partial says more
LOWER_HZ = 250.0  # chosen: the note that is doubled lies on one of the lower four strings, up to B3
HALF_SEMITONE = 0.5 / 12


def octaves_inside(peaks: Peaks, struck: list[Named], highest_hz: float) -> list[Named]:
    """Name the octaves above struck strings that were struck with them: (f0_hz, B, share).

    A string that rang before is one of them where it is louder than the others explain: in a change
    of chords the hand passes over all strings. struck: what was found to begin here; highest_hz: of
    the instrument.
    """
    notes = sorted(struck)
    added: list[Named] = []
    for f0_hz, b, _ in sorted(struck):  # an octave of one just added would rest on a guess
        if f0_hz > LOWER_HZ:
            continue
        f1_hz = float(partial_hz(f0_hz, b, np.array([2.0]))[0])
        note = f1_hz / float(np.sqrt(1.0 + b)), b
        taken = [one[:2] for one in notes]
        if f1_hz > highest_hz or any(abs(np.log2(f0 / note[0])) < HALF_SEMITONE for f0, _ in taken):
            continue
        share = _share_of(peaks, note, [one[:2] for one in notes])
        if share > 0.0:
            added.append((*note, share))
            notes.append(added[-1])
    return added


def _share_of(peaks: Peaks, note: tuple[float, float], others: list[tuple[float, float]]) -> float:
    """Give the share of a note's partials found, 0 where the notes below explain their level."""
    law = partial_hz(*note, np.arange(1, LOOKED_AT + 1, dtype=float))
    law = law[law < 0.9 * HIGHEST_HZ]
    hit, index = match_partials(peaks, np.array([note[0]]), np.array([note[1]]), len(law))
    found = np.flatnonzero(hit[0])[:MEAN_OF]
    if len(law) == 0 or len(found) < 2 or hit[0].mean() < LEAST_FOUND:
        return 0.0
    below = sorted(n for n in others if n[0] < note[0])
    expected = expected_db(peaks, law, below, [note, *(n for n in others if n[0] > note[0])])
    excess_db = peaks.level_db[index[0][found]] - expected[found]
    enough = float(np.mean(np.clip(excess_db, -MOST_EXCESS_DB, MOST_EXCESS_DB))) > LEAST_EXCESS_DB
    return float(hit[0].mean()) if enough else 0.0
