"""Recorded single notes layered into chords: ``python -m tests.bench.layered FOLDER``.

``FOLDER`` as for `tests.bench.named`. Guitars play the strummed shapes of `tests.bench.chorded`, a
piano its chords, octaves below C3, and two hands: an octave in the left, a triad in the right.
Each string or key is as loud as its neighbours to some 6 dB and up to 4 cents off; between
recorded notes the nearest is played faster or slower. A damper takes 60 ms. So every attack, tone
and decay is a player's, of one note at a time: strings that move each other are not in it. Note
F1, precision, recall and firm notes that nobody played, as in `tests.bench.chorded`; then of notes
found near their place, the error of their cents against the note alone. Partials of real strings
disagree by some cents on what that is: it lies between what the planner reads of it, and the
highest point of its first partial (as in `tests.bench.chord_cents`), and what lies between them is
no error. Median, 95 in 100, and percent within one and two stated uncertainties.
"""

import argparse
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from planner.chords import find_chord_notes
from planner.model import Floats, Measurement, Note
from planner.pitch import midi_to_hz
from planner.words.roles import role_range_hz
from planner.words.session_model import StemSpec
from tests.bench.chord_cents import first_partial_hz
from tests.bench.chorded import TRIADS, Counts, Player, compared, line_of
from tests.bench.rendered import Line
from tests.bench.sequenced import SR, Recording, recordings
from tests.tones.exact import stem_of

DAMPED_S, LONGEST_S = 0.06, 4.0
PLAYERS: dict[str, tuple[str, Player]] = {
    "acoustic guitar": ("guitar-acoustic", Player(1, "fretted-chords", "strum")),
    "nylon guitar": ("guitar-nylon", Player(2, "fretted-chords", "strum")),
    "electric guitar": ("guitar-electric", Player(3, "fretted-chords", "strum")),
    "piano": ("piano", Player(4, "tuning-reference", "keys")),
    "piano, low octaves": ("piano", Player(5, "tuning-reference", "octaves")),
    "piano, two hands": ("piano", Player(6, "tuning-reference", "hands")),
}


@dataclass(slots=True)
class Cents:
    """Absolute errors, cents, and the same in stated uncertainties."""

    off: list[float] = field(default_factory=list)
    pulls: list[float] = field(default_factory=list)

    def told(self) -> str:
        if not self.off:
            return "no cents"
        middle, most = np.percentile(self.off, [50.0, 95.0])
        one, two = (100 * np.mean(np.array(self.pulls) <= k) for k in (1.0, 2.0))
        return f"cents {middle:.2f} {most:.2f}  within {one:.0f} {two:.0f} %"


def hands(seed: int) -> Line:
    """Write two hands: an octave from E1 to D3, and a triad above C4."""
    rng = np.random.default_rng(9000 + seed)
    line: Line = []
    at_s = 0.3
    for _ in range(24):
        length_s, root = float(rng.choice([0.5, 0.75, 1.0, 1.5])), int(rng.integers(12))
        low = 28 + (root - 28) % 12 + 12 * int(rng.random() < 0.3)
        keys = [low, low + 12, *(60 + root + step for step in TRIADS[rng.integers(6)])]
        velocity = int(rng.integers(60, 110))
        line += [(at_s, at_s + length_s, key, velocity) for key in keys]
        at_s += length_s + float(rng.choice([0.0, 0.0, 0.1, 0.3]))
    return line


def layered(line: Line, notes: list[Recording], seed: int) -> tuple[Floats, list[Floats]]:
    """Set recordings as written: their sum, and each note alone from its start."""
    rng = np.random.default_rng(seed)
    made = np.zeros(round((max(end_s for _, end_s, *_ in line) + 1.0) * SR))
    alone = []
    for start_s, end_s, key, velocity in line:
        near = min(notes, key=lambda n: abs(n.midi - key))
        rate = 2.0 ** ((key - near.midi + float(rng.uniform(-4.0, 4.0)) / 100) / 12)
        length_s = min(end_s - start_s + DAMPED_S, LONGEST_S)
        read = np.arange(round(length_s * SR)) * rate
        sound = np.interp(read, np.arange(len(near.samples)), near.samples, right=0.0)
        loudest = np.sqrt(np.mean(sound[: round(0.1 * SR)] ** 2))
        sound *= 10 ** (float(rng.uniform(-6.0, 0.0)) / 20) * velocity / 127 / max(loudest, 1e-6)
        fade = round(DAMPED_S * SR)
        sound[-fade:] *= np.cos(np.linspace(0.0, np.pi / 2, fade))
        first = round(start_s * SR)
        made[first : first + len(sound)] += sound
        alone.append(sound)
    return 0.3 * made / np.abs(made).max() + 1e-5 * rng.standard_normal(len(made)), alone


def counts_of(player: Player, notes: list[Recording], seed: int, cents: Cents) -> Counts:
    """Set a part, find its notes, and compare."""
    line = hands(seed) if player.plays == "hands" else line_of(player, seed)
    samples, alone = layered(line, notes, seed)
    found = _heard(samples, player)
    left = list(found)
    for (start_s, end_s, key, _), sound in zip(line, alone, strict=True):
        near = [pair for pair in _of_key(left, key) if abs(pair[0].start_s - start_s) < 0.1]
        if not near:
            continue
        note, measured = min(near, key=lambda one: abs(one[0].start_s - start_s))
        left.remove((note, measured))
        said_hz = np.array([first_partial_hz(sound, SR, 0.0, end_s - start_s, key)])
        quiet = np.zeros(SR // 2)
        by_itself = np.concatenate([quiet, 0.3 * sound / np.abs(sound).max(), quiet])
        by_itself += 1e-5 * np.random.default_rng(seed).standard_normal(len(by_itself))
        for _, read in _of_key(_heard(by_itself, player), key)[:1]:
            said_hz = np.append(said_hz, read.sustain_hz)
        off = 1200 * np.log2((measured.sustain_hz or np.nan) / said_hz)
        if np.isnan(off).any():
            continue
        between = off.min() <= 0.0 <= off.max()
        cents.off.append(0.0 if between else float(np.abs(off).min()))
        cents.pulls.append(cents.off[-1] / (measured.uncertainty_cents or np.nan))
    return compared(line, [start_s for start_s, *_ in line], found)


def _heard(samples: Floats, player: Player) -> list[tuple[Note, Measurement]]:
    range_hz = role_range_hz(StemSpec(code="X", file="x.wav", role=player.role))
    return list(find_chord_notes(stem_of(samples, SR, player.role, range_hz=range_hz)))


def _of_key(pairs: list[tuple[Note, Measurement]], key: int) -> list[tuple[Note, Measurement]]:
    """Notes within half a semitone of a key whose sustain was measured."""
    near_hz = midi_to_hz(key)
    return [
        pair for pair in pairs
        if pair[1].sustain_hz and abs(12 * np.log2(pair[0].pitch_hz / near_hz)) < 0.5
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.layered", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--only", nargs="*", default=list(PLAYERS), choices=list(PLAYERS))
    options = parser.parse_args()
    every, all_cents = Counts(), Cents()
    for name in options.only:
        folder, player = PLAYERS[name]
        notes = recordings(options.folder / folder)
        counts, cents = Counts(), Cents()
        for seed in range(options.seeds[0], options.seeds[1] + 1):
            counts += counts_of(player, notes, seed, cents)
        every += counts
        all_cents.off += cents.off
        all_cents.pulls += cents.pulls
        print(f"{name:18s} {counts.told()}  {cents.told()}", flush=True)
    print(f"{'all':18s} {every.told()}  {all_cents.told()}")


if __name__ == "__main__":
    main()
