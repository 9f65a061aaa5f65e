"""Recorded single notes set in lines: ``python -m tests.bench.sequenced FOLDER``.

``FOLDER`` as for `tests.bench.named`. Each line strings recorded notes together at random: a pluck
is damped within 20 to 60 ms when the next begins; of what is blown or bowed some notes are tongued
(with the attack that was recorded), others slurred (taken from 0.2 s into the recording, with a
crossfade of 20 ms). Notes between the recorded ones are played back up to two semitones faster or
slower, and each is as loud as its neighbours whatever the recording swells to later. So every
attack, tone and decay is a player's, while where each note begins and its named pitch are known. A
recording that swells for 0.1 s and more begins anywhere from its first sound, 40 dB down, to where
it is heard, 15 dB down (see `tests.bench.rendered`); one that begins with the noise of bow, breath
or lip anywhere from there to where its sound first repeats from period to period. A note cut before
that has no pitch, and is neither asked for nor counted. Files whose pitch is not the named one, by
librosa's yin, are left out.
"""

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import librosa
import numpy as np
import soundfile

from planner.model import HARMONIC_ROLES, Floats, Role
from planner.pitch import midi_to_hz
from tests.bench.named import AUDIO, ROLES, named_pitch
from tests.bench.rendered import Score, score, tell_heard
from tests.tones.exact import found_notes, stem_of

SR = 44_100
_LAST_S = 20.0
_INTO_S = 0.2
_CROSS_S = 0.02
_HEARD_DB = 15.0
_ENVELOPE_S = 0.010
_LEAST_S = 0.6
_REPEATS = 0.8  # correlation of two periods with the two after: noise 5 dB under the tone
_LEAST_PITCHED_S = 0.06  # the shortest note that is looked for
_LEAST_NOTES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SetNote:
    """A note of a line: when it begins, is heard, has a pitch and ends (s), and its pitch."""

    start_s: float
    heard_s: float
    pitched_s: float
    end_s: float
    midi: int


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recorded note from just before it is heard, and its named pitch."""

    midi: int
    samples: Floats


def recordings(folder: Path) -> list[Recording]:
    """Read the notes of one instrument whose pitch is the one they are named by."""
    out = []
    for path in sorted(p for p in folder.rglob("*") if p.suffix in AUDIO):
        midi = named_pitch(path)
        if midi is None:
            continue
        channels, sr = soundfile.read(path, always_2d=True)
        samples = librosa.resample(channels.mean(axis=1), orig_sr=sr, target_sr=SR)
        level = _envelope(samples)
        loud = level[: round(1.0 * SR)].max()
        first = int(np.argmax(level > loud * 10 ** (-40 / 20)))
        samples = samples[first:] / np.abs(samples).max()
        if len(samples) < _LEAST_S * SR:
            continue
        middle = samples[round(0.15 * SR) : round(_LEAST_S * SR)]
        named_hz = midi_to_hz(midi)
        yin_hz = librosa.yin(
            middle, fmin=max(named_hz / 2.2, 25.0), fmax=named_hz * 2.2, sr=SR, frame_length=4096
        )
        if abs(12 * np.log2(np.median(yin_hz) / named_hz)) < 0.4:
            out.append(Recording(midi, samples))
    return out


def _envelope(samples: Floats) -> Floats:
    width = round(_ENVELOPE_S * SR)
    energy = np.concatenate([[0.0], np.cumsum(np.square(samples))])
    level: Floats = np.sqrt(np.maximum(energy[width:] - energy[:-width], 0.0) / width)
    return level


def _repeats_from_s(sound: Floats, midi: int) -> float:
    """When a sound first repeats from period to period; infinite where it never does."""
    lag = SR / midi_to_hz(midi)
    width, lags = 2 * round(lag), range(round(lag * 0.97), round(lag * 1.03) + 1)
    for first in range(0, len(sound) - width - lags[-1], max(width // 8, 1)):
        here = sound[first : first + width]
        for late in lags:
            after = sound[first + late : first + late + width]
            if here @ after > _REPEATS * np.sqrt((here @ here) * (after @ after)) > 0.0:
                return first / SR
    return np.inf


def line_of(
    notes: list[Recording],
    role: Role,
    seed: int,
    *,
    fast: bool,
    off_cents: Mapping[int, float] = MappingProxyType({}),
) -> tuple[Floats, list[SetNote]]:
    """Set a line: its samples and its notes, some of them (by their place) so many cents off."""
    rng = np.random.default_rng(seed)
    lengths = [0.125, 0.125, 0.167, 0.25] if fast else [0.25, 0.33, 0.5, 0.5, 0.75]
    driven = role in HARMONIC_ROLES
    low, high = min(n.midi for n in notes), max(n.midi for n in notes)
    made = np.zeros(round((_LAST_S + 2.0) * SR))
    line: list[SetNote] = []
    at_s, midi, joined = 0.4, int(rng.integers(low, high + 1)), False
    while at_s < _LAST_S:
        length_s = float(rng.choice(lengths))
        near = min(notes, key=lambda n: abs(n.midi - midi))
        if abs(near.midi - midi) > 2:
            midi = near.midi
        rate = 2.0 ** ((midi - near.midi + off_cents.get(len(line), 0.0) / 100) / 12)
        slurred = driven and joined and rng.random() < 0.5
        from_s = _INTO_S if slurred else 0.0
        gone_s = _CROSS_S if driven else float(rng.uniform(0.02, 0.06))
        read = (from_s + np.arange(round((length_s + gone_s) * SR)) / SR) * rate * SR
        sound = np.interp(read, np.arange(len(near.samples)), near.samples, right=0.0)
        loudest = _envelope(sound[: round(length_s * SR)]).max()
        sound *= 10 ** (float(rng.uniform(-8.0, 0.0)) / 20) / max(loudest, 1e-6)
        fade = round(gone_s * SR)
        sound[-fade:] *= np.cos(np.linspace(0.0, np.pi / 2, fade))
        if slurred:
            sound[: round(_CROSS_S * SR)] *= np.sin(
                np.linspace(0.0, np.pi / 2, round(_CROSS_S * SR))
            )
        first = round(at_s * SR)
        made[first : first + len(sound)] += sound
        kept = sound[: round(length_s * SR)]
        level = _envelope(kept)
        risen_s = float(np.argmax(level > level.max() * 10 ** (-_HEARD_DB / 20))) / SR
        line.append(
            SetNote(
                start_s=at_s,
                heard_s=at_s + (_CROSS_S / 2 if slurred else risen_s + _ENVELOPE_S / 2),
                pitched_s=at_s + _repeats_from_s(kept, midi),
                end_s=at_s + length_s,
                midi=midi,
            )
        )
        joined = rng.random() < 0.7
        at_s += length_s + (0.0 if joined else float(rng.choice([0.05, 0.15, 0.4])))
        step = int(rng.choice([-12, -7, -5, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5, 7, 12]))
        midi += step if low <= midi + step <= high else -step
        midi = int(np.clip(midi, low, high))
    return 0.3 * made + 1e-5 * rng.standard_normal(len(made)), line


def score_of(notes: list[Recording], role: Role, seed: int, *, fast: bool) -> Score:
    """Set a line, find its notes, and compare."""
    samples, line = line_of(notes, role, seed, fast=fast)
    notes_found, _ = found_notes(stem_of(samples, SR, role))
    return score(*compared(line, np.array([[n.start_s, n.pitch_hz] for n in notes_found])))


def compared(
    line: list[SetNote], found: Floats
) -> tuple[list[tuple[float, float, int, int]], list[float], Floats]:
    """A line, its starts and what was found, without the notes that have no pitch.

    Starts are as far towards those found as the recordings' own leave open.
    """
    found = found.reshape(-1, 2)
    asked = [note for note in line if note.end_s - note.pitched_s > _LEAST_PITCHED_S]
    unasked = [(note.start_s, note.end_s) for note in line if note not in asked]
    starts = []
    for note in asked:
        here = found[np.abs(12 * np.log2(found[:, 1] / midi_to_hz(note.midi))) < 0.5, 0]
        late_s = max(note.heard_s, note.pitched_s)
        within = here[(here > note.start_s - 0.05) & (here < late_s + 0.05)]
        starts.append(
            float(np.clip(within[-1], note.start_s, late_s)) if len(within) else note.heard_s
        )
    matched = [
        any(abs(at_s - start_s) < 0.05 for start_s in starts)
        or not any(first_s <= at_s < last_s for first_s, last_s in unasked)
        for at_s in found[:, 0]
    ]
    written = [(note.start_s, note.end_s, note.midi, 0) for note in asked]
    return written, starts, found[np.array(matched, dtype=bool)]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sequenced", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    parser.add_argument("--only", nargs="*", default=list(ROLES), choices=list(ROLES))
    options = parser.parse_args()
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    single = [name for name in options.only if ROLES[name] != "tuning-reference"]
    if not any((options.folder / name).is_dir() for name in single):
        parser.error(f"{options.folder} holds no folder named {', '.join(single)}")
    read = ((name, recordings(options.folder / name)) for name in single)
    tell_heard(
        (
            name,
            [score_of(notes, ROLES[name], seed, fast=False) for seed in seeds],
            [score_of(notes, ROLES[name], seed, fast=True) for seed in seeds],
        )
        for name, notes in read
        if len(notes) >= _LEAST_NOTES
    )


if __name__ == "__main__":
    main()
