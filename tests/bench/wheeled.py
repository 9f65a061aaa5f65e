"""Slurs, hammer-ons, bends, slides and scoops on sampled sounds: ``python -m tests.bench.wheeled``.

FluidSynth plays recorded instruments, and the pitch wheel does what fingers, lips and throats do
between two strokes: a hammer-on or a slur is a step within 10 to 25 ms while the sound goes on, a
slide climbs fret by fret, a bend or a scoop leads to the pitch that is held, vibrato swings around
it. So the sound is a recording's while where each note begins, and its pitch, is written.

What is right is common practice, no source: what a hammer-on, slur or slide leads to is a note of
its own; a bend or a scoop belongs to the note that it leads to, which begins with the stroke. The
first note of a stroke begins where it is heard alone (`tests.bench.rendered`), all others
where written.
"""

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np

from planner.edges.hearing import hear_stem
from planner.model import Floats, Role
from planner.words.session_model import StemSpec
from tests.bench.rendered import SOUNDS, Score, heard_starts, played, score, tell_heard

_LAST_S = 20.0
_WHEEL_SEMITONES = 24.0
_TICKS_PER_S = 1920


@dataclass(frozen=True, slots=True)
class Player:
    """A program of General MIDI (counted from 0), our role, the notes it plays and the manner."""

    program: int
    role: Role
    lowest: int
    highest: int
    manner: str


PLAYERS = {
    "nylon guitar": Player(24, "fretted", 45, 74, "fretted"),
    "steel guitar": Player(25, "fretted", 45, 76, "fretted"),
    "jazz guitar": Player(26, "fretted", 45, 76, "fretted"),
    "clean guitar": Player(27, "fretted", 45, 79, "fretted"),
    "overdriven guitar": Player(29, "fretted", 45, 79, "fretted"),
    "distorted guitar": Player(30, "fretted", 45, 79, "fretted"),
    "fingered bass": Player(33, "bass-fretted", 28, 50, "bass"),
    "picked bass": Player(34, "bass-fretted", 28, 50, "bass"),
    "fretless bass": Player(35, "bass-fretless", 28, 50, "bass"),
    "acoustic bass": Player(32, "bass-fretless", 28, 50, "bass"),
    "violin": Player(40, "bowed", 57, 84, "slurred"),
    "cello": Player(42, "bowed", 40, 65, "slurred"),
    "trumpet": Player(56, "brass", 57, 80, "slurred"),
    "trombone": Player(57, "brass", 45, 67, "slurred"),
    "alto sax": Player(65, "woodwind", 54, 78, "slurred"),
    "tenor sax": Player(66, "woodwind", 48, 72, "slurred"),
    "clarinet": Player(71, "woodwind", 54, 82, "slurred"),
    "flute": Player(73, "woodwind", 62, 88, "slurred"),
    "voice oohs": Player(53, "lead-voice", 48, 74, "sung"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounding:
    """One stroke: its time, key and velocity, the notes in it, and the wheel over it."""

    start_s: float
    end_s: float
    key: int
    velocity: int
    notes: tuple[tuple[float, int], ...]  # each note's start in s and MIDI pitch
    wheel: tuple[tuple[float, float], ...]  # s and semitones away from the key, joined by lines
    swing: tuple[float, float, float]  # vibrato from s, rate in Hz, semitones either side


def sounding_of(
    player: Player, rng: np.random.Generator, start_s: float, key: int, *, fast: bool
) -> Sounding:
    """Draw what one stroke holds, in the manner of its player."""
    lengths = [0.11, 0.125, 0.167, 0.2] if fast else [0.25, 0.35, 0.5, 0.8]
    velocity = int(rng.integers(60, 115))
    first_s = float(rng.choice(lengths))
    notes = [(start_s, key)]
    wheel = [(start_s, 0.0)]
    at_s, midi = start_s + first_s, key
    swing = (0.0, 5.0, 0.0)
    kind = rng.random()
    steps = [-4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4]
    if player.manner in ("fretted", "bass") and kind < 0.45:  # hammer-on, pull-off, slide
        for _ in range(int(rng.integers(1, 3))):
            step = int(rng.choice(steps))
            if not player.lowest <= midi + step <= player.highest:
                step = -step
            away = midi - key
            if abs(step) > 1 and rng.random() < 0.3:
                each_s = 0.02
                for fret in range(abs(step)):
                    sign = np.sign(step)
                    wheel.append((at_s + fret * each_s, away + fret * sign))
                    wheel.append((at_s + fret * each_s + 0.004, away + (fret + 1) * sign))
                at_s += (abs(step) - 1) * each_s
                notes.append((at_s, midi + step))
            else:
                wheel += [(at_s, away), (at_s + 0.01, away + step)]
                notes.append((at_s, midi + step))
            midi += step
            at_s += float(rng.choice(lengths))
    elif player.manner == "fretted" and kind < 0.65:  # bend
        up = int(rng.choice([1, 2, 2]))
        slow_s = float(rng.uniform(0.06, 0.12) if fast else rng.uniform(0.08, 0.3))
        held_s = slow_s + float(rng.uniform(0.25, 0.6))
        stays_s = float(rng.uniform(0.0, 0.03))
        wheel += [(start_s + stays_s, 0.0), (start_s + stays_s + slow_s, float(up))]
        notes = [(start_s, key + up)]
        at_s = start_s + held_s
    elif player.manner == "slurred" and kind < 0.6:
        for _ in range(int(rng.integers(1, 5))):
            step = int(rng.choice([*steps, 5, 7, -5]))
            if not player.lowest <= midi + step <= player.highest:
                step = -step
            if abs(midi + step - key) > 7:
                break
            away = midi - key
            moves_s = float(rng.uniform(0.01, 0.025))
            wheel += [(at_s - moves_s / 2, away), (at_s + moves_s / 2, away + step)]
            notes.append((at_s, midi + step))
            midi += step
            at_s += float(rng.choice(lengths))
    elif player.manner == "sung":
        if kind < 0.4:
            low = -float(rng.uniform(0.7, 2.0))
            wheel = [(start_s, low), (start_s + float(rng.uniform(0.06, 0.15)), 0.0)]
            at_s = start_s + max(first_s, 0.3)
        for _ in range(int(rng.integers(0, 3))):
            step = int(rng.choice(steps))
            if not player.lowest <= midi + step <= player.highest:
                step = -step
            away = midi - key
            moves_s = float(rng.uniform(0.05, 0.1))
            wheel += [(at_s - moves_s / 2, away), (at_s + moves_s / 2, away + step)]
            notes.append((at_s, midi + step))
            midi += step
            at_s += max(float(rng.choice(lengths)), 0.2)
    long_s = at_s - notes[-1][0]
    if long_s >= 0.5 and player.manner != "bass" and rng.random() < 0.6:
        half = float(rng.uniform(0.15, 0.6))
        swing = (at_s - 0.7 * long_s, float(rng.uniform(4.5, 6.5)), half)
    return Sounding(
        start_s=start_s,
        end_s=at_s,
        key=key,
        velocity=velocity,
        notes=tuple(notes),
        wheel=tuple(wheel),
        swing=swing,
    )


def line_of(player: Player, seed: int, *, fast: bool) -> list[Sounding]:
    """Draw a line of strokes; most end where the next begins."""
    rng = np.random.default_rng(1000 * player.program + seed)
    at_s, midi = 0.3, int(rng.integers(player.lowest + 5, player.highest - 5))
    line: list[Sounding] = []
    while at_s < _LAST_S:
        line.append(sounding_of(player, rng, at_s, midi, fast=fast))
        at_s = line[-1].end_s + (0.0 if rng.random() < 0.7 else float(rng.choice([0.05, 0.15])))
        step = int(rng.choice([-7, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 7]))
        if not player.lowest <= midi + step <= player.highest:
            step = -step
        midi = int(np.clip(midi + step, player.lowest, player.highest))
    return line


def wheel_semitones(sounding: Sounding, at_s: Floats) -> Floats:
    """Where the wheel stands at some times of a stroke, semitones."""
    times, values = np.array(sounding.wheel).T
    begins_s, rate_hz, half = sounding.swing
    swung = half * np.sin(2 * np.pi * rate_hz * (at_s - begins_s)) * (at_s > begins_s)
    semitones: Floats = np.interp(at_s, times, values) + swung
    return semitones


def render(line: list[Sounding], program: int, folder: Path, sounds: Path) -> Path:
    """Have FluidSynth play a line dry; give the path of the sound file.

    Each stroke has a channel of its own, so that the wheel does not bend what still rings.
    """
    channels = [c for c in range(16) if c != 9]
    events: list[tuple[int, int, mido.Message]] = []
    for channel in channels:
        events.append((0, 0, mido.Message("program_change", program=program, channel=channel)))
        for control, value in ((101, 0), (100, 0), (6, int(_WHEEL_SEMITONES)), (38, 0)):
            message = mido.Message("control_change", control=control, value=value, channel=channel)
            events.append((0, 0, message))
    for i, sounding in enumerate(line):
        channel = channels[i % len(channels)]
        key, velocity = sounding.key, sounding.velocity
        on = mido.Message("note_on", note=key, velocity=velocity, channel=channel)
        off = mido.Message("note_off", note=key, channel=channel)
        events.append((round(sounding.start_s * _TICKS_PER_S), 2, on))
        events.append((round(sounding.end_s * _TICKS_PER_S) - 1, 1, off))
        at_s = np.arange(sounding.start_s, sounding.end_s, 0.002)
        wheel = np.round(8192 * wheel_semitones(sounding, at_s) / _WHEEL_SEMITONES).astype(int)
        moved = np.concatenate([[True], np.diff(wheel) != 0])
        for time_s, value in zip(at_s[moved], wheel[moved], strict=True):
            message = mido.Message("pitchwheel", pitch=int(value), channel=channel)
            events.append((round(time_s * _TICKS_PER_S), 0, message))
    return played(events, folder, sounds)


def score_of(name: str, seed: int, *, fast: bool, sounds: Path = SOUNDS) -> Score:
    """Render a line, find its notes, and compare with what was written."""
    player = PLAYERS[name]
    line = line_of(player, seed, fast=fast)
    with tempfile.TemporaryDirectory() as folder:
        alone = [(s.start_s, s.end_s, s.key, s.velocity) for s in line]
        heard = heard_starts(alone, player.program, Path(folder), sounds)
        path = render(line, player.program, Path(folder), sounds)
        stem = hear_stem(StemSpec(code="A", file="line.wav", role=player.role), path, "line")
    found = np.array([[n.start_s, m.sustain_hz or m.onset_hz or n.pitch_hz] for n, m in stem.notes])
    sounding = [(s, own) for s, own in zip(line, heard, strict=True) if not np.isnan(own)]
    notes = [(start_s, start_s, midi, 0) for s, _ in sounding for start_s, midi in s.notes]
    starts = [at for s, own in sounding for at in _starts(s, own)]
    return score(notes, starts, found.reshape(-1, 2))


def _starts(sounding: Sounding, heard_s: float) -> list[float]:
    """Where each note of a stroke begins: the first where it is heard."""
    second_s = sounding.notes[1][0] if len(sounding.notes) > 1 else sounding.end_s
    return [min(heard_s, second_s), *(at_s for at_s, _ in sounding.notes[1:])]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--sounds", type=Path, default=SOUNDS)
    parser.add_argument("--only", nargs="*", default=list(PLAYERS), choices=list(PLAYERS))
    options = parser.parse_args()
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    tell_heard(
        (
            name,
            [score_of(name, seed, fast=False, sounds=options.sounds) for seed in seeds],
            [score_of(name, seed, fast=True, sounds=options.sounds) for seed in seeds],
        )
        for name in options.only
    )


if __name__ == "__main__":
    main()
