"""Where does a note stop, and only the room rings on?

What rings on in a room is pitched like the note, but not the note. A string left to itself decays
steadily; where it is damped the level leaves the line of its decay for good. What is blown, bowed
or sung may take any course, but where it is let go the level falls at once, does not come back, and
then takes the room's time to be gone. All figures here are common practice without a source,
checked on random sessions in rooms.
"""

import numpy as np

from planner.model import Floats
from planner.track.frame_blocks import highest_near
from planner.words.spread import middle_of

_ATTACK_S = 0.05  # before this the level still rises, or falls faster than the decay
_LEAST_BODY_S = 0.06
_SHORT_BODY_S = 0.10
_HALF_POWER_DB = 3.0  # the level of a window that lies half on either side of the stop
_DROP_DB = 8.0  # less is a decay that bends, as when a second string of a pair takes over
_DROP_WITHIN_S = 0.10  # a finger or a foot stops a string in 30 ms; the level's window adds to it
_FITS = 4
# Driven notes. A breath or a bow lets go within 0.1 s, and the level's window adds to it; a room as
# strong as the sound itself hides no more than its last 12 dB. Dry, a release falls on to where it
# is gone in less than the least ring.
_LET_GO_DB, _LET_GO_WITHIN_S = 12.0, 0.12
_COMES_BACK_DB = 3.0
_LEAST_RING_S = 0.04


def stopped_frame(level_db: Floats, hop_s: float) -> int:
    """Find the frame, counted from the note's first, at which a struck note is stopped.

    level_db : (k,) level of each frame of the note, its ring in the room included
    hop_s : seconds between frames

    Returns k where the level never drops out of its decay.
    """
    count = len(level_db)
    first, least, short = (round(s / hop_s) for s in (_ATTACK_S, _LEAST_BODY_S, _SHORT_BODY_S))
    if count <= first + least or np.ptp(level_db[first:]) < _DROP_DB:
        return count  # under no line through it, which never rises, does it lie so far
    # Most of what is given is the note, as a rule; after a short one most of it is the room.
    for last in (max(first + least, (first + count) // 2), first + short):
        stop = _leaves_decay(level_db, first, last, least, round(_DROP_WITHIN_S / hop_s))
        if stop is not None:
            return stop
    return count


def _leaves_decay(level_db: Floats, first: int, last: int, least: int, within: int) -> int | None:
    """The frame after the last on the decay, which is fitted again up to there; None if no drop."""
    at = np.arange(len(level_db), dtype=float)
    stop: int | None = None
    for _ in range(_FITS):
        if last - first < least or last >= len(level_db):
            return None
        level, slope = _decay(at[first:last], level_db[first:last])
        off = level_db - level - slope * at
        on_line = np.flatnonzero(off[first:] >= -_HALF_POWER_DB)
        if len(on_line) == 0:
            return None
        stop = first + int(on_line[-1]) + 1
        if not (off[stop : stop + within] <= -_DROP_DB).any():
            return None
        settled = max(first + least, stop - 3)
        if settled == last:
            break
        last = settled
    return stop


def _decay(at: Floats, level_db: Floats) -> tuple[float, float]:
    """Level at 0 and slope of a line through a decay, never rising, not bent by one wild frame."""
    weight = np.ones(len(at))
    half = len(at) // 2
    for _ in range(3):
        total = float(weight.sum())
        middle, level = float(weight @ at) / total, float(weight @ level_db) / total
        lever = weight * (at - middle)
        slope = float(lever @ level_db) / max(float(lever @ at), 1e-12)
        rest = np.abs(level_db - level - slope * (at - middle))
        most = 1.5 * float(np.partition(rest, half)[half]) + 0.1
        if total == len(at) and rest.max() <= most:
            break  # none is wild: another round would say the same
        weight = 1.0 / np.maximum(1.0, rest / most)
    if slope > 0:
        return float(middle_of(level_db)), 0.0
    return level - slope * middle, slope


def rings_from_frame(level_db: Floats, hop_s: float) -> int:
    """Find the frame, counted from the note's first, from which a driven note only rings on.

    level_db : (k,) level of each frame of the note, up to where it is gone or another begins
    hop_s : seconds between frames

    Returns k where the level never falls at once for good, or is gone at once when it does.
    """
    count, within = len(level_db), round(_LET_GO_WITHIN_S / hop_s)
    if count <= within:
        return count
    before = highest_near(level_db, within - 1, 0)[within - 1 : -1]
    here = level_db[within:]
    highest_after = np.maximum.accumulate(level_db[::-1])[::-1][within:]
    let_go = np.flatnonzero(
        (before - here >= _LET_GO_DB) & (highest_after <= here + _COMES_BACK_DB)
    )
    if len(let_go) == 0:
        return count
    stop = within + int(let_go[0])
    return stop if (count - stop) * hop_s >= _LEAST_RING_S else count
