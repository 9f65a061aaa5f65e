"""Partials of several notes at once, read off one stretch of sound together.

Everything here works on a Hann-windowed stretch and its discrete spectrum. A partial whose
amplitude changes slowly, ``Re{(a + b u) exp(j 2 pi x u)}`` with u the time in window lengths
counted from the middle, fills only a few bins around ``x``; so all partials of all notes are
fitted together by least squares in groups of neighbouring bins, and the correction of each
frequency is ``Im(b / a) / (2 pi)`` bins (the quasi-harmonic model of Pantazis, Rosec and
Stylianou, IEEE Transactions on Audio, Speech and Language Processing 19(2), 2011, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import (
    CENTS_PER_NEPER,
    HIGHEST_HZ,
    Note,
    PartialFits,
    StiffString,
    first_partials,
    fit_string,
    partial_hz,
    typical_b,
)
from planner.words.spread import middle_of

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

PARTIALS_PER_NOTE = 14  # chosen: above, struck and plucked strings give little at 16 kHz
FIRST_WINDOW_S = 0.2  # chosen: short enough that a guess 5 cents off locks at the 6th partial
MERGE_BINS = 2.0  # chosen: closer than this the two-term model of a Hann window is ill-conditioned
REACH_BINS = 4  # chosen: a Hann window's lobes beyond 4 bins lie more than 45 dB down
LOCK_BINS = 0.7  # chosen: a correction larger than this belongs to another peak
LEAST_AMPLITUDE = 1e-4  # of the loudest partial, -80 dB; chosen: below lies arithmetic, not sound
LEAST_SNR = 4.0  # chosen: amplitude over its own standard deviation
UNSTEADY = 0.3  # chosen: with more left over, the partial wavers or is not one
_LENGTHS_KEPT = 8  # of windows: those of a chord are read twice, the short ones of all


def hann_bins(samples: Array) -> Complex:
    """Give the Hann spectrum of a stretch, phase counted from its middle.

    A partial of amplitude A centred on a bin reads A/2 there. samples: (n,); result (n//2+1,).
    """
    window, turned = _hann(len(samples))
    return np.asarray(np.fft.rfft(samples * window) * turned)


@lru_cache(maxsize=_LENGTHS_KEPT)
def _hann(n: int) -> tuple[Array, Complex]:
    """A Hann window as `hann_bins` scales it, and what turns phases to count from its middle."""
    u = (np.arange(n) - (n - 1) / 2) / n
    k = np.arange(n // 2 + 1)
    window = 0.5 + 0.5 * np.cos(2 * np.pi * u)
    return window * (2.0 / n), np.exp(1j * np.pi * k * (n - 1) / n)


def _kernels(x: Array) -> tuple[Array, Array, Array]:
    """Transform of the Hann window at x bins, and its first two derivatives by x."""
    value, first, second = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    sin_x, cos_x = np.sin(np.pi * x), np.cos(np.pi * x)
    for weight, turn, shift in ((0.5, 1.0, 0.0), (0.25, -1.0, -1.0), (0.25, -1.0, 1.0)):
        z = np.pi * (x + shift)
        small = np.abs(z) < 1e-2
        one_by = turn / np.where(small, 1.0, z)
        s0 = sin_x * one_by
        s1 = (cos_x - turn * s0) * one_by
        s2 = -s0 - 2 * turn * s1 * one_by
        if small.any():  # the series around 0
            near = z[small]
            s0[small] = 1 - near**2 / 6 + near**4 / 120
            s1[small] = -near / 3 + near**3 / 30
            s2[small] = -1 / 3 + near**2 / 10
        value += weight * s0
        first += weight * np.pi * s1
        second += weight * np.pi**2 * s2
    return value, first, second


def _groups(x: Array, gap: float) -> list[slice]:
    """Split sorted positions where neighbours lie more than `gap` apart."""
    cuts = np.flatnonzero(np.diff(x) > gap) + 1
    edges = [0, *cuts.tolist(), len(x)]
    return [slice(lo, hi) for lo, hi in pairwise(edges)]


def _solve(bins: Complex, x: Array, blurred: NDArray[np.bool_]) -> tuple[Array, ...]:
    """Fit all atoms at x (sorted, bins); `blurred` ones stand for several and get one term more.

    Returns correction (bins), its standard deviation, amplitude, its standard deviation, and the
    share of the energy around the atom that is left over; all (len(x),).
    """
    count = len(x)
    shift, shift_sd = np.zeros(count), np.full(count, np.inf)
    level, level_sd, left = np.zeros(count), np.full(count, np.inf), np.ones(count)
    groups = _groups(x, 1.5 * REACH_BINS)
    sizes = np.array([g.stop - g.start for g in groups])
    starts = np.array([g.start for g in groups])
    for m in np.unique(sizes):  # groups of one size are solved together
        atoms = starts[sizes == m][:, None] + np.arange(m)[None, :]
        xs = x[atoms]
        lo = np.maximum(np.floor(xs[:, 0]).astype(int) - REACH_BINS, 0)
        hi = np.minimum(np.ceil(xs[:, -1]).astype(int) + REACH_BINS + 1, len(bins))
        k = lo[:, None] + np.arange(int((hi - lo).max()))[None, :]
        inside = k < hi[:, None]
        h0, h1, h2 = _kernels(k[:, :, None] - xs[:, None, :])
        # b is solved for as j b / (2 pi), which keeps every column real
        columns = np.concatenate([h0, h1, h2 * blurred[atoms][:, None, :]], axis=2)
        columns *= inside[:, :, None]
        data = np.where(inside, bins[np.minimum(k, len(bins) - 1)], 0.0)
        turned = columns.transpose(0, 2, 1)
        inverse = np.linalg.inv(turned @ columns + 1e-9 * np.eye(3 * m))
        solved = inverse @ (turned @ data[:, :, None])
        rest = np.abs(data - (columns @ solved)[:, :, 0]) ** 2
        known = inside.sum(axis=1)
        terms = 2 * m + blurred[atoms].sum(axis=1)
        spare = np.maximum(known - terms, 1) / known
        near = (np.abs(k[:, :, None] - np.rint(xs)[:, None, :]) <= REACH_BINS) & inside[:, :, None]
        around = (rest[:, :, None] * near).sum(axis=1)
        noise = around / near.sum(axis=1) / spare[:, None] + 1e-30
        spread = np.diagonal(inverse, axis1=1, axis2=2)
        a, b = solved[:, :m, 0], solved[:, m : 2 * m, 0]
        size = np.maximum(np.abs(a), 1e-15)
        level[atoms] = np.abs(a)
        level_sd[atoms] = np.sqrt(noise * spread[:, :m])
        shift[atoms] = -np.real(b * np.conj(a)) / size**2
        shift_sd[atoms] = np.sqrt(noise * spread[:, m : 2 * m] / 2.0) / size
        left[atoms] = around / (around + 0.375 * size**2)  # 0.375: energy of a Hann window
    return shift, shift_sd, level, level_sd, left


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A stretch of sound, and the peaks in it that belong to none of the notes looked for."""

    samples: Array  # (n,)
    sr: int
    others_hz: Array  # modelled so that they disturb less

    def first(self, length: int) -> Piece:
        """So many samples of it."""
        return replace(self, samples=self.samples[:length])


def fit_window(
    piece: Piece, notes: list[Note], highest: int = PARTIALS_PER_NOTE
) -> list[PartialFits]:
    """Fit the partials of all sounding notes in one stretch, jointly.

    highest: partials to model of each note. One `PartialFits` a note.
    """
    window_s = len(piece.samples) / piece.sr
    bins = hann_bins(piece.samples)
    laws = [first_partials(note, highest) for note in notes]
    laws = [law[law < HIGHEST_HZ] for law in laws]
    x_notes = np.concatenate(laws) * window_s
    x_others = piece.others_hz * window_s
    apart = np.abs(x_others[:, None] - x_notes).min(axis=1, initial=np.inf)
    x_all = np.concatenate([x_notes, x_others[apart > MERGE_BINS]])
    order = np.argsort(x_all)
    x_sorted = x_all[order]
    clusters = _groups(x_sorted, MERGE_BINS)
    size = np.array([c.stop - c.start for c in clusters])
    blurred = size > 1
    middle = np.add.reduceat(x_sorted, [c.start for c in clusters]) / size
    shift, shift_sd, level, level_sd, left = _solve(bins, middle, blurred)
    shaded = _shaded(
        middle, [(f0 * window_s, b) for f0, b in notes], highest, HIGHEST_HZ * window_s
    )
    least = np.maximum(LEAST_SNR * level_sd, LEAST_AMPLITUDE * level.max(initial=0.0))
    stands = (np.abs(shift) <= LOCK_BINS) & (level >= least)
    cluster_of = np.empty(len(x_all), dtype=int)
    cluster_of[order] = np.repeat(np.arange(len(clusters)), size)
    fits = []
    for i, own in enumerate(np.split(cluster_of, np.cumsum([len(law) for law in laws]))[:-1]):
        met = blurred[own] | (shaded[:, own].sum(axis=0) > shaded[i, own])
        free = ~met & stands[own]
        at = own[free]
        fits.append(
            PartialFits(
                number=np.asarray(np.flatnonzero(free) + 1.0, dtype=float),
                f_hz=(middle[at] + shift[at]) / window_s, sd_hz=shift_sd[at] / window_s,
                amplitude=level[at], unsteady=left[at], collided=int(met.sum()),
            )
        )  # fmt: skip
    return fits


def _shaded(x: Array, notes: list[Note], highest: int, last: float) -> NDArray[np.bool_]:
    """Say where partials above those modelled lie: no other note's partial there counts as free.

    x: (k,) and f0 of the notes in bins; result (notes, k).
    """
    result = np.zeros((len(notes), len(x)), dtype=bool)
    for i, (f0, b) in enumerate(notes):
        above = partial_hz(f0, b, np.arange(highest + 1, 41, dtype=float))
        above = above[above < last]
        if len(above):
            at = np.searchsorted(above, x)
            low, high = above[np.maximum(at - 1, 0)], above[np.minimum(at, len(above) - 1)]
            off = np.minimum(np.abs(x - low), np.abs(x - high))
            result[i] = off < np.maximum(MERGE_BINS, 0.0012 * x)  # the law is 2 cents wide there
    return result


def refine(
    piece: Piece, notes: list[tuple[float, float]], *, harmonic: bool, longest_s: float
) -> list[tuple[StiffString | None, PartialFits]]:
    """Measure all notes that sound together in a stretch, from a short window to the whole.

    The window starts with the stretch and doubles from `FIRST_WINDOW_S`; each step starts from
    the frequencies of the last, so that a coarse guess locks. harmonic: force B to 0.
    notes: (f0_hz, B) guesses. One pair a note, None where no partial is free.
    """
    state = list(notes)
    result: list[tuple[StiffString | None, PartialFits]] = []
    total = min(len(piece.samples), int(longest_s * piece.sr))
    length = min(int(FIRST_WINDOW_S * piece.sr), total)
    highest = 6  # chosen: the higher ones cannot be told apart in the first window anyway
    while True:
        last = length >= total
        # Stiff strings are read once more after this, where all notes together put them.
        for _ in range(2 if highest == 6 or (last and harmonic) else 1):
            fits = fit_window(piece.first(length), state, highest)
            found: list[tuple[StiffString | None, PartialFits]] = []
            for i, fit in enumerate(fits):
                guess = 0.0 if harmonic else typical_b(state[i][0])
                string = fit_string(fit, guess, 0.0 if harmonic else 1.5 * guess)
                if string is not None and abs(np.log2(string.f0_hz / notes[i][0])) > 1 / 24:
                    string = None
                if string is not None:
                    state[i] = (string.f0_hz, string.b)
                    string = replace(string, window_s=length / piece.sr)
                found.append((string, fit))
        found = [
            (_with_wander(a[0], b[0]), b[1]) for a, b in zip(result or found, found, strict=True)
        ]
        result = [_longer(*pair) for pair in zip(result or found, found, strict=True)]
        state = [
            (string.f0_hz, string.b) if string else before
            for (string, _), before in zip(result, state, strict=True)
        ]
        if last and highest == PARTIALS_PER_NOTE:
            return result
        highest = min(highest + 4, PARTIALS_PER_NOTE)
        length = total if 2 * length > 0.7 * total else 2 * length


def _with_wander(short: StiffString | None, long: StiffString | None) -> StiffString | None:
    """Note how far a reading went from that of a shorter window; an equal one keeps what it had."""
    if short is None or long is None:
        return long
    off = abs(CENTS_PER_NEPER * float(np.log(long.f1_hz / short.f1_hz)))
    return replace(long, wander_cents=off or short.wander_cents)


def _longer(
    short: tuple[StiffString | None, PartialFits], long: tuple[StiffString | None, PartialFits]
) -> tuple[StiffString | None, PartialFits]:
    """Take the longer window's result unless the note did not hold still for so long.

    Where only its first partial did, that says how far the string went after the shorter one.
    """
    if short[0] is None:
        return long
    if long[0] is None:
        return short
    if 2 * long[0].used < short[0].used:
        return replace(short[0], went_cents=_first_went(short[1], long[1])), short[1]
    steady = float(middle_of(long[1].unsteady)), float(middle_of(short[1].unsteady))
    return short if steady[0] > max(UNSTEADY, steady[1]) else long


def _first_went(short: PartialFits, long: PartialFits) -> float:
    """How far the first partial lies in a longer window from where it was, cents; 0 if unknown."""
    before, after = short.number == 1.0, long.number == 1.0
    if not before.any() or not after.any() or long.unsteady[after][0] > UNSTEADY:
        return 0.0
    return float(CENTS_PER_NEPER * np.log(long.f_hz[after][0] / short.f_hz[before][0]))
