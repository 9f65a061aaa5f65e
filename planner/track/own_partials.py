"""A pitch read an octave or twelfth low has no partials of its own.

What a tone is modulated by, a hummed growl or flutter, and breath that the tube colours fit a
multiple of the period better than the period itself, though they do not repeat after either. Of a
tone that truly is low, what its second or third part leaves over stands in lines at whole multiples
of the low pitch; of the others it lies anywhere between. Along a vibrato both are told in cycles of
the pitch, not in Hz. And one line alone is another sound's, a partial that leaks in or rings on: a
low tone has several. Not asked of basses, whose thumps lie under the band that they are tracked in
(`planner.track.string_band`).
"""

import math
from itertools import pairwise

import numpy as np

from planner.model import Floats
from planner.track.common_periods import FITS, best_fit
from planner.track.octave_starts import MOST_TIMES, level_stretches
from planner.words.spread import middle_of

# In bins of 1/cycles, a Hann window's line has a quarter of its power 1 bin to either side, and
# beyond 3 its skirt is 41 dB down (F. Harris, Proc. IEEE 66, 1978); noise is as dense beside.
_A_LINE = 4.0  # power over that one bin beside it
_SIDE_BINS = (-3.0, -1.0, 0.0, 1.0, 3.0)  # about each partial
_LEAST_CYCLES = 4  # with fewer, what is beside a line lies in the skirt of its strong neighbour
_MOST_CYCLES = 30  # of a piece: the track's few cents then move the fifth partial by half a bin
_MOST_MOVES = 2.0 ** (0.5 / 12.0)  # chosen: a step from note to note is smeared by the track
_MISSING = 0.01  # chosen: reeds and strings whose odd partials are faint have them 10 to 15 dB down
_SILENCE = 1e-30
_MOST_PARTIALS = 9  # chosen: beyond, a wavering of the pitch smears what is a line


def without_low_readings(
    f0_hz: Floats, candidates_hz: Floats, strength: Floats, samples: Floats, sr: int, hop_s: float
) -> Floats:
    """Give what is read at a fraction of its pitch, and shows none of its partials, to its pitch.

    f0_hz : (n,) the track, NaN where unpitched, every ``hop_s``
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1
    samples : mono, at ``sr``

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    for first, last in level_stretches(f0_hz):
        rows = slice(first, last)
        for times in range(2, MOST_TIMES + 1):
            fits, high_hz = best_fit(candidates_hz[rows], strength[rows], times * f0_hz[rows])
            if middle_of(fits) < FITS:  # far more is left over than what is asked about
                continue
            if _shows_none(samples, sr, f0_hz[rows], first, hop_s, times):
                out[rows] = np.where(fits > 0.0, high_hz, times * f0_hz[rows])
                break
    return out


def _shows_none(
    samples: Floats, sr: int, f0_hz: Floats, first: int, hop_s: float, times: int
) -> bool:
    """Has a pitch no lines where its multiple has none, or a single one?

    False where the stretch holds too few cycles to tell, or its pitch moves.
    """
    at_s = (first + np.arange(len(f0_hz))) * hop_s
    begins, ends = round(at_s[0] * sr), min(round(at_s[-1] * sr), len(samples))
    pieces = math.ceil((ends - begins) / sr * float(f0_hz.mean()) / _MOST_CYCLES)
    edges = np.linspace(begins, ends, pieces + 1).astype(int)
    power = np.zeros((_MOST_PARTIALS + 1, len(_SIDE_BINS)))
    for start, stop in pairwise(edges):
        hz = np.interp(np.arange(start, stop) / sr, at_s, f0_hz)
        turn = 2j * np.pi * np.cumsum(hz) / sr
        cycles = float(hz.sum()) / sr
        if cycles < _LEAST_CYCLES or hz.max() > _MOST_MOVES * hz.min():
            continue
        sides = np.exp(-np.array(_SIDE_BINS)[:, None] / cycles * turn)
        spun, spin = sides * (samples[start:stop] * np.hanning(stop - start)), np.exp(-turn)
        for partial in range(1, min(_MOST_PARTIALS, int(0.45 * sr / hz.max())) + 1):
            spun *= spin
            power[partial] += np.abs(spun.sum(axis=1)) ** 2
    of_high = np.arange(_MOST_PARTIALS + 1) % times == 0
    # Half-way, in dB, between noise and a line of this sound.
    stands = math.sqrt(_line_of(power[of_high][2:]))
    _, below, centre, above, _ = power[~of_high].sum(axis=0)
    return centre < stands * (below + above) / 2 or _one_alone(power[:, 1:4].sum(axis=1), times)


def _line_of(power: Floats) -> float:
    """How far a line of a sound stands over one bin beside it, 4 times where it is none of its own.

    Each partial of what is bowed or blown wavers a little by itself, but for the one that the track
    follows: then even those that are surely its own are wider than a line.

    power : (k, 5) about partials of the high pitch above its first
    """
    far_below, below, centre, above, far_above = power.T
    heard = centre > _A_LINE * (far_below + far_above) / 2
    if not heard.any():
        return _A_LINE
    beside = float((below + above)[heard].sum()) / 2
    return float(np.clip(float(centre[heard].sum()) / max(beside, _SILENCE), 1.0, _A_LINE))


def _one_alone(power: Floats, times: int) -> bool:
    """Is there, of all lines that only the low pitch has, just one: that of another sound?

    power : (partials + 1,) of the low pitch's partials, the first of them at 1
    """
    own = np.flatnonzero(np.arange((len(power) - 1) // times * times) % times)
    lower, upper = own - own % times, own - own % times + times
    around = np.where(lower > 0, np.minimum(power[lower], power[upper]), power[upper])
    shown = np.sort(power[own] / np.maximum(around, _SILENCE))[::-1]
    return bool(shown[1] < _MISSING * min(shown[0], 1.0))
