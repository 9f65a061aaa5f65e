"""When is a string struck that already sounds, or over which others are heard?

Its level need not rise, but a pick, a finger or a hammer adds high partials at once, which what
rings has lost. The stroke is where the upper half of the sound rises most against what it was in
the last period, and within a millisecond or two of there.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from planner.model import Stem
from planner.track.frame_blocks import highest_near

_NEAR_S = 0.015  # chosen: three frames of the track, which says where to look
_WITHIN_MS = 4  # a stroke's rise
_LEAST_RISE = 3.0  # in power; chosen: less is how what rings beats


def stroke_s(stem: Stem, about_s: float, pitch_hz: float) -> float | None:
    """Find when a string is struck near a moment, s; None where nothing rises at once.

    about_s : where the track shows an attack
    pitch_hz : of what is struck
    """
    grain = stem.analysis_sr // 1000
    period_ms = int(np.ceil(1000.0 / pitch_hz))
    back_ms = round(_NEAR_S * 1000) + period_ms
    first = round(about_s * 1000) - back_ms
    last = round((about_s + _NEAR_S) * 1000) + _WITHIN_MS
    if first < 1 or last * grain > len(stem.samples):
        return None
    # Differences raise the upper partials by 6 dB an octave, twice by 12.
    bright = np.diff(stem.samples[first * grain - 2 : last * grain], 2)
    power = np.square(bright).reshape(-1, grain).max(axis=1) + 1e-12
    before = highest_near(power, period_ms - 1, 0)[period_ms - 1 : -_WITHIN_MS]
    after = sliding_window_view(power, _WITHIN_MS).max(axis=1)[period_ms:]
    rise = after / before
    at = int(np.argmax(rise))
    if rise[at] < _LEAST_RISE:
        return None
    half_way = np.sqrt(before[at] * after[at])
    rising = power[at + period_ms : at + period_ms + _WITHIN_MS]
    return (first + at + period_ms + int(np.argmax(rising > half_way))) / 1000.0
