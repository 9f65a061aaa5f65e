"""Small signals whose pitch was written down before they were made, and short ways to hear them.

`planner.demo.tones` makes whole instruments; here is only what a single claim needs: partials along
a pitch line, noise at a given level under them, and silence around them. Frequencies in Hz, times
in seconds, levels in dB; chance comes from a generator that the caller gives.
"""

from collections.abc import Sequence

import numpy as np
import soxr

from planner.analyzer import analyze
from planner.edges.hearing import ANALYSIS_SR
from planner.model import Floats, Measurement, Note, PitchTrack, Role, Stem
from planner.segment.single_line import find_notes

WHOLE_RANGE_HZ = (35.0, 2500.0)  # what the tool says it covers
_TOP_SHARE = 0.44  # of the sampling rate: partials above are left out, well before the edge


def cents_between(f_hz: float, true_hz: float) -> float:
    """Say how far a frequency lies above the true one, in cents."""
    return float(1200.0 * np.log2(f_hz / true_hz))


def moments(length_s: float, sr: int) -> Floats:
    """Give the time of every sample in seconds."""
    return np.arange(round(length_s * sr)) / sr


def steady(f_hz: float, length_s: float, sr: int) -> Floats:
    """Give an unmoving pitch line in Hz."""
    return np.full(round(length_s * sr), f_hz)


def bent(f_hz: float, cents: Floats) -> Floats:
    """Give a pitch line in Hz that lies some cents off a pitch, sample by sample."""
    line: Floats = f_hz * 2.0 ** (cents / 1200.0)
    return line


def tone(
    f1_hz: Floats,
    sr: int,
    rng: np.random.Generator,
    *,
    b: float = 0.0,
    amplitudes: Sequence[float] | None = None,
    decay_s: float | None = None,
    decay_tilt: float = 0.0,
) -> Floats:
    """Sum partials ``n f0 sqrt(1 + B n^2)`` along a line of the first partial, phases at random.

    H. Fletcher, E. D. Blackham and R. Stratton, J. Acoust. Soc. Am. 34 (1962) 749. Without
    ``amplitudes`` there are twenty partials at ``1 / n``; partial n decays ``1 + tilt (n - 1)``
    times as fast as the first.
    """
    if amplitudes is None:
        amplitudes = [1.0 / n for n in range(1, 21)]
    turns = np.concatenate([[0.0], np.cumsum((f1_hz[1:] + f1_hz[:-1]) / 2)]) / sr
    t = np.arange(len(f1_hz)) / sr
    samples = np.zeros(len(f1_hz))
    for n, amplitude in enumerate(amplitudes, start=1):
        start = float(rng.uniform(0.0, 1.0))
        ratio = float(n * np.sqrt((1.0 + b * n * n) / (1.0 + b)))
        if amplitude == 0.0 or ratio * float(f1_hz.max()) > _TOP_SHARE * sr:
            continue
        part = amplitude * np.cos(2 * np.pi * (ratio * turns + start))
        if decay_s is not None:
            part = part * np.exp(-t * (1.0 + decay_tilt * (n - 1)) / decay_s)
        samples += part
    return samples


def with_snr(samples: Floats, snr_db: float, rng: np.random.Generator) -> Floats:
    """Add white noise that many dB under the RMS of the samples."""
    rms = float(np.sqrt(np.mean(samples**2)))
    noisy: Floats = samples + rng.standard_normal(len(samples)) * rms * 10.0 ** (-snr_db / 20.0)
    return noisy


def with_floor(samples: Floats, floor_dbfs: float, rng: np.random.Generator) -> Floats:
    """Add white noise of a given RMS level."""
    noisy: Floats = samples + rng.standard_normal(len(samples)) * 10.0 ** (floor_dbfs / 20.0)
    return noisy


def faded(samples: Floats, sr: int, *, rise_s: float = 0.005, fall_s: float = 0.010) -> Floats:
    """Let a sound rise and fall smoothly, inside its own length."""
    shape = np.ones(len(samples))
    rise, fall = round(rise_s * sr), round(fall_s * sr)
    shape[:rise] = np.sin(np.linspace(0.0, np.pi / 2, rise)) ** 2
    shape[len(shape) - fall :] = np.cos(np.linspace(0.0, np.pi / 2, fall)) ** 2
    return samples * shape


def laid_out(pieces: Sequence[tuple[float, Floats]], length_s: float, sr: int) -> Floats:
    """Put sounds at their starts in seconds into silence of a given length; peak 0.5."""
    out: Floats = np.zeros(round(length_s * sr))
    for start_s, piece in pieces:
        first = round(start_s * sr)
        kept = piece[: len(out) - first]
        out[first : first + len(kept)] += kept
    peak = float(np.abs(out).max())
    return out if peak == 0 else 0.5 * out / peak


def stem_of(
    samples: Floats,
    sr: int,
    role: Role = "lead-voice",
    *,
    range_hz: tuple[float, float] = WHOLE_RANGE_HZ,
    seldom_below_hz: float = 0.0,
) -> Stem:
    """Make a stem of samples as a reader would: at the analysis rate, beside its own rate."""
    analysed = samples
    if sr != ANALYSIS_SR:
        analysed = soxr.resample(samples, sr, ANALYSIS_SR, quality="VHQ")
    return Stem(
        code="X",
        role=role,
        samples=analysed.astype(np.float32),
        analysis_sr=ANALYSIS_SR,
        sr=sr,
        frames=len(samples),
        range_hz=range_hz,
        seldom_below_hz=seldom_below_hz,
    )


def found_notes(stem: Stem) -> tuple[tuple[Note, ...], PitchTrack]:
    """Track and segment a stem."""
    return find_notes(stem)


def measured_notes(stem: Stem) -> list[tuple[Note, Measurement]]:
    """Track, segment and measure a stem."""
    notes, pitch_track = found_notes(stem)
    return list(zip(notes, analyze(stem, pitch_track, notes), strict=True))
