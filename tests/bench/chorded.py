"""Chords of sampled guitars and keys: ``python -m tests.bench.chorded [--seeds 1 2]``.

FluidSynth plays dry, with two soundfonts: strummed shapes of three to six strings at 20 to 60 ms a
strum, chords of keys that are struck or held, low piano notes one at a time, and octaves of them;
lines of bars and tongues with a chord now and then.
Note F1 (start within 50 ms, pitch within 50 cents, ends not asked) against the starts as written,
and of organs and sections, which take a while to speak, against those heard of each note alone;
organs' octaves are not asked either, as their stops sound an octave or two from the key: those of
one stroke are one note. Then precision, recall, and the firm notes that nobody played, of all firm
ones.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from mir_eval.transcription import match_notes

from planner.edges.hearing import hear_stem
from planner.model import Floats, Measurement, Note, Role
from planner.words.session_model import StemSpec
from tests.bench.rendered import SOUNDS, Line, heard_starts, render
from tests.bench.stacked import LARGER

# Fretted shapes of common open and barre chords, lowest string first; -1 is not struck. Common
# practice, no source.
TUNING = (40, 45, 50, 55, 59, 64)
SHAPES = (
    (0, 2, 2, 1, 0, 0), (0, 2, 2, 0, 0, 0), (-1, 0, 2, 2, 2, 0), (-1, 0, 2, 2, 1, 0),
    (-1, 3, 2, 0, 1, 0), (-1, -1, 0, 2, 3, 2), (3, 2, 0, 0, 0, 3), (1, 3, 3, 2, 1, 1),
    (-1, 2, 4, 4, 4, 2), (3, 5, 5, -1, -1, -1), (-1, 3, 5, 5, -1, -1), (-1, -1, 2, 0, 1, 0),
)  # fmt: skip
TRIADS = ((0, 4, 7), (0, 3, 7), (0, 5, 9), (0, 4, 7, 10), (0, 3, 7, 10), (0, 4, 7, 11), (0, 7, 16))
CHORDS = 24


@dataclass(frozen=True, slots=True)
class Player:
    """A program of General MIDI (counted from 0), our role for it, and how it plays."""

    program: int
    role: Role
    plays: str  # "strum", "keys", "low", "octaves", "bars"


PLAYERS = {
    "nylon guitar": Player(24, "fretted-chords", "strum"),
    "steel guitar": Player(25, "fretted-chords", "strum"),
    "jazz guitar": Player(26, "fretted-chords", "strum"),
    "clean guitar": Player(27, "fretted-chords", "strum"),
    "muted guitar": Player(28, "fretted-chords", "strum"),
    "overdriven guitar": Player(29, "fretted-chords", "strum"),
    "distorted guitar": Player(30, "fretted-chords", "strum"),
    "piano": Player(0, "tuning-reference", "keys"),
    "electric piano 1": Player(4, "tuning-reference", "keys"),
    "electric piano 2": Player(5, "tuning-reference", "keys"),
    "drawbar organ": Player(16, "fixed-pitch", "keys"),
    "percussive organ": Player(17, "fixed-pitch", "keys"),
    "rock organ": Player(18, "fixed-pitch", "keys"),
    "church organ": Player(19, "fixed-pitch", "keys"),
    "strings": Player(48, "bowed-group", "keys"),
    "celesta": Player(8, "fixed-pitch", "bars"),
    "glockenspiel": Player(9, "fixed-pitch", "bars"),
    "vibraphone": Player(11, "fixed-pitch", "bars"),
    "marimba": Player(12, "fixed-pitch", "bars"),
    "xylophone": Player(13, "fixed-pitch", "bars"),
    "kalimba": Player(108, "fixed-pitch", "bars"),
    "low piano": Player(0, "tuning-reference", "low"),
    "low bright piano": Player(1, "tuning-reference", "low"),
    "low octaves": Player(0, "tuning-reference", "octaves"),
}


# Two octaves from where each is usually played; common practice, no source.
LOWEST = {8: 72, 9: 79, 11: 53, 12: 48, 13: 65, 108: 60}


def bars(rng: np.random.Generator, lowest: int) -> Line:
    """Write a line of forty strokes, every fourth a chord."""
    line: Line = []
    at_s, key = 0.3, lowest + 10
    for _ in range(40):
        velocity, length_s = int(rng.integers(60, 110)), float(rng.choice([0.2, 0.3, 0.4, 0.6]))
        step = int(rng.choice([-7, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 7]))
        key = min(max(key + step, lowest), lowest + 26)
        keys = [key]
        if rng.random() < 0.25:
            root = lowest + int(rng.integers(14))
            keys = [root + step for step in TRIADS[rng.integers(3)]]
        line += [(at_s, at_s + length_s, one, velocity) for one in keys]
        at_s += length_s
    return line


def line_of(player: Player, seed: int) -> Line:
    """Write a part of some twenty chords: start and end in s, MIDI note, velocity."""
    rng = np.random.default_rng(1000 * player.program + seed)
    if player.plays == "bars":
        return bars(rng, LOWEST[player.program])
    line: Line = []
    at_s = 0.3
    for k in range(CHORDS):
        velocity = int(rng.integers(60, 110))
        length_s = float(rng.choice([0.5, 0.75, 1.0, 1.5]))
        keys: list[int] = []
        strum_s = 0.0
        if player.plays == "strum":
            shape = SHAPES[rng.integers(len(SHAPES))]
            keys = [s + f for s, f in zip(TUNING, shape, strict=True) if f >= 0]
            strum_s = float(rng.uniform(0.02, 0.06)) / (len(keys) - 1)
            if rng.random() < 0.4:
                keys.reverse()
        elif player.plays == "keys":
            root = int(rng.integers(45, 66))
            keys = [root + step for step in TRIADS[rng.integers(len(TRIADS))]]
        else:
            keys = [21 + (7 * k + seed) % 20]
            keys += [keys[0] + 12] if player.plays == "octaves" else []
            length_s = 1.5
        for i, key in enumerate(keys):
            line.append((at_s + i * strum_s, at_s + length_s, key, velocity))
        at_s += length_s + float(rng.choice([0.0, 0.0, 0.1, 0.3]))
    return line


@dataclass(frozen=True, slots=True)
class Counts:
    """Notes played, found, and found rightly by written starts and by those heard; firm notes, and
    those of them that nobody played."""

    true: int = 0
    found: int = 0
    right: int = 0
    right_heard: int = 0
    firm: int = 0
    firm_wrong: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.true + other.true, self.found + other.found, self.right + other.right,
            self.right_heard + other.right_heard,
            self.firm + other.firm, self.firm_wrong + other.firm_wrong,
        )  # fmt: skip

    def told(self) -> str:
        both = max(self.true + self.found, 1)
        return (
            f"F1 {2 * self.right / both:.3f} / {2 * self.right_heard / both:.3f}  "
            f"precision {self.right / max(self.found, 1):.2f}  "
            f"recall {self.right / max(self.true, 1):.2f}  "
            f"firm and not played {self.firm_wrong} of {self.firm}"
        )


def folded(hz: Floats) -> Floats:
    """Bring pitches into one octave that begins a quarter tone below A4."""
    over = np.log2(hz / 440.0) + 0.5 / 12
    return np.asarray(440.0 * 2 ** (over - np.floor(over) - 0.5 / 12))


def one_of_each(starts_s: Floats, hz: Floats) -> list[int]:
    """List the first of the notes of one stroke that have one pitch."""
    kept: list[int] = []
    for k in np.argsort(starts_s, kind="stable").tolist():
        alike = np.abs(starts_s[kept] - starts_s[k]) < 0.05
        alike &= np.abs(1200.0 * np.log2(hz[kept] / hz[k])) < 50.0
        if not alike.any():
            kept.append(k)
    return kept


def counts_of(player: Player, seed: int, sounds: Path) -> Counts:
    """Render a part, find its notes, and compare."""
    line = line_of(player, seed)
    with tempfile.TemporaryDirectory() as folder:
        starts_s = [start_s for start_s, *_ in line]
        if player.plays == "keys" and player.role != "tuning-reference":
            starts_s = heard_starts(line, player.program, Path(folder), sounds)
        path = render(line, player.program, Path(folder), sounds)
        heard = hear_stem(StemSpec(code="A", file="line.wav", role=player.role), path, "line")
    together = player.role == "fixed-pitch" and player.plays == "keys"
    return compared(line, starts_s, heard.notes, one_octave=together)


def compared(
    line: Line,
    starts_s: list[float],
    notes: Sequence[tuple[Note, Measurement]],
    *,
    one_octave: bool = False,
) -> Counts:
    """Compare the notes found with those written, and with the starts heard.

    one_octave: octaves of one stroke are one note
    """
    true = np.array([note[:2] for note in line])
    true_hz = np.array([440.0 * 2 ** ((note[2] - 69) / 12) for note in line])
    spans = np.array([[n.start_s, max(n.end_s, n.start_s + 0.01)] for n, _ in notes])
    hz = np.array([n.pitch_hz for n, _ in notes])
    if len(spans) == 0:
        return Counts(true=len(true))
    told = list(range(len(spans)))
    if one_octave:
        true_hz, hz = folded(true_hz), folded(hz)
        told = one_of_each(spans[:, 0], hz)
    as_heard = np.stack([starts_s, np.maximum(true[:, 1], np.array(starts_s) + 0.01)], axis=1)
    right, right_heard = (
        len(match_notes(played, true_hz, spans[told], hz[told], 0.05, 50.0, offset_ratio=None))
        for played in (true, as_heard)
    )
    firm = [m.confidence == "firm" for _, m in notes]
    # A firm note is wrong where nobody plays its pitch, whenever it began.
    played = [
        any(
            start_s - 0.2 < n.start_s < end_s + 0.1 and abs(1200 * np.log2(f / key_hz)) < 50
            for (start_s, end_s), key_hz in zip(true, true_hz, strict=True)
        )
        for (n, _), f in zip(notes, hz, strict=True)
    ]
    return Counts(
        true=len(true),
        found=len(told),
        right=right,
        right_heard=right_heard,
        firm=sum(firm),
        firm_wrong=sum(f and not p for f, p in zip(firm, played, strict=True)),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--only", nargs="*", default=list(PLAYERS), choices=list(PLAYERS))
    args = parser.parse_args()
    seeds = range(args.seeds[0], args.seeds[1] + 1)
    print("note F1 by the starts written / heard")
    every = Counts()
    for name in args.only:
        for sounds in (SOUNDS, LARGER):
            if not sounds.exists():
                print(f"{sounds.name}: not installed")
                continue
            counts = sum((counts_of(PLAYERS[name], seed, sounds) for seed in seeds), Counts())
            every += counts
            print(f"{name:18s} {sounds.stem:11s} {counts.told()}", flush=True)
    print(f"{'all':30s} {every.told()}")


if __name__ == "__main__":
    main()
