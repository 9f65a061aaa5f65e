"""Octaves inside a strummed chord: strings whose every partial lies on a lower string's.

Shapes of six strings double their root and fifth an octave up, so an octave is as likely there as
not; between keys of a piano it is not, and is not looked for. What tells it are the even partials
of the lower string, which stand higher than its odd ones lead one to expect.
"""

import numpy as np

from planner.polyphony.chord_known import LOOKED_AT, expected_db
from planner.polyphony.chord_partials import HIGHEST_HZ, Note, first_partials
from planner.polyphony.chord_peaks import Named, Notes, Peaks, partials_found, same_pitch
from planner.polyphony.chord_timbre import Timbre
from planner.polyphony.chord_weighing import LEAST_GAIN, gains

# Chosen where an octave is as likely struck as not: a shape doubles half of its lower strings. Of
# what is added so above rendered strums (seed 43002 of tests.bench.chorded) one in four is wrong.
LEAST_EXCESS_DB = 3.0  # mean over the lowest five
# Enough where what the stem's strings usually sound like is asked besides.
ASKED_EXCESS_DB = 0.0
LEAST_FOUND = 0.7
MEAN_OF = 5
MOST_EXCESS_DB = 12.0  # chosen: no single partial says more
LOWER_HZ = 250.0  # chosen: the note that is doubled lies on one of the lower four strings, up to B3


def with_octaves(
    peaks: Peaks, struck: list[Named], ringing: Notes, highest_hz: float, timbre: Timbre | None
) -> list[Named]:
    """Add the octaves that were struck with a strum's strings; with its timbre one by one.

    struck: what was found to begin here; ringing: (f0_hz, B) of what rings on from before;
    highest_hz: of the instrument.
    """
    if timbre is None:
        return [*struck, *octaves_inside(peaks, struck, highest_hz)]
    notes = list(struck)
    # One string alone is picked, and doubled by none.
    while len(struck) > 1 and (more := octaves_inside(peaks, notes, highest_hz, ASKED_EXCESS_DB)):
        gained = gains(peaks, notes, more, ringing, timbre)
        best = int(np.argmax(gained))
        if gained[best] <= LEAST_GAIN:
            break
        notes.append(more[best])  # and its own octave may have been struck, too
    return notes


def octaves_inside(
    peaks: Peaks, struck: list[Named], highest_hz: float, least_db: float = LEAST_EXCESS_DB
) -> list[Named]:
    """Name the octaves above struck strings that were struck with them.

    A string that rang before is one of them where it is louder than the others explain: in a change
    of chords the hand passes over all strings. struck: what was found to begin here; highest_hz: of
    the instrument; least_db: by which even partials must stand higher than the odd ones tell.
    """
    notes = sorted(struck)
    added: list[Named] = []
    for f0_hz, b, _ in sorted(struck):  # an octave of one just added would rest on a guess
        if f0_hz > LOWER_HZ:
            continue
        f1_hz = float(first_partials((f0_hz, b), 2)[1])
        note = f1_hz / float(np.sqrt(1.0 + b)), b
        if f1_hz > highest_hz or any(same_pitch(one[0], note[0]) for one in notes):
            continue
        share = _share_of(peaks, note, [one[:2] for one in notes], least_db)
        if share > 0.0:
            added.append((*note, share))
            notes.append(added[-1])
    return added


def _share_of(peaks: Peaks, note: Note, others: Notes, least_db: float) -> float:
    """Give the share of a note's partials found, 0 where the notes below explain their level."""
    law = first_partials(note, LOOKED_AT)
    law = law[law < 0.9 * HIGHEST_HZ]
    hit, index = partials_found(peaks, note, len(law))
    found = np.flatnonzero(hit)[:MEAN_OF]
    if len(found) < 2 or hit.mean() < LEAST_FOUND:
        return 0.0
    below = sorted(n for n in others if n[0] < note[0])
    expected = expected_db(peaks, law, below, [note, *(n for n in others if n[0] > note[0])])
    excess_db = peaks.level_db[index[found]] - expected[found]
    enough = float(np.mean(np.clip(excess_db, -MOST_EXCESS_DB, MOST_EXCESS_DB))) > least_db
    return float(hit.mean()) if enough else 0.0
