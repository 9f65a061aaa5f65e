"""Partials tied to one pitch and B: the law of the stiff string, weights, doubts."""

import numpy as np
import pytest
from scipy.special import stdtrit

from planner.measure.partial_series import (
    FoundPartials,
    KnownB,
    PartialFit,
    partial_ratios,
    sd_by_shares,
    sd_of_mean,
    tied,
)
from planner.model import Floats

N = np.arange(1, 13)
DOUBTS = (sd_by_shares, sd_of_mean)


@pytest.mark.parametrize("b", [0.0, 1e-5, 3e-4, 1e-3])
def test_ratios_are_those_of_a_stiff_string(b: float) -> None:
    """Partial n lies at n sqrt(1 + B n^2) (H. Fletcher, JASA 36, 1964)."""
    found = partial_ratios(np.arange(1, 11), b)
    assert list(found) == pytest.approx([n * (1 + b * n**2) ** 0.5 for n in range(1, 11)])


@pytest.mark.parametrize(("m", "n"), [(2, 1), (6, 1), (9, 4)])
def test_two_partials_give_the_stiffness(m: int, n: int) -> None:
    """With R = n f_m / (m f_n), B = (R^2 - 1) / (m^2 - n^2 R^2): the formula solved for B."""
    f_m, f_n = partial_ratios(np.array([m, n]), 4e-4)
    r = n * f_m / (m * f_n)
    assert (r**2 - 1) / (m**2 - n**2 * r**2) == pytest.approx(4e-4, rel=1e-6)


def fit_of(f_hz: Floats, variance: Floats, known: KnownB | None = None) -> PartialFit:
    """Partials found at these places, as sure as that, tied."""
    found = FoundPartials(
        numbers=np.arange(1, len(f_hz) + 1), f_hz=f_hz, variance=variance, amplitudes=1.0 / f_hz
    )
    return tied(found, known or KnownB(b=0.0))


def test_exact_partials_give_f0_and_b() -> None:
    """Twelve partials of 110 Hz and B 4e-4 give both, three only where it stands out of noise."""
    f_hz = 110.0 * partial_ratios(N, 4e-4)
    fit = fit_of(f_hz, np.full(12, 1e-6), KnownB(b=0.0, asked=True))
    assert fit.f0_hz == pytest.approx(110.0, rel=1e-9)
    assert fit.b == pytest.approx(4e-4, rel=1e-6)
    assert fit.b_sd is not None
    few = fit_of(f_hz[:3], np.full(3, 1e-6), KnownB(b=0.0, asked=True))
    assert few.b == pytest.approx(4e-4, rel=1e-6)
    assert few.b_sd is not None
    # In the third partial B makes 0.6 Hz.
    vague = fit_of(f_hz[:3], np.full(3, 0.2**2), KnownB(b=3e-4, asked=True))
    assert (vague.b, vague.b_sd) == (3e-4, None)
    two = fit_of(f_hz[:2], np.full(2, 1e-6), KnownB(b=4e-4, asked=True))
    assert (two.b, two.b_sd) == (4e-4, None)


def test_noise_alone_weighs_by_its_variance() -> None:
    """Errors as large as their variances leave no shared one: sd is 1 / sqrt(sum n^2 / var)."""
    rng = np.random.default_rng(2)
    variance = np.geomspace(1e-6, 1e-2, 12)
    bound_hz = 1.0 / np.sqrt(np.sum(N**2 / variance))
    errors = [
        fit_of(220.0 * N + rng.normal(0.0, np.sqrt(variance)), variance).f0_hz - 220.0
        for _ in range(200)
    ]
    # 1e-5 of each frequency is always allowed for, which the strongest partials are better than.
    assert np.sqrt(np.mean(np.square(errors))) < 1.6 * bound_hz


def test_a_turn_that_all_share_weighs_all_alike() -> None:
    """Turned by half a hertz each, partials known to a thousandth weigh as those known to a tenth.

    Equal weights give sd / sqrt(sum n^2) (R. DerSimonian and N. Laird, 1986, for the method);
    the variances given would let one partial decide, and be wrong by half a hertz.
    """
    rng = np.random.default_rng(3)
    variance = np.geomspace(1e-6, 1e-2, 12)
    errors, stated = [], []
    for _ in range(200):
        fit = fit_of(220.0 * N + rng.normal(0.0, 0.5, 12), variance)
        errors.append(1200 * np.log2(fit.f0_hz / 220.0))
        stated.append(fit.apart_sd_cents)
    bound_cents = 1200 / np.log(2) * 0.5 / np.sqrt(np.sum(N**2)) / 220.0
    assert np.sqrt(np.mean(np.square(errors))) < 1.25 * bound_cents
    covered = np.abs(errors) <= np.array(stated)
    assert 0.6 < covered.mean() < 0.8


def test_one_partial_far_off_is_left_out() -> None:
    """A partial that is another note's does not pull the pitch, and is not among those used."""
    f_hz = 220.0 * N.astype(float)
    f_hz[4] += 8.0
    fit = fit_of(f_hz, np.full(12, 1e-4))
    assert 5 not in fit.numbers
    assert fit.f0_hz == pytest.approx(220.0, rel=1e-6)


def test_a_b_near_the_one_held_may_be_agreed_on() -> None:
    """Held 5 % too low and known to 5 %, B gives way: f1 comes right, and less sure."""
    f_hz = 55.0 * partial_ratios(np.arange(1, 31), 3e-4)
    variance = np.full(30, 1e-4)
    held = fit_of(f_hz, variance, KnownB(b=2.85e-4))
    near = fit_of(f_hz, variance, KnownB(b=2.85e-4, sd=1.5e-5))
    off = [abs(1200 * np.log2(fit.f0_hz / 55.0)) for fit in (held, near)]
    assert off[1] < 0.2 * off[0]
    assert near.of_b_cents > 0.0
    assert near.apart_sd_cents >= near.of_b_cents


def test_the_doubt_of_a_mean_is_the_textbook_one() -> None:
    """Of equal figures s / sqrt(n) times Student's t; of one figure nothing is known to differ.

    t for 68.27 % at 4 degrees of freedom is 1.14 (R. A. Fisher and F. Yates, Statistical Tables).
    """
    each = np.array([1.0, 2.0, 4.0, 4.0, 9.0])
    expected = 1.1416 * each.std(ddof=1) / np.sqrt(5)
    assert sd_of_mean(each, np.full(5, 0.2)) == pytest.approx(expected, rel=1e-3)
    assert sd_of_mean(np.array([3.0, 7.0]), np.array([1.0, 0.0])) == 0.0


@pytest.mark.parametrize("last", [1e-6, 0.1, 1.0])  # how much the last of them counts
@pytest.mark.parametrize("count", [2, 3, 4, 6, 10, 40])
def test_few_figures_widen_a_doubt_as_students_t_does(count: int, last: float) -> None:
    """Source: scipy.special.stdtrit, at degrees of freedom that are no whole numbers too."""
    shares = np.array([1.0] * (count - 1) + [last])
    shares /= shares.sum()
    each = np.arange(count, dtype=float) ** 2
    freedom = 1.0 / float(shares @ shares) - 1.0
    alone = np.sqrt(shares @ (each - shares @ each) ** 2 / max(freedom, 1e-3))
    widened = stdtrit(max(freedom, 1.0), 0.8413) * alone
    assert sd_of_mean(each, shares) == pytest.approx(widened, rel=1e-5)


def test_what_hardly_counts_in_a_mean_is_hardly_doubt() -> None:
    """Means of ten, each weighed by how well it is known, two of them a hundred times worse.

    Two errors in three lie within the doubt, as its definition says; taken for equally well known,
    the bad ones would make nearly all do so.
    """
    sd = np.array([0.1, 0.1, 0.2, 0.2, 0.2, 0.3, 0.3, 0.3, 10.0, 10.0])
    shares = sd**-2.0 / np.sum(sd**-2.0)
    each = np.random.default_rng(11).normal(size=(1000, 10)) * sd
    error = np.abs(each @ shares)
    within = [np.mean(error <= [doubt(x, shares) for x in each]) for doubt in DOUBTS]
    assert 0.62 < within[0] < 0.75
    assert within[1] > 0.85


def test_of_equal_ones_both_doubts_are_the_same() -> None:
    """Where each counts alike there is one way to say how well a mean is known."""
    each, shares = np.array([1.0, 2.0, 4.0, 4.0, 9.0]), np.full(5, 0.2)
    assert sd_by_shares(each, shares) == pytest.approx(sd_of_mean(each, shares))
    assert sd_by_shares(np.array([3.0, 7.0]), np.array([1.0, 0.0])) == 0.0


def test_b_is_as_unsure_as_the_partials_it_hangs_on() -> None:
    """High partials scatter ten times as far as low ones: B's errors are still as large as told."""
    over = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        far = np.where(N > 8, 0.3, 0.03)
        f_hz = 110.0 * partial_ratios(N, 2e-4) + far * rng.normal(size=12)
        fit = fit_of(f_hz, np.full(12, 1e-6), KnownB(b=0.0, asked=True))
        assert fit.b_sd is not None
        over.append(abs(fit.b - 2e-4) / fit.b_sd)
    assert 0.55 < float(np.mean(np.array(over) <= 1.0)) < 0.8
    assert float(np.mean(np.array(over) <= 2.0)) > 0.85


def test_a_b_that_hangs_on_one_high_partial_is_no_better_known_than_without_it() -> None:
    """1 to 4 of a string of 1.4e-3, and what lies where the 20th of one of 4.4e-4 would.

    Leaving out that one moves B back by 1e-3: by how far it would move, its doubt is no less
    (HC3 in its closed form, a leverage of nearly 1).
    """
    numbers = np.array([1, 2, 3, 4, 20])
    f_hz = 77.9 * partial_ratios(numbers, 1.4e-3)
    f_hz[-1] = 77.9 * partial_ratios(numbers, 4.4e-4)[-1]
    found = FoundPartials(
        numbers=numbers, f_hz=f_hz, variance=np.full(5, 1e-4), amplitudes=1.0 / numbers
    )
    fit = tied(found, KnownB(b=4.4e-4, asked=True))
    assert fit.b_sd is not None
    assert fit.b_sd > 0.5 * (1.4e-3 - fit.b)
