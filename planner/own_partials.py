"""A pitch read an octave or twelfth low has no partials of its own.

What a tone is modulated by, a hummed growl or flutter, and breath that the tube colours fit a
multiple of the period better than the period itself, though they do not repeat after either. Of a
tone that truly is low, what its second or third part leaves over stands in lines at whole multiples
of the low pitch; of the others it lies anywhere between. Along a vibrato both are told in cycles of
the pitch, not in Hz. For driven tones alone.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from planner.common_periods import FITS, best_fit
from planner.model import Floats
from planner.octave_starts import MOST_TIMES, level_stretches

# In bins of 1/cycles a Hann window's line falls to half its power 0.72 to either side, and beyond 3
# its skirt is 41 dB down (F. Harris, Proc. IEEE 66, 1978).
_LINE_BINS, _SKIRT_BINS = 0.75, 3.0
_STEP_BINS = 0.5
_LEAST_CYCLES = 9  # fewer leave no more room between lines and skirts than these take
_MOST_CYCLES = 30  # of a piece: the track's few cents then move the fifth partial by half a bin
_MOST_PARTIALS = 9  # chosen: beyond, a wavering of the pitch smears what is a line
# Noise is as dense at the lines as between. Lines that make up half of what the multiple leaves
# over (as `without_octave_notes` asks) are seven times as dense with the fewest cycles.
_LINES_STAND = 2.0


def without_low_readings(
    f0_hz: Floats, candidates_hz: Floats, strength: Floats, samples: Floats, sr: int, hop_s: float
) -> Floats:
    """Give what is read at a fraction of its pitch, and shows none of its partials, to its pitch.

    Parameters
    ----------
    f0_hz : (n,) the track, NaN where unpitched, every ``hop_s``
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1
    samples : mono, at ``sr``

    Returns
    -------
    (n,) the track, changed in some frames
    """
    out = f0_hz.copy()
    for first, last in level_stretches(f0_hz):
        rows = slice(first, last)
        for times in range(2, MOST_TIMES + 1):
            fits, high_hz = best_fit(candidates_hz[rows], strength[rows], times * f0_hz[rows])
            if np.median(fits) < FITS:  # far more is left over than what is asked about
                continue
            stands = _lines_stand(samples, sr, f0_hz[rows], first, hop_s, times)
            if stands is not None and stands < _LINES_STAND:
                out[rows] = np.where(fits > 0.0, high_hz, times * f0_hz[rows])
                break
    return out


def _lines_stand(
    samples: Floats, sr: int, f0_hz: Floats, first: int, hop_s: float, times: int
) -> float | None:
    """How much denser is the low pitch's own sound at its partials than between them?

    None where the stretch holds too few cycles to tell.
    """
    at_lines = between = 0.0
    lines_wide = between_wide = 0
    begins, ends = round(first * hop_s * sr), round((first + len(f0_hz) - 1) * hop_s * sr)
    ends = min(ends, len(samples))
    pieces = math.ceil((ends - begins) / sr * float(f0_hz.mean()) / _MOST_CYCLES)
    edges = np.linspace(begins, ends, pieces + 1).astype(int)
    for start, stop in pairwise(edges):
        at_s = np.arange(start, stop) / sr
        hz = np.interp(at_s, (first + np.arange(len(f0_hz))) * hop_s, f0_hz)
        cycle = np.cumsum(hz) / sr
        cycles = float(cycle[-1] - cycle[0]) if len(cycle) else 0.0
        if cycles < _LEAST_CYCLES:
            continue
        partials = min(_MOST_PARTIALS, int(0.45 * sr / hz.max()))
        step = _STEP_BINS / cycles
        partial = np.arange(_SKIRT_BINS / cycles, partials + 0.5, step)
        off = np.abs(partial - np.rint(partial)) * cycles
        off_strong = np.abs(partial - times * np.rint(partial / times)) * cycles
        line = (off <= _LINE_BINS) & (np.rint(partial) % times != 0)
        free = (off_strong > _SKIRT_BINS) & (off > _LINE_BINS)
        # One turn of the slowest, then each by the step further: no exponential for each.
        x = samples[start:stop] * np.hanning(stop - start)
        turn, by = np.exp(-2j * np.pi * partial[0] * cycle) * x, np.exp(-2j * np.pi * step * cycle)
        power = np.empty(len(partial))
        for place in range(len(partial)):
            power[place] = abs(turn.sum()) ** 2
            turn *= by
        at_lines += power[line].sum()
        between += power[free].sum()
        lines_wide += int(line.sum())
        between_wide += int(free.sum())
    if lines_wide == 0 or between_wide == 0:
        return None
    return float(at_lines / lines_wide / max(between / between_wide, 1e-30))
