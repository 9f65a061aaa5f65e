"""Where do notes of held chords end? ``python -m tests.bench.chord_ends [--seeds 1 2]``.

FluidSynth plays the chords of `tests.bench.chorded` half as fast again, with two soundfonts. Each
note is also rendered alone: there it ends where its level (over 0.16 s) is last within 12 dB of
what it holds, or where the same key is struck again. Of the notes found: how many end more than a
fifth of their length early, how many late, and how far off the median and nine in ten are, s.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from planner.edges.hearing import hear_stem
from planner.model import Floats
from planner.words.session_model import StemSpec
from tests.bench.chord_cents import PADS, spread_out
from tests.bench.chorded import PLAYERS, Player, line_of
from tests.bench.rendered import SOUNDS, Line, render
from tests.bench.stacked import LARGER

SLOWER = 1.5
APART_S = 3.0  # between notes rendered alone; chosen: longer than pads ring
LEFT_DB = 12.0  # chosen: what is so far under what it was is hardly heard beside the next chord
STEP_S, OVER = 0.02, 8
NEAR_S, EARLY = 0.35, 0.2
PLAYED = ("strings", *PADS, "church organ", "electric piano 1", "piano")


def rings_s(mono: Floats, sr: int, start_s: float, length_s: float) -> float:
    """How long a note rendered alone sounds, s."""
    hop = int(STEP_S * sr)
    piece = mono[int(start_s * sr) : int((start_s + length_s + APART_S - 0.2) * sr)]
    count = len(piece) // hop
    power = np.convolve(
        (piece[: count * hop].reshape(count, hop) ** 2).mean(axis=1), np.ones(OVER), "same"
    )
    held = np.percentile(power[: int(length_s / STEP_S)], 75)
    return STEP_S * float(np.flatnonzero(power > held * 10 ** (-LEFT_DB / 10))[-1])


def ends_s(line: Line, player: Player, sounds: Path, folder: Path) -> list[float]:
    """Where each note of a part stops sounding, s."""
    lone = spread_out(line, APART_S)
    samples, sr = soundfile.read(render(lone, player.program, folder, sounds), always_2d=True)
    mono = samples.mean(axis=1)
    result = []
    for (start_s, end_s, key, _), (at_s, *_rest) in zip(line, lone, strict=True):
        again_s = [s for s, _, other, _ in line if other == key and s > start_s + 0.05]
        result.append(min([start_s + rings_s(mono, sr, at_s, end_s - start_s), *again_s]))
    return result


def off_s(player: Player, seed: int, sounds: Path) -> tuple[list[tuple[float, float]], int]:
    """Of each note found, how far off it ends and how long it is, s; and how many were played."""
    line = [(s * SLOWER, e * SLOWER, key, v) for s, e, key, v in line_of(player, seed)]
    spec = StemSpec(code="A", file="line.wav", role=player.role)
    with tempfile.TemporaryDirectory() as folder:
        true_s = ends_s(line, player, sounds, Path(folder))
        left = list(
            hear_stem(spec, render(line, player.program, Path(folder), sounds), "line").notes
        )
    result = []
    for (start_s, _, key, _), end_s in zip(line, true_s, strict=True):
        near = [
            pair
            for pair in left
            if abs(pair[0].start_s - start_s) < NEAR_S
            and abs(12 * np.log2(pair[0].pitch_hz / 440.0) + 69 - key) < 0.5
        ]
        if near:
            pair = min(near, key=lambda p: abs(p[0].start_s - start_s))
            left.remove(pair)
            result.append((pair[0].end_s - end_s, end_s - start_s))
    return result, len(line)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--only", nargs="*", default=PLAYED, choices=PLAYED)
    args = parser.parse_args()
    players = PLAYERS | PADS
    for name in args.only:
        for sounds in (SOUNDS, LARGER):
            if not sounds.exists():
                print(f"{sounds.name}: not installed")
                continue
            found: list[tuple[float, float]] = []
            played = 0
            for seed in range(args.seeds[0], args.seeds[1] + 1):
                some, count = off_s(players[name], seed, sounds)
                found, played = found + some, played + count
            if not found:
                print(f"{name:18s} {sounds.stem:11s} none of {played} found at its key")
                continue
            off, length = np.array(found).T
            middle, most = np.percentile(np.abs(off), [50, 90])
            print(
                f"{name:18s} {sounds.stem:11s} {len(off):4d} of {played:4d}: early "
                f"{100 * np.mean(off < -EARLY * length):3.0f} %, late "
                f"{100 * np.mean(off > EARLY * length):3.0f} %, off {middle:.2f} {most:.2f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
