"""Bars and tongues: notes of which only the first partial is in tune.

A free bar's second mode lies at 2.756 times its first, a marimba's is cut to 4 and a xylophone's to
3 (N. Fletcher and T. Rossing, The Physics of Musical Instruments, 2nd ed., 19.1 to 19.5, from
memory): no series of whole multiples, so a search for such series passes them by. Here the loudest
peak that begins is a note, and what lies at one odd ratio above most notes of a stem is theirs.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import CENTS_PER_NEPER, HIGHEST_HZ
from planner.polyphony.chord_peaks import RISE_DB, SAME_SOUND_CENTS, SEARCHED, Named, Peaks

Array = NDArray[np.float64]

ALONE = 1.0 / SEARCHED  # share of the partials searched
BARE_DB = 20.0  # under the loudest; chosen: notes of one stroke differ less
# Chosen: above a tenth two hands seldom strike the same interval all along; below a 40 dB fall no
# peak is taken for a note anyway.
LEAST_RATIO, MOST_RATIO, LEAST_DB = 2.4, 12.0, 40.0
# Bars of one set are cut alike, not equal: chosen, as far as their ratios scatter.
SAME_CENTS = 60.0
# Of the notes of a stem; chosen: of strings, pipes and reeds one in a hundred is named alone, of
# tines, tongues and bars one in ten and more (two soundfonts, `tests.bench.chorded`).
ALONE_SHARE, FEWEST_ALONE = 0.05, 3
# A drum's stroke is noise, and its modes are over in it. Chosen between drums and bars of two
# soundfonts: of those the loudest stands less than 45 dB over the noise beside it in 95 of 100
# strokes, of these more in as many; speech and a hand drum lie below 50 and 36.
CLEAN_DB = 45.0
MOST_NOTES = 0.5  # chosen: what lies above so many of the notes that can show it belongs to them
LOUDER_DB = 10.0  # chosen: more than that by a harder mallet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OddPartials:
    """Where a stem's notes have partials beside whole multiples; arrays are (k,)."""

    ratio: Array  # to the first partial
    level_db: Array  # against the first, where they are loud: of nine in ten notes it is less


def loudest_alone(peaks: Peaks, range_hz: tuple[float, float]) -> list[Named]:
    """Name the loudest peak that begins with a stretch, where no series of partials does.

    Or the one of which it is the second or third partial: a harp is plucked in the middle, and its
    quiet notes have little else.
    """
    began = (peaks.rise_db > RISE_DB) & (peaks.f_hz > 0.97 * range_hz[0])
    began &= peaks.f_hz < 1.03 * range_hz[1]
    if not began.any():
        return []
    best = int(np.argmax(np.where(began, peaks.level_db, -np.inf)))
    if peaks.level_db[best] < peaks.level_db.max() - BARE_DB or peaks.above_db[best] < CLEAN_DB:
        return []
    loud = began & (peaks.level_db >= peaks.level_db[best] - BARE_DB)
    for number in (3, 2):
        off = np.abs(CENTS_PER_NEPER * np.log(number * peaks.f_hz / peaks.f_hz[best]))
        under = np.flatnonzero(loud & (off < SAME_SOUND_CENTS))
        if len(under):
            return [(float(peaks.f_hz[under[0]]), 0.0, ALONE)]
    return [(float(peaks.f_hz[best]), 0.0, ALONE)]


def is_alone(found: list[Named]) -> bool:
    """Say whether what begins with a stretch is a note that `loudest_alone` named."""
    return len(found) == 1 and found[0][1:] == (0.0, ALONE)


def odd_above(peaks: Peaks, f1_hz: float) -> Array:
    """List what begins with a note above it: ratios and levels against it, dB; (k, 2)."""
    at = int(np.abs(peaks.f_hz - f1_hz).argmin())
    ratio, level_db = peaks.f_hz / f1_hz, peaks.level_db - peaks.level_db[at]
    kept = (peaks.rise_db > RISE_DB) & (level_db > -LEAST_DB)
    kept &= (ratio > LEAST_RATIO) & (ratio < MOST_RATIO)
    return np.stack([ratio[kept], level_db[kept]], axis=1)


def learn_odd(f1_hz: list[float], above: list[Array], notes: int) -> OddPartials | None:
    """Find the ratios at which most notes of a stem have a partial, most usual first.

    None where hardly a note was named alone: what sounds are no bars.
    f1_hz: of each of those; above: of each, as `odd_above` gives it; notes: with all others
    """
    if len(f1_hz) < max(ALONE_SHARE * notes, FEWEST_ALONE):
        return None
    every = np.concatenate(above)
    owner = np.repeat(np.arange(len(above)), [len(each) for each in above])
    cents = CENTS_PER_NEPER * np.log(every[:, 0])
    ratios, levels = [], []
    free = np.ones(len(every), dtype=bool)
    while free.any():
        near = free[None, :] & (np.abs(cents[:, None] - cents[None, :]) < SAME_CENTS)
        have = np.array([len(np.unique(owner[row])) for row in near])
        best = int(np.argmax(have))
        can = np.sum(np.array(f1_hz) * every[best, 0] < HIGHEST_HZ)
        if have[best] < max(MOST_NOTES * can, 2):
            break
        ratios.append(float(np.exp(np.median(cents[near[best]]) / CENTS_PER_NEPER)))
        levels.append(float(np.percentile(every[near[best], 1], 90)))
        free &= ~near[best]
    return OddPartials(ratio=np.array(ratios), level_db=np.array(levels))


def is_odd(odd: OddPartials, f_hz: float, level_db: float, low_hz: float, low_db: float) -> bool:
    """Say whether a peak is only an odd partial of a note below it."""
    off = np.abs(CENTS_PER_NEPER * np.log(f_hz / low_hz / odd.ratio)) < SAME_CENTS
    return bool((off & (level_db < low_db + odd.level_db + LOUDER_DB)).any())
