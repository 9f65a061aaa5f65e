"""At what pitch does a note stand that keeps still, or moves smoothly, in noise?

A contour is the slope of a phase that all partials share with the same weights throughout, so its
mean rests on the phase at both ends alone, and on high partials of a string long after they have
gone under in the noise. Where nothing but noise lies between a note and a smooth line, the line is
fitted to the phases of all partials at once, each moment of each weighing by how far it stands over
the noise: the most likely line, which comes near the Cramer-Rao bound. Partials that do not keep to
one line, as in a room, or a line that is not smooth, are left to the contour.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray

from planner.harmonics import on_circle
from planner.measure.contour import HANN_OVERLAP, Contour, Phases
from planner.measure.partial_series import LN_CENTS
from planner.model import Floats
from planner.words.spread import evenly, middle_of

_DEGREES = (2, 3, 5)  # of the phase, tried in turn: an even line, a bent one, one that sags
_FREE_DEGREE = 8  # what a line may do beside; more than noise makes it do, and it is none of these
_LEAST_FRAMES = 3 * _FREE_DEGREE
_FIRST_PARTIALS = 4  # these are in place after any contour
# Chosen: times the most by chance. What the first partials rule out so plainly, the others do not
# bring back: of 420 even lines in 20 stems these left 0.8 times that at the most, of 850 others,
# 550 over four times.
_PLAINLY = 4.0
# Over the mean of a chi-square: noise alone is there once in 20 000. At 5, once in a thousand, two
# notes of 2000 were left to the contour that lay 18 and 75 times their bound off (limits, 56482).
_BY_CHANCE_SDS = 8.0
# Chosen: times that. Of 2304 tones in nothing but noise (`tests/bench/limits.py`, seeds 30111 and
# 30112) partials drifted by more in 4, never by over 1.33 times: the tail is longer than
# chi-square's. The doubt grows with the drift.
_DRIFTING = 1.5
_DRIFTS = 2.0  # chosen: times what noise leaves; in noise one line in 50, which is asked in vain
_MIDDLE_OF_SQUARES = 0.4549  # of normal errors of variance 1: the median of chi-square
_HANN_VARIANCE = 1.0 / 12.0 - 1.0 / (2.0 * np.pi**2)  # of a Hann window, of its length squared
_FRAMES_A_WINDOW = 3.0  # of a Hann window: closer frames know hardly more
_LEAST_SMOOTHED = 9  # frames, to tell how strong a partial is at a moment
# What is driven has no B to err in: 1e-9 took 110 Hz, 60 dB over noise, 1.5 times as far off.
_LEAST_B_SD = 1e-12
_LEAST_NOISE = 1e-30  # power
# Chosen: a partial of four times the noise's power is no noise; on the line hardly any of its power
# lies across its phase, of one that turns away for good half does, counted twice here.
_CLEAR, _ASTRAY = 4.0, 0.3
# Radians of the highest partial. Chosen: a phase that near is its own sine to 0.2 %, and another
# round leaves the line there: of plucks 65 dB over noise no sustain was moved by 1e-5 cents.
_STANDS = 0.1
_SHAPES_KEPT = 64  # lengths whose polynomials are kept: notes of a stem share them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenLine:
    """The mean pitch over a stretch of a note, and how it moves there."""

    f1_hz: float
    slope_cents_per_s: float
    sd_cents: float  # one standard deviation of the mean, by noise and by how partials drift
    slope_sd_cents_per_s: float  # the same of the slope
    drifts: bool  # whether partials do so by more than noise usually makes them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shapes:
    """Legendre polynomials over so many frames, the constant left out."""

    basis: Floats  # (k, degrees)
    sums: Floats  # (k, 1 + 2 degrees) the constant, the basis, and that times the first of it
    solver: Floats  # (degrees, k) least squares for their weights


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stretch:
    """The partials of a stretch of a note, turned back by a line straight in cents."""

    at_s: Floats  # (k,) from the start of the note
    turns: Floats  # (k - 1,) by which the phase of f0 turns along that line, from frame to frame
    to_turn: float  # from Hz of f1 to that
    start: Floats  # (degrees,) weights of the polynomials that lead from it to the contour
    tracks: NDArray[np.complex128]  # (partials, k)
    ratios: Floats  # (partials,) of their frequencies to f0
    lever: Floats  # (partials,) of B on the first polynomial in the phase of f0
    shapes: _Shapes
    window: float  # length of the Hann window, frames
    b_sd: float

    @property
    def freedom(self) -> int:
        """In how many ways partials may part."""
        return max(len(self.ratios) - 1, 1)

    def first(self, partials: int) -> _Stretch:
        """So many of its partials."""
        few = slice(partials)
        return replace(
            self, tracks=self.tracks[few], ratios=self.ratios[few], lever=self.lever[few]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """One round of least squares for a change of B and for the weights of the polynomials."""

    line: Floats  # (1 + degrees,) the change of B, then the weights
    root: Floats  # lower triangle, which with its transpose makes their inverse covariance
    unroot: Floats  # its inverse, of which any first rows and columns are that of the same of it
    noise: float  # power of the noise in each track
    begun_noise: float  # the power that it was taken to be
    drift: float  # how much less would be left if each partial had a pitch of its own
    astray: bool  # whether a partial turns away from the line, so far that its phase says nothing

    def beside(self) -> Floats:
        """How much a line leaves that stops at each degree from 0 on, in variances of noise."""
        whitened = self.root.T @ self.line
        left: Floats = np.cumsum(whitened[:0:-1] ** 2)[::-1]
        return left


def even_line(
    phases: Phases, contour: Contour, span_s: tuple[float, float], b_sd: float
) -> EvenLine | None:
    """Fit a smooth line to a stretch of a note; None where more than noise lies beside it.

    phases, contour : of the note; the contour is where the fit starts
    span_s : the stretch, seconds from the start of the note
    b_sd : how well the stiffness is known that the phases were followed with; 0 where none is
    """
    window = phases.window_s / (phases.t_s[1] - phases.t_s[0])  # frames
    first, last = map(int, phases.t_s.searchsorted(span_s))
    # Frames close together say the same: their mean is kept, in which what neighbours leak at
    # another frequency goes, where skipping would fold it down onto the line.
    apart = max(min(int(window / _FRAMES_A_WINDOW), (last - first) // _LEAST_FRAMES), 1)
    count, window = (last - first) // apart, window / apart
    if count < _LEAST_FRAMES or count <= 2 * window:
        return None
    inside = slice(first, first + count * apart)
    stretch = _stretch(phases, contour, inside, apart, max(b_sd, _LEAST_B_SD))
    fit = _fitted(stretch)
    degree = _degree(stretch, fit) if fit is not None else None
    return None if fit is None or degree is None else _line(stretch, fit, degree, span_s)


def _stretch(phases: Phases, contour: Contour, inside: slice, apart: int, b_sd: float) -> _Stretch:
    """The partials of some frames of a note, the mean of so many taken for one."""
    window = phases.window_s / (phases.t_s[1] - phases.t_s[0]) / apart
    at_s = _means(phases.t_s[inside], apart)
    # All against a line straight in cents through the contour: in phase a glide bends by its cube.
    to_turn = 2.0 * np.pi * (at_s[1] - at_s[0]) / np.sqrt(1.0 + phases.b)  # a frame
    line = np.log(contour.f1_hz[inside.start : inside.stop - 1])
    straight, phase = np.zeros((2, len(line) + 1))
    np.cumsum(np.exp(_straight(line)), out=straight[1:])
    np.cumsum(np.exp(line), out=phase[1:])
    straight *= to_turn / apart
    phase *= to_turn / apart
    prior = 2.0 * np.pi * phases.turns[inside] - straight
    prior -= prior[0]
    phase = _means(phase - straight, apart)
    turns = np.diff(_means(straight, apart))
    shapes = _shapes(len(at_s))
    start = shapes.solver @ (phase - phase.mean())
    steps = np.diff(shapes.basis @ start - _means(prior, apart))
    ahead = np.concatenate([steps[:1], (steps[1:] + steps[:-1]) / 2.0, steps[-1:]])

    ratios = phases.ratios
    tracks = phases.tracks[:, inside] * on_circle(np.multiply.outer(ratios, prior))
    tracks = _means(tracks, apart)
    tracks *= on_circle(np.multiply.outer(-ratios * _leaning(tracks, window), ahead))
    return _Stretch(
        at_s=at_s,
        turns=turns,
        to_turn=to_turn,
        start=start,
        tracks=tracks,
        ratios=ratios,
        lever=_lever(ratios, phases.b) * (float(turns.mean()) * len(turns) / 2.0),
        shapes=shapes,
        window=window,
        b_sd=b_sd,
    )


def _degree(stretch: _Stretch, fit: _Fit) -> int | None:
    """The lowest degree that leaves but noise; None where none does, or partials part."""
    if fit.astray or fit.drift > _DRIFTING * _most_by_chance(stretch.freedom):
        return None
    left = fit.beside()
    return next((d for d in _DEGREES if left[d] <= _most_by_chance(_FREE_DEGREE - d)), None)


def _line(
    stretch: _Stretch, fit: _Fit, degree: int, span_s: tuple[float, float]
) -> EvenLine | None:
    """The line of a fit that stops at a degree."""
    kept = slice(0, 1 + degree)  # B too
    unroot, basis = fit.unroot[kept, kept], stretch.shapes.basis[:, :degree]
    weights = ((fit.root.T @ fit.line)[kept] @ unroot)[1:]
    pitch = stretch.turns + np.diff(basis @ weights)
    if pitch.min() <= 0.0:
        return None
    cents = LN_CENTS * np.log(pitch)
    t_s = (stretch.at_s[1:] + stretch.at_s[:-1]) / 2.0
    away_s = t_s - t_s.mean()
    slope = float(away_s @ cents / (away_s @ away_s))
    middle = float(cents.mean()) + slope * (sum(span_s) / 2.0 - float(t_s.mean()))
    # Of the mean and of the slope, by B and by each weight.
    moved = np.zeros((1 + degree, 2))
    moved[1:, 0] = (basis[-1] - basis[0]) / len(t_s)
    moved[1:, 1] = away_s @ np.diff(basis, axis=0) / (away_s @ away_s)
    whitened = unroot @ moved / float(stretch.turns.mean())
    variance = np.sum(whitened**2, axis=0) * max(fit.drift / stretch.freedom, 1.0)
    sd_cents, slope_sd = LN_CENTS * np.sqrt(variance)
    return EvenLine(
        f1_hz=float(np.exp(middle / LN_CENTS)) / stretch.to_turn,
        slope_cents_per_s=slope,
        sd_cents=float(sd_cents),
        slope_sd_cents_per_s=float(slope_sd),
        drifts=fit.drift > _DRIFTS * stretch.freedom,
    )


def _means(frames: NDArray[Any], apart: int) -> NDArray[Any]:
    """Means of so many frames each, along the last axis."""
    if apart == 1:
        return frames
    means: NDArray[Any] = frames.reshape(*frames.shape[:-1], -1, apart).mean(axis=-1)
    return means


def _straight(line: Floats) -> Floats:
    """The straight line through one, by least squares."""
    at = evenly(len(line))
    straight: Floats = line.mean() + at * (at @ line) / (at @ at)
    return straight


def _leaning(tracks: NDArray[np.complex128], window: float) -> Floats:
    """How far the phase of each partial leans that grows or dies away, (partials,) a radian ahead.

    A window sees more of what is louder at one of its ends. Where the note runs ahead of the prior
    by so many radians a frame, and a partial grows by so much of itself, its phase leans by both
    times the variance of the window (the first term of the logarithm of its transform).
    """
    power = np.abs(tracks) ** 2 + 1e-30
    at = np.arange(tracks.shape[1], dtype=float)
    share = power / power.sum(axis=1, keepdims=True)
    away = at - (share @ at)[:, None]
    log = np.log(power) / 2.0
    lever = share * away
    grows = np.sum(lever * log, axis=1) / np.sum(lever * away, axis=1)
    leaning: Floats = grows * _HANN_VARIANCE * window**2
    return leaning


def _lever(ratios: Floats, b: float) -> Floats:
    """How far the log of each partial moves against the first with B."""
    square = np.round(ratios / np.sqrt(1.0 + b * ratios**2)) ** 2
    lever: Floats = square / (2.0 * (1.0 + b * square)) - 0.5 / (1.0 + b)
    return lever


@lru_cache(maxsize=_SHAPES_KEPT)
def _shapes(count: int) -> _Shapes:
    basis = legvander(evenly(count), _FREE_DEGREE)[:, 1:]
    return _Shapes(
        basis=basis,
        sums=np.concatenate([np.ones((count, 1)), basis, basis * basis[:, :1]], axis=1),
        solver=np.linalg.solve(basis.T @ basis, basis.T),
    )


def _fitted(stretch: _Stretch) -> _Fit | None:
    """The line of all partials; None where the first ones rule out any, or there is no sound.

    These alone tell the noise, and the line in it, well enough for one round with all; but for a B
    so far off that high partials turn away from it, which takes another round.
    """
    highest = max(_DEGREES)
    most = _PLAINLY * _most_by_chance(_FREE_DEGREE - highest)
    few, line, noise = stretch.first(_FIRST_PARTIALS), np.concatenate([[0.0], stretch.start]), None
    # Until it stands only what is ruled out plainly is: the next round may leave less.
    for allowed in (_PLAINLY * most, most):
        fit = _fit(few, line, noise)
        if fit is None:
            return None
        moved = np.abs(stretch.shapes.basis @ (fit.line - line)[1:]).max() * stretch.ratios[-1]
        # In variances of the noise that it leaves, not of that which it was begun with.
        beside = fit.beside()[highest] * fit.begun_noise / fit.noise
        if beside > (most if moved < _STANDS else allowed):
            return None
        line, noise = fit.line, fit.noise
        if moved < _STANDS:
            break
    fit = _fit(stretch, line, noise)
    return _fit(stretch, fit.line, fit.noise) if fit is not None and fit.astray else fit


def _fit(stretch: _Stretch, line: Floats, noise: float | None) -> _Fit | None:
    """Least squares for what the phases of partials add to a line, each with a phase of its own.

    noise : power of the noise in each track, from the round before; None where it is not known
        yet, and what lies beside the line is taken for it
    """
    ratios, lever, basis = stretch.ratios[:, None], stretch.lever, stretch.shapes.basis
    rising, degrees = basis[:, 0], basis.shape[1]
    expected = basis @ line[1:] + np.multiply.outer(lever * line[0], rising)
    rotated = stretch.tracks * on_circle(-ratios * expected)
    size = np.abs(rotated)
    ahead = np.conj((rotated * size).sum(axis=1))
    rotated *= (ahead / (np.abs(ahead) + 1e-30))[:, None]
    smoothed = max(round(2 * stretch.window) | 1, _LEAST_SMOOTHED)
    amplitude = np.maximum(_smoothed(rotated.real, smoothed), 0.0)
    off = np.angle(rotated) / ratios
    power = amplitude**2
    noise = noise or _noise(2.0 * rotated.imag**2)
    weight = 2.0 * ratios**2 * power * power / (power + noise)
    weight /= noise * max(HANN_OVERLAP * stretch.window, 1.0)
    # Sums over time, for each partial with its own phase taken out.
    of_weight = weight @ stretch.shapes.sums
    total, onto_basis = of_weight[:, 0] + 1e-30, of_weight[:, 1 : 1 + degrees]
    of_phase = (weight * off) @ stretch.shapes.sums[:, : 1 + degrees]
    onto_level = of_phase[:, 0]
    mean_basis = onto_basis / total[:, None]
    # Of the first polynomial of each partial, which is what B moves, with all.
    first = of_weight[:, 1 + degrees :] - onto_basis[:, :1] * mean_basis
    onto_first = of_phase[:, 1] - onto_level * mean_basis[:, 0]
    gram = np.empty((len(line), len(line)))
    gram[0, 0] = lever**2 @ first[:, 0] + stretch.b_sd**-2
    gram[0, 1:] = gram[1:, 0] = lever @ first
    gram[1:, 1:] = (basis.T * weight.sum(axis=0)) @ basis - onto_basis.T @ mean_basis
    onto = np.empty(len(line))
    onto[0] = lever @ onto_first - line[0] * stretch.b_sd**-2
    onto[1:] = of_phase[:, 1:].sum(axis=0) - onto_level @ mean_basis
    try:
        root = np.linalg.cholesky(gram)
    except np.linalg.LinAlgError:
        return None
    unroot = np.linalg.inv(root)
    added = unroot @ onto @ unroot
    fitted = basis @ added[1:] + np.multiply.outer(lever * added[0], rising)
    across = 2.0 * (rotated.imag - amplitude * ratios * fitted) ** 2
    # What is left to each partial along a slope of its own.
    lean = onto_first - first @ added[1:] - lever * added[0] * first[:, 0]
    left = _noise(across)
    whole, beside = (each.sum(axis=1) / len(basis) for each in (size**2, across))
    return _Fit(
        line=line + added,
        root=root,
        unroot=unroot,
        noise=left,
        begun_noise=noise,
        drift=float(np.sum(lean**2 / (first[:, 0] + 1e-30))),
        astray=bool(((whole > _CLEAR * left) & (beside > left + _ASTRAY * whole)).any()),
    )


def _noise(across: Floats) -> float:
    """Power of the noise in each track, from that of twice what lies across it at each moment."""
    return max(float(middle_of(across.ravel())) / _MIDDLE_OF_SQUARES, _LEAST_NOISE)


def _most_by_chance(freedom: int) -> float:
    """The most that noise leaves beside a fit that is right, in its variances (chi-square)."""
    return freedom + _BY_CHANCE_SDS * float(np.sqrt(2.0 * freedom))


def _smoothed(rows: Floats, window: int) -> Floats:
    """Moving mean of each row over an odd number of frames, fewer at the ends."""
    first, last = _around(rows.shape[1], window)
    total = np.zeros((len(rows), rows.shape[1] + 1))
    np.cumsum(rows, axis=1, out=total[:, 1:])
    mean: Floats = (total.take(last, axis=1) - total.take(first, axis=1)) / (last - first)
    return mean


@lru_cache(maxsize=_SHAPES_KEPT)
def _around(count: int, window: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where the frames around each of so many begin and end."""
    at = np.arange(count)
    return np.maximum(at - window // 2, 0), np.minimum(at + window // 2 + 1, count)
