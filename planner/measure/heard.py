"""At what one pitch is a note heard?

Short notes are heard at their onset, long ones in their sustain, those between by both. A pluck is
heard by its sharp start. What is blown, bowed or sung is on its way for much of a short note: there
the ear takes a mean along it that leans to its end (C. d'Alessandro and M. Castellengo, "The pitch
of short-duration vibrato tones", JASA 95, 1994, 1617; of short glides C. d'Alessandro, S. Rosset
and J.-P. Rossi, JASA 104, 1998, 2339; both, and the figures, from memory).
"""

import numpy as np
from numpy.typing import NDArray

from planner.measure.contour import Contour
from planner.measure.note_line import NoteLine
from planner.measure.onset import Onset
from planner.words.spread import middle_of

# Up to the first by the onset, or by such a mean, from the second on by the sustain; common
# practice, no source.
_STRUCK_S, _DRIVEN_S = (0.2, 0.5), (0.5, 1.0)
_ONSET_HEARD_CENTS = 8.0  # an onset known worse, on a slide, says nothing about what is heard
# A moment counts by this, and the more the nearer it lies to the end.
_ALL_ALONG, _FADES_PER_S = 0.20, 22.0
_ON_ITS_WAY_CENTS = 50.0  # a scoop or a fall that is still a quarter tone off is left out


def struck_heard_cents(
    onset: Onset | None, sustain_hz: float, held_cents: float, length_s: float
) -> float:
    """Say how far over its sustain a plucked or struck note is heard, cents.

    onset: None where it is not known; held_cents: how far over it the sustain itself is heard, by
        the upper partials of a low note
    """
    if onset is None or onset.sd_cents > _ONSET_HEARD_CENTS or onset.hz < sustain_hz:
        return held_cents
    share = onset_share(length_s)
    return (1.0 - share) * held_cents + share * 1200.0 * float(np.log2(onset.hz / sustain_hz))


def driven_heard_cents(line: NoteLine, contour: Contour, sustain_cents: float) -> float:
    """Say how far over its sustain a blown, bowed or sung note is heard, cents."""
    share = _early_share(line.length_s, *_DRIVEN_S)
    return share * (_leaning_mean(line, contour, sustain_cents) - sustain_cents) if share else 0.0


def short_heard_cents(line: NoteLine, contour: Contour) -> float | None:
    """Say where a blown, bowed or sung note without a sustain is heard, cents of its line.

    None where too little of it is followed.
    """
    own = _judged(line, contour)
    return _leaning_mean(line, contour, float(middle_of(line.cents[own]))) if own.any() else None


def _leaning_mean(line: NoteLine, contour: Contour, near_cents: float) -> float:
    t_s, cents = contour.t_s, line.cents
    if line.vibrato is not None:
        cents = cents - line.vibrato.at(t_s)
    own = _judged(line, contour) & (np.abs(cents - near_cents) < _ON_ITS_WAY_CENTS)
    weight = _ALL_ALONG + np.exp(_FADES_PER_S * (t_s[own] - line.sustain_last_s))
    return float(weight @ cents[own] / weight.sum()) if own.any() else near_cents


def _judged(line: NoteLine, contour: Contour) -> NDArray[np.bool_]:
    """Which moments count: from the start of the onset's window to the end of the sustain's."""
    return (contour.t_s >= line.onset_first_s) & (contour.t_s <= line.sustain_last_s)


def onset_share(length_s: float) -> float:
    """How much the onset makes of what is heard of a plucked or struck note, 1 to 0."""
    return _early_share(length_s, *_STRUCK_S)


def _early_share(length_s: float, all_s: float, none_s: float) -> float:
    return float(np.clip((none_s - length_s) / (none_s - all_s), 0.0, 1.0))
