"""Struck strings with exact truth: one to three strings a key, each a known distance from its key.

Everything is at 16 kHz, where stems are listened to. The strings of a key share the hammer, so they
begin nearly in phase; each has a height of its own, and each partial dies in two stages (the
soundboard's "double decay"; G. Weinreich, J. Acoust. Soc. Am. 62, 1977, 1474, from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.model import Role, Stem
from planner.pitch import midi_to_hz, shift_hz
from planner.polyphony.chord_partials import typical_b

SR = 16000
Array = NDArray[np.float64]
SHAPES = [(0, 4, 7), (0, 3, 7), (0, 7, 16), (0, 5, 9), (0, 7, 15), (0, 12, 16)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Struck:
    """One note as it was made."""

    midi: int
    start_s: float
    end_s: float
    f1_hz: float  # the middle of its strings
    apart_cents: float


def stiffness(f1_hz: float) -> float:
    """B of a middling piano's string."""
    return float(np.clip(typical_b(f1_hz), 1e-4, 1e-3))


def struck(
    f1_hz: float,
    strings_cents: Sequence[float],
    length_s: float,
    rng: np.random.Generator,
    *,
    tremolo_hz: float = 0.0,
) -> Array:
    """One key whose strings lie so many cents from `f1_hz`; a damper stops it after `length_s`."""
    b = stiffness(f1_hz)
    number = np.arange(1, 31)
    ratio = number * np.sqrt((1 + b * number**2) / (1 + b))
    number, ratio = number[ratio * f1_hz < 7500], ratio[ratio * f1_hz < 7500]
    t = np.arange(int((length_s + 0.4) * SR)) / SR
    loud = number**-1.1 * np.abs(np.sin(np.pi * number / 7.7)) * rng.uniform(0.6, 1.4, len(number))
    tau = 2.5 * 2.0 ** (-(12 * np.log2(f1_hz / 440) + 21) / 18)
    sound = np.zeros_like(t)
    for off in strings_cents:
        own = rng.uniform(0.6, 1.0)
        for n, r, a in zip(number, ratio, loud, strict=True):
            fade = 0.8 * np.exp(-t * (1 + 0.25 * n) / tau)
            fade += 0.2 * np.exp(-t * (1 + 0.1 * n) / tau / 3)
            phase = 1.7 * n + rng.normal(0.0, 0.4)
            turn = 2 * np.pi * shift_hz(r * f1_hz, off) * t + phase
            sound += own * rng.uniform(0.8, 1.2) * a * fade * np.sin(turn)
    if tremolo_hz:
        sound = sound * (1 + 0.4 * np.sin(2 * np.pi * tremolo_hz * t + 1.0))
    sound = sound * (1 - np.exp(-t / 0.002))
    sound += 0.03 * rng.standard_normal(len(t)) * np.exp(-t / 0.01)
    damper = np.where(t < length_s, 1.0, np.exp(-(t - length_s) / 0.05))
    return np.asarray(0.08 * sound * damper / len(strings_cents))


def spread(strings: int, apart_cents: float) -> tuple[float, ...]:
    """Strings evenly over a distance, their middle at 0."""
    return tuple(np.linspace(-0.5, 0.5, strings) * apart_cents) if strings > 1 else (0.0,)


def piano(
    seed: int,
    *,
    seconds: float = 60.0,
    off_cents: Mapping[int, float] | None = None,
    apart_cents: Mapping[int, float] | None = None,
    roots: Sequence[int] = (43, 45, 48, 50, 52, 53, 55, 57),
    tuners_cents: float = 0.7,
    hold_s: tuple[float, float] = (1.2, 2.4),
    a4_hz: float = 441.0,
    pedal_s: float = 0.0,
) -> tuple[Array, tuple[Struck, ...]]:
    """Chords of three notes in a light room, noise at -60 dBFS; keys as a tuner left them.

    off_cents: how far some keys lie off beside that; apart_cents: how far their strings are apart;
    pedal_s: how far each chord rings into the next.
    """
    rng = np.random.default_rng(seed)
    own = {m: rng.normal(0.0, tuners_cents) + (off_cents or {}).get(m, 0.0) for m in range(21, 109)}
    sound = np.zeros(int((seconds + 4) * SR))
    made: list[Struck] = []
    at_s = 0.3
    while at_s < seconds - 3.0:
        held_s = rng.uniform(*hold_s)
        root = int(rng.choice(roots))
        for step in SHAPES[rng.integers(len(SHAPES))]:
            midi = root + step
            f1_hz = shift_hz(midi_to_hz(midi, a4_hz), own[midi])
            apart = (apart_cents or {}).get(midi, 0.0)
            strings = spread(2 if apart else 1, apart)
            end_s = at_s + held_s + pedal_s
            note = rng.uniform(0.5, 1.2) * struck(f1_hz, strings, held_s + pedal_s, rng)
            first = round((at_s + rng.uniform(0.0, 0.01)) * SR)
            note = note[: len(sound) - first]
            sound[first : first + len(note)] += note
            made.append(
                Struck(midi=midi, start_s=at_s, end_s=end_s, f1_hz=f1_hz, apart_cents=apart)
            )
        at_s += held_s + rng.uniform(0.1, 0.3)
    sound = sound[: int(seconds * SR)]
    room = rng.standard_normal(SR // 2) * np.exp(-np.arange(SR // 2) / SR * 6.9 / 0.4)
    room[: SR // 100] = 0.0
    room *= 0.2 / np.sqrt((room**2).sum())
    size = 1 << int(np.ceil(np.log2(len(sound) + SR // 2)))
    wet = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(room, size), size)[: len(sound)]
    sound = sound + wet
    sound *= 0.3 / np.abs(sound).max()
    return sound + 1e-3 * rng.standard_normal(len(sound)), tuple(made)


def as_stem(samples: Array, role: Role = "tuning-reference") -> Stem:
    """The sound as a stem at the analysis rate."""
    return Stem(
        code="PNO", role=role, samples=samples.astype(np.float32), analysis_sr=SR, sr=SR,
        frames=len(samples), range_hz=(27.0, 4300.0),
    )  # fmt: skip
