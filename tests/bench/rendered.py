"""Are notes of sampled instruments found? ``python -m tests.bench.rendered [--sounds FILE.sf2]``.

FluidSynth plays random lines on recorded instruments: the soundfont that pretty_midi brings, or
another (Debian's ``fluid-soundfont-gm`` is larger). Notes ring on after they are let go, attacks
swell or click, releases overlap the next note: nobody here made these sounds.

A sample may begin late (bowed strings 30 to 80 ms): then the written start is not the heard one.
So each note of a line is also rendered alone, and F1 is told twice: against the written starts, and
against the starts heard alone (written start plus that note's own rise, measured here and not by
the planner). Behind it what became of the notes: found, right but off in time, an octave or twelfth
wrong, another pitch, missed, and notes found that nobody played.
"""

import argparse
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import pretty_midi
import soundfile
from mir_eval.transcription import match_notes

from planner.edges.hearing import hear_stem
from planner.model import Floats, Role
from planner.words.session_model import StemSpec

SOUNDS = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
_LAST_S = 20.0
_APART_S = 1.5  # between notes rendered alone: by then the one before has died away
# A tone is heard to begin where its envelope passes 6 to 15 dB under its highest level (J. Vos and
# R. Rasch, "The perceptual onset of musical tones", Percept. Psychophys. 29, 1981; from memory).
_HEARD_DB = 15.0
_SILENT_DB = 60.0  # under the loudest note: softer than any that is played
_ENVELOPE_S = 0.010  # chosen: short beside the 50 ms of the match


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
    "acoustic bass": Instrument(32, "bass-fretless", 28, 50),
    "fingered bass": Instrument(33, "bass-fretted", 28, 50),
    "picked bass": Instrument(34, "bass-fretted", 28, 50),
    "fretless bass": Instrument(35, "bass-fretless", 28, 50),
    "slapped bass": Instrument(36, "bass-fretted", 28, 50),
    "violin": Instrument(40, "bowed", 55, 88),
    "viola": Instrument(41, "bowed", 48, 76),
    "cello": Instrument(42, "bowed", 38, 67),
    "double bass": Instrument(43, "bowed", 28, 52),
    "trumpet": Instrument(56, "brass", 55, 80),
    "trombone": Instrument(57, "brass", 43, 67),
    "tuba": Instrument(58, "brass", 28, 52),
    "french horn": Instrument(60, "brass", 41, 70),
    "soprano sax": Instrument(64, "woodwind", 58, 82),
    "alto sax": Instrument(65, "woodwind", 52, 76),
    "tenor sax": Instrument(66, "woodwind", 46, 70),
    "baritone sax": Instrument(67, "woodwind", 40, 64),
    "oboe": Instrument(68, "woodwind", 60, 85),
    "bassoon": Instrument(70, "woodwind", 36, 64),
    "clarinet": Instrument(71, "woodwind", 52, 82),
    "flute": Instrument(73, "woodwind", 62, 90),
    "recorder": Instrument(74, "woodwind", 60, 86),
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
    return played(events, folder, sounds)


def played(events: list[tuple[int, int, mido.Message]], folder: Path, sounds: Path) -> Path:
    """Have FluidSynth play messages (tick of 1920 a second, order within it) without effects."""
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


def heard_starts(line: Line, program: int, folder: Path, sounds: Path) -> list[float]:
    """Written starts plus how long each note, played alone, takes to be heard, s.

    NaN for a note that the soundfont has no sound for, as one alto saxophone's E4.
    """
    alone: Line = []
    at_s = 0.5
    for start_s, end_s, midi, velocity in line:
        alone.append((at_s, at_s + end_s - start_s, midi, velocity))
        at_s += end_s - start_s + _APART_S
    samples, sr = soundfile.read(render(alone, program, folder, sounds), always_2d=True)
    width = round(_ENVELOPE_S * sr)
    energy = np.concatenate([[0.0], np.cumsum(np.square(samples).sum(axis=1))])
    starts = []
    silent = 10 ** (-_SILENT_DB / 10) * (energy[width:] - energy[:-width]).max()
    for (start_s, *_), (at_s, end_s, *_) in zip(line, alone, strict=True):
        first, last = round(at_s * sr), round(end_s * sr)
        envelope = energy[first + width : last + width] - energy[first:last]
        passed = int(np.argmax(envelope > envelope.max() * 10 ** (-_HEARD_DB / 10)))
        heard = envelope.max() > silent
        starts.append(start_s + (passed + width / 2) / sr if heard else np.nan)
    return starts


@dataclass(frozen=True, slots=True)
class Score:
    """Note F1 against written and heard starts; what became of the notes, by heard starts."""

    written: float
    heard: float
    fates: Counter[str]


def score_of(name: str, seed: int, *, fast: bool, sounds: Path = SOUNDS) -> Score:
    """Render a line, find its notes, and compare."""
    instrument = INSTRUMENTS[name]
    line = line_of(instrument, seed, fast=fast)
    with tempfile.TemporaryDirectory() as folder:
        starts = heard_starts(line, instrument.program, Path(folder), sounds)
        path = render(line, instrument.program, Path(folder), sounds)
        stem = hear_stem(StemSpec(code="A", file="line.wav", role=instrument.role), path, "line")
    found = np.array([[n.start_s, m.sustain_hz or m.onset_hz or n.pitch_hz] for n, m in stem.notes])
    sounding = [(note, at_s) for note, at_s in zip(line, starts, strict=True) if not np.isnan(at_s)]
    line, starts = [note for note, _ in sounding], [at_s for _, at_s in sounding]
    return score(line, starts, found.reshape(-1, 2))


def score(line: Line, starts: list[float], found: Floats) -> Score:
    """Compare notes found (start in s, pitch in Hz) with a line and its heard starts."""
    hz = np.array([440.0 * 2 ** ((note[2] - 69) / 12) for note in line])
    written = np.array([note[0] for note in line])
    heard = np.array(starts)
    fates: Counter[str] = Counter()
    left_true, left_found = set(range(len(line))), set(range(len(found)))

    def take(fate: str, apart_s: float, semitones: list[float]) -> None:
        fits = [
            (abs(found[j, 0] - heard[i]), i, j)
            for i in left_true
            for j in left_found
            if abs(found[j, 0] - heard[i]) < apart_s
            and any(abs(12 * np.log2(found[j, 1] / hz[i]) - s) < 0.5 for s in semitones)
        ]
        for _, i, j in sorted(fits):
            if i in left_true and j in left_found:
                left_true.remove(i)
                left_found.remove(j)
                fates[fate] += 1

    take("found", 0.05, [0.0])
    take("off in time", 0.2, [0.0])
    take("octave", 0.1, [-24.0, -19.0, -12.0, 12.0, 19.0, 24.0])
    take("pitch", 0.05, [float(s) for s in range(-36, 37)])
    fates["missed"], fates["made up"] = len(left_true), len(left_found)
    return Score(written=_f1(written, hz, found), heard=_f1(heard, hz, found), fates=fates)


def _f1(starts: Floats, hz: Floats, found: Floats) -> float:
    """Note F1 of MIREX: starts within 50 ms, pitch within 50 cents; ends are not compared."""
    if len(found) == 0:
        return 0.0
    spans = [np.stack([at, at + 0.1], axis=1) for at in (starts, found[:, 0])]
    matched = match_notes(spans[0], hz, spans[1], found[:, 1], 0.05, 50.0, offset_ratio=None)
    return float(2 * len(matched) / (len(starts) + len(found)))


def fates_in_words(scores: list[Score]) -> str:
    """Say what became of the notes of some lines."""
    fates = sum((s.fates for s in scores), Counter())
    return ", ".join(f"{n} {fate}" for fate, n in fates.items() if n)


def tell_heard(lines: Iterable[tuple[str, list[Score], list[Score]]]) -> None:
    """Print F1 by the starts heard, for each name its slow and fast lines; the means at last."""
    means = []
    for name, slow, fast in lines:
        means.append([float(np.mean([s.heard for s in scores])) for scores in (slow, fast)])
        words = f"   {fates_in_words(slow)} | {fates_in_words(fast)}"
        print("{:18s} slow {:.3f}  fast {:.3f}".format(name, *means[-1]) + words, flush=True)
    print("{:18s} slow {:.3f}  fast {:.3f}".format("mean", *np.mean(means, axis=0)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--sounds", type=Path, default=SOUNDS)
    parser.add_argument("--only", nargs="*", default=list(INSTRUMENTS), choices=list(INSTRUMENTS))
    options = parser.parse_args()
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    print("note F1 against the written starts / against the starts heard of each note alone")
    means = []
    for name in options.only:
        row = []
        words = []
        for fast in (False, True):
            scores = [score_of(name, s, fast=fast, sounds=options.sounds) for s in seeds]
            row += [np.mean([s.written for s in scores]), np.mean([s.heard for s in scores])]
            words.append(fates_in_words(scores))
        means.append(row)
        print(_line(name, row) + f"   {words[0]} | {words[1]}", flush=True)
    print(_line("mean", list(np.mean(means, axis=0))))


def _line(name: str, row: list[float]) -> str:
    return "{:18s} slow {:.3f} / {:.3f}  fast {:.3f} / {:.3f}".format(name, *row)


if __name__ == "__main__":
    main()
