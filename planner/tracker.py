"""How high does the stem sound, moment by moment, and does it sound pitched at all?

Coarse pitch, good to a few cents: enough to find notes, never used as a note's cents.

Method
------
Every frame offers candidates: peaks of the normalised square difference function (P. McLeod and
G. Wyvill, "A smarter way to find pitch", ICMC 2005), taken from a longer window for lower notes, so
that none smears the others. A Viterbi search picks one candidate
per frame, or "nothing pitched"; it weighs how periodic the frame is, prefers the shorter of
equally good periods (a period's multiples fit just as well), and dislikes jumps.

Conventions
-----------
Frames are centred: frame i looks at the samples around i * HOP_S. Signals are float32 at the
stem's analysis rate; frequencies are in Hz; levels in dB relative to full scale.
"""

import math
from functools import cache, partial

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from planner.model import HARMONIC_ROLES, Floats, PitchTrack, Stem
from planner.track.common_periods import without_common_periods
from planner.track.frame_blocks import ByThePiece, frame_blocks, highest_of_three
from planner.track.octave_starts import (
    with_octave_leaps,
    without_low_starts,
    without_octave_notes,
    without_octave_starts,
)
from planner.track.own_partials import without_low_readings
from planner.track.pitch_search import COST_PER_OCTAVE_DOWN, best_path, is_silent
from planner.track.readings import LEVEL_S, READINGS
from planner.track.string_band import BASS_RATE_DIVISOR, bass_band, guitar_band
from planner.track.transforms import quick_length, spectra_of

HOP_S = 0.005
BASS_ROLES = ("bass-fretted", "bass-fretless")

_SINC_REACH = 16  # whole lags either side that a lag between them is made from
# Of the curve, before a period: what has a share of a frame's energy swings by twice that. Chosen:
# 23 dB under something slower, an offset that comes or goes, rumble, it is only a ripple of it.
_LEAST_SWING = 0.01
_MIN_STRENGTH = 0.3  # a weaker peak never wins against "nothing pitched"

_LEVELS_AT_ONCE = 4096  # frames

_FLUX_WINDOW_S = 0.032
_FLUX_LAG_FRAMES = 3
_FLUX_TOP_HZ = 6000.0


def track(stem: Stem) -> PitchTrack:
    """Follow the coarse pitch of a stem in which one note sounds at a time.

    Candidates outside ``stem.range_hz`` are not offered.

    Returns one frame every `HOP_S` seconds, the first centred on sample 0; all arrays of one
    length.
    """
    frames = len(stem.samples) // _hop(stem.analysis_sr) + 1
    samples: Floats | ByThePiece = stem.samples
    sr, less = stem.analysis_sr, BASS_RATE_DIVISOR if stem.role in BASS_ROLES else 1
    if stem.role in (*BASS_ROLES, "fretted"):
        band_of = partial(guitar_band if less == 1 else bass_band, sr=sr)
        samples = ByThePiece(stem.samples, sr, band_of, divisor=less)
    level_db = frame_level_db(stem.samples, stem.analysis_sr, frames, window_s=LEVEL_S)
    f_hz, strength = _candidates(samples, sr // less, is_silent(level_db), stem.range_hz)
    chosen = best_path(f_hz, strength, level_db)
    pitched = chosen < f_hz.shape[1]
    rows = np.arange(frames)
    column = np.where(pitched, chosen, 0)
    f0_hz: Floats = np.where(pitched, f_hz[rows, column], np.nan).astype(np.float64)
    driven = stem.role in HARMONIC_ROLES
    attack = attack_strength(stem.samples, stem.analysis_sr, frames)
    f0_hz = without_common_periods(f0_hz, f_hz, strength, None if driven else attack, HOP_S)
    f0_hz = without_octave_starts(f0_hz, f_hz, strength)
    if driven:
        f0_hz = without_octave_notes(f0_hz, f_hz, strength)
        f0_hz = without_low_starts(f0_hz, f_hz, strength, attack)
    f0_hz = with_octave_leaps(f0_hz, f_hz, strength, attack, level_db, driven=driven)
    if driven or stem.role == "fretted":
        f0_hz = without_low_readings(f0_hz, f_hz, strength, stem.samples, stem.analysis_sr, HOP_S)
    best = np.where(pitched, strength[rows, column], strength.max(axis=1, initial=0.0))
    arrays = (f0_hz, best, level_db, attack)
    for array in arrays:
        array.setflags(write=False)
    return PitchTrack(
        hop_s=HOP_S, f0_hz=arrays[0], strength=arrays[1], level_db=arrays[2], attack=arrays[3]
    )


def frame_level_db(
    samples: Floats | ByThePiece, sr: int, frames: int, *, window_s: float
) -> Floats:
    """Give the RMS level of each frame in dBFS, floored at -120.

    samples : (n,) at ``sr``
    frames : number of frames, the first centred on sample 0, `HOP_S` apart
    window_s : length of the frame, s
    """
    half, hop = round(window_s * sr / 2), _hop(sr)
    # Frames are made up of grains, of whose energies each is summed up once.
    grain = math.gcd(half, hop)
    mean = np.empty(frames)
    # Longer blocks: what one takes is little more than its samples.
    blocks = frame_blocks(samples, 2 * half, hop, frames, lead=half, at_once=_LEVELS_AT_ONCE)
    for first, block in blocks:
        grains = _joined(block, hop).reshape(-1, grain)
        energy = np.einsum("ij,ij->i", grains, grains).astype(np.float64)
        own = sliding_window_view(energy, 2 * half // grain)[:: hop // grain]
        mean[first : first + len(block)] = own.sum(axis=1) / (2 * half)
    level_db: Floats = 10.0 * np.log10(np.maximum(mean, 1e-12))
    return level_db


def attack_strength(samples: Floats, sr: int, frames: int) -> Floats:
    """Say how strongly something begins in each frame: rises of the log spectrum, 0 where none.

    Each bin is compared with the loudest of itself and its neighbours 15 ms before, so that a
    vibrato moving through bins is no attack (S. Böck and G. Widmer, "Maximum filter vibrato
    suppression for onset detection", DAFx 2013). The unit is nepers, averaged over the bins.
    """
    window = round(_FLUX_WINDOW_S * sr)
    top = round(_FLUX_TOP_HZ / sr * window)
    # Where a partial is as loud as the loud parts of the stem, half its magnitude is 100.
    taper = (np.hanning(window) * (800.0 / window / _loud_amplitude(samples))).astype(np.float32)
    out = np.zeros(frames)
    before: NDArray[np.float32] | None = None
    for first, block in frame_blocks(samples, window, _hop(sr), frames, lead=window // 2):
        log_magnitude = np.abs(spectra_of(block * taper)[:, 1 : top + 1])
        log_magnitude += 1.0
        np.log(log_magnitude, out=log_magnitude)
        if before is None:
            before = np.repeat(log_magnitude[:1], _FLUX_LAG_FRAMES, axis=0)
        joined = np.concatenate([before, log_magnitude])
        rise = np.maximum(log_magnitude - highest_of_three(joined[:-_FLUX_LAG_FRAMES]), 0.0)
        out[first : first + len(block)] = rise.mean(axis=1)
        before = joined[-_FLUX_LAG_FRAMES:]
    return out


def _hop(sr: int) -> int:
    return round(HOP_S * sr)


def _loud_amplitude(samples: Floats) -> float:
    """Amplitude that the loud parts of a stem reach (99th percentile of magnitude, never 0)."""
    if len(samples) == 0:
        return 1e-6
    return max(float(np.percentile(np.abs(samples[::7]), 99)), 1e-6)


def _joined(block: NDArray[np.float32], hop: int) -> NDArray[np.float32]:
    """The samples that frames were cut from."""
    return np.concatenate([block[:-1, :hop].ravel(), block[-1]])


def _running_energy(block: NDArray[np.float32], hop: int) -> Floats:
    """Running sum of squares along each frame, from an origin of its own: (n, window + 1).

    One sum serves all frames: each is a step of one hop further into it.
    """
    energy = np.square(_joined(block, hop), dtype=np.float64)
    running = np.zeros(len(energy) + 1)
    np.cumsum(energy, out=running[1:])
    view: Floats = sliding_window_view(running, block.shape[1] + 1)[::hop]
    return view


def _candidates(
    samples: Floats | ByThePiece, sr: int, silent: NDArray[np.bool_], range_hz: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Offer each frame's best periods: (frames, k) in Hz and their strengths, 0 where none.

    None where all frames of a block are ``silent``.
    """
    frames = len(silent)
    ends = np.cumsum([reading.offers for reading in READINGS])
    f_hz = np.zeros((frames, ends[-1]), dtype=np.float32)  # good to a thousandth of a cent
    strength = np.zeros((frames, ends[-1]), dtype=np.float32)
    widest = max(round(reading.window_s * sr) for reading in READINGS)
    for first, block in frame_blocks(samples, widest, _hop(sr), frames, lead=widest // 2):
        rows = slice(first, first + len(block))
        if silent[rows].all():
            continue
        energy = _running_energy(block, _hop(sr))
        for reading, end in zip(READINGS, ends, strict=True):
            lowest_hz = max(range_hz[0], reading.lowest_hz)
            highest_hz = min(range_hz[1], reading.highest_hz)
            if highest_hz <= lowest_hz:
                continue
            columns = slice(end - reading.offers, end)
            window = round(reading.window_s * sr)
            longest = min(int(np.ceil(sr / lowest_hz)) + 2, window - 2)
            lags = np.arange(longest * reading.oversampling + 1) / reading.oversampling
            begins = widest // 2 - window // 2
            frame = block[:, begins : begins + window]
            before = energy[:, begins : begins + window + 1]
            curve = _square_difference(frame, before, _hop(sr), longest, reading.oversampling)
            lag, value = _curve_peaks(curve, lags, sr / highest_hz, sr / lowest_hz, reading.offers)
            f_hz[rows, columns] = np.where(lag > 0, sr / np.where(lag > 0, lag, 1.0), 0.0)
            strength[rows, columns] = value
    return f_hz, strength


def _square_difference(
    block: NDArray[np.float32], before: Floats, hop: int, longest: int, oversampling: int
) -> NDArray[np.float32]:
    """Normalised square difference of each frame at lags 0..longest, in steps of 1/oversampling.

    before : (frames, window + 1) running sum of squares along each frame, from any origin
    """
    window = block.shape[1]
    last = longest if oversampling == 1 else longest + _SINC_REACH
    power, size = frame_power(block, hop, last)
    correlation = power @ _cosines(size, last)
    total = before[:, -1:] - before[:, :1]
    energy = (before[:, window : window - last - 1 : -1] - before[:, : last + 1]).astype(np.float32)
    # The small floor damps the edge, where few samples overlap.
    energy += (1.001 * total + 1e-9).astype(np.float32)
    curve: NDArray[np.float32] = np.divide(correlation, energy, out=correlation)
    return curve if oversampling == 1 else curve @ _between_lags(longest, oversampling)


def frame_power(block: NDArray[np.float32], hop: int, last: int) -> tuple[NDArray[np.float32], int]:
    """Power spectra of which the autocorrelations of frames are right up to a lag.

    A frame that lasts whole hops, and far longer than the lag, shares most of its products with the
    next: those that begin within one hop are those of a piece as long as hop and lag less those of
    its rest, and a frame is a sum of such pieces and the last rest.

    Returns (frames, size / 2 + 1) power, and the size of the transform.
    """
    frames, window = block.shape
    rest = -(-last // hop) * hop
    size, of_pieces = quick_length(window + last), quick_length(hop + rest + last)
    # Three transforms of pieces, one of them back, do what two of whole frames do.
    if window % hop or window < rest + hop or 3 * of_pieces > 2 * size:
        return _squared(spectra_of(block, size)), size
    size = of_pieces
    samples = _joined(block, hop)
    whole, rests = (
        _squared(spectra_of(sliding_window_view(samples, length)[::hop], size))
        for length in (hop + rest, rest)
    )
    whole -= rests[1:]
    pieces = (window - rest) // hop
    power = rests[pieces:].copy()
    at, width = 0, 1
    while True:  # sums of 1, 2, 4 pieces and so on, of which so many are made up
        if pieces & width:
            power += whole[at : at + frames]
            at += width
        if 2 * width > pieces:
            return power, size
        whole = whole[:-width] + whole[width:]
        width *= 2


@cache
def _cosines(size: int, last: int) -> NDArray[np.float32]:
    """Matrix that takes power spectra to twice their autocorrelations at lags up to a last one.

    For the few lags that are asked for it takes half of the time of a transform.
    """
    turns = np.multiply.outer(np.arange(size // 2 + 1), np.arange(last + 1)) % size / size
    waves = np.cos(2.0 * np.pi * turns) * (4.0 / size)
    waves[[0, -1]] /= 2.0  # the others stand for a negative frequency too
    return waves.astype(np.float32)


def _squared(spectrum: NDArray[np.complex64]) -> NDArray[np.float32]:
    power: NDArray[np.float32] = np.abs(spectrum)
    return np.square(power, out=power)


@cache
def _between_lags(longest: int, oversampling: int) -> NDArray[np.float32]:
    """Matrix that takes a curve over whole lags to lags in steps of 1/oversampling.

    A Hann-windowed sinc; what lies before lag 0 mirrors what lies after it.
    """
    whole = np.arange(longest + _SINC_REACH + 1)
    fine = np.arange(longest * oversampling + 1) / oversampling
    matrix = np.zeros((len(whole), len(fine)))
    for sign in (1, -1):
        apart = fine - sign * whole[:, None]
        taper = np.where(np.abs(apart) < _SINC_REACH, np.cos(np.pi * apart / _SINC_REACH / 2), 0.0)
        matrix += np.sinc(apart) * taper**2 * ((whole[:, None] > 0) | (sign > 0))
    return matrix.astype(np.float32)


def _curve_peaks(
    curve: NDArray[np.float32], lags: Floats, shortest: float, longest: float, most: int
) -> tuple[Floats, Floats]:
    """Best peaks of each row: (rows, most) lags in samples, heights, 0 where there are fewer."""
    first, last = np.searchsorted(lags[1:-1], [shortest - 1, longest + 1 + 1e-9]) + 1
    falls = curve[:, :-1] > curve[:, 1:]
    peak = falls[:, first:last] > falls[:, first - 1 : last - 1]
    peak &= curve[:, first:last] > _MIN_STRENGTH
    row, at = np.divmod(np.flatnonzero(peak), max(last - first, 1))
    at += first
    # The slope down from lag 0 is no period: only what lies behind the first minimum counts.
    first_rise = falls.argmin(axis=1)
    behind = at > first_rise[row]
    row, at = row[behind], at[behind]
    centre = curve[row, at]
    dip = curve[row, first_rise[row]]
    for k in np.flatnonzero(centre - dip < _LEAST_SWING):
        dip[k] = curve[row[k], : at[k]].min()
    swings = centre - dip >= _LEAST_SWING
    row, at, centre = row[swings], at[swings], centre[swings]
    order = np.lexsort((COST_PER_OCTAVE_DOWN * np.log2(lags[at]) - centre, row))
    row, at, centre = row[order], at[order], centre[order]
    place = np.arange(len(row)) - np.searchsorted(row, np.arange(len(curve)))[row]
    best = place < most
    row, at, centre, place = row[best], at[best], centre[best], place[best]
    left, right = curve[row, at - 1], curve[row, at + 1]
    bend = left - 2 * centre + right
    offset = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    lag = np.zeros((len(curve), most))
    value = np.zeros((len(curve), most))
    lag[row, place] = (at + offset) * (lags[1] - lags[0])
    value[row, place] = np.minimum(centre - 0.25 * (left - right) * offset, 1.0)
    return lag, value
