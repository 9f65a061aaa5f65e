"""Hard melodies with exact truth: fast legato, octave leaps, hammer-ons, bends, plucked octaves.

Each is made from a list of notes that is drawn first; pitch, timing and level then follow it. All
of it is invented; "usual" sizes (a finger falls in 4 ms, a bend takes 0.1 s and more, a legato
change 6 to 18 ms on a wind instrument and 30 to 70 ms in a voice) are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import soxr

from planner.demo.build import in_room, room_response
from planner.demo.tones import SR as ROOM_SR
from planner.model import Floats, Role, Stem
from tests.tones.exact import bent, moments, stem_of, tone

SR = 16_000
A4_HZ = 440.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MelodyNote:
    """One note as it was meant: a MIDI number with cents behind the point."""

    start_s: float
    end_s: float
    midi: float

    @property
    def hz(self) -> float:
        return float(A4_HZ * 2.0 ** ((self.midi - 69.0) / 12.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Melody:
    """A melody's sound at `SR` and its notes."""

    samples: Floats
    notes: tuple[MelodyNote, ...]
    role: Role
    range_hz: tuple[float, float]

    def stem(self, rt60_s: float | None = None, reverb_db: float = -12.0, seed: int = 0) -> Stem:
        """Give the melody as a stem, dry or in a room."""
        if rt60_s is None:
            return stem_of(self.samples, SR, self.role, range_hz=self.range_hz)
        response = room_response(rt60_s, reverb_db, np.random.default_rng(seed))
        wet = in_room(soxr.resample(self.samples, SR, ROOM_SR, quality="VHQ"), response)
        return stem_of(wet, ROOM_SR, self.role, range_hz=self.range_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Driven:
    """A note of a driven melody."""

    note: MelodyNote
    tongued: bool
    vibrato_cents: float


def fast_wind_line(seed: int) -> Melody:
    """Five to eleven notes a second, mostly legato, steps and leaps up to an octave."""
    rng = np.random.default_rng(seed)
    at_s, midi, rate = 0.2, int(rng.integers(55, 70)), rng.uniform(5.0, 11.0)
    tongued_share, blown = rng.uniform(0.05, 0.6), []
    for index in range(60):
        length_s = float(rng.choice([1, 1, 1, 1, 2, 0.5 if rate < 7 else 1])) / rate
        note = MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=midi + rng.normal(0, 0.1))
        vibrato = 0.0 if length_s < 0.25 else 15.0
        tongued = index == 0 or rng.random() < tongued_share
        blown.append(_Driven(note=note, tongued=tongued, vibrato_cents=vibrato))
        at_s += length_s
        leaps = [-12, -7, -5, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5, 7, 12]
        midi = _within(midi, int(rng.choice(leaps)), 50, 82)
    odd = 0.25 if rng.random() < 0.4 else 1.0  # even partials of a closed pipe are weak
    tilt = rng.uniform(0.6, 1.4)
    amplitudes = [(odd if n % 2 == 0 else 1.0) / n**tilt for n in range(1, 25)]
    samples = _driven_tone(blown, rng, amplitudes, rng.uniform(0.006, 0.018))
    return _melody(samples, [b.note for b in blown], "woodwind", (100.0, 1200.0))


def sung_line(seed: int) -> Melody:
    """Notes of 0.15 to 0.6 s, slurred or spoken anew, vibrato up to 80 cents either side."""
    rng = np.random.default_rng(seed)
    at_s, midi, sung = 0.2, int(rng.integers(55, 70)), []
    for index in range(30):
        length_s = float(rng.choice([0.15, 0.2, 0.3, 0.4, 0.6]))
        note = MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=midi + rng.normal(0, 0.12))
        vibrato = float(rng.choice([0.0, 25.0, 50.0, 80.0])) if length_s > 0.35 else 0.0
        spoken = index == 0 or rng.random() < 0.4
        sung.append(_Driven(note=note, tongued=spoken, vibrato_cents=vibrato))
        at_s += length_s
        leaps = [-12, -5, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5, 12]
        midi = _within(midi, int(rng.choice(leaps)), 50, 79)
    tilt = rng.uniform(0.8, 1.5)
    amplitudes = [1.0 / n**tilt for n in range(1, 25)]
    samples = _driven_tone(sung, rng, amplitudes, rng.uniform(0.03, 0.07))
    return _melody(samples, [s.note for s in sung], "lead-voice", (80.0, 1000.0))


def fretted_line(seed: int, lower_by: int = 0) -> Melody:
    """Strokes, hammer-ons, pull-offs, slides and bends of a string, one or two octaves."""
    rng = np.random.default_rng(seed)
    at_s, midi = 0.2, int(rng.integers(52, 70)) - lower_by
    notes: list[MelodyNote] = []
    strokes: list[tuple[float, Floats, float]] = []
    while at_s < 18.0:
        kind = rng.choice(["stroke", "stroke", "hammer", "pull", "bend", "slide"])
        length_s = float(rng.choice([0.15, 0.25, 0.3, 0.5, 0.8]))
        start = midi + rng.normal(0, 0.08)
        step, then_s = 0.0, 0.0
        if kind in ("hammer", "pull"):
            step = float(rng.choice([1, 2, 2, 3, 4])) * (1 if kind == "hammer" else -1)
            length_s, then_s = max(length_s / 2, 0.12), float(rng.choice([0.12, 0.2, 0.35]))
        elif kind == "slide":
            step, length_s, then_s = float(rng.choice([2, 3, 5])), 0.2, 0.35
        line = np.full(round((length_s + then_s) * SR), start)
        if kind == "bend":
            length_s = max(length_s, 0.5)
            line, start = _bend(start, length_s, rng)
        elif step:
            line[round(length_s * SR) :] += step
            line = _smoothed(line, 0.06 if kind == "slide" else 0.008)
        strokes.append((at_s, line, float(10.0 ** (rng.normal(0, 2) / 20))))
        notes.append(MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=start))
        at_s += length_s
        if step:
            notes.append(MelodyNote(start_s=at_s, end_s=at_s + then_s, midi=start + step))
            at_s += then_s
        if rng.random() < 0.3:
            at_s += float(rng.uniform(0.03, 0.2))
        leap = int(rng.choice([-5, -4, -3, -2, -1, 1, 2, 3, 4, 5]))
        midi = int(np.clip(midi + leap, 45 - lower_by, 76 - lower_by))
    samples = _plucked(strokes, at_s + 0.6, rng, b=1e-4, weak_first_db=0.0)
    role: Role = "bass-fretted" if lower_by else "fretted"
    return _melody(samples, notes, role, (36.0, 600.0) if lower_by else (75.0, 1400.0))


def bass_octaves(seed: int) -> Melody:
    """Roots, fifths and octaves of a bass whose first partial may be 20 dB weak."""
    rng = np.random.default_rng(seed)
    at_s, root = 0.2, int(rng.integers(28, 36))
    notes: list[MelodyNote] = []
    strokes: list[tuple[float, Floats, float]] = []
    while at_s < 18.0:
        length_s = float(rng.choice([0.2, 0.25, 0.3, 0.5]))
        midi = root + float(rng.choice([0, 0, 12, 12, 7, 10, 5, 24])) + rng.normal(0, 0.08)
        notes.append(MelodyNote(start_s=at_s, end_s=at_s + 0.95 * length_s, midi=midi))
        line = np.full(round(0.95 * length_s * SR), midi)
        strokes.append((at_s, line, float(10.0 ** (rng.normal(0, 2) / 20))))
        at_s += length_s
        if rng.random() < 0.15:
            root = int(np.clip(root + rng.choice([-2, -1, 1, 2, 3]), 28, 38))
    b, weak_db = float(rng.choice([5e-5, 2e-4, 5e-4])), float(rng.choice([0, 6, 12, 20]))
    samples = _plucked(strokes, at_s + 0.6, rng, b=b, weak_first_db=weak_db)
    return _melody(samples, notes, "bass-fretted", (36.0, 400.0))


def bowed_bass(seed: int) -> Melody:
    """Roots, fifths and octaves under the bow, first partial or all odd ones weak: octave traps."""
    rng = np.random.default_rng(seed)
    at_s, root, played = 0.2, int(rng.integers(28, 36)), []
    before = 0
    for _ in range(30):
        length_s = float(rng.choice([0.25, 0.3, 0.4, 0.6]))
        midi = root + int(rng.choice([0, 0, 12, 12, 7, 5, 24, 2]))
        note = MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=midi + rng.normal(0, 0.1))
        turned = midi == before or rng.random() < 0.5  # one pitch twice under one bow is one note
        vibrato = float(rng.choice([0.0, 15.0])) if length_s > 0.35 else 0.0
        played.append(_Driven(note=note, tongued=turned, vibrato_cents=vibrato))
        at_s, before = at_s + length_s, midi
    weak = 10.0 ** (-float(rng.choice([0, 6, 12, 20])) / 20)
    even = float(rng.choice([1.0, 1.5, 3.0]))
    amplitudes = [(weak if n == 1 else even if n % 2 == 0 else 1.0) / n for n in range(1, 30)]
    samples = _driven_tone(played, rng, amplitudes, 0.03)
    return _melody(samples, [p.note for p in played], "bowed", (36.0, 500.0))


MELODIES: dict[str, Callable[[int], Melody]] = {
    "fast wind line": fast_wind_line,
    "sung line": sung_line,
    "fretted line": fretted_line,
    "low fretted line": lambda seed: fretted_line(seed, lower_by=17),
    "bass octaves": bass_octaves,
    "bowed bass": bowed_bass,
}


def _melody(
    samples: Floats, notes: list[MelodyNote], role: Role, range_hz: tuple[float, float]
) -> Melody:
    return Melody(samples=samples, notes=tuple(notes), role=role, range_hz=range_hz)


def _within(midi: int, leap: int, lowest: int, highest: int) -> int:
    there = midi + leap if lowest <= midi + leap <= highest else midi - leap
    return there if lowest <= there <= highest else (lowest + highest) // 2


def _smoothed(line: Floats, over_s: float) -> Floats:
    width = round(over_s * SR) | 1
    kernel = np.hanning(width + 2)[1:-1]
    return np.convolve(np.pad(line, width // 2, mode="edge"), kernel / kernel.sum(), "valid")


def _bend(start: float, length_s: float, rng: np.random.Generator) -> tuple[Floats, float]:
    """A note pulled up by one or two semitones soon after its start; and where it ends up."""
    line = np.full(round(length_s * SR), start)
    up, first = float(rng.choice([1, 2])), round(rng.uniform(0.03, 0.1) * SR)
    over = round(rng.uniform(0.1, 0.25) * SR)
    line[first : first + over] += up * 0.5 * (1 - np.cos(np.pi * np.arange(over) / over))
    line[first + over :] += up
    return line, start + up


def _hz(midi: Floats) -> Floats:
    return A4_HZ * 2.0 ** ((midi - 69.0) / 12.0)


def _driven_tone(
    notes: list[_Driven], rng: np.random.Generator, amplitudes: list[float], change_s: float
) -> Floats:
    """One long tone along the notes, tongued where it says so, breath noise 45 dB under it."""
    t = moments(notes[-1].note.end_s + 0.5, SR)
    line, level = np.zeros(len(t)), np.zeros(len(t))
    for driven in notes:
        first, last = round(driven.note.start_s * SR), round(driven.note.end_s * SR)
        line[first:] = driven.note.midi
        if driven.vibrato_cents:
            u = np.arange(last - first) / SR
            swing = np.clip((u - 0.12) / 0.15, 0, 1) * np.sin(
                2 * np.pi * 5.5 * u + rng.uniform(0, 6)
            )
            line[first:last] += driven.vibrato_cents / 100 * swing
        loud = 10.0 ** (rng.normal(0, 1.5) / 20)
        level[first:last] = loud
        if driven.tongued:
            level[first : first + round(0.012 * SR)] *= np.linspace(0.05, 1, round(0.012 * SR))
            closes = min(round(rng.uniform(0.01, 0.025) * SR), first)
            level[first - closes : first] *= np.linspace(1, 0.05, closes)
    wander = _smoothed(rng.normal(size=len(t)), 0.2)
    line = _smoothed(line, change_s) + 0.02 * wander / wander.std()
    samples = tone(_hz(line), SR, rng, amplitudes=amplitudes) * _smoothed(level, 0.006)
    samples *= 0.5 / np.abs(samples).max()
    breath = float(np.sqrt(np.mean(samples**2))) * 10.0 ** (-45 / 20)
    return samples + breath * rng.normal(size=len(samples))


def _plucked(
    strokes: list[tuple[float, Floats, float]],
    length_s: float,
    rng: np.random.Generator,
    *,
    b: float,
    weak_first_db: float,
) -> Floats:
    """Strokes along their pitch lines, a little sharp at first, stopped at their ends."""
    out = np.zeros(round(length_s * SR))
    for start_s, line, loud in strokes:
        place = rng.uniform(0.12, 0.22)  # of the string's length
        amplitudes = [abs(float(np.sin(np.pi * n * place))) / n for n in range(1, 22)]
        amplitudes[0] *= 10.0 ** (-weak_first_db / 20)
        u = np.arange(len(line)) / SR
        sharp = rng.uniform(3, 9) * np.exp(-u / 0.08)
        f_hz = _hz(line)
        decay_s = rng.uniform(0.8, 2.5) * float(np.sqrt(150.0 / f_hz[0]))
        stroke = tone(
            bent(1.0, sharp) * f_hz, SR, rng, b=b, amplitudes=amplitudes,
            decay_s=decay_s, decay_tilt=0.25,
        )  # fmt: skip
        stroke[: round(0.003 * SR)] *= np.linspace(0, 1, round(0.003 * SR))
        stop = min(round(0.02 * SR), len(stroke))
        stroke[len(stroke) - stop :] *= np.linspace(1, 0, stop)
        first = round(start_s * SR)
        out[first : first + len(stroke)] += loud * stroke[: len(out) - first]
    out *= 0.5 / np.abs(out).max()
    return out + 10.0 ** (-62 / 20) * rng.normal(size=len(out))
