"""How high does a note stand in its sustain, and how well is that known?

Vibrato is taken out: what is asked for is its centre, not the mean of the cycles that happen to
fit. Every term of the uncertainty has a cause of its own, and is checked on random sessions
(`tests/bench/calibration.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.begun_again import begun_again_cents
from planner.contour import FOLLOW_HOP_S, Contour
from planner.harmonics import fit_partials
from planner.model import LEAST_TOLD_CENTS, Floats, Note
from planner.note_line import SUSTAIN_LEAST_FRAMES, NoteLine
from planner.note_span import NoteSpan
from planner.partial_series import LN_CENTS, PartialFit, sd_of_mean
from planner.spread import spread_of
from planner.stiffness import Stiffness

_LEAST_S = 0.040
_LEAST_PERIODS = 3.0
_SLOPE_FROM_S = 0.1  # over less, a slope says nothing of the note
_SECOND_OPINION_S = 0.250
_SECOND_OPINION_PARTIALS = 10
_APART_UNKNOWN_CENTS = 1.0
_VIBRATO_LEFT = 0.05  # share of a vibrato cycle that stays in its centre
_FREE_DEGREE = 6  # of a polynomial that follows what a line does of its own
# Times a degree's share of the noise: four for frames that overlap, four for chance.
_MORE_THAN_NOISE = 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weights:
    """How much each cause of doubt weighs in an uncertainty."""

    ends_s: float  # how well the ends of the window are known
    roughness: float  # of what the line does frame by frame
    apart: float  # of how far two unlike estimators lie apart
    room: float  # of how far whole partials lie apart
    again: float  # of how far it would lie off, did the note begin again in it
    bends: float  # of what the line does beside its slope, in the slope


# About the most likely ones for errors of Student's t with six degrees, two in three of which lie
# within the doubt: on 5600 sustains of strings, 2900 in vibrato and 800 straight of random sessions
# as made, in noise, with bleed and in rooms of 0.6 and 1 s (seeds 47010-47026); checked on others
# (`tests/bench/calibration.py`, `tests/bench/rooms.py`). A string is stopped at once and slides
# smoothly: its line is what it is. What swings is cut anywhere in its swing, and its partials swing
# by turns without its pitch being less known. A straight line is cut where it hardly differs, and
# wanders slowly: its frames say less than their number. In vibrato few of those that may begin
# again do; at half the weight those lie within two. Strings weigh a seventh more than is likeliest:
# basses of other seeds (47040-47043) lay so much further off.
_STRUCK = _Weights(ends_s=0.005, roughness=0.0, apart=0.45, room=0.97, again=1.0, bends=2.0)
_STRAIGHT = _Weights(ends_s=0.005, roughness=1.2, apart=0.5, room=0.2, again=1.0, bends=0.65)
_SWINGING = _Weights(ends_s=0.022, roughness=0.35, apart=0.0, room=0.0, again=0.5, bends=0.65)
_OF_B = 0.85  # of how well the stiffness of a string is known
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
    fit: PartialFit | None  # the joint fit on a piece of it


def why_no_sustain(note: Note, line: NoteLine) -> str:
    """Say why a note has no sustain to measure, or nothing where it has one."""
    least_s = max(_LEAST_S, _LEAST_PERIODS / note.pitch_hz)
    if line.contour is None or line.sustain_last_s - line.sustain_first_s < least_s:
        return f"the note is over after {line.length_s:.2f} s, before a sustain begins"
    if line.in_sustain.sum() < SUSTAIN_LEAST_FRAMES:
        return "too few cycles in the sustain"
    return ""


def measure_sustain(
    span: NoteSpan, stiffness: Stiffness, line: NoteLine, contour: Contour
) -> Sustain:
    """Measure one note's sustain.

    Parameters
    ----------
    span, stiffness : the note's samples and how stiff its string is
    line, contour : its pitch line with the vibrato found in it, and the contour it was made of
    """
    inside = line.in_sustain
    t_s, cents = contour.t_s[inside], line.cents[inside]
    still = cents if line.vibrato is None else cents - line.vibrato.at(t_s)
    slope, roughness = _slope(t_s, still)
    weights = _STRUCK
    if span.swells:
        weights = _STRAIGHT if line.vibrato is None else _SWINGING
    shares = shares_of_frames(still)
    check = _second_opinion(span, stiffness.b, contour, line)
    apart = check[1] if check else _APART_UNKNOWN_CENTS
    seconds = float(len(still)) * FOLLOW_HOP_S
    even = line.even if line.vibrato is None else None
    if even is None:
        level = float(shares @ still)
        partials_sd = _partials_sd(weights, contour, inside, shares, stiffness.known_sd, apart)
        slope_sd = float(np.hypot(_slope_sd(contour, inside), weights.bends * roughness / seconds))
    else:
        level = float(LN_CENTS * np.log(even.f1_hz / span.note.pitch_hz))
        partials_sd = _OF_EVEN * even.sd_cents
        slope, slope_sd = even.slope_cents_per_s, even.slope_sd_cents_per_s
    sd_cents = float(np.hypot(partials_sd, _line_sd(weights, line, contour, roughness)))
    again = begun_again_cents(contour, inside, still, line.vibrato, swells=span.swells)
    sloped = t_s[-1] - t_s[0] >= _SLOPE_FROM_S
    return Sustain(
        cents=level,
        sd_cents=float(np.hypot(sd_cents, weights.again * again)),
        slope_cents_per_s=slope if sloped else None,
        slope_sd_cents_per_s=float(np.hypot(slope_sd, LEAST_TOLD_CENTS)) if sloped else None,
        roughness_cents=roughness,
        again_cents=again,
        fit=check[0] if check else None,
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
    # Orthonormal polynomials of rising degree: the even line is the first three of the free one's.
    basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, count + 1), _FREE_DEGREE + 1, True))[0]
    weights = phase @ basis
    left_free = float(np.sum((phase - basis @ weights) ** 2))
    left_even = left_free + float(np.sum(weights[3:] ** 2))
    share = (_FREE_DEGREE - 2) / (count + 1 - _FREE_DEGREE)
    if left_even > left_free * (1.0 + _MORE_THAN_NOISE * share):
        return plain
    # The slope of a parabola at its middle is that of the straight line through the phase.
    away = np.arange(count + 1) - count / 2.0
    later: Floats = np.cumsum(away[:0:-1])[::-1] / float(away @ away)
    return later


def _slope(t_s: Floats, rest: Floats) -> tuple[float, float]:
    """Cents per second along the sustain, vibrato taken out, and what neither explains."""
    centred = t_s - t_s.mean()
    weight = np.ones_like(rest)
    slope = level = 0.0
    for _ in range(3):
        level = float(weight @ rest / weight.sum())
        middle = float(weight @ centred / weight.sum())
        lever = centred - middle
        slope = float((weight * lever) @ (rest - level) / ((weight * lever) @ lever + 1e-12))
        off = rest - level - slope * lever
        scale = spread_of(off, 0.0) + 1e-3
        weight = 1.0 / np.maximum(1.0, np.abs(off) / (2.0 * scale))
    roughness = float(np.sqrt(np.mean(off**2)))
    return slope, roughness


def _slope_sd(contour: Contour, inside: NDArray[np.bool_]) -> float:
    """How well a slope is known from those of whole partials, cents per second."""
    away_s = contour.t_s[inside] - contour.t_s[inside].mean()
    slopes = contour.apart_cents[:, inside] @ away_s / float(away_s @ away_s)
    return sd_of_mean(slopes, contour.shares)


def _second_opinion(
    span: NoteSpan,
    b: float,
    contour: Contour,
    line: NoteLine,
) -> tuple[PartialFit, float] | None:
    """The joint fit on a piece of the sustain, and how far it lies from the contour there."""
    sr, first_s, last_s = span.sr, line.sustain_first_s, line.sustain_last_s
    middle = (first_s + last_s) / 2
    half = min(_SECOND_OPINION_S, last_s - first_s) / 2
    first, last = (round((at_s - span.late_s) * sr) for at_s in (middle - half, middle + half))
    window = slice(max(first, 0), last)
    inside = np.abs(contour.t_s - middle) <= half
    if inside.sum() < 3:
        return None
    at = np.arange(window.start, window.stop) / sr + span.late_s
    law = span.note.pitch_hz * 2 ** (np.interp(at, contour.t_s, line.cents) / 1200) / np.sqrt(1 + b)
    samples = span.samples[window]
    law = law[: len(samples)]
    fit = fit_partials(
        samples,
        sr,
        float(np.exp(np.log(law).mean())),
        b=b,
        pitch_law=law,
        most_partials=_SECOND_OPINION_PARTIALS,
        followed=True,
    )
    if fit is None:
        return None
    apart = LN_CENTS * np.log(fit.f0_hz / float(np.mean(law)))
    return fit, float(apart)


def _partials_sd(
    weights: _Weights,
    contour: Contour,
    inside: NDArray[np.bool_],
    shares: Floats,
    b_sd: float,
    apart: float,
) -> float:
    """How well a sustain is known from its partials, one standard deviation, cents.

    How far whole partials lie apart over it, since noise, a room and the note before that rings on
    turn each of them another way; how far two unlike estimators lie apart; and what a stiffness
    not quite known moves all partials by.
    """
    room = sd_of_mean(contour.apart_cents[:, inside] @ shares, contour.shares)
    square = np.arange(1, len(contour.shares) + 1) ** 2
    of_b = LN_CENTS / 2.0 * b_sd * (float(contour.shares @ square) - 1.0)
    return float(
        np.sqrt((weights.room * room) ** 2 + (weights.apart * apart) ** 2 + (_OF_B * of_b) ** 2)
    )


def _line_sd(weights: _Weights, line: NoteLine, contour: Contour, roughness: float) -> float:
    """How well a sustain is known from what its line does, one standard deviation, cents.

    At the ends of a window not quite in place; frame by frame, which holds a swing too short to be
    seen; a vibrato not quite taken out; and what rounding to what is told adds.
    """
    frames = float(line.in_sustain.sum())
    seconds = frames * FOLLOW_HOP_S
    swing = 0.0
    if line.vibrato is not None:
        cycles = max(seconds * line.vibrato.rate_hz, 1.0)
        swing = _VIBRATO_LEFT * line.vibrato.half_cents / cycles
    return float(
        np.sqrt(
            (weights.roughness * roughness) ** 2 / frames
            + swing**2
            + (weights.ends_s / seconds * _at_the_ends(line, contour, weights.ends_s)) ** 2
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
