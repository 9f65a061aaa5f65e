"""Which pitch, and which stiffness, do the partials of a note agree on?

Partials of a stiff string lie at f_n = n f0 sqrt(1 + B n^2) (H. Fletcher, "Normal vibration
frequencies of a stiff piano string", JASA 36, 1964), those of what is driven at whole multiples.
Where each was found, and how well, is tied here to one f0 and B by weighted least squares, with how
well both are known: from noise, and from how far partials lie apart.

Conventions
-----------
Frequencies in Hz; an uncertainty is one standard deviation. ``LN_CENTS`` turns a small relative
change into cents: 1200 / ln 2.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.words.spread import spread_of

LN_CENTS = 1200.0 / math.log(2.0)

_MAX_B = 5e-3  # stiffer than any string below 2.5 kHz that is meant to have a pitch
_OUTLIER_MADS = 4.0
# Student's t below which it lies as often as a normal error below its standard deviation (0.8413),
# by powers of 1 / freedom: fitted to `scipy.special.stdtrit` from 1 on, good to 1e-5.
_T_BY_FREEDOM = (0.99982, 0.49938, 0.25446, 0.04219, 0.04087)
_ROUNDED = 1e-9  # rounding leaves as much of a leverage of 1
_LEAST_FREEDOM = 1e-3  # where one partial is all there is, nothing differs from it
# No partial is trusted better than this, relative to its frequency: with 1e-5 (0.017 cents) a
# single strong partial cannot outvote the others on model errors such as a changing amplitude.
_RELATIVE_FLOOR = 1e-5
PARTIALS_FOR_B = 4  # two unknowns, and as many partials that may contradict
# Of three, only a B that stands out of its noise counts; at 1.8 kHz three are all that is heard.
_LEAST_PARTIALS_FOR_B, _CLEAR_SDS = 3, 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFit:
    """What the partials of one window agree on."""

    f0_hz: float
    b: float
    sd_cents: float  # of f1, widened by how badly the partials agree
    b_sd: float | None  # None where B was given
    numbers: NDArray[np.int64]  # of the partials used
    misfit_cents: Floats  # of the partials used, against the series
    amplitudes: Floats  # of the partials used
    shares: Floats  # of the partials used in f0, sum 1
    of_b_cents: float  # how unsure f1 is by a B hardly known alone

    @property
    def apart_sd_cents(self) -> float:
        """How well f1 is known from how far the partials lie apart alone, cents."""
        return math.hypot(sd_of_mean(self.misfit_cents, self.shares), self.of_b_cents)

    @property
    def f1_hz(self) -> float:
        return self.f0_hz * math.sqrt(1.0 + self.b)


def partial_ratios(numbers: NDArray[np.int64], b: float) -> Floats:
    """Frequencies of partials as multiples of f0: n sqrt(1 + B n^2)."""
    n = numbers.astype(float)
    ratios: Floats = n * np.sqrt(1.0 + b * n * n)
    return ratios


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownB:
    """What is known of the stiffness beforehand."""

    b: float  # to hold, or to start from
    sd: float = 0.0  # how well a B held is known: partials may agree on another near it
    asked: bool = False  # whether it is to be measured


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundPartials:
    """Where the partials of one window were found."""

    numbers: NDArray[np.int64]
    f_hz: Floats
    variance: Floats  # of f_hz, as noise makes it
    amplitudes: Floats


def tied(found: FoundPartials, known: KnownB) -> PartialFit:
    """Tie partial frequencies to f0 and B by weighted least squares.

    Once more without outliers, and with what moves partials beside noise: a room, and the ring of
    the note before, turn each of them by about as many Hz, so that the strong ones, which noise
    leaves exact, know no more of the pitch than others. B is measured where it is asked for and
    four partials are found, or three that say it clearly.
    """
    n, f_hz = found.numbers.astype(float), found.f_hz
    fit_b = known.asked and len(n) >= _LEAST_PARTIALS_FOR_B
    own_variance = found.variance + (_RELATIVE_FLOOR * f_hz) ** 2
    weight = 1.0 / own_variance
    unknown = 2 if fit_b else 1
    f0, stiffness, f0_variance, b_variance = _solved_series(n, f_hz, weight, b=known.b, fit_b=fit_b)
    if fit_b and len(n) < PARTIALS_FOR_B and stiffness**2 < _CLEAR_SDS**2 * b_variance:
        fit_b, unknown = False, 1
        f0, stiffness, f0_variance, b_variance = _solved_series(
            n, f_hz, weight, b=known.b, fit_b=False
        )
    ratios = n * np.sqrt(1.0 + stiffness * n * n)
    misfit = f_hz - ratios * f0
    score = np.abs(misfit) * np.sqrt(weight)
    keep = score < _OUTLIER_MADS * max(spread_of(score, 0.0), 1.0)
    if keep.sum() < (_LEAST_PARTIALS_FOR_B if fit_b else 1):
        keep = np.ones(len(f_hz), dtype=bool)
    shared = _shared_variance(misfit[keep], weight[keep], ratios[keep], unknown)
    if shared > 0.0 or not keep.all():
        weight = 1.0 / (own_variance + shared)
        f0, stiffness, f0_variance, b_variance = _solved_series(
            n, f_hz, weight * keep, b=known.b, fit_b=fit_b
        )
        misfit = f_hz - n * np.sqrt(1.0 + stiffness * n * n) * f0
    n, f_hz, weight, misfit = n[keep], f_hz[keep], weight[keep], misfit[keep]
    freedom = len(n) - unknown
    chi2 = float(weight @ misfit**2)
    widen = max(1.0, chi2 / freedom) if freedom > 0 else 1.0
    share = f_hz**2 * weight
    misfit_cents = LN_CENTS * misfit / f_hz
    of_b_cents = 0.0
    if known.sd > 0.0 and not fit_b:
        f0, of_b_cents, misfit_cents = _near_b(
            n, misfit_cents, share / widen, f0, stiffness, known.sd
        )
    return PartialFit(
        f0_hz=f0,
        b=stiffness,
        sd_cents=math.hypot(LN_CENTS * math.sqrt(f0_variance * widen) / f0, of_b_cents),
        b_sd=_b_sd(n, f_hz, weight, f0, stiffness, b_variance * widen) if fit_b else None,
        numbers=found.numbers[keep],
        misfit_cents=misfit_cents,
        amplitudes=found.amplitudes[keep],
        shares=share / share.sum(),
        of_b_cents=of_b_cents,
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


def _b_sd(
    n: Floats, f_hz: Floats, weight: Floats, f0_hz: float, b: float, variance: float
) -> float:
    """How well B is known: by what all partials scatter, or by what those do that it hangs on.

    In a room high partials die first and are turned furthest, and it is they that tell B. So also
    by how far B would move without each partial (the jackknife in its closed form for least
    squares, HC3 of J. MacKinnon and H. White, J. Econometrics 29, 1985); the larger counts.

    variance : of B, as equal scatter makes it
    """
    square = n * n
    onto = (square / (2.0 * f_hz)) ** 2 * weight
    total, s1, s2 = float(onto.sum()), float(onto @ square), float(onto @ (square * square))
    determinant = total * s2 - s1 * s1
    if determinant <= 0.0:
        return math.sqrt(variance)
    level = f0_hz * f0_hz
    rest = (f_hz / n) ** 2 - level * (1.0 + b * square)
    leverage = onto * (s2 - 2.0 * s1 * square + total * square * square) / determinant
    moves = onto * (total * square - s1 - b * (s2 - s1 * square)) / (determinant * level)
    moves *= rest / np.maximum(1.0 - leverage, _ROUNDED)
    wider = _student_t(len(n) - 2)
    return math.sqrt(max(variance, wider**2 * float(moves @ moves)))


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
    return _student_t(freedom) * math.sqrt(variance)


def sd_by_shares(each: Floats, shares: Floats) -> float:
    """How well a weighted mean is known where each is known as its share says, in its units.

    By what each moves the mean (the sandwich of H. White, Econometrica 48, 1980, as HC2 of
    J. MacKinnon and H. White has it): what lies far off and hardly counts is no doubt. As in
    `sd_of_mean`, Student's t takes the place of a normal error.
    """
    moves = shares * (each - shares @ each)
    variance = float(np.sum(moves**2 / np.maximum(1.0 - shares, _LEAST_FREEDOM)))
    return _student_t(1.0 / float(shares @ shares) - 1.0) * math.sqrt(variance)


def _student_t(freedom: float) -> float:
    """How many times wider than a normal error Student's t is at two in three; from one degree."""
    t = 0.0
    for term in reversed(_T_BY_FREEDOM):
        t = t / max(freedom, 1.0) + term
    return t


def _solved_series(
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
        return _solved_series(n, f_hz, weight, b=b, fit_b=False)
    f0_squared = max((s2 * onto - s1 * onto_square) / determinant, 1e-12)
    stiffness = (total * onto_square - s1 * onto) / determinant / f0_squared
    # From the covariance of (f0^2, f0^2 B) to the variances of f0 and B.
    f0_variance = 0.25 * s2 / determinant / f0_squared
    b_variance = (stiffness**2 * s2 + 2.0 * stiffness * s1 + total) / determinant / f0_squared**2
    return f0_squared**0.5, min(max(stiffness, -2e-4), _MAX_B), f0_variance, b_variance
