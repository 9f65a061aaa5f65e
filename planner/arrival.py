"""When has the pitch of a note come to its sustain?

It has arrived where it comes near its sustain and stays for a moment. What it does later is no part
of its arrival: a voice wavers by several cents all along its notes, and so does the end of a note.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.spread import spread_of
from planner.vibrato import Vibrato

_NEAR_CENTS = 5.0  # common practice, no source: nearer, a tuner's needle looks still
_WAVERING_SDS = 2.0  # chosen: nearer than a note wavers anyway, its pitch cannot be told to be
_STAYS_S = 0.1  # chosen: about the shortest note that is judged; what is quicker passes through
_LEAST_LATE_FRAMES = 4  # chosen: with fewer there is no scatter to speak of


def arrival_s(
    t_s: Floats, cents: Floats, sustain_s: tuple[float, float], vibrato: Vibrato | None
) -> float | None:
    """Say how long after its start a note is in its sustain.

    Parameters
    ----------
    t_s : (k,) evenly spaced seconds from the note's start
    cents : (k,) its pitch over its sustain
    sustain_s : from when to when the sustain is judged
    vibrato : Vibrato or None
        It is taken out where it is there already: many begin later than the note.

    Returns
    -------
    float or None
        Seconds; None where the pitch never stays near its sustain.
    """
    first_s, last_s = sustain_s
    swung = cents if vibrato is None else cents - vibrato.at(t_s)
    late = (t_s >= (first_s + last_s) / 2) & (t_s <= last_s)
    near_cents = _NEAR_CENTS
    if late.sum() >= _LEAST_LATE_FRAMES:
        # Around a line: a note that goes on rising is under way, and does not waver.
        away_s, off = t_s[late] - t_s[late].mean(), swung[late] - swung[late].mean()
        off -= away_s * float(away_s @ off / (away_s @ away_s))
        near_cents = max(near_cents, _WAVERING_SDS * spread_of(off, 0.0))
    stays = max(round(_STAYS_S / float(t_s[1] - t_s[0])), 1)
    arrived = (t_s <= last_s) & (
        _stays(cents, stays, near_cents) | _stays(swung, stays, near_cents)
    )
    return float(t_s[arrived.argmax()]) if arrived.any() else None


def _stays(cents: Floats, frames: int, near_cents: float) -> NDArray[np.bool_]:
    """Where a line is near, and stays so for some frames, or to its end.

    In the mean: a note may waver out of it at once and be in it all the same.
    """
    total = np.concatenate([[0.0], np.cumsum(cents)])
    last = np.minimum(np.arange(len(cents)) + frames, len(cents))
    mean = (total[last] - total[:-1]) / (last - np.arange(len(cents)))
    near: NDArray[np.bool_] = np.maximum(np.abs(cents), np.abs(mean)) <= near_cents
    return near
