"""Recorded instruments with exact truth: a sample moved by an exact ratio is exactly that sharp.

The samples come from the soundfont TimGM6mb (GPL-2) that the package pretty_midi ships; sf2utils
reads them. Nothing is copied into this project. How sharp a recording itself stands is not known
and does not matter: only the interval between two versions of it is.
"""

import importlib.util
import logging
import warnings
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedSample:
    """One sample as the soundfont holds it."""

    name: str
    samples: Floats  # (n,) -1..1, with the loop played on where more was asked for
    sr: int
    root_midi: int  # the key at which it sounds as it is, by the soundfont
    correction_cents: int  # what a player should add, by the soundfont


def soundfont_path() -> Path:
    """Find the soundfont inside the installed package pretty_midi."""
    spec = importlib.util.find_spec("pretty_midi")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("pretty_midi is not installed")
    return Path(spec.origin).parent / "TimGM6mb.sf2"


def recorded_sample(name: str, *, lasting_s: float = 0.0) -> RecordedSample:
    """Read one sample by its name; if it is shorter than asked, its loop is played on.

    Raises
    ------
    KeyError
        If the soundfont has no sample of that name.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # it imports audioop, gone in 3.13
        from sf2utils.sf2parse import Sf2File

    logging.disable(logging.WARNING)  # the reader warns about loops of drums, which we never use
    try:
        with open(soundfont_path(), "rb") as stream:
            for sample in Sf2File(stream).samples:
                if sample.name != name:
                    continue
                raw = np.frombuffer(sample.raw_sample_data, dtype="<i2") / 32768.0
                first, last = sample.start_loop, sample.end_loop
                wanted = round(lasting_s * sample.sample_rate)
                if wanted > len(raw) and last > first:
                    turns = -(-(wanted - last) // (last - first))
                    raw = np.concatenate([raw[:last], np.tile(raw[first:last], turns)])[:wanted]
                return RecordedSample(
                    name=name,
                    samples=raw,
                    sr=int(sample.sample_rate),
                    root_midi=int(sample.original_pitch),
                    correction_cents=int(sample.pitch_correction),
                )
    finally:
        logging.disable(logging.NOTSET)
    raise KeyError(f"no sample named {name!r} in {soundfont_path().name}")


def resampled_by_cents(samples: Floats, cents: float) -> tuple[Floats, float]:
    """Move a recording by an exact ratio near the asked one, and tell the exact cents.

    N samples become M by cutting or padding the spectrum, so every frequency in it is multiplied
    by N / M and nothing else happens: ``1200 log2(N / M)`` cents, no approximation. The recording
    is first padded with silence to a length at which N / M comes close enough (0.001 cents).
    """
    ratio = Fraction(2.0 ** (cents / 1200.0)).limit_denominator(4096)
    size = -(-len(samples) // ratio.numerator) * ratio.numerator
    new_size = size // ratio.numerator * ratio.denominator
    padded = np.concatenate([samples, np.zeros(size - len(samples))])
    spectrum = np.fft.rfft(padded)
    bins = new_size // 2 + 1
    new = np.zeros(bins, dtype=complex)
    kept = min(bins, len(spectrum)) - 1  # without the bin at half the rate
    new[:kept] = spectrum[:kept]
    moved = np.fft.irfft(new, new_size) * (new_size / size)
    exact = float(1200.0 * np.log2(size / new_size))
    return moved[: round(len(samples) * new_size / size)], exact


def between_quiet(samples: Floats, sr: int) -> Floats:
    """Fade the end of what was cut off, and put quiet before and after."""
    out = samples.copy()
    fade = round(0.02 * sr)
    out[-fade:] *= np.linspace(1.0, 0.0, fade)
    quiet = np.zeros(round(0.2 * sr))
    return np.concatenate([quiet, out, quiet])


def two_part_note(
    samples: Floats, sr: int, *, onset_cents: float, sustain_cents: float, cut_s: float,
    blend_s: float = 0.010,
) -> tuple[Floats, float, float]:  # fmt: skip
    """Play one recording with its start and its rest moved by different ratios.

    Parameters
    ----------
    cut_s : where one goes over into the other, seconds from the start of the result.
    blend_s : length of the crossfade around the cut.

    Returns
    -------
    samples, exact cents before the cut, exact cents after it.
    """
    early, early_cents = resampled_by_cents(samples, onset_cents)
    late, late_cents = resampled_by_cents(samples, sustain_cents)
    n = min(len(early), len(late))
    half = blend_s / 2
    late_share = np.clip((np.arange(n) / sr - (cut_s - half)) / blend_s, 0.0, 1.0)
    late_share = np.sin(0.5 * np.pi * late_share) ** 2
    # Both copies started together; at the cut their phases have parted, so the late one is shifted
    # by the few samples at which the two agree best.
    cut = round(cut_s * sr)
    reach = min(cut, n - cut, round(0.020 * sr))
    piece = early[cut - reach : cut + reach]
    most = round(0.012 * sr)
    lags = range(-min(most, cut - reach), min(most, n - cut - reach) + 1)
    best = max(lags, key=lambda k: float(piece @ late[cut - reach + k : cut + reach + k]))
    shifted = np.roll(late, -best)
    if best > 0:
        shifted[n - best :] = 0.0
    return (1.0 - late_share) * early[:n] + late_share * shifted[:n], early_cents, late_cents
