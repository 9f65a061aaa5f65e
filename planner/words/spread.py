"""Where does the middle of many readings lie, and how far do they scatter, wrong ones aside?

The median, and the standard deviation that the median distance from it stands for: one reading in
ten may be another note without moving either much (F. R. Hampel, "The influence curve and its role
in robust estimation", J. American Statistical Association 69, 1974).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from planner.model import Floats

MAD_TO_SD = 1.4826  # of a normal distribution: 1 over its third quartile
_LENGTHS_KEPT = 64
_SORTED = 500  # fewer are sorted as quickly as they are parted
MEDIAN_TO_MEAN = 1.2533  # standard error of a median against a mean's: sqrt(pi / 2)


@lru_cache(maxsize=_LENGTHS_KEPT)
def evenly(count: int) -> Floats:
    """So many places from -1 to 1; kept, since notes of a stem share their lengths."""
    places = np.linspace(-1.0, 1.0, count)
    places.setflags(write=False)
    return places


@lru_cache(maxsize=_LENGTHS_KEPT)
def hann(count: int) -> Floats:
    """A Hann window over so many samples, none of them 0; kept as those of `evenly` are."""
    taper = np.hanning(count + 2)[1:-1]
    taper.setflags(write=False)
    return taper


def middle_of(values: Floats) -> Floats:
    """Median along the last axis; np.median says the same and takes ten times as long on a few."""
    count = values.shape[-1]
    low, high = (count - 1) // 2, count // 2
    if count < _SORTED:
        ordered = values.copy()
        ordered.sort(axis=-1)  # `np.sort` takes a third more on a few
    else:
        ordered = np.partition(values, (low, high), axis=-1)
    median: Floats = (ordered[..., low] + ordered[..., high]) / 2.0
    return median


def middle_of_known(values: Floats) -> float:
    """Median of those that are numbers, NaN where none is."""
    known = values[~np.isnan(values)]
    return float(middle_of(known)) if len(known) else np.nan


def reached_by(values: Floats, share: float) -> float:
    """Value that a share of others do not pass, as np.percentile has it, in a tenth of the time."""
    ordered = np.sort(values)
    at = share * (len(ordered) - 1)
    low, high = ordered[int(at)], ordered[min(int(at) + 1, len(ordered) - 1)]
    return float(low + (at - int(at)) * (high - low))


def spread_of(values: ArrayLike, middle: float | None = None) -> float:
    """Standard deviation of normal scatter with the same median distance from the middle.

    values : (n,) at least one
    middle : what distances are taken from, in the same unit; their median where None, 0 for what
        are distances already
    """
    array = np.asarray(values, dtype=float)
    away = np.abs(array - (middle_of(array) if middle is None else middle))
    return MAD_TO_SD * float(middle_of(away))


def doubt_of_middle(spread: float, count: float) -> float:
    """Standard error of the median of so many readings that scatter normally."""
    return float(MEDIAN_TO_MEAN * spread / count**0.5)


def away_from_others(values: Floats) -> Floats:
    """How far each of two readings or more lies from the mean of the others."""
    n = len(values)
    return np.asarray((values - values.mean()) * n / (n - 1))


def weighted_middle(values: Floats, weights: Floats) -> float:
    """The weighted median: half of the weight lies on either side of it; of two, their mean."""
    order = np.argsort(values, kind="stable")
    ordered, reached = values[order], np.cumsum(weights[order])
    half = reached[-1] / 2.0
    k = int(np.searchsorted(reached, half * (1 - 1e-12)))
    halves = abs(reached[k] - half) <= 1e-9 * half and k + 1 < len(values)
    return float(ordered[k] + ordered[k + 1]) / 2.0 if halves else float(ordered[k])
