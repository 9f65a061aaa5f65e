"""Where exactly do the partials of a note lie, and which pitch do they agree on?

The pitch of a note is that of its first partial, f1 = f0 sqrt(1 + B), where the partials of a
stiff string lie at f_n = n f0 sqrt(1 + B n^2) (H. Fletcher, "Normal vibration frequencies of a
stiff piano string", JASA 36, 1964). A period-based reading of such a note is sharp, and sharper
at the attack, where the high partials are strong; the partial series is not.

Joint least squares of all partials on one window, from 2.5 periods up: for short windows that must
not look outside themselves (the onset), and for the stiffness B. `planner.contour` follows the
partials along a note, in a way as unlike this as can be.

Conventions
-----------
Samples are float arrays at ``sr``, worked on in single precision (-140 dB); frequencies in Hz;
an uncertainty is one standard deviation.
``LN_CENTS`` turns a small relative change into cents: 1200 / ln 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack  # type: ignore[import-untyped,unused-ignore]
from scipy.special import stdtrit  # type: ignore[import-untyped,unused-ignore]

from planner.model import Floats

LN_CENTS = 1200.0 / np.log(2.0)

HIGHEST_PARTIAL_SHARE = 0.45  # of the sampling rate: above, the resampler's edge begins
_FIRST_PERIODS = 5.0
_FIRST_WINDOW_S = 0.02
# Partials in each round from a cold start: each says well enough where to look for the next.
# Where B is not known yet, high partials lie further from where they are looked for.
_ROUNDS, _ROUNDS_WITHOUT_B = (3, 7, 16), (3, 6, 12, 24)
# A partial known to a hundredth of 1/T is a twenty-fifth of 1/T off in a window four times as long.
_GROWTH, _LAST_GROWTH = 4, 6
# A partial x / T from where it is modelled comes out pi^2 / 15 x^3 / T too far away (the line
# a + b t against the turn it stands for, to third order): a fit that leaves less than this stands.
_TURN_LEFT, _LEFT_CENTS = np.pi**2 / 15.0, 0.01
_NEAR_TURNS = 0.5  # half a turn over the window: nearer than any neighbour of its own series
_LOCK_RANGE = 0.8  # times 1/T: a partial further from where it is looked for is not believed
_AUDIBLE_PARTIAL = 0.25  # times 1/T: a partial whose place is known worse than this is noise
_MAX_B = 5e-3  # stiffer than any string below 2.5 kHz that is meant to have a pitch
_OUTLIER_MADS = 4.0
_BELOW_ONE_SD = 0.8413  # of normal errors
_LEAST_FREEDOM = 1e-3  # where one partial is all there is, nothing differs from it
# No partial is trusted better than this, relative to its frequency: with 1e-5 (0.017 cents) a
# single strong partial cannot outvote the others on model errors such as a changing amplitude.
_RELATIVE_FLOOR = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFit:
    """What the partials of one window agree on."""

    f0_hz: float
    b: float
    sd_cents: float  # of f1, widened by how badly the partials agree
    apart_sd_cents: float  # of f1, from how far the partials lie apart alone
    b_sd: float | None  # None where B was given
    numbers: NDArray[np.int64]  # of the partials used
    misfit_cents: Floats  # of the partials used, against the series
    amplitudes: Floats  # of the partials used

    @property
    def f1_hz(self) -> float:
        return float(self.f0_hz * np.sqrt(1.0 + self.b))


def partial_ratios(numbers: NDArray[np.int64], b: float) -> Floats:
    """Frequencies of partials as multiples of f0: n sqrt(1 + B n^2)."""
    n = numbers.astype(float)
    ratios: Floats = n * np.sqrt(1.0 + b * n * n)
    return ratios


def fit_partials(
    samples: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float = 0.0,
    fit_b: bool = False,
    b_sd: float = 0.0,
    pitch_law: Floats | None = None,
    most_partials: int = 40,
    followed: bool = False,
) -> PartialFit | None:
    """Measure the pitch of one window from all its partials at once.

    Every partial is modelled as (a + b t) e^{j 2 pi f t}, linear in a and b, so that a decaying
    amplitude is part of the model and the imaginary part of b/a is how far the partial lies from
    where it was looked for. The frequencies are then tied to f0 (and B) by weighted least
    squares. The fit starts on a few periods in the middle, where a partial is still found when
    it lies far from where it is looked for, and the window grows from there until it is whole.

    Parameters
    ----------
    samples : (n,) the window, nothing outside is looked at
    f0_hz : where to start, right to about half a semitone
    b : stiffness to start from, or to hold
    fit_b : whether to measure B too (needs four partials)
    b_sd : how well the B held is known, one standard deviation: with it, partials may agree on
        another B near it, and f1 is as unsure as B leaves it
    pitch_law : (n,) any smooth curve proportional to the pitch inside the window; it takes glide
        and vibrato out, and the result is the mean along it
    most_partials : how many to model at most. At 41 Hz forty reach 1.6 kHz; one that is left out
        and sounds costs a short window a factor of ten, a long one little
    followed : whether f0_hz and the law come from a contour through this window: then all of it is
        tried first, and counts where its partials lie where they are looked for

    Returns
    -------
    PartialFit or None
        None where the window holds fewer than 2.2 periods, no partial can be found, or the pitch
        runs away by more than a semitone.
    """
    count = len(samples)
    if count < 2.2 * sr / f0_hz or count < 32:
        return None
    x = np.asarray(samples, dtype=np.float32)
    clock = np.arange(count) / sr if pitch_law is None else _warped_clock(pitch_law, sr)
    if followed:
        fit = _fit_where_expected(
            x, clock, sr, f0_hz, b=b, fit_b=fit_b, b_sd=b_sd, most=most_partials
        )
        if fit is not None:
            return fit
    length = min(round(max(_FIRST_PERIODS * sr / f0_hz, _FIRST_WINDOW_S * sr)), count)
    fit = None
    start_hz = f0_hz
    while True:
        first = (count - length) // 2
        window = slice(first, first + length)
        fit = _fit_window(
            x[window],
            clock[window],
            sr,
            f0_hz,
            b=b,
            fit_b=fit_b,
            b_sd=b_sd,
            most=most_partials,
            cold=fit is None,
            last=length == count,
        )
        if fit is None or abs(np.log2(fit.f0_hz / start_hz)) > 1 / 12:
            return None
        f0_hz = fit.f0_hz
        b = fit.b if fit.b_sd is not None else b
        if length == count:
            return fit
        length = count if count <= _LAST_GROWTH * length else _GROWTH * length


def _fit_window(
    x: Floats,
    clock: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float,
    fit_b: bool,
    b_sd: float,
    most: int,
    cold: bool,
    last: bool,
) -> PartialFit | None:
    """Fit one window; from a cold start with more partials in each round, at last with all.

    The last window is fitted again, from where its partials have been found, unless they were
    found where they had been looked for; on the way there once is enough, since the next window
    starts from it.
    """
    count = len(x)
    window_s = count / sr
    highest = HIGHEST_PARTIAL_SHARE * sr
    most = int(min(most, highest / f0_hz, count / 6))
    fit: PartialFit | None = None
    rounds = _ROUNDS_WITHOUT_B if fit_b else _ROUNDS
    ramp = [k for k in rounds if k < most] if cold else []
    for wanted in [*ramp, most, most] if last else [*ramp, most]:
        numbers = np.arange(1, wanted + 1)
        ratios = partial_ratios(numbers, b)
        keep = ratios * f0_hz < highest
        numbers, ratios = numbers[keep], ratios[keep]
        if len(numbers) == 0:
            return fit
        amplitude, shift_hz, variance = _joint_fit(x, clock, ratios * f0_hz, window_s)
        found = np.abs(shift_hz) < _LOCK_RANGE / window_s
        found &= (variance > 0.0) & (variance < (_AUDIBLE_PARTIAL / window_s) ** 2)
        if not found.any():
            return fit
        fit = _tie(
            numbers[found],
            ratios[found] * f0_hz + shift_hz[found],
            variance[found],
            amplitude[found],
            b=b,
            fit_b=fit_b and found.sum() >= 4,
            b_sd=b_sd,
        )
        stands = _stands(fit, f0_hz, b, window_s)
        f0_hz, b = fit.f0_hz, fit.b
        if wanted == most and stands:
            break
    return fit


def _fit_where_expected(
    x: Floats,
    clock: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float,
    fit_b: bool,
    b_sd: float,
    most: int,
) -> PartialFit | None:
    """Fit all of a window at once; None where partials do not lie about where they are looked for.

    Once more from where they lie, where they are so near that they cannot be others.
    """
    window_s = len(x) / sr
    for _ in range(2):
        fit = _fit_window(
            x, clock, sr, f0_hz, b=b, fit_b=fit_b, b_sd=b_sd, most=most, cold=False, last=False
        )
        if fit is None or _stands(fit, f0_hz, b, window_s):
            return fit
        if _moved_turns(fit, f0_hz, b, window_s).max() > _NEAR_TURNS:
            return None
        f0_hz, b = fit.f0_hz, fit.b if fit_b else b
    return None


def _moved_turns(fit: PartialFit, f0_hz: float, b: float, window_s: float) -> Floats:
    """How far partials were found from where they were modelled, times the window's length."""
    before_hz = partial_ratios(fit.numbers, b) * f0_hz
    after_hz = partial_ratios(fit.numbers, fit.b) * fit.f0_hz
    return np.abs(after_hz - before_hz) * window_s


def _stands(fit: PartialFit, f0_hz: float, b: float, window_s: float) -> bool:
    """Were partials modelled so near where they were found that another fit leaves them there?"""
    moved = _moved_turns(fit, f0_hz, b, window_s)
    expected_hz = partial_ratios(fit.numbers, b) * f0_hz
    left_cents = LN_CENTS * _TURN_LEFT * moved**3 / (window_s * expected_hz)
    return bool(left_cents.max() < _LEFT_CENTS)


def _warped_clock(pitch_law: Floats, sr: int) -> Floats:
    """Time that runs as fast as the pitch, s: in it a glide stands still."""
    relative = np.asarray(pitch_law, dtype=np.float64) / np.mean(pitch_law)
    clock: Floats = np.concatenate([[0.0], np.cumsum((relative[1:] + relative[:-1]) / 2)]) / sr
    return clock


def _joint_fit(
    x: Floats, clock: Floats, f_hz: Floats, window_s: float
) -> tuple[Floats, Floats, Floats]:
    """Amplitude, distance from f_hz (Hz) and its variance (Hz^2) of every partial, jointly."""
    k, count = len(f_hz), len(x)
    model = np.empty((4 * k, count), dtype=np.float32)
    turns = np.multiply.outer(f_hz, clock - clock[count // 2])
    one_turn(turns, out=(model[:k], model[k : 2 * k]))
    unit = (np.arange(1 - count, count, 2) / count).astype(np.float32)
    np.multiply(model[: 2 * k], unit, out=model[2 * k :])
    gram = (model @ model.T).astype(np.float64)
    gram.flat[:: 4 * k + 1] += 1e-9 * count
    weights, inverse = _solved(gram, model @ x)
    rest = x - weights.astype(np.float32) @ model
    noise = float(rest @ rest) / max(count - 4 * k, 0.2 * count)
    noise = max(noise, 1e-12 * float(x @ x) / count, 1e-20)
    a, b, c, d = weights[:k], weights[k : 2 * k], weights[2 * k : 3 * k], weights[3 * k :]
    power = a * a + b * b + 1e-30
    turn = (b * c - a * d) / power
    spread = inverse.diagonal()
    cross = inverse[3 * k :, 2 * k : 3 * k].diagonal()
    turn_variance = (
        noise
        * (b * b * spread[2 * k : 3 * k] + a * a * spread[3 * k :] - 2 * a * b * cross)
        / power**2
    )
    to_hz = 1.0 / (np.pi * window_s)
    return np.sqrt(power), turn * to_hz, turn_variance * to_hz**2


def _solved(gram: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """Weights of a fit from its normal equations, and the lower triangle of the gram's inverse.

    By Cholesky in half the time of `numpy.linalg.inv`, which is left for columns so alike that
    rounding hides that the gram is positive.
    """
    root, failed = lapack.dpotrf(gram, lower=1)
    if failed:
        inverse = np.linalg.inv(gram)
        return inverse @ onto, inverse
    return lapack.dpotrs(root, onto, lower=1)[0], lapack.dpotri(root, lower=1)[0]


def one_turn(
    turns: Floats, out: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Cosine and sine of full turns.

    Within one turn single precision is good to 1e-7 (-140 dB) and takes a fraction of the time.
    """
    phase = (turns - np.rint(turns)).astype(np.float32)
    phase *= np.float32(2.0 * np.pi)
    cosine, sine = out if out is not None else (None, None)
    return np.cos(phase, out=cosine), np.sin(phase, out=sine)


def _tie(
    numbers: NDArray[np.int64],
    f_hz: Floats,
    variance: Floats,
    amplitudes: Floats,
    *,
    b: float,
    fit_b: bool,
    b_sd: float,
) -> PartialFit:
    """Tie partial frequencies to f0 and B by weighted least squares.

    Once more without outliers, and with what moves partials beside noise: a room, and the ring of
    the note before, turn each of them by about as many Hz, so that the strong ones, which noise
    leaves exact, know no more of the pitch than others.
    """
    n = numbers.astype(float)
    own_variance = variance + (_RELATIVE_FLOOR * f_hz) ** 2
    weight = 1.0 / own_variance
    unknown = 2 if fit_b else 1
    f0, stiffness, _, _ = _solve_series(n, f_hz, weight, b=b, fit_b=fit_b)
    ratios = n * np.sqrt(1.0 + stiffness * n * n)
    misfit = f_hz - ratios * f0
    score = np.abs(misfit) * np.sqrt(weight)
    keep = score < _OUTLIER_MADS * max(1.4826 * float(middle_of(score)), 1.0)
    if keep.sum() < (4 if fit_b else 1):
        keep = np.ones(len(f_hz), dtype=bool)
    weight = 1.0 / (
        own_variance + _shared_variance(misfit[keep], weight[keep], ratios[keep], unknown)
    )
    f0, stiffness, f0_variance, b_variance = _solve_series(n, f_hz, weight * keep, b=b, fit_b=fit_b)
    misfit = f_hz - n * np.sqrt(1.0 + stiffness * n * n) * f0
    freedom = int(keep.sum()) - unknown
    chi2 = float(weight[keep] @ misfit[keep] ** 2)
    widen = max(1.0, chi2 / freedom) if freedom > 0 else 1.0
    share = f_hz[keep] ** 2 * weight[keep]
    misfit_cents = LN_CENTS * misfit[keep] / f_hz[keep]
    of_b_cents = 0.0
    if b_sd > 0.0 and not fit_b:
        f0, of_b_cents, misfit_cents = _near_b(
            n[keep], misfit_cents, share / widen, f0, stiffness, b_sd
        )
    return PartialFit(
        f0_hz=f0,
        b=stiffness,
        sd_cents=float(np.hypot(LN_CENTS * np.sqrt(f0_variance * widen) / f0, of_b_cents)),
        apart_sd_cents=float(np.hypot(sd_of_mean(misfit_cents, share / share.sum()), of_b_cents)),
        b_sd=float(np.sqrt(b_variance * widen)) if fit_b else None,
        numbers=numbers[keep],
        misfit_cents=misfit_cents,
        amplitudes=amplitudes[keep],
    )


def _shared_variance(misfit_hz: Floats, weight: Floats, ratios: Floats, unknown: int) -> float:
    """Variance that all partials share beyond their own, Hz^2; 0 where their own explain it.

    By moments (R. DerSimonian and N. Laird, "Meta-analysis in clinical trials", Controlled Clinical
    Trials 7, 1986), as for studies that differ by more than their own errors.
    """
    freedom = len(weight) - unknown
    beyond = float(weight @ misfit_hz**2) - freedom
    if freedom < 1 or beyond <= 0.0:
        return 0.0
    onto = weight * ratios
    return beyond / float(weight.sum() - (onto @ onto) / (onto @ ratios))


def _near_b(
    n: Floats, misfit_cents: Floats, weight: Floats, f0_hz: float, b: float, b_sd: float
) -> tuple[float, float, Floats]:
    """Let partials agree on another B near the one held.

    The log of partial n moves by n^2 / (2 (1 + B n^2)) times a change of B. Least squares for such
    a change and the first partial, the change being as likely as ``b_sd`` says. Returned are f0 for
    the B held with the new f1, what B leaves open of f1 in cents, and what is left of the misfits.

    weight : (k,) inverse variances of the logs of the partials
    """
    lever = n * n / (2.0 * (1.0 + b * n * n)) - 0.5 / (1.0 + b)
    onto_lever = weight * lever
    total, s1 = float(weight.sum()), float(onto_lever.sum())
    s2 = float(onto_lever @ lever) + b_sd**-2
    y = misfit_cents / LN_CENTS
    onto, onto_s = float(weight @ y), float(onto_lever @ y)
    determinant = total * s2 - s1 * s1
    level = (s2 * onto - s1 * onto_s) / determinant
    change = (total * onto_s - s1 * onto) / determinant
    variance = s2 / determinant - 1.0 / total
    left: Floats = LN_CENTS * (y - level - change * lever)
    return f0_hz * float(np.exp(level)), LN_CENTS * float(np.sqrt(max(variance, 0.0))), left


def sd_of_mean(each: Floats, shares: Floats) -> float:
    """How well a weighted mean is known from how what it is the mean of differs, in its units.

    Of as many figures as their shares, which sum to 1, are worth (L. Kish's effective number), and
    as much more as Student's t is wider than a normal error at two in three.
    """
    freedom = max(1.0 / float(shares @ shares) - 1.0, _LEAST_FREEDOM)
    variance = float(shares @ (each - shares @ each) ** 2) / freedom
    return float(stdtrit(max(freedom, 1.0), _BELOW_ONE_SD)) * float(np.sqrt(variance))


def middle_of(values: Floats) -> Floats:
    """Median along the last axis; np.median says the same and takes ten times as long on a few."""
    count = values.shape[-1]
    low, high = (count - 1) // 2, count // 2
    ordered = np.partition(values, (low, high), axis=-1)
    median: Floats = (ordered[..., low] + ordered[..., high]) / 2.0
    return median


def _solve_series(
    n: Floats, f_hz: Floats, weight: Floats, *, b: float, fit_b: bool
) -> tuple[float, float, float, float]:
    """Least squares for f_n = n f0 sqrt(1 + B n^2); returns f0, B and their variances.

    With B given f0 is linear. With both unknown (f_n / n)^2 = f0^2 + f0^2 B n^2 is, and its
    weights follow from the variance of f_n, which is small beside f_n.
    """
    if not fit_b:
        ratios = n * np.sqrt(1.0 + b * n * n)
        onto_ratios = ratios * weight
        total = float(onto_ratios @ ratios)
        return float(onto_ratios @ f_hz) / total, b, 1.0 / total, 0.0
    level = (f_hz / n) ** 2
    weight_of_level = (n * n / (2.0 * f_hz)) ** 2 * weight
    square = n * n
    of_square = weight_of_level * square
    total, s1, s2 = float(weight_of_level.sum()), float(of_square.sum()), float(of_square @ square)
    onto, onto_square = float(weight_of_level @ level), float(of_square @ level)
    determinant = total * s2 - s1**2
    if determinant <= 1e-12 * total * s2:
        return _solve_series(n, f_hz, weight, b=b, fit_b=False)
    f0_squared = max((s2 * onto - s1 * onto_square) / determinant, 1e-12)
    stiffness = (total * onto_square - s1 * onto) / determinant / f0_squared
    # From the covariance of (f0^2, f0^2 B) to the variances of f0 and B.
    f0_variance = 0.25 * s2 / determinant / f0_squared
    b_variance = (stiffness**2 * s2 + 2.0 * stiffness * s1 + total) / determinant / f0_squared**2
    return f0_squared**0.5, min(max(stiffness, -2e-4), _MAX_B), f0_variance, b_variance
