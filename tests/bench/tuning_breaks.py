"""How often a tuning break is found, and how often one is found where none is.

``python -m tests.bench.tuning_breaks`` makes up parts note by note: 100 notes with a step of 9
cents, parts of one tuning (24 to 200 notes), players who wander, and tunings that creep: of these,
how far notes lie from the one number for all, and from the number of their stretch.
"""

from collections.abc import Callable

import numpy as np

from planner.scope.tuning_breaks import Reading, tuning_breaks

LIMITS = {"least_notes": 12, "least_step_cents": 5.0, "least_gain_share": 0.1}
CREEPS: dict[str, Callable] = {
    "rises by 12": lambda x: 12.0 * x,
    "settles by 15, fast": lambda x: 15.0 * np.exp(-x / 0.07),
    "settles by 15": lambda x: 15.0 * np.exp(-x / 0.15),
    "settles by 10, slowly": lambda x: 10.0 * np.exp(-x / 0.3),
}


def breaks(errors, midis=None) -> tuple[int, ...]:
    notes = tuple(
        Reading(
            start_s=0.9 * k, end_s=0.9 * k + 0.8, error_cents=float(e),
            midi=60 if midis is None else int(midis[k]),
        )
        for k, e in enumerate(errors)
    )  # fmt: skip
    return tuning_breaks(notes, **LIMITS)


def main() -> None:
    for spread in (2.0, 4.0, 6.0, 8.0):
        away = []
        for seed in range(200):
            rng = np.random.default_rng(seed)
            k = int(rng.integers(15, 85))
            errors = rng.normal(0, spread, 100)
            errors[k:] -= 9.0
            found = breaks(errors)
            away += [abs(found[0] - k)] if len(found) == 1 else []
        near = np.mean(np.array(away) <= 1)
        print(f"step of 9, scatter {spread:g}: {len(away)} of 200, {near:.0%} within one note")
    split = wander = 0
    for seed in range(1000):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(24, 200))
        spread = rng.uniform(2, 10)
        split += bool(breaks(rng.normal(rng.normal(0, 5), spread, n)))
        errors = np.zeros(n)
        for k in range(1, n):
            errors[k] = 0.5 * errors[k - 1] + rng.normal(0, 0.8 * spread)
        pitch = rng.integers(0, 12, n)
        wander += bool(breaks(errors + rng.normal(0, 4, 12)[pitch], 60 + pitch))
    print(f"one tuning, scatter 2 to 10: {split} of 1000 split")
    print(f"neighbours half alike, habits per pitch: {wander} of 1000 split")
    for name, creep in CREEPS.items():
        told = []
        for spread in (1.0, 2.0, 4.0):
            count, one, several = 0, 0.0, 0.0
            for seed in range(200):
                rng = np.random.default_rng(seed)
                n = int(rng.integers(40, 150))
                errors = creep(np.arange(n) / n) + rng.normal(0, spread, n)
                found = breaks(errors)
                count += bool(found)
                one += _away(errors, ())
                several += _away(errors, found)
            told.append(f"{count}, {one / 200:.1f} to {several / 200:.1f} (scatter {spread:g})")
        print(f"{name}: {', '.join(told)} of 200 split")


def _away(errors: np.ndarray, at: tuple[int, ...]) -> float:
    """Mean distance in cents of notes from the middle of their stretch."""
    return float(np.mean([abs(e - np.median(s)) for s in np.split(errors, at) for e in s]))


if __name__ == "__main__":
    main()
