"""What stands between an instrument and its file: the room, the neighbours, the noise."""

from __future__ import annotations

import numpy as np

from planner.demo.tones import SR, band_noise, quick_size
from planner.model import Floats

_REFLECTIONS = 7  # chosen: a few from the nearest walls


def room_response(rt60_s: float, reverb_db: float, rng: np.random.Generator) -> Floats:
    """Give the impulse response of a small room, direct sound first and 1.

    rt60_s : seconds in which the tail falls by 60 dB (the usual definition, ISO 3382-1).
    reverb_db : energy of reflections and tail against the direct sound.
    """
    n = round(1.1 * rt60_s * SR)
    t = np.arange(n) / SR
    tail = band_noise(n, (150.0, 6000.0), rng) * 10.0 ** (-3.0 * t / rt60_s)
    tail[: round(0.018 * SR)] = 0.0  # the tail grows out of the early reflections
    early = np.zeros(n)
    for delay_s in np.sort(rng.uniform(0.003, 0.035, _REFLECTIONS)):
        early[round(delay_s * SR)] += rng.choice([-1.0, 1.0]) * np.exp(-delay_s / 0.02)
    wet: Floats = tail / np.sqrt((tail**2).sum()) + 0.7 * early / np.sqrt((early**2).sum())
    wet *= 10.0 ** (reverb_db / 20.0) / np.sqrt((wet**2).sum())
    wet[0] = 1.0
    return wet


def in_room(samples: Floats, response: Floats) -> Floats:
    """Let samples sound in a room; the length stays, what would ring on is cut."""
    size = quick_size(4 * len(response))
    step = size - len(response) + 1
    spectrum = np.fft.rfft(response, size)
    wet: Floats = np.zeros(len(samples) + size)
    for first in range(0, len(samples), step):  # piece by piece, each piece's end laid on the next
        piece = np.fft.rfft(samples[first : first + step], size)
        wet[first : first + size] += np.fft.irfft(piece * spectrum, size)
    return wet[: len(samples)]


def with_noise_floor(samples: Floats, floor_dbfs: float, rng: np.random.Generator) -> Floats:
    """Add white noise of a given RMS level."""
    floor: Floats = rng.standard_normal(len(samples)) * 10.0 ** (floor_dbfs / 20.0)
    return samples + floor


def with_bleed(stems: dict[str, Floats], bleed_db: float) -> dict[str, Floats]:
    """Let every stem be heard in every other one, that many dB down, as through open doors."""
    gain = 10.0 ** (bleed_db / 20.0)
    everything = sum(stems.values(), np.zeros(len(next(iter(stems.values())))))
    return {code: own + gain * (everything - own) for code, own in stems.items()}
