"""Are notes found on strings that sound as waves run? ``python -m tests.bench.waveguides``.

Note F1 of MIREX, as `tests.bench.melodies` has it, on bowed and plucked lines that are no sum of
partials (`tests.tones.waveguides`), and how many firm notes are none.
"""

import argparse
from collections.abc import Callable
from functools import partial

import numpy as np
from mir_eval.transcription import match_notes, precision_recall_f1_overlap

from planner.chords import find_chord_notes
from tests.tones.exact import measured_notes
from tests.tones.melodies import Melody
from tests.tones.waveguides import (
    BOWED,
    PLUCKED,
    bowed_line,
    double_stops,
    picked_chords,
    plucked_line,
)

STARTS_S = (0.05, 0.15)  # MIREX's, and one that asks only whether the note is there


def scores(
    melody: Melody, *, several: bool = False, room_s: float | None = None, seed: int = 0
) -> tuple[float, ...]:
    """F1 within each of `STARTS_S`, F1 with ends, and firm notes that match none.

    several: notes sound at once; room_s, seed: of a room that they sound in.
    """
    find = find_chord_notes if several else measured_notes
    pairs = find(melody.stem(room_s, seed=seed))
    est = np.array([[n.start_s, n.end_s] for n, _ in pairs])
    est_hz = np.array([m.sustain_hz or n.pitch_hz for n, m in pairs])
    ref = np.array([[n.start_s, n.end_s] for n in melody.notes])
    ref_hz = np.array([n.hz for n in melody.notes])

    def f1(start_s: float, ends: float | None = None) -> float:
        found = precision_recall_f1_overlap(
            ref, ref_hz, est, est_hz, onset_tolerance=start_s, offset_ratio=ends
        )
        return float(found[2])

    matched = match_notes(ref, ref_hz, est, est_hz, onset_tolerance=STARTS_S[-1], offset_ratio=None)
    known = {j for _, j in matched}
    firm = sum(m.confidence == "firm" and j not in known for j, (_, m) in enumerate(pairs))
    return (*map(f1, STARTS_S), f1(STARTS_S[0], 0.2), float(firm))


def told(got: list[tuple[float, ...]]) -> str:
    """Say what `scores` found of some melodies."""
    columns = np.array(got).T
    near, there, ends = columns[:3].mean(axis=1)
    return (
        f"F1 mean {near:.3f} worst {columns[0].min():.3f}  within 0.15 s {there:.3f}"
        f"  with ends {ends:.3f}  firm and none {columns[3].sum():.0f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 4), metavar=("FIRST", "LAST"))
    first, last = parser.parse_args().seeds
    lines: list[tuple[str, Callable[[int], Melody], bool]] = [
        *((name, partial(bowed_line, name), False) for name in BOWED),
        *((name, partial(plucked_line, name), False) for name in PLUCKED),
        *((f"{name}, two", partial(double_stops, name), True) for name in ("violin", "cello")),
        ("guitar chords", picked_chords, True),
    ]
    for name, make, several in lines:
        got = [scores(make(seed), several=several) for seed in range(first, last + 1)]
        print(f"{name:13s} {told(got)}")


if __name__ == "__main__":
    main()
