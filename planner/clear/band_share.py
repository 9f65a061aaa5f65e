"""How much of all that sounds around a beating the beating itself is.

Two partials that beat swing by ``2ab`` around the power ``a^2 + b^2`` that they have together.
Whatever else sounds in their critical band swells the power and not the swing, so the beating is
heard less by the share that the two have of it: what is plain over two instruments is lost in
sixteen. Bands are those of B. R. Glasberg and B. C. J. Moore, Hearing Research 47 (1990), 103:
equation 3 for how wide they are, equation 4 for how many lie under a frequency.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats

Ints = NDArray[np.int64]

_STEPS = 5  # parts of a band that its power is added up by, an odd number; chosen
_PARTIALS = 12  # chosen: 1/12 of the first is 22 dB under it


def partial_level(number: Floats, upper_db: Floats) -> Floats:
    """How loud a partial is taken to be against the first one, as an amplitude.

    Partial n is taken as 1/n of the first (a sawtooth's spectrum; chosen: bowed, blown and sung
    tones lie near it), and as no more than all partials above the first together, where these were
    measured: a whistle or a bar has none to beat with.
    """
    most = np.where(number > 1.0, 10.0 ** (np.minimum(upper_db, 0.0) / 20.0), 1.0)
    return np.asarray(np.minimum(1.0 / number, most))


def bands_under(hz: Floats) -> Floats:
    """Say how many critical bands lie under a frequency."""
    return np.asarray(21.4 * np.log10(0.00437 * hz + 1.0))


def band_shares(
    spans_s: tuple[Floats, Floats],
    hz: Floats,
    level_db: Floats,
    upper_db: Floats,
    pairs: tuple[Ints, Ints],
    partials: tuple[Floats, Floats],
) -> Floats:
    """Give each pair's share, 0 to 1, of the power in the band of the partials that they share.

    spans_s : (n,) starts and ends of all notes, s
    hz, level_db, upper_db : arrays (n,)
        Where the notes belong, how loud their first partials are, and all above, against these.
    pairs : (m,) indices of the notes that meet; they overlap
    partials : (m,) the partial of each that beats with one of the other
    """
    if not len(pairs[0]):
        return np.zeros(0)
    start_s, end_s = (np.round(one, 6) for one in spans_s)
    edges_s = np.unique(np.concatenate([start_s, end_s]))
    first, end = np.searchsorted(edges_s, start_s), np.searchsorted(edges_s, end_s)
    numbers = np.arange(1.0, _PARTIALS + 1.0)
    level = 10.0 ** (level_db / 20.0)
    power = (level[:, None] * partial_level(numbers, upper_db[:, None])) ** 2
    step = _step_of(hz[:, None] * numbers)
    sums = _summed(edges_s, first, end, power, step)

    a, b = pairs
    of_a, of_b = (
        level[k] * partial_level(number, upper_db[k])
        for k, number in zip(pairs, partials, strict=True)
    )
    own = of_a**2 + of_b**2
    shared_hz = np.sqrt(partials[0] * hz[a] * partials[1] * hz[b])
    low = np.clip(_step_of(shared_hz) - _STEPS // 2, 0, sums.shape[1] - 1)
    high = np.clip(low + _STEPS, 0, sums.shape[1] - 1)
    begin, until = np.maximum(first[a], first[b]), np.minimum(end[a], end[b])
    every = sums[until, high] - sums[begin, high] - sums[until, low] + sums[begin, low]
    mean = every / (edges_s[until] - edges_s[begin])
    # Rounded, so that the order in which powers are added up decides nothing.
    return np.asarray(np.round(own / np.maximum(mean, own), 9))


def _step_of(hz: Floats) -> Ints:
    return np.floor(_STEPS * bands_under(hz)).astype(np.int64)


def _summed(edges_s: Floats, first: Ints, end: Ints, power: Floats, step: Ints) -> Floats:
    """Energy before each moment and under each step, so that any stretch is four of them."""
    grid = np.zeros((len(edges_s), int(step.max()) + 1))
    np.add.at(grid, (first[:, None], step), power)
    np.subtract.at(grid, (end[:, None], step), power)
    grid = np.cumsum(grid, axis=0)[:-1] * np.diff(edges_s)[:, None]
    sums = np.zeros((len(edges_s), grid.shape[1] + 1))
    sums[1:, 1:] = np.cumsum(np.cumsum(grid, axis=0), axis=1)
    return sums
