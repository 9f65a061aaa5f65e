"""Middle and scatter of readings are those of the many, whatever a few of them say."""

import numpy as np
import pytest
from scipy.stats import median_abs_deviation, norm

from planner.words.spread import (
    MAD_TO_SD,
    MEDIAN_TO_MEAN,
    away_from_others,
    doubt_of_middle,
    middle_of,
    middle_of_known,
    reached_by,
    spread_of,
    weighted_middle,
)


@pytest.mark.parametrize("values", [[3.0], [4.0, 1.0], [7.0, -2.0, 5.0], [1.0, 9.0, 2.0, 8.0]])
def test_the_middle_is_the_median(values: list[float]) -> None:
    """Of odd and even counts, as numpy has it; of rows, each its own."""
    assert float(middle_of(np.array(values))) == np.median(values)
    rows = np.array([values, values[::-1]])
    assert middle_of(rows).tolist() == np.median(rows, axis=1).tolist()


def test_many_and_few_have_the_same_middle() -> None:
    """Few are sorted, many parted: numpy's median either way; what is no number is left out."""
    for count in (499, 500, 501):
        values = np.random.default_rng(count).normal(size=count)
        assert float(middle_of(values)) == np.median(values)
    assert middle_of_known(np.array([np.nan, 3.0, 1.0, np.nan])) == 2.0
    assert np.isnan(middle_of_known(np.array([np.nan])))


@pytest.mark.parametrize("count", [1, 2, 7, 50])
@pytest.mark.parametrize("share", [0.0, 0.5, 0.9, 1.0])
def test_a_share_is_reached_where_a_library_has_it(count: int, share: float) -> None:
    """numpy's percentile, linear between two values."""
    values = np.random.default_rng(count).normal(size=count)
    assert reached_by(values, share) == pytest.approx(np.percentile(values, 100 * share))


def test_the_spread_is_that_of_a_library() -> None:
    """scipy's median_abs_deviation at scale "normal", to the digits that 1.4826 has."""
    values = np.random.default_rng(1).normal(3.0, 2.0, 500)
    library = float(median_abs_deviation(values, scale="normal"))
    assert spread_of(values) == pytest.approx(library, rel=1e-4)
    assert spread_of(values) == spread_of(values, float(np.median(values)))
    assert spread_of(np.abs(values - 3.0), 0.0) == spread_of(values, 3.0)


def test_a_wrong_note_in_ten_hardly_moves_it() -> None:
    """Scatter of 2 cents, a tenth of the readings a semitone off: still under 2.5."""
    values = np.random.default_rng(2).normal(0.0, 2.0, 200)
    values[::10] += 100.0
    assert 1.6 < spread_of(values) < 2.5


def test_the_constants_are_those_of_normal_errors() -> None:
    """1 over the third quartile, and the square root of pi / 2."""
    assert pytest.approx(1.0 / norm.ppf(0.75), abs=5e-5) == MAD_TO_SD
    assert pytest.approx(np.sqrt(np.pi / 2.0), abs=5e-5) == MEDIAN_TO_MEAN


def test_the_doubt_of_a_middle_is_how_far_middles_scatter() -> None:
    """Medians of 25 normal readings of spread 2 scatter by 1.2533 * 2 / 5, within a tenth."""
    medians = np.median(np.random.default_rng(3).normal(0.0, 2.0, (4000, 25)), axis=1)
    assert doubt_of_middle(2.0, 25) == pytest.approx(float(medians.std()), rel=0.1)


def test_each_reading_against_the_mean_of_the_others() -> None:
    """Left out one after the other."""
    values = np.random.default_rng(2).normal(3.0, 2.0, 9)
    others = [np.delete(values, k).mean() for k in range(9)]
    assert away_from_others(values) == pytest.approx(values - np.array(others))


def test_the_weighted_middle() -> None:
    """Half of the weight lies on either side; one heavy stray does not win unless it is half."""
    values, weights = np.array([5.0, 1.0, 2.0]), np.array([1.0, 1.0, 1.0])
    assert weighted_middle(values, weights) == 2.0
    assert weighted_middle(values, np.array([3.0, 1.0, 1.0])) == 5.0
    assert weighted_middle(values, np.array([1.0, 0.5, 0.5])) == 3.5
