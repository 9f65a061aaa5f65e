"""Of a string that rings out, or a bow let go, the octave may sound last: it is the same note.

Odd partials can die before even ones, by where the string was struck and where the pickup listens.
The pitch is then read an octave, or a twelfth, higher from one frame to the next, with nothing
struck and nothing louder. A finger that falls on a fret is louder, or leads elsewhere.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.octave_starts import level_stretches
from planner.words.spread import middle_of

_MULTIPLES = (2, 3, 4)
_NEAR_SEMITONES = 0.2  # of the multiple: partials of a stiff string lie less than this apart
_LOUDER_DB = 1.0  # chosen: less is the unevenness of a decay
_GAP_FRAMES = 10  # 50 ms: the search for a pitch may lose it while it changes its mind
_BEFORE_FRAMES = 20  # 0.1 s that say how loud it was
# What is bowed or blown must be let go as well: who goes on falls by less, or slower. Chosen.
_RELEASED_DB, _RELEASE_FRAMES = 10.0, 40
_FIRST_HALF = 0.25  # chosen: of an even fall half lies there, of a held note that stops nothing
_HELD_FRAMES = 40  # chosen: 0.2 s of the note itself, whose last partials these are


def with_last_partials(
    f0_hz: Floats, struck: NDArray[np.intp], level_db: Floats, *, driven: bool = False
) -> Floats:
    """Give stretches that are only the last partials of the note before that note's pitch.

    f0_hz : (n,) coarse pitch, NaN where unpitched
    struck : frames at which something is struck
    level_db : (n,) level, of what is not pitched as well
    driven : bowed, blown or sung: only a release can sound in its last partials

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    before: tuple[int, int, float] | None = None
    for first, last in level_stretches(f0_hz):
        high_hz = float(middle_of(f0_hz[first:last]))
        low_hz = before[2] if before is not None else high_hz
        times = round(high_hz / low_hz)
        near = abs(12 * np.log2(high_hz / low_hz / times)) < _NEAR_SEMITONES if times else False
        if before is None or times not in _MULTIPLES or not near:
            before = (first, last, high_hz)
            continue
        start, end, _ = before
        again = struck[(struck > end - _BEFORE_FRAMES) & (struck < last)]
        stop = min(int(again[0]), last) if len(again) else last
        heard_to = stop - _GAP_FRAMES if len(again) else stop  # the level hears a stroke coming
        held = first - end <= _GAP_FRAMES and end - start >= _HELD_FRAMES and heard_to > first
        rings = held and _only_fades(level_db, end, first, heard_to)
        if rings and driven:
            loud_db = level_db[end - _BEFORE_FRAMES : end].max()
            released = loud_db - level_db[heard_to - 1] > _RELEASED_DB
            rings = released and last - first < _RELEASE_FRAMES
            rings = rings and _fades_throughout(level_db[first:heard_to])
        if rings:
            out[first:stop] /= times
        before = (start, last, low_hz) if rings and stop == last else (first, last, high_hz)
    return out


def _only_fades(level_db: Floats, end: int, first: int, heard_to: int) -> bool:
    """Is nothing louder from the end of a note on than it was, nor rising?"""
    before_db = level_db[end - _BEFORE_FRAMES : end].max()
    steps_db = np.diff(level_db[end - 1 : heard_to : _GAP_FRAMES])
    return bool(
        level_db[first:heard_to].max() < before_db and steps_db.max(initial=0.0) < _LOUDER_DB
    )


def _fades_throughout(level_db: Floats) -> bool:
    """Does a sound fade from its start on, or is it held, as a slur is, and only then stops?"""
    fall_db = level_db[0] - level_db[-1]
    return bool(level_db[0] - level_db[len(level_db) // 2] > _FIRST_HALF * fall_db)
