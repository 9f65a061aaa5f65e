"""The peaks of a stretch's spectrum, and which of them are partials of a note.

Of a coarse search: frequencies are true to some cents; `planner.polyphony.chord_fits` measures.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import CENTS_PER_NEPER, HIGHEST_HZ, Note, nearest_of
from planner.words.spread import middle_of

Array = NDArray[np.float64]
Notes = list[Note]
Named = tuple[float, float, float]  # f0_hz and B of a note, and the share of its partials found

SILENCE_DBFS = -80.0  # chosen: a peak below this is noise of the converter or of the room
ABOVE_FLOOR_DB = 15.0  # chosen: white noise passes this less than once in ten thousand bins
DYNAMIC_DB = 60.0  # chosen: peaks further below the loudest are not searched
SEARCHED = 12  # partials looked for
SAME_SOUND_CENTS = 12.0  # chosen: a peak no further from where a partial is looked for is it
_WINDOWS_KEPT = 16  # lengths: many stretches are as long as the longest looked at
_MATCHES_KEPT = 256  # chosen: notes about one onset are asked about beside each candidate anew
RISE_DB = 3.0  # chosen: a partial that a new note brings in rises at least so much
B_FACTORS = np.array([0.0, 0.3, 0.6, 1.0, 1.7])  # times the typical B; 0 is an organ


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Peaks:
    """Peaks of one spectrum, ascending in frequency; all arrays are (k,)."""

    f_hz: Array
    level_db: Array  # dBFS of the amplitude
    above_db: Array  # over the local floor
    rise_db: Array  # level just after the stretch begins minus level just before
    width_hz: float  # one bin of the window


def no_peaks() -> Peaks:
    """The peaks of silence."""
    none = np.zeros(0)
    return Peaks(f_hz=none, level_db=none, above_db=none, rise_db=none, width_hz=1.0)


def same_pitch(one_hz: float, other_hz: float) -> bool:
    """Say whether two notes lie within half a semitone."""
    return bool(abs(np.log2(one_hz / other_hz)) <= 0.5 / 12)


def tops(
    curve: Array, least: float | Array, *, apart: int = 1, falls: float = 0.0
) -> NDArray[np.intp]:
    """Places of a curve's peaks, the middle of flat ones; a library's take half a second to load.

    least: height of a peak, one for all or (n,); apart: places from one to the next, of nearer ones
    the higher counts; falls: by how much the curve falls on both sides before it is higher again.
    """
    starts = np.flatnonzero(np.diff(curve, prepend=np.nan))  # of what stays as high
    height = curve[starts]
    top = np.flatnonzero((height[1:-1] > height[:-2]) & (height[1:-1] > height[2:])) + 1
    at: NDArray[np.intp] = (starts[top] + starts[top + 1] - 1) // 2
    at = at[curve[at] >= np.broadcast_to(least, curve.shape)[at]]
    if apart > 1:
        kept = np.ones(len(at), dtype=bool)
        for k in np.argsort(curve[at])[::-1]:
            if kept[k]:
                kept[slice(*at.searchsorted([at[k] - apart + 1, at[k] + apart]))] = False
                kept[k] = True
        at = at[kept]
    if falls > 0.0:
        line = curve.tolist()
        at = at[[_falls_on_both_sides(line, int(k), falls) for k in at]]
    return at


def _falls_on_both_sides(line: list[float], at: int, by: float) -> bool:
    for step in (-1, 1):
        k = at
        while 0 <= k < len(line) and line[at] - by < line[k] <= line[at]:
            k += step
        if not 0 <= k < len(line) or line[k] > line[at]:
            return False
    return True


def find_peaks_in(samples: Array, sr: int, before: Array, lowest_hz: float = 20.0) -> Peaks:
    """List the peaks of a stretch, and how much each rose against the samples just before it.

    samples: (n,) at `sr`, the stretch; before: (m,) what preceded it;
    lowest_hz: rumble below is not listed.
    """
    spectrum, size = _spectrum_db(samples)
    hz = sr / size
    block = max(int(300.0 / hz), 8)
    count = -(-len(spectrum) // block)
    filled = np.pad(spectrum, (0, count * block - len(spectrum)), mode="edge")
    floor_at = np.percentile(filled.reshape(count, block), 30, axis=1)
    floor = np.interp(np.arange(len(spectrum)), (np.arange(count) + 0.5) * block, floor_at)
    least = np.maximum(floor + ABOVE_FLOOR_DB, max(SILENCE_DBFS, spectrum.max() - DYNAMIC_DB))
    at = tops(spectrum, least)
    at = at[(at * hz > lowest_hz) & (at * hz < HIGHEST_HZ)]
    left, mid, right = spectrum[at - 1], spectrum[at], spectrum[at + 1]
    part = 0.5 * (left - right) / (left - 2 * mid + right)
    f_hz = (at + part) * hz
    short = min(len(before), len(samples), int(0.12 * sr))
    rise = np.full(len(at), 60.0)
    if short > 0.02 * sr:
        after_db, coarse = _spectrum_db(samples[:short])
        before_db, _ = _spectrum_db(before[-short:])
        k = np.rint(f_hz * coarse / sr).astype(int)
        rise = after_db[k] - np.maximum(before_db[k], SILENCE_DBFS)
    return Peaks(
        f_hz=f_hz,
        level_db=mid - 0.25 * (left - right) * part,
        above_db=mid - floor[at],
        rise_db=rise,
        width_hz=sr / len(samples),
    )


def _spectrum_db(samples: Array) -> tuple[Array, int]:
    size = 1 << int(np.ceil(np.log2(2 * len(samples))))
    # Blackman: side lobes 58 dB down, so that no loud partial poses as several
    magnitude = np.abs(np.fft.rfft(samples * _blackman(len(samples)), size)) * (
        2.0 / 0.42 / len(samples)
    )
    return 20.0 * np.log10(np.maximum(magnitude, 1e-9)), size


@lru_cache(maxsize=_WINDOWS_KEPT)
def _blackman(count: int) -> Array:
    window: Array = np.blackman(count + 2)[1:-1]
    return window


def match_partials(
    peaks: Peaks, f0s: Array, bs: Array, most: int = SEARCHED
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Find the nearest peak to each of the first partials: found or not, and which; (c, most)."""
    n = np.arange(1, most + 1, dtype=float)
    law = n * f0s[:, None] * np.sqrt(1.0 + bs[:, None] * n**2)
    right = np.minimum(np.searchsorted(peaks.f_hz, law), len(peaks.f_hz) - 1)
    left = np.maximum(right - 1, 0)
    nearer = np.abs(peaks.f_hz[left] - law) < np.abs(peaks.f_hz[right] - law)
    index = np.where(nearer, left, right)
    off_hz = np.abs(peaks.f_hz[index] - law)
    room_hz = np.maximum(SAME_SOUND_CENTS / CENTS_PER_NEPER * law, 0.4 * peaks.width_hz)
    return off_hz < room_hz, index


@lru_cache(maxsize=_MATCHES_KEPT)
def partials_found(
    peaks: Peaks, note: Note, most: int = SEARCHED
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Find the nearest peak to each of the first partials of one note, as `match_partials`.

    Read-only, since they are kept.
    """
    hit, index = match_partials(peaks, np.array([note[0]]), np.array([note[1]]), most)
    hit.setflags(write=False)
    index.setflags(write=False)
    return hit[0], index[0]


def least_db(peaks: Peaks, f_hz: Array) -> Array:
    """Give the least level at which a peak would have been listed at some frequencies, dBFS."""
    floor = np.interp(f_hz, peaks.f_hz, peaks.level_db - peaks.above_db)
    return np.maximum(
        floor + ABOVE_FLOOR_DB, max(SILENCE_DBFS, float(peaks.level_db.max()) - DYNAMIC_DB)
    )


def nothing_near(peaks: Peaks, f_hz: Array) -> NDArray[np.bool_]:
    """Say where no peak is so near that it could hide another; any shape, not for empty peaks."""
    right = np.minimum(np.searchsorted(peaks.f_hz, f_hz), len(peaks.f_hz) - 1)
    left = np.maximum(right - 1, 0)
    off = np.minimum(np.abs(peaks.f_hz[right] - f_hz), np.abs(peaks.f_hz[left] - f_hz))
    return np.asarray(off > np.maximum(3.0 * peaks.width_hz, 0.008 * f_hz))


def covered(peaks: Peaks, law: Array, notes: Notes) -> NDArray[np.bool_]:
    """Say which of some partials, Hz, lie too near to one of other notes to be told apart."""
    return np.asarray(nearest_of(law, notes) < np.maximum(1.5 * peaks.width_hz, 0.006 * law))


def straight_line(x: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Slope of the line that lies nearest to some points, and where it is at 0."""
    total = float(weight.sum())
    middle, level = float(weight @ x) / total, float(weight @ y) / total
    lever = weight * (x - middle)
    slope = float(lever @ y) / float(lever @ x)
    return slope, level - slope * middle


def polish(f_hz: Array, number: Array, b: float) -> tuple[float, float]:
    """Fit f0 and B to the peaks of a candidate, the low ones counting most."""
    y = (f_hz / number) ** 2
    if len(y) < 4 or number[-1] < 4:
        return float(middle_of(np.sqrt(y / (1.0 + b * number**2)))), b
    spread = (f_hz > 0) / np.sqrt(number)
    for _ in range(3):
        slope, base = straight_line(number**2, y, spread**2)
        off = np.abs(y / (base + slope * number**2) - 1.0)
        spread = (1.0 / np.sqrt(number)) / np.maximum(off, 1e-4)  # leans to the median
    if slope < 0:
        return float(middle_of(np.sqrt(y))), 0.0
    return float(np.sqrt(base)), float(slope / base)
