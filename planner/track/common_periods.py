"""A period that a new note shares with the ring of the one before is the pitch of neither.

While one note still rings, in its string or in the room, under the next, both repeat together
only after a period longer than either's: an octave, a twelfth or more below. The period of the new
note alone fits nearly as well there, and does not fit the old note at all; so from where the track
comes back up by a whole ratio, frames that fit the new note are given to it, back to where it
suddenly began to fit.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.readings import reading_window_s

_MOST_TIMES = 6
_NEAR_BELOW, _NEAR_ABOVE = 2.0 ** (-50.0 / 1200.0), 2.0 ** (50.0 / 1200.0)
# How well a period must fit. An octave up it fits by 1 - 2q, where q is the share of energy in the
# partials that only the low pitch has (half a period away such a partial is its own opposite), so
# 0.7 says that the other note is 8 dB down; of one note alone about half the energy lies there.
FITS = 0.7
DOES_NOT_FIT = 0.5
# The least that begins a note (`planner.segment.attacks`), within the window of the track that
# reads it.
STROKE, _STROKE_FRAMES = 0.045, 6
JUST_BEFORE_FRAMES = 12  # 60 ms of the track, most of its longest window
_AROUND_SEMITONES = 4.0
_LEAST_FRAMES = 100  # half a second
_TELLING_WINDOWS = 2.0  # of those that the pitch is read in: what is shorter lies in one
# Chosen: of the ring of a room of two seconds half is left from the first third of so long a
# stretch to the last.
_FADED, _FADED_S = 0.5, 0.16
_USUAL_SHARE = 1.0 / 3.0


def without_common_periods(
    f0_hz: Floats, candidates_hz: Floats, strength: Floats, attack: Floats | None, hop_s: float
) -> Floats:
    """Give frames read at a period that two notes have in common to the new note.

    f0_hz : (n,) the track, NaN where unpitched, every ``hop_s``
    candidates_hz, strength : (n, k) periods offered in each frame and how well they fit, 0..1
    attack : (n,) how much begins in the spectrum in each frame, nepers; None of a bow, breath or
        voice, where only the room rings on, and does not for long

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    with np.errstate(invalid="ignore"):
        times, jumps = whole_jumps(out[1:] / out[:-1], _MOST_TIMES)
    with np.errstate(invalid="ignore"):
        semitones = 12.0 * np.log2(f0_hz)
    by_pitch = np.argsort(semitones)[: np.count_nonzero(~np.isnan(semitones))]
    fitting = {n: _fitting(f0_hz, n, candidates_hz, strength) for n in np.unique(times[jumps])}
    upto = {
        n: np.append(np.int32(0), np.cumsum(fits[by_pitch], dtype=np.int32))
        for n, fits in fitting.items()
    }
    ordered = semitones[by_pitch]
    for frame in np.flatnonzero(jumps)[::-1]:
        low_hz, high_hz = float(out[frame - 1]), float(out[frame])
        first = int(frame)
        while first > 0 and is_near(out[first - 1], low_hz):
            fits, _ = best_fit(candidates_hz[first - 1], strength[first - 1], high_hz)
            if fits < FITS:
                break
            first -= 1
        rows, n = slice(first, int(frame)), times[frame]
        if first == frame or _usual(ordered, upto[n], semitones[rows], fitting[n][rows]):
            continue
        fits, _ = best_fit(candidates_hz[rows], strength[rows], high_hz)
        if attack is None and not _fades(fits, low_hz, hop_s):
            continue
        near = slice(max(0, first - _STROKE_FRAMES), first + _STROKE_FRAMES + 1)
        struck = attack is None or bool(attack[near].max() > STROKE)
        if _explained(out, candidates_hz, strength, first, low_hz, high_hz, struck=struck):
            for moved in range(first, int(frame)):
                out[moved] = best_fit(candidates_hz[moved], strength[moved], high_hz)[1]
    return out


def whole_jumps(ratio: Floats, most: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Where a track jumps by a whole ratio of 2 to ``most``, and by which.

    ratio : (n - 1,) of each frame's pitch and the next one's, the way the jump goes

    Returns (n,) the nearest whole ratio, and (n,) whether the track jumps by it into that frame.
    """
    into = np.concatenate([[1.0], ratio])
    times: Floats = np.rint(np.nan_to_num(into, nan=1.0))
    return times, (times >= 2) & (times <= most) & is_near(into, times)


def _fitting(
    f0_hz: Floats, times: float, candidates_hz: Floats, strength: Floats
) -> NDArray[np.bool_]:
    """Frames that fit a whole multiple of their pitch as well."""
    near = is_near(candidates_hz, times * f0_hz[:, None])
    return np.asarray((near & (strength > FITS)).any(axis=1))


def _fades(fits: Floats, low_hz: float, hop_s: float) -> bool:
    """Is what fits a period badly gone by the end of a stretch, as a ring would be?

    What is hardly longer than the window that reads it cannot tell.
    """
    length_s = len(fits) * hop_s
    if length_s < _TELLING_WINDOWS * reading_window_s(low_hz):
        return True
    third = max(1, len(fits) // 3)
    first, last = (1.0 - float(np.median(part)) for part in (fits[:third], fits[-third:]))
    return bool(last < _FADED ** min(1.0, length_s / _FADED_S) * first)


def _usual(
    ordered: Floats, upto: NDArray[np.int32], semitones: Floats, fits: NDArray[np.bool_]
) -> bool:
    """Do other frames around this pitch, or all where these are few, fit as often anyway?

    Of a bass whose odd partials are weak every note does: there it says nothing of a ring.

    ordered : (n,) pitches of all frames that have one, in rising order
    upto : (n + 1,) how many of the lowest so many fit
    semitones, fits : (k,) of the frames asked about, which are none of the others
    """
    for reach in (_AROUND_SEMITONES, np.inf):
        low, high = semitones[-1] - reach, semitones[-1] + reach
        first, last = ordered.searchsorted(low, "right"), ordered.searchsorted(high)
        own = (semitones > low) & (semitones < high)
        others = int(last - first) - int(own.sum())
        if others >= _LEAST_FRAMES:
            break
    return others > 0 and upto[last] - upto[first] - fits[own].sum() > _USUAL_SHARE * others


def _explained(
    out: Floats,
    candidates_hz: Floats,
    strength: Floats,
    first: int,
    low_hz: float,
    high_hz: float,
    *,
    struck: bool,
) -> bool:
    """Did a new note begin at a frame, under the ring of an old one that shares its low period?

    Where the old one is the low note itself, another string sounds over it only once ``struck``.
    """
    if first > 0 and is_near(out[first - 1], low_hz):
        if not struck:
            return False
        earlier = range(max(0, first - JUST_BEFORE_FRAMES), first)
        # where a slide still had another pitch, neither fits
        return any(
            is_near(out[frame], low_hz)
            and best_fit(candidates_hz[frame], strength[frame], high_hz)[0] < DOES_NOT_FIT
            for frame in earlier
        )
    before = out[max(0, first - JUST_BEFORE_FRAMES) : first]
    before = before[~np.isnan(before)]
    if len(before) == 0:
        return False
    times = round(float(before[-1]) / low_hz)
    return times >= 2 and bool(is_near(before[-1], times * low_hz))


def best_fit(
    candidates_hz: Floats, strength: Floats, f_hz: Floats | float
) -> tuple[Floats, Floats]:
    """How well frames fit a pitch, 0 where it is not offered, and the offered pitch nearest.

    candidates_hz, strength : (..., k) periods offered in each frame and how well they fit, 0..1
    f_hz : (...,) the pitch asked about

    Returns (...,) how well it fits, and (...,) the offered pitch.
    """
    near = np.where(is_near(candidates_hz, np.expand_dims(f_hz, -1)), strength, 0.0)
    best = near.argmax(axis=-1, keepdims=True)
    fits, hz = (np.take_along_axis(a, best, -1)[..., 0] for a in (near, candidates_hz))
    return fits, hz


def is_near(f_hz: Floats | float, of_hz: Floats | float) -> NDArray[np.bool_]:
    return np.asarray((f_hz > of_hz * _NEAR_BELOW) & (f_hz < of_hz * _NEAR_ABOVE))
