"""Whether the two or three strings of one piano note stand apart, and by how many cents.

Strings a little apart beat inside one note. The distance in cents is the same in every partial, so
partial n beats n times as fast as the first; a tremolo beats alike in all of them, a room and a
soundboard that let a note die in two stages do not beat at all, and a neighbouring note meets a few
partials only. So each partial's own slow movement is taken apart into one to three decaying lines,
and strings are said to be apart only where most partials agree on the distance in cents.

Strings closer than some tenths of a cent pull each other onto one pitch through the bridge and show
in the decay only (G. Weinreich, J. Acoust. Soc. Am. 62, 1977, 1474, from memory): nothing is said
of those.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.harmonics import turned
from planner.polyphony.chord_partials import CENTS_PER_NEPER, Note, nearest_of, partial_hz

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

WINDOW_S = 0.1  # chosen: a Hann window whose main lobe, 20 Hz to a side, holds the beats wanted
HOP_S = 0.05  # half the window: as often as it brings something new
APART_HZ = 25.0  # chosen: another note's partial nearer than this leaks into the window
FASTEST_HZ = 8.0  # chosen: beyond, the window takes more than a third of a line's height
WIDEST_CENTS = 15.0  # chosen: two strings further apart are heard as two notes
LONGEST_S = 4.0  # chosen: what is left after it says little
SHORTEST_S = 0.6  # chosen: shorter notes hold no slow beat
HIGHEST_PARTIAL = 14  # chosen: as many as are measured
MOST_LINES = 3  # a key has three strings at most
NOISY = 0.05  # of a partial's power left over, -13 dB; chosen: something else sounds there
FAINT = 0.05  # of the strongest line's energy, -13 dB; chosen: fainter lines are leaks and echoes
DIES_PER_S = 12.0  # chosen: a line that dies faster is the stroke or the room, not a string
CYCLES = 0.6  # chosen: of a beat, in the time that a partial lasts; with less no beat can be told
AGREE_CENTS = 0.15  # chosen: partials of recorded grand pianos that agree scatter so much
SURE = 0.1  # of the distance; chosen: a partial that knows it worse says nothing
FEWEST = 3  # partials that agree; two can agree by chance
MOST_AGREE = 0.6  # of the partials that could show it: an octave not found would beat in half


@dataclass(frozen=True, slots=True, kw_only=True)
class StringsApart:
    """What one note says of its strings; `cents` is 0 where none stood apart.

    `uncertainty_cents` is about a 2 in 3 chance; for `cents` 0 it is the least distance that would
    have been seen.
    """

    cents: float  # from the lowest string to the highest
    uncertainty_cents: float
    number: tuple[int, ...]  # of the partials that agree
    middle_hz: tuple[float, ...]  # of the lowest and the highest string in each of them
    middle_sd_hz: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineFits:
    """So many decaying lines in each of k slow movements; `left` is infinite where none fit."""

    poles: Complex  # (k, lines), 1/s: real part grows, imaginary part turns
    heights: Complex  # (k, lines) at the first sample
    covariance: Complex  # (k, lines, lines) of the poles
    left: Array  # (k,) mean square of what is left over


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """One partial's outermost lines."""

    cents: float  # apart, 0 where there is one line
    sd_cents: float
    least_cents: float  # the least and the most distance that this partial could have shown
    most_cents: float
    number: int
    middle_hz: float
    middle_sd_hz: float
    beats_hz: float


def strings_apart(samples: Array, sr: int, note: Note, others: list[Note]) -> StringsApart | None:
    """Say whether the strings of one note stand apart; None where it cannot be told.

    samples : (n,) from after the stroke to the note's end, at `sr` Hz
    note : (f0_hz, B)
        As measured.
    others : the other notes that sound in this time; partials near theirs are not asked
    """
    samples = samples[: int(LONGEST_S * sr)]
    if len(samples) < SHORTEST_S * sr:
        return None
    number = np.arange(1, HIGHEST_PARTIAL + 1, dtype=float)
    f_hz = partial_hz(*note, number)
    free = (f_hz < 0.4 * sr) & (nearest_of(f_hz, others, 60) > APART_HZ)
    if free.sum() < FEWEST:
        return None
    moving = follow_partials(samples, sr, f_hz[free])
    return _agreement(_lines(moving, f_hz[free], number[free]))


def follow_partials(samples: Array, sr: int, f_hz: Array) -> Complex:
    """Follow partials at the given frequencies as slow complex lines, one sample each `HOP_S`.

    samples: (n,) at `sr`; f_hz: (k,); result (k, frames).
    """
    size, hop = int(WINDOW_S * sr), round(HOP_S * sr)
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop]
    waves = turned(f_hz, np.arange(size) / sr)
    waves *= (np.hanning(size) * 2.0 / size).astype(np.float32)
    along, across = waves @ frames.astype(np.float32).T
    starts_s = np.arange(len(frames)) * hop / sr
    return np.asarray((along - 1j * across) * np.exp(-2j * np.pi * np.outer(f_hz, starts_s)))


def _lines(z: Complex, f_hz: Array, number: Array) -> list[_Lines]:
    """Take partials apart into lines; those that noise or something else moves are left out.

    z: (k, n) from `follow_partials`; f_hz, number: (k,).
    """
    n = z.shape[1]
    # every partial at the same level, so that the ridge of `_ridged` weighs alike on all
    z = z / np.sqrt(np.mean(np.abs(z) ** 2, axis=1, keepdims=True) + 1e-60)
    power = np.abs(z) ** 2
    lasts_s = power.sum(axis=1) ** 2 / ((power**2).sum(axis=1) + 1e-60) * HOP_S
    fits = fit_lines(z, MOST_LINES)
    if not fits:
        return []
    cost = np.stack([_cost(fit, n) for fit in fits])
    told = []
    for k in np.flatnonzero(np.isfinite(cost.min(axis=0))):
        fit = fits[int(np.argmin(cost[:, k]))]
        if fit.left[k] > NOISY * power[k].mean():
            continue
        own = np.flatnonzero(_own(fit.poles[k], fit.heights[k], n, float(f_hz[k])))
        if len(own) == 0:
            continue
        hz = fit.poles[k].imag / (2 * np.pi)
        low, high = own[np.argmin(hz[own])], own[np.argmax(hz[own])]
        spread = fit.covariance[k]
        alone = (spread[low, low] + spread[high, high]).real
        shared = 2.0 * spread[low, high].real
        per_hz = CENTS_PER_NEPER / float(f_hz[k])
        told.append(
            _Lines(
                cents=float(hz[high] - hz[low]) * per_hz,
                sd_cents=_sd_hz(alone - shared) * per_hz,
                least_cents=CYCLES / float(lasts_s[k]) * per_hz,
                most_cents=FASTEST_HZ * per_hz,
                number=int(number[k]),
                middle_hz=float(f_hz[k] + (hz[low] + hz[high]) / 2.0),
                middle_sd_hz=_sd_hz(alone + shared) / 2.0,
                beats_hz=float(hz[high] - hz[low]),
            )
        )
    return told


def _sd_hz(variance: float) -> float:
    """Deviation of a frequency from the variance of a complex pole, half of which turns, Hz."""
    return float(np.sqrt(max(variance, 0.0) / 2.0)) / (2 * np.pi)


def fit_lines(z: Complex, most: int) -> list[LineFits]:
    """Fit one, two, ... `most` decaying lines to slow complex movements, one sample each `HOP_S`.

    Started by the matrix pencil (Y. Hua and T. K. Sarkar, IEEE Transactions on Acoustics, Speech
    and Signal Processing 38, 1990, 814, from memory), then Gauss-Newton steps. z: (k, n); one
    `LineFits` for each number of lines, as far as n allows.
    """
    n = z.shape[1]
    reach = n // 3
    t = np.arange(n) * HOP_S
    shifted = np.lib.stride_tricks.sliding_window_view(z, reach + 1, axis=1)
    _, _, right = np.linalg.svd(shifted, full_matrices=False)
    fits = []
    for count in range(1, most + 1):
        if reach < count + 1 or n < 4 * count + 2:
            break
        base = right[:, :count].transpose(0, 2, 1)  # (k, reach + 1, count): the signal's shifts
        back = base[:, :-1].conj().transpose(0, 2, 1)
        turns = np.linalg.eigvals(np.linalg.solve(_ridged(back @ base[:, :-1]), back @ base[:, 1:]))
        good = np.abs(turns).min(axis=1) > 1e-3
        began = np.log(np.where(good[:, None], turns, 1.0 + 0.0j)) / HOP_S
        poles = np.asarray(began, dtype=np.complex128)
        for _ in range(3):
            good &= np.abs(poles.real).max(axis=1) < 60.0
            poles = np.where(good[:, None], poles, 0.0)
            shapes = np.exp(t[None, :, None] * poles[:, None, :])
            columns = np.concatenate([shapes, t[None, :, None] * shapes], axis=2)
            turned_back = columns.conj().transpose(0, 2, 1)
            gram, onto = turned_back @ columns, turned_back @ z[:, :, None]
            heights = np.linalg.solve(_ridged(gram[:, :count, :count]), onto[:, :count])
            # What a pole moves is its shape's slope, as high as the shape.
            high = np.concatenate([np.ones_like(heights), heights], axis=1)
            gram_of_slopes = _ridged(high.conj() * gram * high.transpose(0, 2, 1))
            rest_onto = high.conj() * (onto - gram[:, :, :count] @ heights)
            last = poles
            step = np.linalg.solve(gram_of_slopes, rest_onto)[:, count:, 0]
            good &= np.abs(step).max(axis=1) < 20.0
            poles = poles + step
        left = np.mean(np.abs(z - (shapes @ heights)[:, :, 0]) ** 2, axis=1)
        inverse = np.linalg.inv(gram_of_slopes)[:, count:, count:]
        noise = left * n / max(n - 2 * count, 1)
        fits.append(
            LineFits(
                poles=last,
                heights=np.asarray(heights[:, :, 0], dtype=np.complex128),
                covariance=noise[:, None, None] * inverse,
                left=np.where(good, left, np.inf),
            )
        )
    return fits


def _ridged(gram: Complex) -> Complex:
    """Products of columns with each other, with a trace of ridge so that they can be inverted."""
    trace = np.trace(gram, axis1=1, axis2=2).real
    return np.asarray(gram + (1e-13 * trace + 1e-30)[:, None, None] * np.eye(gram.shape[1]))


def _cost(fit: LineFits, n: int) -> Array:
    """Schwarz's criterion (Annals of Statistics 6, 1978, 461): four real figures a line."""
    lines = fit.poles.shape[1]
    return np.asarray(2 * n * np.log(fit.left + 1e-30) + 4 * lines * np.log(2 * n))


def _own(poles: Complex, heights: Complex, n: int, f_hz: float) -> NDArray[np.bool_]:
    """Say which lines are strings of the note, and no stroke, echo or leak."""
    t = np.arange(n) * HOP_S
    energy = (np.abs(heights) ** 2 * np.exp(2 * np.outer(t, poles.real))).sum(axis=0)
    hz = poles.imag / (2 * np.pi)
    main = hz[np.argmax(energy)]
    widest = min(WIDEST_CENTS * f_hz / CENTS_PER_NEPER, FASTEST_HZ)
    return np.asarray(
        (energy >= FAINT * energy.max())
        & (poles.real > -DIES_PER_S)
        & (poles.real < 1.0)
        & (np.abs(hz - main) <= widest)
    )


def _agreement(told: list[_Lines]) -> StringsApart | None:
    """Find the distance in cents that most partials agree on."""
    if len(told) < FEWEST:
        return None
    beating = [
        one for one in told if one.cents > one.least_cents and one.sd_cents < SURE * one.cents
    ]
    best: list[_Lines] = []
    for middle in beating:
        near = [one for one in beating if _alike(one, middle)]
        if (len(near), -middle.sd_cents) > (len(best), 0.0):
            best = near
    if len(best) >= FEWEST and _rises(beating):
        weight = np.array([1.0 / (one.sd_cents**2 + AGREE_CENTS**2) for one in best])
        each = np.array([one.cents for one in best])
        cents = float((weight * each).sum() / weight.sum())
        could = [one for one in told if one.least_cents < cents < one.most_cents]
        if len(best) >= MOST_AGREE * len(could):
            scatter = float((weight * (each - cents) ** 2).sum() / weight.sum())
            spare = max(len(best) - 1, 1)
            return StringsApart(
                cents=cents,
                uncertainty_cents=float(np.sqrt(scatter / spare + 1.0 / weight.sum())),
                number=tuple(one.number for one in best),
                middle_hz=tuple(one.middle_hz for one in best),
                middle_sd_hz=tuple(one.middle_sd_hz for one in best),
            )
    # Nothing agreed on: the third-least distance that a partial with one line would have shown.
    single = sorted(float(one.least_cents) for one in told if one.cents <= one.least_cents)
    if len(single) < max(FEWEST, MOST_AGREE * len(told)):
        return None
    return StringsApart(
        cents=0.0, uncertainty_cents=single[FEWEST - 1], number=(), middle_hz=(), middle_sd_hz=()
    )


def _rises(beating: list[_Lines]) -> bool:
    """Say whether partials agree better in cents than in beats a second, as a tremolo would."""
    cents = np.log([one.cents for one in beating])
    hz = np.log([one.beats_hz for one in beating])
    apart = [float(np.median(np.abs(each - np.median(each)))) for each in (cents, hz)]
    return apart[0] < apart[1]


def _alike(one: _Lines, other: _Lines) -> bool:
    doubt = float(np.hypot(one.sd_cents, other.sd_cents))
    return abs(one.cents - other.cents) <= 2.0 * doubt + 2.0 * AGREE_CENTS
