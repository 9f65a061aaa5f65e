"""How many notes are told their string, and how many of those rightly?

``python -m tests.bench.strings --seeds 1 200`` places notes of random guitars and basses, whose
stiffness scatters a little or much around the law; ``--sounding 4`` also plays takes on two
measured guitars, low on the neck and in the middle of it, and goes from sound to string.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from guitars import ACOUSTIC_B, ELECTRIC_B, random_take, take
from tones.exact import measured_notes, stem_of

from planner.demo.tones import SR
from planner.pitch import cents
from planner.scope.strings import StringGuess, place_notes

SCATTERS = (0.025, 0.065)  # of ln B: means of ten takes; single recorded notes
TOLD = ("firm", "fair", "not told apart", "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", nargs=2, type=int, default=(1, 200))
    parser.add_argument("--sounding", type=int, default=0, help="takes a guitar and position")
    arguments = parser.parse_args()
    first, last = arguments.seeds
    for scatter in SCATTERS:
        placed: Counter[tuple[str, bool]] = Counter()
        for seed in range(first, last + 1):
            tuning, string, fret, log_b = random_take(seed, scatter)
            got = place_notes(string + fret, log_b, np.full(len(log_b), 0.01), tuning)
            placed.update(_scored(got, list(string)))
        _print(f"random guitars and basses, {scatter} off the law, seeds {first}-{last}", placed)
    for name, table in (("acoustic", ACOUSTIC_B), ("electric, four strings", ELECTRIC_B)):
        for frets in ((0, 8), (5, 11)):
            heard: Counter[tuple[str, bool]] = Counter()
            for seed in range(first, first + arguments.sounding):
                heard.update(_sounding(table, seed, frets))
            if heard:
                _print(f"sounding, {name}, frets {frets[0]} to {frets[1] - 1}", heard)


def _scored(got: list[StringGuess], true: list[int]) -> Counter[tuple[str, bool]]:
    return Counter((g.told, g.string_midi == s) for g, s in zip(got, true, strict=True))


def _sounding(
    table: dict[int, tuple[float, ...]], seed: int, frets: tuple[int, int]
) -> Counter[tuple[str, bool]]:
    samples, truth = take(table, seed, frets=frets)
    found = measured_notes(stem_of(samples, SR, "fretted", range_hz=(70.0, 1400.0)))
    midi = np.array([round(69 + cents(n.pitch_hz, 440.0) / 100.0) for n, _ in found])
    b = np.array([m.inharmonicity_b or np.nan for _, m in found])
    sd = np.array([m.inharmonicity_b_uncertainty or np.nan for _, m in found])
    log_b = np.where(np.isfinite(sd), np.log(b), np.nan)
    got = place_notes(midi, log_b, sd / b, (40, 45, 50, 55, 59, 64))
    true = [min(truth, key=lambda t: abs(t[0] - n.start_s))[1] for n, _ in found]
    return _scored(got, true)


def _print(title: str, counted: Counter[tuple[str, bool]]) -> None:
    total = sum(counted.values())
    parts = []
    for told in TOLD:
        right, wrong = counted[told, True], counted[told, False]
        part = f"{told or 'nothing to tell by'} {right + wrong}"
        if told in ("firm", "fair") and right + wrong:
            part += f" ({100 * right / (right + wrong):.1f} % right)"
        parts.append(part)
    print(f"{title}: {total} notes; {', '.join(parts)}")


if __name__ == "__main__":
    main()
