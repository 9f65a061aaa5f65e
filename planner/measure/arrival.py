"""When has the pitch of a note come to its sustain?

It has arrived where it comes near its sustain and stays for a moment. What it does later is no part
of its arrival: a voice wavers by several cents all along its notes, and so does the end of a note.
"""

import numpy as np
from numpy.typing import NDArray

from planner.measure.vibrato import Vibrato
from planner.model import Floats
from planner.segment.midline import vibrato_midline
from planner.words.spread import middle_of, spread_of

_NEAR_CENTS = 5.0  # common practice, no source: nearer, a tuner's needle looks still
_WAVERING_SDS = 2.0  # chosen: nearer than a note wavers anyway, its pitch cannot be told to be
_STAYS_S = 0.1  # chosen: about the shortest note that is judged; what is quicker passes through
_LEAST_LATE_FRAMES = 4  # chosen: with fewer there is no scatter to speak of
_UNDER_WAY_CENTS = 50.0  # a quarter tone off, it is nearer to no note than to this one


def arrival_s(
    t_s: Floats, cents: Floats, sustain_s: tuple[float, float], vibrato: Vibrato | None
) -> float | None:
    """Say how long after its start a note is in its sustain.

    t_s : (k,) evenly spaced seconds from the note's start
    cents : (k,) its pitch over its sustain
    sustain_s : from when to when the sustain is judged
    vibrato : it is taken out where it is there already: many begin later than the note

    Returns seconds; None where the pitch never stays near its sustain.
    """
    first_s, last_s = sustain_s
    swung = cents if vibrato is None else cents - vibrato.at(t_s)
    late = (t_s >= (first_s + last_s) / 2) & (t_s <= last_s)
    near_cents = _near_cents(swung[late])
    stays = max(round(_STAYS_S / float(t_s[1] - t_s[0])), 1)
    arrived = (t_s <= last_s) & (
        _stays(cents, stays, near_cents) | _stays(swung, stays, near_cents)
    )
    return float(t_s[arrived.argmax()]) if arrived.any() else None


def settled_span(t_s: Floats, cents: Floats, window_s: tuple[float, float]) -> tuple[float, float]:
    """Take off a window's ends a pitch that is still on its way to its note, or has left it.

    Only an end that lies a quarter tone off the other half is moved, and by half of the window at
    most: less is how a note begins and ends.

    t_s : (k,) evenly spaced seconds from the note's start
    cents : (k,) its pitch
    window_s : from when to when it would be judged

    Returns from when to when the pitch stays near its note's; seconds.
    """
    inside = (t_s >= window_s[0]) & (t_s <= window_s[1])
    if inside.sum() < 2 * _LEAST_LATE_FRAMES:
        return window_s
    hop_s = float(t_s[1] - t_s[0])
    line = cents[inside]
    if all(abs(_off(end)[0]) <= _UNDER_WAY_CENTS for end in (line, line[::-1])):
        return window_s
    line = 100.0 * vibrato_midline(cents / 100.0, hop_s)[inside]
    early, late, kept = 0, 0, line
    while len(kept) >= 2 * _LEAST_LATE_FRAMES:
        # Of a string pulled and let go, one end is nearer to where the other goes than to the note.
        more_early, more_late = (_under_way(end, hop_s) for end in (kept, kept[::-1]))
        if not more_early + more_late:
            break
        early, late = early + more_early, late + more_late
        kept = line[early : len(line) - late]
    return window_s[0] + early * hop_s, window_s[1] - late * hop_s


def _near_cents(cents: Floats) -> float:
    """How near to its note a pitch is there: nearer than it wavers cannot be told."""
    if len(cents) < _LEAST_LATE_FRAMES:
        return _NEAR_CENTS
    # Around a line: a note that goes on rising is under way, and does not waver.
    away = np.arange(len(cents)) - (len(cents) - 1) / 2
    off = cents - cents.mean()
    off -= away * float(away @ off / (away @ away))
    return max(_NEAR_CENTS, _WAVERING_SDS * spread_of(off, 0.0))


def _off(line: Floats) -> Floats:
    """How far a line lies off its second half, cents."""
    off: Floats = line - middle_of(line[len(line) // 2 :])
    return off


def _under_way(line: Floats, hop_s: float) -> int:
    """How many frames a line takes to its pitch, none where it begins near enough."""
    half, off = len(line) // 2, _off(line)
    near_cents = _near_cents(off[half:])
    # A line that swings there as well is on no way.
    if abs(off[0]) <= _UNDER_WAY_CENTS or near_cents > _UNDER_WAY_CENTS / 2:
        return 0
    return int(_stays(off, max(round(_STAYS_S / hop_s), 1), near_cents)[:half].argmax())


def _stays(cents: Floats, frames: int, near_cents: float) -> NDArray[np.bool_]:
    """Where a line is near, and stays so for some frames, or to its end.

    In the mean: a note may waver out of it at once and be in it all the same.
    """
    total = np.concatenate([[0.0], np.cumsum(cents)])
    last = np.minimum(np.arange(len(cents)) + frames, len(cents))
    mean = (total[last] - total[:-1]) / (last - np.arange(len(cents)))
    near: NDArray[np.bool_] = np.maximum(np.abs(cents), np.abs(mean)) <= near_cents
    return near
