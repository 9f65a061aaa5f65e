"""Which notes sound in a stretch of a chord stem, and where new ones begin.

A coarse search only: it names notes to within some cents; `planner.polyphony.chord_fits` measures
them.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.polyphony.chord_octaves import WEAK_FIRST_HZ, lowest_that_fits
from planner.polyphony.chord_partials import CENTS_PER_NEPER, HIGHEST_HZ, typical_bs
from planner.polyphony.chord_peaks import (
    B_FACTORS,
    DYNAMIC_DB,
    RISE_DB,
    SEARCHED,
    SILENCE_DBFS,
    Named,
    Notes,
    Peaks,
    match_partials,
    partials_found,
    polish,
    tops,
)
from planner.track.frame_blocks import frame_blocks, highest_of_three
from planner.track.transforms import spectra_of

Array = NDArray[np.float64]

LEAST_LOUD_RISE_DB = 7.0  # chosen: beats within a held chord stay below
FLUX_HOP_S = 0.005
FLUX_WINDOW_S = 0.048  # chosen: resolves onsets to 5 ms, yet does not follow beats of low partials
FLUX_LAG = 5  # hops; chosen: a hammer's or pick's rise lasts about as long
SHORTEST_S = 0.06  # chosen: a shorter stretch tells no chord apart
SOFT_EVERY_S = 0.7  # chosen: notes that swell in without an onset are looked for this often
# Chosen: a note of few partials fills a twentieth of the spectrum, and rises by some 20 dB.
LEAST_SWELL_DB, SWELL_HOP_S, SWELL_LOWEST_HZ = 1.0, 0.01, 80.0
SWELL_S = 0.12  # chosen: a soft bow or breath takes a tenth of a second to speak
ONSET_LATER_S = 0.0065  # measured on synthetic piano chords: the rise peaks that early
LEAST_FLUX_DB = 1.3  # chosen on synthetic piano, mean rise over the bins
# Chosen on three synthetic piano sessions of our own, between true and false candidates: all that
# a note's partials could gather is about 5.
LEAST_SCORE = 1.4
LEAST_ALONE = 0.9
# An octave or twelfth above a sounding note is heard only if it is clearly more than its overtone.
OVERTONE_SCORE = 2.3
BESIDE_SCORE = 1.5  # chosen: so much more, where a score names other notes for the same moment
EXPLAINED = 40  # partials of a found note that are taken away
MOST_NOTES = 8  # chosen: two hands or six strings, and something left over


def find_onsets(samples: Floats, sr: int) -> Array:
    """Find where notes may begin: peaks of the log spectrum's rise, in seconds.

    The rise is taken against the largest of three neighbouring bins some frames before, so that
    vibrato does not count (S. Boeck and G. Widmer, "Maximum filter vibrato suppression for onset
    detection", DAFx-13). samples: (n,) at `sr`.
    """
    hop, size = round(FLUX_HOP_S * sr), round(FLUX_WINDOW_S * sr)
    flux_blocks = []
    bins = int(6000 * size / sr)
    for rise, now in _rises(samples, size, hop, FLUX_LAG):
        rise, now = rise[:, :bins], now[:, :bins]
        # Two views: how much of the spectrum rises, and how much its loud places do (a lone high
        # note fills few bins).
        loud = np.clip((now - now.max(axis=1, keepdims=True) + 30.0) / 30.0, 0.0, 1.0)
        loud_rise = (rise * loud).sum(axis=1) / (loud.sum(axis=1) + 1e-6)
        flux_blocks.append(
            np.maximum(rise.mean(axis=1), loud_rise * (LEAST_FLUX_DB / LEAST_LOUD_RISE_DB))
        )
    flux = np.concatenate(flux_blocks)
    local = np.convolve(flux, np.ones(61) / 61, mode="same")
    at = tops(flux, LEAST_FLUX_DB, apart=8)
    at = at[flux[at] > 1.5 * local[at]]
    # A frame's content counts from its middle, and the rise spreads over the lag.
    seconds = (at + FLUX_LAG / 2) * FLUX_HOP_S - 0.5 * FLUX_WINDOW_S + ONSET_LATER_S
    return np.asarray(np.maximum(seconds, 0.0))


def find_swells(samples: Floats, sr: int, onsets: Array) -> Array:
    """Find where bow or breath may bring a note in slowly, in seconds: no onset tells of it.

    The rise is taken over a tenth of a second and in steps of a third of a semitone, the neighbours
    included: a step of pitch shows, a vibrato does not.
    onsets: from `find_onsets`; what rises within `SWELL_S` of one belongs to it.
    """
    hop, size = round(SWELL_HOP_S * sr), round(SWELL_S * sr)
    lag = round(SWELL_S / SWELL_HOP_S)
    steps = np.arange(36.0 * np.log2(6000 / SWELL_LOWEST_HZ)) / 36.0
    edges = np.unique(np.ceil(SWELL_LOWEST_HZ * 2.0**steps * size / sr).astype(int))
    rise: Array = np.concatenate(
        [rises.mean(axis=1) for rises, _ in _rises(samples, size, hop, lag, edges)]
    )
    at = tops(rise, LEAST_SWELL_DB, apart=lag, falls=LEAST_SWELL_DB / 2)
    seconds = (at + lag / 2) * SWELL_HOP_S - 0.5 * SWELL_S
    apart = np.abs(seconds[:, None] - onsets).min(axis=1, initial=np.inf)
    return np.asarray(seconds[apart > SWELL_S])


def _rises(
    samples: Floats, size: int, hop: int, lag: int, edges: NDArray[np.intp] | None = None
) -> Iterator[tuple[Array, Array]]:
    """How much each bin has risen in `lag` hops, and its level, dB: some thousand frames a time.

    edges: the first bins of groups, each of which counts by its loudest.
    """
    loudest = max(float(level.max()) for level in _level_blocks(samples, size, hop))
    floor = max(10.0 ** (SILENCE_DBFS / 20), loudest * 10.0 ** (-DYNAMIC_DB / 20))
    last = np.zeros((0, 0))
    for level in _level_blocks(samples, size, hop):
        grouped = level if edges is None else np.maximum.reduceat(level, edges, axis=1)
        level_db = 20.0 * np.log10(np.maximum(grouped, floor))
        joined = np.concatenate([last, level_db]) if len(last) else level_db
        yield np.maximum(joined[lag:] - highest_of_three(joined[:-lag]), 0.0), joined[lag:]
        last = joined[-lag:]


def _level_blocks(samples: Floats, size: int, hop: int) -> Iterator[Array]:
    """Magnitudes of frames `hop` apart, some thousand at a time: (n, bins), a sine of 1 reads 1."""
    window = np.hanning(size).astype(np.float32) * np.float32(4.0 / size)
    count = (len(samples) + size) // hop + 1
    for _, block in frame_blocks(samples, size, hop, count, lead=size):
        yield np.abs(spectra_of(block * window))


def places_to_look(onsets: Array, swells: Array, length_s: float) -> list[tuple[float, bool]]:
    """Onsets, and between distant ones the places to look for notes that swell in: (s, no onset).

    onsets, swells: s; length_s: of the stem.
    """
    starts: list[tuple[float, bool]] = []
    struck = onsets[onsets > SHORTEST_S]  # an onset nearer the start is the start
    slow = swells[swells > SHORTEST_S].tolist()
    edges = sorted([0.0, *struck.tolist(), *slow, length_s])
    for lo, hi in pairwise(edges):
        starts.append((lo, lo in slow or (lo == 0.0 and len(struck) == len(onsets))))
        pieces = max(int((hi - lo) / SOFT_EVERY_S), 1)
        starts += [(lo + (hi - lo) * k / pieces, True) for k in range(1, pieces)]
    return starts


def find_new_notes(
    peaks: Peaks,
    sounding: Notes,
    range_hz: tuple[float, float],
    known: Sequence[Named] = (),
    *,
    struck: bool = True,
) -> list[Named]:
    """Name the notes that begin with a stretch, the clearest first: (f0_hz, B, share of partials).

    One note at a time: the candidate whose partials gather most is taken, what a smooth spectrum
    of that note explains is removed, and the search goes on with the rest (after A. Klapuri,
    "Multiple fundamental frequency estimation by summing harmonic amplitudes", ISMIR 2006).
    sounding: (f0_hz, B) of notes that ring on; their unrisen partials explain themselves.
    known: notes that are known to begin here; they come first, and only others are looked for;
    struck: strings, struck or plucked, of the lowest of which the first partial hardly sounds.
    """
    if len(peaks.f_hz) == 0:
        return list(known)
    risen = peaks.rise_db > RISE_DB
    top_db = peaks.level_db.max()
    # 0..1: a loud peak counts more, but not in proportion; old ones hardly count
    worth = np.clip((peaks.level_db - top_db + DYNAMIC_DB) / DYNAMIC_DB, 0.02, 1.0)
    worth = worth * np.where(risen, 1.0, 0.25)
    for note in sounding:
        hit, index = partials_found(peaks, note)
        old = index[hit]
        worth[old[~risen[old]]] = 0.0
    start = worth.copy()
    level = peaks.level_db.copy()
    notes: list[Named] = list(known)
    for f0_hz, b, _ in known:
        hit, index = partials_found(peaks, (f0_hz, b), EXPLAINED)
        _explain(worth, level, index[hit], np.flatnonzero(hit) + 1, top_db)
    for _ in range(MOST_NOTES):
        f0s, bs = _candidates(peaks, worth, range_hz)
        if len(f0s) == 0:
            break
        hit, index = match_partials(peaks, f0s, bs)
        score, share = _scores(hit, index, worth, f0s)
        best = int(np.argmax(score))
        if score[best] < LEAST_ALONE:
            break
        own = index[best][hit[best]]
        number = np.flatnonzero(hit[best]) + 1
        fresh = worth[own] > 0.3 * start[own]
        named = [*sounding, *[(f0, b) for f0, b, _ in notes]]
        apart = all(abs(np.log2(f0s[best] / f0)) > 0.6 / 12 for f0, _, _ in notes)
        enough = score[best] >= (LEAST_SCORE if notes or sounding else LEAST_ALONE)
        if any(is_overtone(float(f0s[best]), f0, b) for f0, b in named):
            enough = score[best] >= OVERTONE_SCORE * (BESIDE_SCORE if known else 1.0)
        if apart and enough and (fresh & risen[own]).sum() >= (2 if f0s[best] < 1200 else 1):
            f0_hz, b = polish(peaks.f_hz[own], number.astype(float), float(bs[best]))
            f0_hz, b = lowest_that_fits(peaks, f0_hz, b, range_hz[0], named, struck=struck)
            notes.append((f0_hz, b, float(share[best])))
            every, nearest = partials_found(peaks, (f0_hz, b), EXPLAINED)
            own, number = nearest[every], np.flatnonzero(every) + 1
        _explain(worth, level, own, number, top_db)
    return notes


def is_overtone(f0_hz: float, of_hz: float, b: float) -> bool:
    """Say whether a note's first partial lies on the second or a higher one of another."""
    number = max(round(f0_hz / (of_hz * np.sqrt(1.0 + b))), 1)
    number = max(round(f0_hz / (of_hz * np.sqrt(1.0 + b * number**2))), 1)
    law = number * of_hz * np.sqrt(1.0 + b * number**2)
    return bool(number >= 2 and abs(CENTS_PER_NEPER * np.log(f0_hz / law)) < 40.0)


def _candidates(peaks: Peaks, worth: Array, range_hz: tuple[float, float]) -> tuple[Array, Array]:
    """Suppose each strong peak to be the 1st to 4th partial of a note, for several B."""
    strong = np.argsort(-worth)[:30]
    strong = strong[worth[strong] > 0.15]
    f = peaks.f_hz[strong][:, None, None]
    number = np.arange(1, 5, dtype=float)[None, :, None]
    usual = typical_bs(f / number)
    b = np.minimum(usual, 1e-2) * B_FACTORS[None, None, :]
    f0 = f / (number * np.sqrt(1.0 + b * number**2))
    inside = (f0 > range_hz[0] * 0.97) & (f0 < range_hz[1] * 1.03)
    return f0[inside], np.broadcast_to(b, f0.shape)[inside]


def _scores(
    hit: NDArray[np.bool_], index: NDArray[np.intp], worth: Array, f0s: Array
) -> tuple[Array, Array]:
    n = np.arange(1, SEARCHED + 1, dtype=float)
    weight = 1.0 / np.sqrt(n)
    reachable = (f0s[:, None] * n[None, :]) < 0.9 * HIGHEST_HZ
    gained = (hit * worth[index] * weight).sum(axis=1)
    early = n <= 6
    missed = ((~hit & reachable & early) * weight).sum(axis=1)
    share = (hit & reachable & early).sum(axis=1) / np.maximum((reachable & early).sum(axis=1), 1)
    # A low note is forgiven its weak first partial; any other has one, or is only what several
    # notes seem to have in common.
    silent = ~hit[:, 0] & (f0s > WEAK_FIRST_HZ)
    return np.where(silent, 0.0, gained - 0.35 * missed), share


def _explain(
    worth: Array, level: Array, own: NDArray[np.intp], number: NDArray[np.intp], top_db: float
) -> None:
    """Take away from each peak what the note's smooth spectrum explains."""
    if len(own) == 0:
        return
    before = level[own].copy()
    at, levels = number.tolist(), before.tolist()
    for i, peak in enumerate(own):
        # plainly counted: of four numbers a library's median takes ten times as long
        near = sorted(levels[j] for j in range(len(at)) if j != i and abs(at[j] - at[i]) <= 2)
        smooth = (near[(len(near) - 1) // 2] + near[len(near) // 2]) / 2 if near else before[i]
        if number[i] == 1 or before[i] < smooth + 6.0:
            worth[peak] = 0.0
        else:
            rest = 10.0 ** (before[i] / 20) - 10.0 ** (smooth / 20)
            level[peak] = 20.0 * np.log10(max(rest, 1e-9))
            kept = min(max((level[peak] - top_db + DYNAMIC_DB) / DYNAMIC_DB, 0.0), 1.0)
            worth[peak] = min(worth[peak], kept)
