"""Middle and scatter of readings are those of the many, whatever a few of them say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation, norm

from planner.spread import (
    MAD_TO_SD,
    MEDIAN_TO_MEAN,
    away_from_others,
    doubt_of_middle,
    middle_of,
    spread_of,
)


@pytest.mark.parametrize("values", [[3.0], [4.0, 1.0], [7.0, -2.0, 5.0], [1.0, 9.0, 2.0, 8.0]])
def test_the_middle_is_the_median(values: list[float]) -> None:
    """Of odd and even counts, as numpy has it; of rows, each its own."""
    assert float(middle_of(np.array(values))) == np.median(values)
    rows = np.array([values, values[::-1]])
    assert middle_of(rows).tolist() == np.median(rows, axis=1).tolist()


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
