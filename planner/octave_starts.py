"""A reed that speaks in its even partials first is no octave higher: one note, one pitch.

Some tones, of double reeds above all, begin with their odd partials 15 dB and more under the even
ones, and half the period fits nearly as well as the period. From where the track comes down by a
whole ratio without a gap, frames before that fit the low pitch *better* than the high one are given
to it: in a true higher note both fit alike. Where the low pitch sounded just before, its ring would
do the same, and nothing is changed.
"""

from __future__ import annotations

import numpy as np

from planner.common_periods import best_fit, is_near, whole_jumps
from planner.model import Floats

_MOST_TIMES = 3
_FITS = 0.9  # a tone by itself, without a ring under it
# Half a period away odd partials are their own opposite: it fits by 1 - 2q, where q is their share
# of the energy. 0.01 is odd partials 23 dB down.
_BETTER = 0.01
_SHARE = 0.5  # while the note before rings under its first half, neither period fits
_RING_FRAMES = 80  # 0.4 s: longer after its end a note's ring is under 20 dB down in most rooms


def without_octave_starts(f0_hz: Floats, candidates_hz: Floats, strength: Floats) -> Floats:
    """Give frames read at a whole multiple of the pitch that follows without a gap to that pitch.

    Parameters
    ----------
    f0_hz : (n,) the track, NaN where unpitched
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1

    Returns
    -------
    (n,) the track, changed in some frames
    """
    out = f0_hz.copy()
    with np.errstate(invalid="ignore"):
        times, jumps = whole_jumps(f0_hz[:-1] / f0_hz[1:], _MOST_TIMES)
    for frame in np.flatnonzero(jumps):
        low_hz, high_hz, n = float(f0_hz[frame]), float(f0_hz[frame - 1]), float(times[frame])
        first = int(frame)
        while first > 0 and is_near(f0_hz[first - 1], high_hz):
            first -= 1
        before = f0_hz[max(0, first - _RING_FRAMES) : first]
        if is_near(before[~np.isnan(before)], low_hz).any():
            continue
        rows = slice(first, frame)
        fits, lower_hz = best_fit(candidates_hz[rows], strength[rows], f0_hz[rows] / n)
        higher, _ = best_fit(candidates_hz[rows], strength[rows], f0_hz[rows])
        better = (fits > _FITS) & (fits > higher + _BETTER)
        if better.mean() < _SHARE:
            continue
        out[rows] = np.where(fits > 0.0, lower_hz, f0_hz[rows] / n)
    return out
