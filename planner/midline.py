"""Along which line does a pitch swing: vibrato taken out of a pitch line.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats

_VIBRATO_HALF_PERIOD_S = (0.045, 0.16)  # 3.1 to 11 Hz
_VIBRATO_SWING = 2.6  # semitones from trough to crest at most
_VIBRATO_MIN_SWING = 0.12
# Mean distance from the midline over half the swing: 0.64 for a sine; 1 for a trill, of which the
# track, whose window of 32 ms rounds its corners, leaves 0.75 to notes of 90 ms.
_FLAT = 0.71
_CUT_SWING = 1.15  # times half the swing: a note further from the midline is another one


def vibrato_midline(midi: Floats, hop_s: float) -> Floats:
    """Replace vibrato in a semitone line by the line midway between its crests and troughs.

    Vibrato is three or more swings in a row, alternately up and down, of similar size and of
    half periods that a player can make.
    """
    width = max(3, round(0.03 / hop_s) | 1)
    if len(midi) < 4 * width:
        return midi
    taper = np.hanning(width + 2)[1:-1]
    smooth = np.convolve(np.pad(midi, width // 2, mode="edge"), taper / taper.sum(), "valid")
    turns = _turning_points(smooth, _VIBRATO_MIN_SWING)
    if len(turns) < 4:
        return midi
    half_period = np.diff(turns) * hop_s
    swing = np.abs(np.diff(smooth[turns]))
    shortest, longest = _VIBRATO_HALF_PERIOD_S
    plausible = (half_period > shortest) & (half_period < longest) & (swing < _VIBRATO_SWING)
    out = midi.copy()
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
        if plausible[first] and last - first >= 2:
            at = turns[first : last + 2]
            value = smooth[at]
            centre = (at[:-1] + at[1:]) / 2
            midway = (value[:-1] + value[1:]) / 2
            if len(midway) > 2:
                midway = np.convolve(np.pad(midway, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
            reach = int(np.median(np.diff(at)) / 2)
            a, b = max(0, at[0] - reach), min(len(out), at[-1] + reach + 1)
            a, b = _with_cut_swings(midi, a, b, 3 * reach, midway, float(swing[first]) / 2)
            midline = np.interp(np.arange(a, b), centre, midway)
            half = np.interp(np.arange(a, b), centre, np.abs(np.diff(value)) / 2)
            if np.mean(np.abs(midi[a:b] - midline).clip(max=half)) < _FLAT * half.mean():
                out[a:b] = midline
        first = last + 1
    return out


def _with_cut_swings(
    midi: Floats, a: int, b: int, most: int, midway: Floats, half: float
) -> tuple[int, int]:
    """Widen a vibrato by the swings that the note's ends, or its neighbours, cut short."""
    before = np.abs(midi[max(0, a - most) : a][::-1] - midway[0]) < _CUT_SWING * half
    after = np.abs(midi[b : b + most] - midway[-1]) < _CUT_SWING * half
    a -= len(before) if before.all() else int(before.argmin())
    b += len(after) if after.all() else int(after.argmin())
    return a, b


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
