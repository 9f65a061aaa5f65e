"""A reed that speaks in its even partials first is no octave higher: one note, one pitch.

Some tones, of double reeds above all, begin with their odd partials 15 dB and more under the even
ones, and half the period fits nearly as well as the period. From where the track comes down by a
whole ratio without a gap, frames before that fit the low pitch *better* than the high one are given
to it: in a true higher note both fit alike. Where the low pitch sounded just before, its ring would
do the same, and nothing is changed. Some tones keep their odd partials faint all along: see
`without_octave_notes`.

A blown note may also crack: it speaks an octave or twelfth low, and its own register takes over
slowly: over twice the window of the track, where a new note comes at once.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.common_periods import (
    DOES_NOT_FIT,
    FITS,
    JUST_BEFORE_FRAMES,
    STROKE,
    best_fit,
    is_near,
    whole_jumps,
)
from planner.track.frame_blocks import stretches
from planner.words.spread import middle_of

MOST_TIMES = 3
_FITS = 0.9  # a tone by itself, without a ring under it
# Half a period away odd partials are their own opposite: it fits by 1 - 2q, where q is their share
# of the energy. 0.01 is odd partials 23 dB down.
_BETTER = 0.01
_SHARE = 0.5  # while the note before rings under its first half, neither period fits
_RING_FRAMES = 80  # 0.4 s: longer after its end a note's ring is under 20 dB down in most rooms

_LEAVES = 0.5  # chosen: noise leaves as much at the long period as at the short one
LEAST_FRAMES = 8  # 40 ms, just more than the window of 32 ms: one independent look
_MOST_SHARED = 4  # chosen: whole ratios beyond lie so close that any two pitches share one
_OVER_AGAINST = 4.0  # chosen
_CRACK_FRAMES = 30  # 0.15 s: chosen; a register takes over within that, or it is a note
_NEARLY = 0.02  # chosen: what the low pitch alone has is then 20 dB down
_LEFT_OF_STROKE = 0.5  # chosen: of what began the start, so much may still go on
_SLOWLY_FRAMES = 7  # the window of 32 ms: within one, any change of pitch is slow
_JUMP_SEMITONES = 0.5  # in a frame of 5 ms: twice a wide vibrato's quickest


def without_octave_starts(f0_hz: Floats, candidates_hz: Floats, strength: Floats) -> Floats:
    """Give frames read at a whole multiple of the pitch that follows without a gap to that pitch.

    f0_hz : (n,) the track, NaN where unpitched
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    with np.errstate(invalid="ignore"):
        times, jumps = whole_jumps(f0_hz[:-1] / f0_hz[1:], MOST_TIMES)
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


def without_octave_notes(f0_hz: Floats, candidates_hz: Floats, strength: Floats) -> Floats:
    """Give whole notes read at a multiple of their pitch, by tones with faint odd partials, to it.

    A true higher note repeats after its own period as well as after twice that. Where the long
    period leaves less than half of the misfit of the short one, something sounds that only the low
    pitch has. For driven tones alone: a string may ring on under a whole note.

    f0_hz : (n,) the track, NaN where unpitched
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1

    Returns (n,) the track, changed in some frames.
    """
    out, known_hz = f0_hz.copy(), np.nan_to_num(f0_hz)
    own, _ = best_fit(candidates_hz, strength, known_hz)
    lower = {
        times: best_fit(candidates_hz, strength, known_hz / times)
        for times in range(2, MOST_TIMES + 1)
    }
    for first, last in level_stretches(f0_hz):
        rows = slice(first, last)
        before = f0_hz[max(0, first - _RING_FRAMES) : first]
        before = before[~np.isnan(before)]
        own_fits, middle_hz = own[rows], float(middle_of(f0_hz[rows]))
        for times, (low_fits, low_hz) in lower.items():
            ratio = np.maximum(np.rint(before / (middle_hz / times)), 1.0)
            shared = (ratio <= _MOST_SHARED) & is_near(before, ratio * (middle_hz / times))
            if shared.sum() >= LEAST_FRAMES:
                continue  # the ring of that note repeats after the long period too
            fits = low_fits[rows]
            better = (fits > _FITS) & (1.0 - fits < _LEAVES * (1.0 - own_fits))
            better &= fits > own_fits + _BETTER
            # Where neither fits, a ring still covers both.
            against = (own_fits > _FITS) & (own_fits >= fits)
            if better.sum() >= LEAST_FRAMES and better.sum() > _OVER_AGAINST * against.sum():
                out[rows] = np.where(fits > 0.0, low_hz[rows], f0_hz[rows] / times)
                break
    return out


def without_low_starts(
    f0_hz: Floats, candidates_hz: Floats, strength: Floats, attack: Floats
) -> Floats:
    """Give the cracked start of a blown note, read an octave or twelfth low, to its own pitch.

    f0_hz : (n,) the track, NaN where unpitched
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1
    attack : (n,) how much begins in the spectrum in each frame, nepers

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    for (first, frame), (goes_on, last) in pairwise(level_stretches(f0_hz)):
        if goes_on != frame or frame - first > _CRACK_FRAMES or last - frame <= frame - first:
            continue
        times = round(float(f0_hz[frame] / f0_hz[frame - 1]))
        if not 2 <= times <= MOST_TIMES or not is_near(f0_hz[frame], times * f0_hz[frame - 1]):
            continue
        began = attack[max(0, first - LEAST_FRAMES) : frame - LEAST_FRAMES].max(initial=0.0)
        near = attack[frame - LEAST_FRAMES : frame + LEAST_FRAMES].max()
        if near > max(STROKE, _LEFT_OF_STROKE * began):
            continue
        own_hz = f0_hz[first:last] * np.where(np.arange(first, last) < frame, times, 1.0)
        fits, offered_hz = best_fit(candidates_hz[first:last], strength[first:last], own_hz)
        settled = float(np.median(fits[(frame - first + len(fits)) // 2 :])) - _NEARLY
        until = frame - first + int(np.argmax(fits[frame - first :] >= settled))
        if until - np.flatnonzero(fits[:until] < FITS).max(initial=0) < _SLOWLY_FRAMES:
            continue
        own_hz = np.where(fits > 0.0, offered_hz, own_hz)
        out[first:frame] = own_hz[: frame - first]
    return out


def level_stretches(f0_hz: Floats) -> list[tuple[int, int]]:
    """Stretches of frames, long enough to judge, in which the pitch never jumps."""
    with np.errstate(invalid="ignore"):
        goes_on: NDArray[np.bool_] = (
            np.abs(12.0 * np.log2(f0_hz[1:] / f0_hz[:-1])) < _JUMP_SEMITONES
        )
    return [(a, b + 1) for a, b in stretches(goes_on) if b + 1 - a >= LEAST_FRAMES]


# ---------------------------------------------------------------- leaps

# The period of the note before repeats in the new one as well: a note an octave up fits both alike.
# The search for a path through all frames then stays where it was when the new note is shorter than
# the way there and back is worth. What gives the leap away is that the high period suddenly fits: a
# note of the low pitch has odd partials, which do not.

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
