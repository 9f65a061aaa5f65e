"""Are notes of sampled instruments found? ``python -m tests.bench.rendered [--sounds FILE.sf2]``.

FluidSynth plays random lines on recorded instruments: the soundfont that pretty_midi brings, or
another (Debian's ``fluid-soundfont-gm`` is larger). Notes ring on after they are let go, attacks
swell or click, releases overlap the next note: nobody here made these sounds. Where a sample begins
late (bowed strings 30 to 80 ms), the written start is not the heard one, and F1 says so.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import pretty_midi
from mir_eval.transcription import match_notes

from planner.hearing import hear_stem
from planner.model import Role
from planner.session_model import StemSpec

SOUNDS = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
_LAST_S = 20.0


@dataclass(frozen=True, slots=True)
class Instrument:
    """A program of General MIDI (counted from 0), our role for it, and the notes it plays."""

    program: int
    role: Role
    lowest: int
    highest: int


INSTRUMENTS = {
    "nylon guitar": Instrument(24, "fretted", 52, 76),
    "steel guitar": Instrument(25, "fretted", 52, 76),
    "jazz guitar": Instrument(26, "fretted", 52, 76),
    "clean guitar": Instrument(27, "fretted", 52, 76),
    "overdriven guitar": Instrument(29, "fretted", 52, 76),
    "fingered bass": Instrument(33, "bass-fretted", 28, 50),
    "picked bass": Instrument(34, "bass-fretted", 28, 50),
    "fretless bass": Instrument(35, "bass-fretless", 28, 50),
    "slapped bass": Instrument(36, "bass-fretted", 28, 50),
    "violin": Instrument(40, "bowed", 55, 88),
    "cello": Instrument(42, "bowed", 38, 67),
    "trumpet": Instrument(56, "brass", 55, 80),
    "trombone": Instrument(57, "brass", 43, 67),
    "soprano sax": Instrument(64, "woodwind", 58, 82),
    "alto sax": Instrument(65, "woodwind", 52, 76),
    "tenor sax": Instrument(66, "woodwind", 46, 70),
    "oboe": Instrument(68, "woodwind", 60, 85),
    "clarinet": Instrument(71, "woodwind", 52, 82),
    "flute": Instrument(73, "woodwind", 62, 90),
}
Line = list[tuple[float, float, int, int]]  # start and end in s, MIDI note, velocity


def line_of(instrument: Instrument, seed: int, *, fast: bool) -> Line:
    """Steps and leaps up to an octave; most notes end where the next begins."""
    rng = np.random.default_rng(1000 * instrument.program + seed)
    lowest, highest = instrument.lowest, instrument.highest
    at_s, midi = 0.3, int(rng.integers(lowest + 5, highest - 5))
    lengths = [0.125, 0.125, 0.167, 0.25] if fast else [0.25, 0.33, 0.5, 0.5, 0.75, 1.2]
    line: Line = []
    while at_s < _LAST_S:
        length_s = float(rng.choice(lengths))
        line.append((at_s, at_s + length_s, midi, int(rng.integers(60, 115))))
        at_s += length_s + (0.0 if rng.random() < 0.7 else float(rng.choice([0.05, 0.15, 0.4])))
        leaps = [-12, -7, -5, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5, 7, 12]
        step = int(rng.choice(leaps))
        if not lowest <= midi + step <= highest:
            step = -step
        midi = int(np.clip(midi + step, lowest, highest))
    return line


def render(line: Line, program: int, folder: Path, sounds: Path) -> Path:
    """Have FluidSynth play a line dry; give the path of the sound file."""
    events = [(0, 0, mido.Message("program_change", program=program))]
    for start_s, end_s, midi, velocity in line:
        on = mido.Message("note_on", note=midi, velocity=velocity)
        events.append((round(start_s * 1920), 2, on))
        events.append((round(end_s * 1920) - 1, 1, mido.Message("note_off", note=midi)))
    track = mido.MidiTrack()
    now = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=1920))
    mido.MidiFile(ticks_per_beat=960, tracks=[track]).save(folder / "line.mid")
    subprocess.run(
        ["fluidsynth", "-ni", "-q", "-C", "0", "-R", "0", "-r", "48000", "-F", "line.wav",
         str(sounds), "line.mid"],
        cwd=folder, check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    return folder / "line.wav"


def f1_of(name: str, seed: int, *, fast: bool, sounds: Path = SOUNDS) -> float:
    """Note F1 of MIREX: starts within 50 ms, pitch within 50 cents."""
    instrument = INSTRUMENTS[name]
    line = line_of(instrument, seed, fast=fast)
    with tempfile.TemporaryDirectory() as folder:
        path = render(line, instrument.program, Path(folder), sounds)
        heard = hear_stem(StemSpec(code="A", file="line.wav", role=instrument.role), path, "line")
    spans = np.array([[n.start_s, n.end_s] for n, _ in heard.notes]).reshape(-1, 2)
    found_hz = np.array([m.sustain_hz or m.onset_hz or n.pitch_hz for n, m in heard.notes])
    true = np.array([note[:2] for note in line])
    true_hz = np.array([440.0 * 2 ** ((note[2] - 69) / 12) for note in line])
    if len(spans) == 0:
        return 0.0
    matched = match_notes(true, true_hz, spans, found_hz, 0.05, 50.0, offset_ratio=None)
    return 2 * len(matched) / (len(true) + len(spans))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--sounds", type=Path, default=SOUNDS)
    options = parser.parse_args()
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    means = []
    for name in INSTRUMENTS:
        slow, fast = (
            np.mean([f1_of(name, s, fast=fast, sounds=options.sounds) for s in seeds])
            for fast in (False, True)
        )
        means.append((slow, fast))
        print(f"{name:18s} slow {slow:.3f}  fast {fast:.3f}", flush=True)
    print("{:18s} slow {:.3f}  fast {:.3f}".format("mean", *np.mean(means, axis=0)))


if __name__ == "__main__":
    main()
