"""Peaks of a curve are those that a signal library finds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from planner.polyphony.chord_peaks import tops


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("count", [0, 1, 2, 3, 60, 400])
def test_the_peaks_of_a_curve_are_a_librarys(count: int, seed: int) -> None:
    """Source: scipy.signal.find_peaks, by height (one or many), distance and prominence."""
    rng = np.random.default_rng(seed)
    curve = rng.normal(size=count) if seed % 2 else np.cumsum(rng.normal(size=count))
    least, apart, falls = rng.normal(size=count), int(rng.integers(2, 12)), rng.uniform(0.1, 3.0)
    assert tops(curve, least).tolist() == find_peaks(curve, height=least)[0].tolist()
    library = find_peaks(curve, height=-0.5, distance=apart, prominence=falls)[0]
    assert tops(curve, -0.5, apart=apart, falls=falls).tolist() == library.tolist()


def test_a_flat_peak_counts_in_its_middle_and_an_edge_is_none() -> None:
    """Three and four alike, and what is highest at either end; source: scipy.signal.find_peaks."""
    curve = np.array([9.0, 1, 2, 2, 2, 1, 3, 3, 3, 3, 0, 5])
    assert tops(curve, 0.0).tolist() == find_peaks(curve, height=0.0)[0].tolist() == [3, 7]
