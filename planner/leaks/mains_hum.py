"""Mains hum that stands through a stem, taken out before the stem is listened to.

Ground loops, single coils and dimmers put lines at whole multiples of the mains frequency, as loud
in rests as under notes, and with phases that go together for minutes. In chords they pass for
partials. No music does that: a pedal or a drone has another pitch, or begins and ends. What is made
here is listened to and never written anywhere.
"""

import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.transforms import spectra_of
from planner.words.spread import weighted_middle

# A mains frequency stays within 1 % (EN 50160, 99.5 % of a year, from memory); grids keep a tenth
# of that, so that no note of a song tuned near 440 Hz lies inside.
_MAINS_HZ, _WITHIN, _STEP_HZ = (50.0, 60.0), 0.01, 0.01
_LEAST_S = 10.0  # chosen: what stands in less may be a held note
_LOOK_S, _LOOKS = 2.0, 100  # Hann lines 2 Hz wide; chosen: from all of the stem, in 0.04 s
_LOUD_PERCENT = 90.0  # chosen
_STANDS = 0.2  # chosen: notes leave any one frequency free for a fifth of a song
_AROUND_HZ, _STANDS_DB = 12.0, 10.0  # over what is beside; noise has 2 dB
# Chosen: two multiples may be anything, as may high ones (those of 60 Hz hold every third partial
# of A4): told by the lowest, taken out to 2 kHz, above which notes hide it.
_LEAST_LINES, _LOW_NUMBERS, _NUMBERS = 3, np.arange(1.0, 11.0), np.arange(1.0, 41.0)
_UNDER = 16.0  # 12 dB: chosen; what is nearly as loud as the loud seconds of a stem is its music
_WINDOW_S, _HOP_S = 1.0, 0.25  # lines of notes 2 Hz off and more lie outside
_STEADY_FRAMES = 33  # 8 s: chosen; hum hardly changes in it, and few notes fill half of it
_MOST_GROWS = 2.0  # chosen: louder than twice its usual, it is a note that lies there
_IN_STEP = 0.7  # of what stands at a line, as much goes in step with all others: chance has 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum of a stem."""

    mains_hz: float  # on average
    level_dbfs: float  # peak level of a sine that is as loud


def without_hum(samples: Floats, sr: int) -> tuple[Floats, Hum | None]:
    """Take out the mains hum of a stem.

    samples : (n,) at ``sr``, Hz

    Returns (n,) float32, the same samples where there is none; and what was taken out.
    """
    mains_hz, standing = _standing_lines(samples, sr)
    if len(standing) < _LEAST_LINES:
        return samples, None
    hop = round(_HOP_S * sr)
    heard = _along(samples, sr, hop, mains_hz * _NUMBERS)
    least = np.quantile(np.abs(heard), _STANDS, axis=0)
    alone = np.abs(heard) < _MOST_GROWS * least
    firm = np.isin(_NUMBERS, standing)
    turned = _turned(heard[:, firm], alone[:, firm], standing)
    in_step = np.where(alone, heard, np.nan) * np.exp(-1j * turned[:, None] * _NUMBERS)
    steady = _running_median(in_step)
    usual = np.median(np.abs(steady), axis=0)
    ours = usual > _IN_STEP * least
    power = float(usual[ours] @ usual[ours]) / 2.0
    seconds = samples[: len(samples) // sr * sr].reshape(-1, sr)
    loud = float(np.percentile(np.einsum("ij,ij->i", seconds, seconds) / sr, _LOUD_PERCENT))
    if ours[: len(_LOW_NUMBERS)].sum() < _LEAST_LINES or _UNDER * power > loud:
        return samples, None
    steady *= np.minimum(1.0, _MOST_GROWS * usual / np.maximum(np.abs(steady), 1e-12))
    lines = (steady * np.exp(1j * turned[:, None] * _NUMBERS))[:, ours]
    out = samples.copy()
    for place, hum in _made(lines, mains_hz * _NUMBERS[ours], sr, hop):
        piece = out[place : place + len(hum)]
        piece -= hum[: len(piece)]
    mains_hz += float(turned[-1]) / (2.0 * np.pi * _HOP_S * (len(turned) - 1))
    return out, Hum(mains_hz=mains_hz, level_dbfs=float(10.0 * np.log10(2.0 * power)))


def _standing_lines(samples: Floats, sr: int) -> tuple[float, Floats]:
    """The mains frequency that fits best, Hz, and its low multiples that stand."""
    look = round(_LOOK_S * sr)
    if len(samples) < _LEAST_S * sr:
        return 0.0, np.zeros(0)
    begins = np.linspace(0, len(samples) - look, _LOOKS).astype(int)
    taper = (np.hanning(look) * 4.0 / look).astype(np.float32)
    bins = round((_LOW_NUMBERS[-1] + 1.0) * max(_MAINS_HZ) * _LOOK_S)
    looks = np.array([np.abs(spectra_of(samples[b : b + look] * taper)[:bins]) for b in begins])
    quiet = int(_STANDS * _LOOKS)
    standing = np.partition(looks, quiet, axis=0)[quiet]
    width = round(_AROUND_HZ * _LOOK_S)
    around = np.median(sliding_window_view(np.pad(standing, width, "edge"), 2 * width + 1), axis=1)
    above_db = 20.0 * np.log10(np.maximum(standing, 1e-7) / np.maximum(around, 1e-7))
    stands = above_db > _STANDS_DB
    fitting: dict[int, list[float]] = {}  # by how many lines fit
    for about_hz in _MAINS_HZ:
        for hz in np.arange(about_hz * (1.0 - _WITHIN), about_hz * (1.0 + _WITHIN), _STEP_HZ):
            fitting.setdefault(int(stands[_bins(hz)].sum()), []).append(float(hz))
    best = fitting[max(fitting)]  # some neighbours: lines are known to half a bin
    mains_hz = best[len(best) // 2]
    return mains_hz, _LOW_NUMBERS[stands[_bins(mains_hz)]]


def _bins(mains_hz: float) -> NDArray[np.intp]:
    """Where the low multiples of a frequency lie in a look's spectrum."""
    return np.rint(_LOW_NUMBERS * mains_hz * _LOOK_S).astype(np.intp)


def _along(samples: Floats, sr: int, hop: int, f_hz: Floats) -> NDArray[np.complex128]:
    """Complex amplitudes at some frequencies every ``hop``, (frames, lines), turned to sample 0."""
    window = round(_WINDOW_S * sr)
    n = np.arange(window) - window // 2
    spin = np.exp(-2j * np.pi * n[:, None] * f_hz / sr) * np.hanning(window)[:, None] * 4.0 / window
    spin = spin.astype(np.complex64)
    frames = sliding_window_view(np.pad(samples, (window // 2, window)), window)[::hop]
    parts = [frames[k : k + 64] @ spin.real + 1j * (frames[k : k + 64] @ spin.imag)
             for k in range(0, len(frames), 64)]  # fmt: skip
    at = np.arange(len(frames))[:, None] * hop
    along: NDArray[np.complex128] = np.concatenate(parts) * np.exp(-2j * np.pi * at * f_hz / sr)
    return along


def _turned(heard: NDArray[np.complex128], alone: NDArray[np.bool_], numbers: Floats) -> Floats:
    """By how much the mains' own phase has turned at each frame, by the lines that stand alone."""
    frame = np.arange(len(heard))[:, None]
    # Once for the whole stem, from frame to frame; then, second by second, what is left.
    steps, weight = _steps(heard, alone, numbers, 1)
    whole = _told(steps, weight)
    heard = heard * np.exp(-1j * whole * frame * numbers)
    steps, weight = _steps(heard, alone, numbers, round(_WINDOW_S / _HOP_S))
    left = np.array([_told(steps[near], weight[near]) for near in _around(len(steps))])
    turn = whole + np.pad(left, (0, len(heard) - 1 - len(left)), mode="edge")
    return np.append(0.0, np.cumsum(turn))


def _steps(
    heard: NDArray[np.complex128], alone: NDArray[np.bool_], numbers: Floats, lag: int
) -> tuple[Floats, Floats]:
    """By how much each line says that the mains turn in a frame, from one to the ``lag``-th next.

    And how much that weighs: the higher the line, the finer.
    """
    steps = np.angle(heard[lag:] * np.conj(heard[:-lag])) / (numbers * lag)
    return steps, (alone[lag:] & alone[:-lag]) * numbers


def _told(steps: Floats, weight: Floats) -> float:
    """What most of the weight says; 0 where nothing weighs anything."""
    some = weight > 0.0
    return weighted_middle(steps[some], weight[some]) if some.any() else 0.0


def _around(frames: int) -> Iterator[slice]:
    """For each frame, those within some seconds."""
    half = _STEADY_FRAMES // 2
    return (slice(max(0, k - half), k + half + 1) for k in range(frames))


def _running_median(values: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """The median of some seconds around each frame."""
    out = np.zeros(values.shape, dtype=complex)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="All-NaN")  # under a held note: nothing is known
        for k, near in enumerate(_around(len(values))):
            out.real[k] = np.nanmedian(values[near].real, axis=0)
            out.imag[k] = np.nanmedian(values[near].imag, axis=0)
    return np.nan_to_num(out)


def _made(
    lines: NDArray[np.complex128], f_hz: Floats, sr: int, hop: int
) -> Iterator[tuple[int, Floats]]:
    """The sound of some lines, piece by piece: the sample it begins with, and the piece."""
    n = np.arange(hop)
    spin = np.exp(2j * np.pi * n * f_hz[:, None] / sr)
    share = n / hop
    for k in range(len(lines) - 1):
        turn = np.exp(2j * np.pi * k * hop * f_hz / sr)
        before, after = ((lines[i] * turn) @ spin for i in (k, k + 1))
        yield k * hop, (before * (1.0 - share) + after * share).real
