"""Bounces with one spoiled stretch, and with none: ``python -m tests.bench.spoiled --seeds 11 14``.

Parts of random sessions are written anew with a delay, a gain and 16 or 24 bits, as a bounce is; in
four of five one stretch has another level, lies elsewhere in time, is silent, or is another sound.
Prints how many are told with their kind, size and place, and what is told that was not made.
"""

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

from planner.compare.null_test import PIECE_S, NullTest
from planner.demo.build import with_noise_floor
from planner.demo.tones import SR
from planner.edges.nulling import null_test
from tests.sessions.random_session import make_part

KINDS = ("level", "later", "silent", "other", "none")
PARTS = ("BAS", "GTR", "LV", "CEL", "PNO")


def spoil(
    x: np.ndarray, kind: str, rng: np.random.Generator
) -> tuple[np.ndarray, float, float, float]:
    """Spoil one sounding stretch; give the samples, its start and end in s, and by how much."""
    length = round(rng.uniform(0.4, 2.0) * SR)
    while True:
        at = int(rng.integers(SR, len(x) - length - SR))
        if np.std(x[at : at + length]) > 10 ** (-45 / 20):
            break
    y, here, size = x.copy(), slice(at, at + length), 0.0
    if kind == "level":
        size = float(rng.choice([-1, 1]) * rng.uniform(0.2, 3.0))
        y[here] *= 10 ** (size / 20)
    elif kind == "later":
        size = float(rng.choice([-1, 1]) * rng.integers(48, 960))
        y[here] = x[at - int(size) : at - int(size) + length]
    elif kind == "silent":
        y[here] = 0.0
    elif kind == "other":
        y[here] = x[here][::-1]
    return y, at / SR, (at + length) / SR, size


def told_rightly(
    found: NullTest, kind: str, start_s: float, end_s: float, size: float, late: int, gain_db: float
) -> tuple[bool, int]:
    """Whether it is all told; and how many stretches are told that were not made."""
    mine = [c for c in found.changed if c.start_s < end_s and c.end_s > start_s]
    made_up = len(found.changed) - (0 if kind == "none" else len(mine))
    whole = found.late_smp == late and abs(found.gain_db - gain_db) < 0.02
    if kind == "none":
        return whole and not found.changed and not found.rerendered, made_up
    if len(mine) != 1 or mine[0].how != kind:
        return False, made_up
    (one,) = mine
    place = max(abs(one.start_s - start_s), abs(one.end_s - end_s)) < 1.1 * PIECE_S
    if kind == "level":
        return whole and place and abs((one.level_db or 0.0) - size) < 0.15, made_up
    if kind == "later":
        return whole and place and abs((one.later_s or 0.0) * SR - size) < 2.0, made_up
    return whole and place, made_up


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(11, 14), metavar=("FIRST", "LAST"))
    first, last = parser.parse_args().seeds
    right, made, invented = Counter[str](), Counter[str](), 0
    with tempfile.TemporaryDirectory() as folder:
        original, bounce = Path(folder) / "part.wav", Path(folder) / "part_fix.wav"
        for seed in range(first, last + 1):
            for code in PARTS:
                rng = np.random.default_rng([seed, *code.encode()])
                x = make_part(seed, code)[0].samples
                x = with_noise_floor(0.4 * x / np.abs(x).max(), -62.0, rng)
                soundfile.write(original, x, SR, subtype="PCM_24")
                x, _ = soundfile.read(original)
                for kind in KINDS:
                    y, start_s, end_s, size = spoil(x, kind, rng)
                    late, gain_db = int(rng.integers(0, 2000)), float(rng.uniform(-6.0, 0.0))
                    y = np.concatenate([np.zeros(late), 10 ** (gain_db / 20) * y])
                    bits = str(rng.choice(["PCM_16", "PCM_24"]))
                    soundfile.write(bounce, y, SR, subtype=bits)
                    about_s = late / SR + float(rng.normal(0.0, 0.003))  # as the notes know it
                    found = null_test(code, original, bounce, rows=(), notes=(), late_s=about_s)
                    ok, more = told_rightly(found, kind, start_s, end_s, size, late, gain_db)
                    right[kind] += ok
                    made[kind] += 1
                    invented += more
    for kind in KINDS:
        print(f"{kind:7s} {right[kind]} of {made[kind]}")
    print(f"told and not made: {invented}")


if __name__ == "__main__":
    main()
