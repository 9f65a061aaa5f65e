"""Along which line does a pitch swing: vibrato taken out of a pitch line.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.words.spread import hann, middle_of

_VIBRATO_HALF_PERIOD_S = (0.045, 0.16)  # 3.1 to 11 Hz
_VIBRATO_SWING = 2.6  # semitones from trough to crest at most
_VIBRATO_MIN_SWING = 0.12
# Mean distance from the midline over half the swing: 0.64 for a sine; 1 for a trill, of which the
# track, whose window of 32 ms rounds its corners, leaves 0.75 to notes of 90 ms.
_FLAT = 0.71
_CUT_SWING = 1.15  # times half the swing: a note further from the midline is another one
_STEP_SPEED = 2.0  # times the speed of a swing at its fastest: a step to another note
# A vibrato that has only begun swings around the pitch it left, to a third of half its swing; turns
# of a semitone and more are notes.
_BEGUN_OFF, _BEGUN_SWING = 1.0 / 3.0, 1.8


def vibrato_midline(midi: Floats, hop_s: float) -> Floats:
    """Replace vibrato in a semitone line by the line midway between its crests and troughs.

    Vibrato is three or more swings in a row, alternately up and down, of similar size and of
    half periods that a player can make; or one or two around the pitch at which the line stayed
    just before.
    """
    width = max(3, round(0.03 / hop_s) | 1)
    if len(midi) < 4 * width:
        return midi
    taper = hann(width)
    smooth = np.convolve(
        midi.take(np.arange(-(width // 2), len(midi) + width // 2), mode="clip"),
        taper / taper.sum(),
        "valid",
    )
    out = midi.copy()
    for at in _swings_in_a_row(midi, smooth, hop_s):
        value = smooth[at]
        if len(at) < 4 and not _swings_around_before(midi, at, value):
            continue
        centre = (at[:-1] + at[1:]) / 2
        midway = (value[:-1] + value[1:]) / 2
        if len(midway) > 2:
            midway = np.convolve(
                midway.take(np.arange(-1, len(midway) + 1), mode="clip"), [0.25, 0.5, 0.25], "valid"
            )
        a = _swings_from(midi[::-1], len(midi) - 1 - at[::-1], value[::-1], float(midway[0]))
        b = _swings_from(midi, at, value, float(midway[-1]))
        span = np.arange(len(midi) - a, b)
        midline = np.interp(span, centre, midway)
        half = np.interp(span, centre, np.abs(np.diff(value)) / 2)
        off = np.abs(midi[span] - midline)
        if np.mean(off.clip(max=half)) < _FLAT * half.mean():
            out[span] = midline
    return out


def _swings_in_a_row(midi: Floats, smooth: Floats, hop_s: float) -> Iterator[NDArray[np.intp]]:
    """Turns between which the swings are alike and such as a player can make."""
    turns = _turning_points(smooth, _VIBRATO_MIN_SWING)
    if len(turns) < 2:
        return
    half_period = np.diff(turns) * hop_s
    swing = np.abs(np.diff(smooth[turns]))
    shortest, longest = _VIBRATO_HALF_PERIOD_S
    fastest = np.maximum.reduceat(np.abs(np.diff(midi))[: turns[-1]], turns[:-1])
    even = fastest < _STEP_SPEED * np.pi / 2 * swing / np.diff(turns)
    plausible = (half_period > shortest) & (half_period < longest) & (swing < _VIBRATO_SWING) & even
    first = 0
    while first < len(plausible):
        last = first
        while (
            last + 1 < len(plausible)
            and plausible[last]
            and plausible[last + 1]
            and 0.35 < swing[last + 1] / swing[last] < 2.9
            and 0.5 < half_period[last + 1] / half_period[last] < 2.0
        ):
            last += 1
        if plausible[first]:
            yield turns[first : last + 2]
        first = last + 1


def _swings_around_before(midi: Floats, at: NDArray[np.intp], value: Floats) -> bool:
    """Does what swings once or twice do so around the pitch at which the line stayed before?"""
    period = 2 * int(middle_of(np.diff(at)))
    stayed = midi[max(at[0] - period, 0) : max(at[0] - period // 2, 0)]
    middle, swing = (value[-1] + value[-2]) / 2, abs(value[-1] - value[-2])
    if len(stayed) < period // 4 or swing > _BEGUN_SWING:
        return False
    return bool(middle_of(np.abs(stayed - middle)) < _BEGUN_OFF * swing / 2)


def _swings_from(midi: Floats, at: NDArray[np.intp], value: Floats, middle: float) -> int:
    """Where the swings after the last turn end, which the note's end or its neighbour cuts short.

    They go on as the last swing did, or die away, and move no faster; what stays where they would
    have come back is another note.
    """
    half_period, half = float(middle_of(np.diff(at))), float(abs(value[-1] - value[-2])) / 2
    first = min(len(midi), at[-1] + 1)
    after = midi[first : first + round(2.0 * half_period)] - middle
    turned = np.pi * (np.arange(first, first + len(after)) - at[-1]) / half_period
    swings = np.sign(value[-1] - value[-2]) * half * np.cos(turned)
    moves = np.abs(np.diff(midi[first - 1 : first + len(after)])) * half_period / np.pi
    on = np.maximum(np.abs(after), np.abs(after - swings)) < _CUT_SWING * half
    on &= moves < _STEP_SPEED * half
    return int(first + (len(on) if on.all() else on.argmin()))


def _turning_points(line: Floats, smallest: float) -> NDArray[np.intp]:
    """Crests and troughs in turn, none of the swings between them smaller than ``smallest``."""
    direction = np.sign(np.diff(line))
    turns = [i for i in range(1, len(direction)) if direction[i] * direction[i - 1] < 0]
    while len(turns) > 2:
        swing = np.abs(np.diff(line[turns]))
        least = int(swing.argmin())
        if swing[least] >= smallest:
            break
        del turns[least : least + 2]
    return np.array(turns, dtype=np.intp)
