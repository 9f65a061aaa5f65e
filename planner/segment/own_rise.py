"""When do a note's own partials begin under one that has not yet gone; when is a string struck?

Where one note fades while the next comes in (a release, a room, a string that rings on), the track
reads the old one until the new one is louder: the new note would begin late by as long as that
takes. Its partials that are none of the old note's say when it really began.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from planner.model import Floats, Stem
from planner.track.frame_blocks import highest_near
from planner.words.spread import hann

# A Hann window's main lobe reaches 2 / length either side: 50 Hz, and a third of a low pitch.
_WINDOW_S = 0.040
_WINDOW_PERIODS = 6.0
_MOST_WINDOW_S = 0.100  # chosen: longer blurs a start by more than the 50 ms it must be known to
_HALF_LOBE = 2.0
_PARTIALS = 12  # chosen
_TOP_HZ = 4000.0  # chosen: as in `planner.segment.struck_pitch`
_GRAIN_S = 0.0025
_BACK, _AHEAD = round(0.120 / _GRAIN_S), round(0.060 / _GRAIN_S)  # grains; chosen
# Under its level once it is read. Of a step seen through a Hann window the amplitude is a quarter
# (-12 dB) where the window's centre lies 0.135 of its length before the step.
_RISEN = 0.25
_RISEN_EARLY = 0.135


def own_rise_s(stem: Stem, about_s: float, f_hz: float, before_hz: float) -> float:
    """Find when a note that is read from ``about_s`` on began to rise under the note before.

    about_s : where the track comes to read the note
    f_hz, before_hz : pitch of the note, and of the one before it

    Returns seconds, never after ``about_s``; ``about_s`` itself where no partial is free of the
    note before, or where they stood as high all along.
    """
    found = _own_power(stem, about_s, f_hz, before_hz)
    if found is None:
        return about_s
    power, whole, window_s = found
    leaks_in = power[: _BACK + 1].min()  # the note before, all along
    if leaks_in >= _RISEN**2 * power[_BACK:].max():
        return about_s
    power -= leaks_in
    # Where all that sounds is so low, so is the note: what lies between two may hiss.
    under = np.flatnonzero(
        (power[: _BACK + 1] < _RISEN**2 * power[_BACK:].max())
        | (whole[: _BACK + 1] < _RISEN**2 * whole[_BACK:].max())
    )
    if len(under) == 0:
        return about_s
    early_s = (_BACK - int(under[-1])) * _GRAIN_S - _RISEN_EARLY * window_s
    return about_s - max(early_s, 0.0)


def rises(stem: Stem, about_s: float, f_hz: float, before_hz: float) -> bool:
    """Say whether a note's own partials come up when it comes to be read: it did not ring before.

    about_s, f_hz, before_hz : as in `own_rise_s`

    Returns False where no partial is free of the note before.
    """
    found = _own_power(stem, about_s, f_hz, before_hz)
    if found is None:
        return False
    power = found[0]
    return bool(power[: _BACK + 1].min() < _RISEN**2 * power[_BACK:].max())


def _own_power(
    stem: Stem, about_s: float, f_hz: float, before_hz: float
) -> tuple[Floats, Floats, float] | None:
    """Power of the partials that are none of the note before, and of all, grain by grain.

    Returned with the length of the window, s; None where no partial is free, or no sound there.
    """
    sr = stem.analysis_sr
    window_s = max(_WINDOW_S, _WINDOW_PERIODS / min(f_hz, before_hz))
    if window_s > _MOST_WINDOW_S:
        return None
    partials = f_hz * np.arange(1, _PARTIALS + 1)
    partials = partials[partials < _TOP_HZ]
    order = np.maximum(np.rint(partials / before_hz), 1.0)
    free = partials[np.abs(partials - order * before_hz) > _HALF_LOBE / window_s]
    count, step = round(window_s * sr), round(_GRAIN_S * sr)
    first = round(about_s * sr) - _BACK * step - count // 2
    last = first + (_BACK + _AHEAD) * step + count
    if len(free) == 0 or first < 0 or last > len(stem.samples):
        return None
    frames = np.ascontiguousarray(sliding_window_view(stem.samples[first:last], count)[::step])
    turns = (2 * np.pi / sr * free * np.arange(count)[:, None]).astype(np.float32)
    waves = np.concatenate([np.cos(turns), np.sin(turns)], axis=1)
    taper = hann(count).astype(np.float32)
    waves *= taper[:, None]
    power = ((frames @ waves) ** 2).sum(axis=1, dtype=np.float64)
    return power, frames**2 @ taper, window_s


# ---------------------------------------------------------------- strokes

# Its level need not rise, but a pick, a finger or a hammer adds high partials at once, which what
# rings has lost. The stroke is where the upper half of the sound rises most against what it was in
# the last period, and within a millisecond or two of there.

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
