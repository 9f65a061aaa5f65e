"""At what pitch does a note stand that keeps still, or moves smoothly, in noise?

A contour is the slope of a phase that all partials share with the same weights throughout, so its
mean rests on the phase at both ends alone, and on high partials of a string long after they have
gone under in the noise. Where nothing but noise lies between a note and a smooth line, the line is
fitted to the phases of all partials at once, each moment of each weighing by how far it stands over
the noise: the most likely line, which comes near the Cramer-Rao bound. Partials that do not keep to
one line, as in a room, or a line that is not smooth, are left to the contour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray

from planner.contour import Contour, Phases
from planner.model import Floats
from planner.partial_series import LN_CENTS
from planner.spread import middle_of

_DEGREES = (2, 3, 5)  # of the phase, tried in turn: an even line, a bent one, one that sags
_FREE_DEGREE = 8  # what a line may do beside; more than noise makes it do, and it is none of these
_LEAST_FRAMES = 3 * _FREE_DEGREE
_ROUNDS = (4, 4, None)  # partials in each: the first ones are in place after any contour
_BY_CHANCE_SDS = 5.0  # over the mean of a chi-square: noise alone is there once in a thousand
_MIDDLE_OF_SQUARES = 0.4549  # of normal errors of variance 1: the median of chi-square
_HANN_OVERLAP = 2.0 / 3.0  # squared sum of a Hann window over its sum of squares and its length
_FRAMES_A_WINDOW = 3.0  # of a Hann window: closer frames know hardly more
_LEAST_SMOOTHED = 9  # frames, to tell how strong a partial is at a moment


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenLine:
    """The mean pitch over a stretch of a note, and how it moves there."""

    f1_hz: float
    slope_cents_per_s: float
    sd_cents: float  # one standard deviation of the mean, by noise and by how partials drift


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """One round of least squares: what is added to the line and to B, and what is left."""

    added: Floats  # (degrees + 1,) of the line's polynomials, and of B at last
    gram: Floats  # inverse covariance of these
    noise: float  # power of the noise in each track
    drift: float  # how much less would be left if each partial had a pitch of its own


def even_line(
    phases: Phases, contour: Contour, span_s: tuple[float, float], b_sd: float
) -> EvenLine | None:
    """Fit a smooth line to a stretch of a note; None where more than noise lies beside it.

    Parameters
    ----------
    phases, contour : of the note; the contour is where the fit starts
    span_s : the stretch, seconds from the start of the note
    b_sd : how well the stiffness is known that the phases were followed with; 0 where none is
    """
    first_s, last_s = span_s
    at_s = phases.at_smp / phases.sr
    window = phases.window_smp / (phases.at_smp[1] - phases.at_smp[0])  # frames
    first, last = (int(np.searchsorted(at_s, second)) for second in span_s)
    # The frames between say the same once more.
    apart = max(min(int(window / _FRAMES_A_WINDOW), (last - first) // _LEAST_FRAMES), 1)
    inside = slice(first, last, apart)
    at_s, window = at_s[inside], window / apart
    count = len(at_s)
    if count < _LEAST_FRAMES or count <= 2 * window:
        return None
    # All against one unmoving pitch; where the contour lies is where the line is looked for.
    to_turn = 2.0 * np.pi * (at_s[1] - at_s[0]) / np.sqrt(1.0 + phases.b)  # from Hz of f1, a frame
    whole = np.concatenate([[0.0], np.cumsum(contour.f1_hz[first : last - 1])])[::apart]
    whole *= to_turn / apart
    turn = float(whole[-1] - whole[0]) / (count - 1)
    prior = 2.0 * np.pi * phases.turns[inside] - turn * np.arange(count)
    tracks = phases.tracks[:, inside] * np.exp(1j * phases.ratios[:, None] * (prior - prior[0]))
    basis = legvander(np.linspace(-1.0, 1.0, count), _FREE_DEGREE)[:, 1:]
    phase = whole - turn * np.arange(count)
    line = np.append(np.linalg.solve(basis.T @ basis, basis.T @ (phase - phase.mean())), 0.0)
    lever = _lever(phases) * turn * (count - 1) / 2.0
    smoothed = max(round(2 * window) | 1, _LEAST_SMOOTHED)
    overlap = max(_HANN_OVERLAP * window, 1.0)
    fit, noise = None, 0.0
    for most in _ROUNDS:
        used = slice(0, most)
        fit = _fit(
            tracks[used], phases.ratios[used], lever[used], basis, line, noise,
            smoothed, overlap, b_sd,
        )  # fmt: skip
        line, noise = line + fit.added, fit.noise
    assert fit is not None
    if fit.drift > _most_by_chance(max(len(phases.ratios) - 1, 1)):
        return None
    for degree in _DEGREES:
        kept = _without(fit.gram, line, degree)
        if kept is not None:
            break
    else:
        return None
    weights, covariance = kept
    pitch = turn + np.diff(basis[:, :degree] @ weights[:degree])
    if pitch.min() <= 0.0:
        return None
    cents = LN_CENTS * np.log(pitch)
    t_s = (at_s[1:] + at_s[:-1]) / 2.0
    away_s = t_s - t_s.mean()
    slope = float(away_s @ cents / (away_s @ away_s))
    middle = float(cents.mean()) + slope * ((first_s + last_s) / 2.0 - float(t_s.mean()))
    end_to_end = (basis[-1, :degree] - basis[0, :degree]) / (count - 1) / turn
    variance = float(end_to_end @ covariance[:degree, :degree] @ end_to_end)
    variance *= max(fit.drift / max(len(phases.ratios) - 1, 1), 1.0)
    return EvenLine(
        f1_hz=float(np.exp(middle / LN_CENTS)) / to_turn,
        slope_cents_per_s=slope,
        sd_cents=LN_CENTS * float(np.sqrt(variance)),
    )


def _lever(phases: Phases) -> Floats:
    """How far the log of each partial moves against the first with B."""
    square = np.round(phases.ratios / np.sqrt(1.0 + phases.b * phases.ratios**2)) ** 2
    lever: Floats = square / (2.0 * (1.0 + phases.b * square)) - 0.5 / (1.0 + phases.b)
    return lever


def _fit(
    tracks: NDArray[np.complex128],
    ratios: Floats,
    lever: Floats,
    basis: Floats,
    line: Floats,
    noise: float,
    window: int,
    overlap: float,
    b_sd: float,
) -> _Fit:
    """Least squares for what the phases of partials add to a line, each with a phase of its own.

    noise : power of the noise in each track, from the round before; 0 where it is not known yet
    """
    rising = basis[:, 0]
    expected = basis @ line[:-1] + np.multiply.outer(lever * line[-1], rising)
    rotated = tracks * np.exp(-1j * ratios[:, None] * expected)
    ahead = np.conj((rotated * np.abs(rotated)).sum(axis=1))
    rotated *= (ahead / (np.abs(ahead) + 1e-30))[:, None]
    amplitude = np.maximum(_smoothed(rotated.real, window), 0.0)
    off = np.angle(rotated) / ratios[:, None]
    power = amplitude**2
    weight = 2.0 * ratios[:, None] ** 2 * power * power / (power + noise + 1e-30)
    weight /= max(noise, 1e-30) * overlap
    # Sums over time for each partial, with its own phase taken out.
    total = weight.sum(axis=1) + 1e-30
    mean_basis = weight @ basis / total[:, None]
    mean_off = np.sum(weight * off, axis=1) / total
    degrees = basis.shape[1]
    pairs = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), -1)
    gram = (weight @ pairs).reshape(len(weight), degrees, degrees)
    gram -= total[:, None, None] * mean_basis[:, :, None] * mean_basis[:, None, :]
    onto = (weight * off) @ basis - (total * mean_off)[:, None] * mean_basis
    whole = np.empty((degrees + 1, degrees + 1))
    whole[:degrees, :degrees] = gram.sum(axis=0)
    whole[degrees, :degrees] = whole[:degrees, degrees] = lever @ gram[:, 0]
    whole[degrees, degrees] = lever**2 @ gram[:, 0, 0] + 1.0 / max(b_sd, 1e-9) ** 2
    right = np.append(onto.sum(axis=0), lever @ onto[:, 0] - line[-1] / max(b_sd, 1e-9) ** 2)
    added = np.linalg.solve(whole, right)
    fitted = basis @ added[:-1] + np.multiply.outer(lever * added[-1], rising)
    quadrature = rotated.imag - amplitude * ratios[:, None] * fitted
    # What is left to each partial along a slope of its own.
    lean = onto[:, 0] - gram[:, 0] @ added[:-1] - lever * added[-1] * gram[:, 0, 0]
    return _Fit(
        added=added,
        gram=whole,
        noise=2.0 * float(middle_of((quadrature**2).ravel())) / _MIDDLE_OF_SQUARES,
        drift=float(np.sum(lean**2 / (gram[:, 0, 0] + 1e-30))),
    )


def _without(gram: Floats, line: Floats, degree: int) -> tuple[Floats, Floats] | None:
    """A fitted line of so many degrees instead of all; None where that leaves more than noise.

    Returned are the weights of its polynomials and of B, and their covariance.
    """
    degrees = len(line) - 1
    kept = np.append(np.arange(degree), degrees)
    dropped = np.arange(degree, degrees)
    inverse = np.linalg.inv(gram[np.ix_(kept, kept)])
    across = inverse @ gram[np.ix_(kept, dropped)]
    beside = gram[np.ix_(dropped, dropped)] - gram[np.ix_(dropped, kept)] @ across
    more = float(line[dropped] @ beside @ line[dropped])
    if more > _most_by_chance(len(dropped)):
        return None
    return line[kept] + across @ line[dropped], inverse


def _most_by_chance(freedom: int) -> float:
    """The most that noise leaves beside a fit that is right, in its variances (chi-square)."""
    return freedom + _BY_CHANCE_SDS * float(np.sqrt(2.0 * freedom))


def _smoothed(rows: Floats, window: int) -> Floats:
    """Moving mean of each row over an odd number of frames, fewer at the ends."""
    half = window // 2
    total = np.cumsum(np.pad(rows, ((0, 0), (1, 0))), axis=1)
    count = rows.shape[1]
    first = np.maximum(np.arange(count) - half, 0)
    last = np.minimum(np.arange(count) + half + 1, count)
    mean: Floats = (total[:, last] - total[:, first]) / (last - first)
    return mean
