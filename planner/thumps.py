"""A thump under a plucked note is no note an octave below.

A thumb, a slap or a hand on the strings moves what the pickup hears at tens of hertz. Where that
lies near half a note's pitch, the whole seems to repeat after two periods. A note an octave below
would show its third, fifth and seventh partial as well; a thump is one line, softer than the note.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import rfft  # type: ignore[import-untyped,unused-ignore]

from planner.model import Floats, Stem
from planner.octave_starts import level_stretches
from planner.tracker import HOP_S

_TOP_HZ = 75.0  # chosen: half the pitch of D3; thumps lie lower
_AROUND_S = 0.040  # half the track's long window: what its frames saw of the sound
_MOST_S = 0.200  # chosen
_LEAST_PERIODS = 5.0  # a Hann window's lobe then reaches 0.4 of the way to the next partial
_ODD, _EVEN = (3, 5, 7, 9), (2, 4, 6, 8)
_NEAR = 0.2  # of the low pitch: chosen, half a lobe
# -20 dB, chosen: of basses whose odd partials are weak by nature those above the first reach -15.
_ODD_SHARE = 0.01


def without_thumps(stem: Stem, f0_hz: Floats) -> Floats:
    """Give stretches read an octave low, with no partials of their own there, an octave up.

    Parameters
    ----------
    stem : a stem of a struck role
    f0_hz : (n,) its coarse pitch, NaN where unpitched

    Returns
    -------
    (n,) the track, changed in some frames
    """
    out = f0_hz.copy()
    for first, last in level_stretches(f0_hz):
        low_hz = float(np.median(f0_hz[first:last]))
        if low_hz < _TOP_HZ and _only_even(stem, first * HOP_S, last * HOP_S, low_hz):
            out[first:last] *= 2.0
    return out


def _only_even(stem: Stem, first_s: float, last_s: float, low_hz: float) -> bool:
    """Are the odd partials of a pitch, but for the first, lost beside the even ones?"""
    sr = stem.analysis_sr
    first = max(0, round((first_s - _AROUND_S) * sr))
    piece = stem.samples[first : min(first + round(_MOST_S * sr), round((last_s + _AROUND_S) * sr))]
    if len(piece) < _LEAST_PERIODS / low_hz * sr:
        return False
    size = 8 * len(piece)
    power = np.abs(rfft(piece * np.hanning(len(piece) + 2)[1:-1], size)) ** 2

    def of(partials: tuple[int, ...]) -> float:
        reach = low_hz / sr * size
        return sum(
            float(power[round((k - _NEAR) * reach) : round((k + _NEAR) * reach) + 1].max())
            for k in partials
        )

    # A bass that is all first partial, from under a soft thumb, has no others either.
    return of((1,)) < of(_EVEN) and of(_ODD) < _ODD_SHARE * of(_EVEN)
