"""Bow and voice: sounds that are driven, so their partials are exact multiples and bend freely.

Notes that follow each other without a gap are one phrase on one pitch line, as under one bow or in
one breath. A note's border is where the pitch is half-way from one note to the next.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.demo.tones import SR, PlayedNote, Sound, band_noise, cosine
from planner.model import Floats

_CONSONANT_MOST_S = 0.09
_FRAME = 240  # samples between points at which the spectrum is set: 5 ms


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivenNote:
    """One note of a phrase."""

    f1_hz: float  # where it settles
    length_s: float
    scoop_cents: float = 0.0  # how far below (minus) or above it starts; only without legato
    scoop_s: float = 0.05  # time constant of the scoop
    vibrato_half_cents: float = 0.0
    vibrato_hz: float = 5.6
    vibrato_after_s: float = 0.25  # it grows over the 0.25 s after this
    end_cents: float = 0.0  # where the last part of the note leans to
    end_s: float = 0.5  # how long before its end that begins; half of it on the way, half there
    level: float = 1.0
    new_bow: bool = False  # a change of bow, or a consonant: the level dips before the note


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivenSound:
    """How the source and its body sound."""

    slope_db_per_octave: float = -9.0  # of the source
    formants: tuple[tuple[float, float, float], ...] = ()  # (Hz, bandwidth Hz, dB)
    top_hz: float = 7000.0
    attack_s: float = 0.08
    release_s: float = 0.06
    slide_s: float = 0.06  # from one note of a phrase to the next
    jitter_cents: float = 1.5
    noise_db: float = -38.0  # breath or bow, against the tone
    consonant_db: float | None = None  # a consonant before the phrase and before `new_bow` notes


VOICE_VOWELS: dict[str, tuple[tuple[float, float, float], ...]] = {
    # Formants of sung vowels, rounded from memory; they colour the sound and carry no truth.
    "a": ((750, 90, 16), (1200, 110, 12), (2700, 170, 10), (3300, 200, 9)),
    "o": ((450, 80, 17), (850, 100, 12), (2600, 160, 8), (3200, 200, 8)),
    "e": ((480, 80, 16), (1900, 120, 12), (2600, 170, 10), (3400, 220, 8)),
}
CELLO_BODY: tuple[tuple[float, float, float], ...] = (
    (110, 50, 5), (230, 70, 6), (480, 140, 6), (1100, 350, 4), (2300, 600, 5),
)  # fmt: skip


def phrase(notes: Sequence[DrivenNote], sound: DrivenSound, rng: np.random.Generator) -> Sound:
    """Play or sing notes in one breath, and tell their true pitch lines.

    Vibrato is a sine in cents around the note, so its mean over whole cycles is the note.
    """
    borders = np.round(np.cumsum([0.0, *[n.length_s for n in notes]]) * SR).astype(int)
    total = int(borders[-1])
    centre: Floats = np.empty(total)  # cents over 1 Hz
    vibrato: Floats = np.empty(total)
    level: Floats = np.empty(total)
    for note, first, last in zip(notes, borders[:-1], borders[1:], strict=True):
        t = np.arange(last - first) / SR
        line = np.full(len(t), 1200.0 * np.log2(note.f1_hz))
        if first == 0 or note.new_bow:
            line += note.scoop_cents * np.exp(-t / note.scoop_s)
        if note.end_cents:
            line += note.end_cents * np.clip(2.0 - 2.0 * (t[-1] - t) / note.end_s, 0.0, 1.0)
        centre[first:last] = line
        grown = np.clip((t - note.vibrato_after_s) / 0.25, 0.0, 1.0)
        vibrato[first:last] = (
            note.vibrato_half_cents * grown * np.sin(2.0 * np.pi * note.vibrato_hz * t)
        )
        level[first:last] = note.level
        if note.new_bow and first:
            level[first:last] *= 1.0 - 0.9 * np.exp(-t / 0.025)
    joins = [(b, n) for b, n in zip(borders[1:-1], notes[1:], strict=True) if not n.new_bow]
    for border, _ in joins:
        centre, vibrato = _slide(centre, border, sound.slide_s), _slide(vibrato, border, 0.03)
    centre += _slow_noise(total, rng) * sound.jitter_cents
    level = _smooth(level, round(0.02 * SR))
    f1 = 2.0 ** ((centre + vibrato) / 1200.0)
    release = round(sound.release_s * SR)
    samples = _voiced(f1, sound, rng)
    envelope = level * _edges(total, round(sound.attack_s * SR), release)
    noise = band_noise(total, (800.0, 7000.0), rng) * 10.0 ** (sound.noise_db / 20.0)
    samples = (samples + noise) * envelope
    lead = 0
    if sound.consonant_db is not None:
        begins = [0, *[int(b) for b, n in zip(borders[1:-1], notes[1:], strict=True) if n.new_bow]]
        lead = round(_CONSONANT_MOST_S * SR)
        samples = _consonants(samples, lead, begins, sound.consonant_db, rng)
    played = tuple(
        PlayedNote(
            start_smp=int(first),
            f1_hz=f1[first:last],
            centre_hz=2.0 ** (centre[first:last] / 1200.0),
            vibrato_hz=note.vibrato_hz if note.vibrato_half_cents else None,
        )
        for note, first, last in zip(notes, borders[:-1], borders[1:], strict=True)
    )
    return Sound(samples=samples, notes=played, lead_smp=lead)


def shaker(length_s: float, rng: np.random.Generator, *, level: float = 1.0) -> Sound:
    """Shake once: two swells of high noise and no pitch."""
    n = round(length_s * SR)
    t = np.arange(n) / SR
    swell = np.exp(-(((t - 0.35 * length_s) / (0.14 * length_s)) ** 2))
    swell += 0.5 * np.exp(-(((t - 0.75 * length_s) / (0.1 * length_s)) ** 2))
    return Sound(samples=0.3 * level * swell * band_noise(n, (4500.0, 11000.0), rng))


def _voiced(f1_hz: Floats, sound: DrivenSound, rng: np.random.Generator) -> Floats:
    """Harmonics along a pitch line, each as loud as source and formants make it there."""
    total = len(f1_hz)
    turns = np.concatenate([[0.0], np.cumsum(f1_hz[:-1])]) / SR
    points = np.arange(0, total + _FRAME, _FRAME)
    f1_points = f1_hz[np.minimum(points, total - 1)]
    where = np.arange(total)
    samples = np.zeros(total)
    top = int(sound.top_hz / f1_hz.min())
    for n in range(1, top + 1):
        f = n * f1_points
        gain_db = sound.slope_db_per_octave * np.log2(n) + np.zeros(len(f))
        for centre_hz, width_hz, peak_db in sound.formants:
            gain_db += peak_db / (1.0 + ((f - centre_hz) / width_hz) ** 2)
        gain = 10.0 ** (gain_db / 20.0) * np.clip((sound.top_hz - f) / 500.0, 0.0, 1.0)
        start = float(rng.uniform(0.0, 1.0))
        samples += np.interp(where, points, gain) * cosine(n * turns + start)
    normed: Floats = samples / (np.sqrt(np.mean(samples**2)) * 3.0 + 1e-12)
    return normed


def _slide(line: Floats, border: int, slide_s: float) -> Floats:
    """Replace the step at a border by a raised cosine, as long on either side."""
    half = min(round(0.5 * slide_s * SR), border, len(line) - border)
    if half < 2:
        return line
    new = line.copy()
    step = 0.5 - 0.5 * np.cos(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))
    before, after = line[border - half], line[border + half - 1]
    new[border - half : border + half] = before + (after - before) * step
    return new


def _slow_noise(total: int, rng: np.random.Generator) -> Floats:
    """Noise below about 15 Hz with RMS 1, as of an unsteady bow or throat."""
    points = rng.standard_normal(total // 1600 + 3)
    return np.interp(np.arange(total), np.arange(len(points)) * 1600, points) / 0.8


def _smooth(curve: Floats, width: int) -> Floats:
    padded = np.pad(curve, width, mode="edge")
    summed = np.cumsum(padded)
    return (summed[2 * width :] - summed[: -2 * width]) / (2.0 * width)


def _edges(total: int, attack: int, release: int) -> Floats:
    attack, release = min(attack, total // 3), min(release, total // 3)
    edges = np.ones(total)
    edges[:attack] = np.sin(np.linspace(0.0, np.pi / 2, attack)) ** 2
    edges[total - release :] = np.cos(np.linspace(0.0, np.pi / 2, release)) ** 2
    return edges


def _consonants(
    samples: Floats, lead: int, begins: Sequence[int], level_db: float, rng: np.random.Generator
) -> Floats:
    """Lay a hiss before each beginning, after making room for the first; it ends as the tone rises.

    Levels are against full scale, which a voiced sound's RMS is about 10 dB below.
    """
    out = np.concatenate([np.zeros(lead), samples])
    for begin in begins:
        n = round(float(rng.uniform(0.05, _CONSONANT_MOST_S - 0.01)) * SR)
        hiss = band_noise(n, (2500.0, 9000.0), rng) * np.hanning(n) * 10.0 ** (level_db / 20.0)
        last = begin + lead + 480
        out[last - n : last] += hiss
    return out
