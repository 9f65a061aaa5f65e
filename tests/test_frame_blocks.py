"""Stretches are told first and half-open last; the highest around is a library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d

from planner.frame_blocks import highest_near, stretches


def test_stretches_are_where_something_holds() -> None:
    """At either end, alone, and nowhere."""
    holds = np.array([1, 1, 0, 0, 1, 0, 1], dtype=bool)
    assert stretches(holds) == [(0, 2), (4, 5), (6, 7)]
    assert stretches(np.zeros(3, dtype=bool)) == stretches(holds[:0]) == []


@pytest.mark.parametrize(("before", "after"), [(0, 0), (20, 0), (0, 20), (6, 6), (1, 2), (40, 40)])
def test_the_highest_around_is_that_of_a_library(before: int, after: int) -> None:
    """scipy's maximum_filter1d, edges held; also where the values are fewer than looked at."""
    for count in (1, 2, 30, 500):
        values = np.random.default_rng(count).normal(size=count)
        width = before + after + 1
        library = maximum_filter1d(values, width, mode="nearest", origin=before - width // 2)
        assert highest_near(values, before, after).tolist() == library.tolist()
