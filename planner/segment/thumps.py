"""A thump under a plucked note is no note an octave or a twelfth below.

A thumb, a slap or a hand on the strings moves what the pickup hears at tens of hertz, and a pick
the body of a guitar at its own resonances. Where such a thump lies near half or a third of a note's
pitch, the whole seems to repeat after two or three periods. A note so low would show its other
partials as well; a thump is one line, softer than the note.
"""

import numpy as np

from planner.model import Floats, Stem
from planner.track.octave_starts import level_stretches
from planner.track.transforms import spectra_of
from planner.tracker import HOP_S
from planner.words.spread import hann, middle_of

_THUMB_HZ = 75.0  # chosen: half the pitch of D3; thumbs and slaps lie lower
# The main resonances of guitar bodies lie between 90 and 250 Hz (N. H. Fletcher and T. D. Rossing,
# "The Physics of Musical Instruments", 1998, chapter 9; from memory).
_BODY_HZ = 300.0
# A tenth of a second takes a body of Q = 25 at 200 Hz down by 22 dB, twice that 43 dB: a longer
# stretch is no thump of it.
_RINGS_S = 0.2
_AROUND_S = 0.040  # half the track's long window: what its frames saw of the sound
_MOST_S = 0.200  # chosen
_LEAST_PERIODS = 5.0  # a Hann window's lobe then reaches 0.4 of the way to the next partial
_MOST_TIMES, _PARTIALS = 3, 9
_NEAR = 0.2  # of the low pitch: chosen, half a lobe
# -20 dB, chosen: of basses whose odd partials are weak by nature those above the first reach -15.
_OTHERS_SHARE = 0.01
# Of the low pitch: faint partials lie where they belong, what is no partial anywhere within
# `_NEAR`, one in seven of them this close.
_ON_LAW = 0.03


def without_thumps(stem: Stem, f0_hz: Floats) -> Floats:
    """Give stretches read at a half or a third of a note's pitch, for a thump there, to the note.

    stem : a stem of a struck role
    f0_hz : (n,) its coarse pitch, NaN where unpitched

    Returns (n,) the track, changed in some frames.
    """
    out = f0_hz.copy()
    for first, last in level_stretches(f0_hz):
        low_hz = float(middle_of(f0_hz[first:last]))
        short = (last - first) * HOP_S < _RINGS_S
        if low_hz < (_BODY_HZ if short else _THUMB_HZ):
            out[first:last] *= _times(stem, first * HOP_S, last * HOP_S, low_hz)
    return out


def _times(stem: Stem, first_s: float, last_s: float, low_hz: float) -> int:
    """How many times a pitch the note has of whose partials alone there is sound, but for a thump.

    1 where the pitch has partials of its own.
    """
    sr = stem.analysis_sr
    first = max(0, round((first_s - _AROUND_S) * sr))
    piece = stem.samples[first : min(first + round(_MOST_S * sr), round((last_s + _AROUND_S) * sr))]
    if len(piece) < _LEAST_PERIODS / low_hz * sr:
        return 1
    size = 8 * len(piece)
    power = np.abs(spectra_of(piece * hann(len(piece)), size)) ** 2
    reach = low_hz / sr * size
    partials = np.arange(1, _PARTIALS + 1)
    at = np.array([_highest(power, (k - _NEAR) * reach, (k + _NEAR) * reach) for k in partials])
    lines = power[at]
    on_law = np.abs(at / reach - partials) < _ON_LAW
    for times in range(2, _MOST_TIMES + 1):
        theirs = partials % times == 0
        others = ~theirs & (partials > 1)
        # A bass that is all first partial, from under a soft thumb, has no others either.
        faint = lines[others].sum() < _OTHERS_SHARE * lines[theirs].sum()
        # Of what lies there most is where no partial belongs: the highest partials say nothing.
        strange = 2 * lines[others & on_law].sum() < lines[others].sum()
        if faint and lines[0] < lines[theirs].sum() and strange:
            return times
    return 1


def _highest(power: Floats, first: float, last: float) -> int:
    lo = round(first)
    return lo + int(power[lo : round(last) + 1].argmax())
