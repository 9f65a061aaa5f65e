"""A leap of an octave or a twelfth up is a note of its own, however short.

The period of the note before repeats in the new one as well: a note an octave up fits both alike.
The search for a path through all frames then stays where it was when the new note is shorter than
the way there and back is worth. What gives the leap away is that the high period suddenly fits: a
note of the low pitch has odd partials, which do not.
"""

from __future__ import annotations

import numpy as np

from planner.model import Floats
from planner.track.common_periods import DOES_NOT_FIT, FITS, JUST_BEFORE_FRAMES, STROKE, best_fit
from planner.track.frame_blocks import stretches
from planner.track.octave_starts import LEAST_FRAMES, MOST_TIMES, level_stretches

_ALIKE = 0.01  # chosen, as in `planner.track.octave_starts`: odd partials 23 dB down
_RISES_DB = 1.0  # chosen: less is the unevenness of a decay
_STROKE_REACH = 16  # frames: the track's long window, in which a stroke's noise hides both


def with_octave_leaps(
    f0_hz: Floats,
    candidates_hz: Floats,
    strength: Floats,
    attack: Floats,
    level_db: Floats,
    *,
    driven: bool,
) -> Floats:
    """Give notes that the track reads at the pitch an octave or twelfth below to their own.

    f0_hz : (n,) the track, NaN where unpitched
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1
    attack : (n,) how much begins in the spectrum in each frame, nepers
    level_db : (n,)
    driven : bowed, blown or sung: a slur may lead there, but what only fades is the end of a note

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    level = level_stretches(f0_hz)
    for times in range(2, MOST_TIMES + 1):
        fits, offered_hz = best_fit(candidates_hz, strength, times * np.nan_to_num(f0_hz))
        for first, last in level:
            for begin, end in stretches(fits[first:last] > FITS):
                begin, end = first + begin, first + end
                if end - begin < LEAST_FRAMES or not _sudden(fits, first, last, begin, end):
                    continue
                near = attack[max(0, begin - _STROKE_REACH) : begin + LEAST_FRAMES]
                rises = level_db[begin:end].max() - level_db[begin] > _RISES_DB
                begins = rises if driven else near.max() > STROKE
                if begins and _alike(f0_hz, fits, candidates_hz, strength, begin, end):
                    out[begin:end] = offered_hz[begin:end]
    return out


def _sudden(fits: Floats, first: int, last: int, begin: int, end: int) -> bool:
    """Does a high period come to fit at once within a level stretch, and for good or till at once?

    An octave that speaks first and gives way to its own low note is no note.
    """
    ends_there = last - end <= JUST_BEFORE_FRAMES
    if begin - first <= LEAST_FRAMES:
        return ends_there
    before = fits[max(first, begin - JUST_BEFORE_FRAMES) : begin]
    after = fits[end : min(last, end + JUST_BEFORE_FRAMES)]
    return bool(before.min() < DOES_NOT_FIT and (ends_there or after.min() < DOES_NOT_FIT))


def _alike(
    f0_hz: Floats, fits: Floats, candidates_hz: Floats, strength: Floats, begin: int, end: int
) -> bool:
    """Does the high period come to fit as well as the low one does?"""
    half = slice((begin + end) // 2, end)
    own, _ = best_fit(candidates_hz[half], strength[half], f0_hz[half])
    return bool(np.median(own - fits[half]) < _ALIKE)
