"""How high does a note stand in its sustain, and how well is that known?

Vibrato is taken out: what is asked for is its centre, not the mean of the cycles that happen to
fit. Every term of the uncertainty has a cause of its own, and is checked on random sessions
(`tests/bench/calibration.py`).
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from planner.measure.begun_again import begun_again_cents
from planner.measure.contour import FOLLOW_HOP_S, Contour
from planner.measure.note_line import SUSTAIN_LEAST_FRAMES, NoteLine
from planner.measure.partial_series import LN_CENTS, sd_by_shares, sd_of_mean
from planner.model import LEAST_TOLD_CENTS, Floats, Note
from planner.words.spread import evenly, spread_of

_LEAST_S = 0.040
_LEAST_PERIODS = 3.0
_SLOPE_FROM_S = 0.1  # over less, a slope says nothing of the note
_FREE_DEGREE = 6  # of a polynomial that follows what a line does of its own
_LENGTHS_KEPT = 64  # whose polynomials are kept: notes of a stem share them
# Times a degree's share of the noise: four for frames that overlap, four for chance.
_MORE_THAN_NOISE = 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weights:
    """How much what a line does weighs in an uncertainty."""

    ends_s: float  # how well the ends of the window are known
    moves: float  # of how far the line moves in it
    taken: float  # of what a vibrato that was taken out moves the mean by
    otherwise: float  # of what it would move it by, did it grow otherwise
    bends: float  # of what the line does beside its slope, in the slope


# About the most likely ones for errors of Student's t with five degrees, two in three of which lie
# within the doubt: on 4300 sustains of random sessions as made, in noise, in rooms of 0.6 and 1 s,
# and with all stems leaking into each other through a room (seeds 30201-30246); checked on others
# (`tests/bench/calibration.py`). A string is stopped at once and slides smoothly: its line is what
# it is, but for where it is cut. A line that is driven wavers slowly, as far as it moves at all: a
# sixth of that is doubt, however long it is. Of a vibrato the centre is asked for: what was taken
# out is known to a quarter, and half of what it would be if it grew otherwise is doubt.
_STRUCK = _Weights(ends_s=0.0055, moves=0.0, taken=0.0, otherwise=0.0, bends=2.0)
_STRAIGHT = _Weights(ends_s=0.0, moves=0.165, taken=0.0, otherwise=0.0, bends=0.65)
_SWINGING = _Weights(ends_s=0.022, moves=0.0, taken=0.23, otherwise=0.45, bends=0.65)
# Where a scoop or a fall ends, and the note begins, is known no better than where a swing does.
_SETTLED = replace(_STRAIGHT, ends_s=_SWINGING.ends_s)
_OF_PARTIALS = 1.2  # of how far they lie apart: a little more than if each had its own trouble
_OF_AGAIN = 0.5  # of how far it would lie off, did the note begin again: two doubts cover it then
_OF_LOUD = 0.5  # of how far off the loud partials put it: likewise
_OF_EVEN = 2.0  # of what noise leaves of a line that is even: few rooms are wholly told from noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """The pitch of a note's first partial in its sustain, cents over the note's coarse pitch."""

    cents: float
    sd_cents: float  # one standard deviation
    slope_cents_per_s: float | None  # None where it is too short for one
    slope_sd_cents_per_s: float | None  # one standard deviation
    roughness_cents: float  # of the line, what neither slope nor vibrato explains
    again_cents: float  # how far it lies off where the note begins again in it, if it does


def why_no_sustain(note: Note, line: NoteLine) -> str:
    """Say why a note has no sustain to measure, or nothing where it has one."""
    least_s = max(_LEAST_S, _LEAST_PERIODS / note.pitch_hz)
    if line.contour is None or line.sustain_last_s - line.sustain_first_s < least_s:
        return f"the note is over after {line.length_s:.2f} s, before a sustain begins"
    if line.in_sustain.sum() < SUSTAIN_LEAST_FRAMES:
        return "too few cycles in the sustain"
    return ""


def measure_sustain(pitch_hz: float, line: NoteLine, contour: Contour, *, swells: bool) -> Sustain:
    """Measure one note's sustain.

    pitch_hz : the note's coarse pitch
    line, contour : its pitch line with the vibrato found in it, and the contour it was made of
    swells : whether it is driven
    """
    inside = line.in_sustain
    t_s, cents = contour.t_s[inside], line.cents[inside]
    still = cents if line.vibrato is None else cents - line.vibrato.at(t_s)
    slope, roughness = _slope(t_s, still)
    weights = _STRUCK
    if swells:
        straight = _SETTLED if line.settled else _STRAIGHT
        weights = straight if line.vibrato is None else _SWINGING
    seconds = float(len(still)) * FOLLOW_HOP_S
    even = line.even if line.vibrato is None else None
    if even is None:
        shares = shares_of_frames(still)
        level = float(shares @ still)
        partials_sd = _partials_sd(contour, inside, shares, line.b_doubt)
        slope_sd = float(np.hypot(_slope_sd(contour, inside), weights.bends * roughness / seconds))
    else:
        level = float(LN_CENTS * np.log(even.f1_hz / pitch_hz))
        partials_sd = _OF_EVEN * even.sd_cents
        slope, slope_sd = even.slope_cents_per_s, even.slope_sd_cents_per_s
    sd_cents = float(np.hypot(partials_sd, _line_sd(weights, line, contour)))
    again = begun_again_cents(contour, inside, still, line.vibrato, swells=swells)
    sloped = t_s[-1] - t_s[0] >= _SLOPE_FROM_S
    return Sustain(
        cents=level,
        sd_cents=float(np.hypot(sd_cents, _OF_AGAIN * again)),
        slope_cents_per_s=slope if sloped else None,
        slope_sd_cents_per_s=float(np.hypot(slope_sd, LEAST_TOLD_CENTS)) if sloped else None,
        roughness_cents=roughness,
        again_cents=again,
    )


def shares_of_frames(still: Floats) -> Floats:
    """How much each frame of a contour counts in the mean of its line: shares, sum 1.

    A contour is the slope of a phase, so its plain mean rests on the phase at the two ends alone. A
    line that stands still, or moves evenly, is known better from all of its phase: a parabola
    fitted to it comes near the Cramer-Rao bound. Where more than noise is left, the line does
    something of its own, and its plain mean is what is asked for.
    """
    count = len(still)
    plain = np.full(count, 1.0 / count)
    if count < 2 * _FREE_DEGREE:
        return plain
    phase = np.concatenate([[0.0], np.cumsum(still)])
    basis = _polynomials(count + 1)
    weights = phase @ basis
    left_free = float(np.sum((phase - basis @ weights) ** 2))
    # The even line is the first three of the free one's.
    left_even = left_free + float(np.sum(weights[3:] ** 2))
    share = (_FREE_DEGREE - 2) / (count + 1 - _FREE_DEGREE)
    if left_even > left_free * (1.0 + _MORE_THAN_NOISE * share):
        return plain
    # The slope of a parabola at its middle is that of the straight line through the phase.
    away = np.arange(count + 1) - count / 2.0
    later: Floats = np.cumsum(away[:0:-1])[::-1] / float(away @ away)
    return later


@lru_cache(maxsize=_LENGTHS_KEPT)
def _polynomials(count: int) -> Floats:
    """Orthonormal polynomials of rising degree over so many frames, (count, 1 + degree)."""
    basis: Floats = np.linalg.qr(np.vander(evenly(count), _FREE_DEGREE + 1, increasing=True))[0]
    return basis


def _slope(t_s: Floats, rest: Floats) -> tuple[float, float]:
    """Cents per second along the sustain, vibrato taken out, and what neither explains."""
    centred = t_s - t_s.mean()
    weight = np.ones_like(rest)
    slope = 0.0
    for _ in range(3):
        total = weight.sum()
        lever = centred - weight @ centred / total
        off = rest - weight @ rest / total
        weighted = weight * lever
        slope = float(weighted @ off / (weighted @ lever + 1e-12))
        off -= slope * lever
        scale = spread_of(off, 0.0) + 1e-3
        weight = 1.0 / np.maximum(1.0, np.abs(off) / (2.0 * scale))
    roughness = float(np.sqrt(np.mean(off**2)))
    return slope, roughness


def _slope_sd(contour: Contour, inside: NDArray[np.bool_]) -> float:
    """How well a slope is known from those of whole partials, cents per second."""
    away_s = contour.t_s[inside] - contour.t_s[inside].mean()
    slopes = contour.apart_cents[:, inside] @ away_s / float(away_s @ away_s)
    return sd_of_mean(slopes, contour.shares)


def _partials_sd(contour: Contour, inside: NDArray[np.bool_], shares: Floats, b_sd: float) -> float:
    """How well a sustain is known from its partials, one standard deviation, cents.

    How far whole partials lie apart over it, since noise, a room, another stem that leaks in and
    the note before that rings on turn each of them another way; and what a stiffness not quite
    known moves all partials by.
    """
    apart = sd_by_shares(contour.apart_cents[:, inside] @ shares, contour.shares)
    square = np.arange(1, len(contour.shares) + 1) ** 2
    of_b = LN_CENTS / 2.0 * b_sd * (float(contour.shares @ square) - 1.0)
    return float(np.hypot(_OF_PARTIALS * apart, of_b))


def _line_sd(weights: _Weights, line: NoteLine, contour: Contour) -> float:
    """How well a sustain is known from what its line does, one standard deviation, cents.

    Where it moves, by how far; in vibrato, by what that moves the mean by, as it was fitted and as
    it might have been; at the ends of a window not quite in place; and what rounding to what is
    told adds.
    """
    inside = line.in_sustain
    taken, otherwise = 0.0, 0.0
    if line.vibrato is not None:
        taken, otherwise = line.vibrato.mean_cents, line.vibrato.otherwise_cents
    at_ends = 0.0
    if weights.ends_s > 0.0:
        seconds = float(inside.sum()) * FOLLOW_HOP_S
        at_ends = weights.ends_s / seconds * _at_the_ends(line, contour, weights.ends_s)
    return float(
        np.sqrt(
            (weights.moves * line.cents[inside].std()) ** 2
            + (weights.taken * taken) ** 2
            + (weights.otherwise * otherwise) ** 2
            + at_ends**2
            + (_OF_LOUD * line.loud_off_cents) ** 2
            + LEAST_TOLD_CENTS**2
        )
    )


def _at_the_ends(line: NoteLine, contour: Contour, ends_s: float) -> float:
    """How far the line lies off its mean at both ends of the sustain together, cents.

    A window longer or shorter by d at one end moves its mean by d over its length times this.
    """
    still = line.cents if line.vibrato is None else line.cents - line.vibrato.at(contour.t_s)
    at = np.flatnonzero(line.in_sustain)
    reach = max(2, round(ends_s / FOLLOW_HOP_S))
    off = (still - still[at].mean()) ** 2
    first = off[max(0, at[0] - reach) : at[0] + reach]
    last = off[max(0, at[-1] - reach + 1) : at[-1] + reach + 1]
    return float(np.sqrt(first.mean() + last.mean()))
