"""A stem by the piece is the stem; stretches are half-open; the highest around is a library's."""

import numpy as np
import pytest
import soxr
from scipy.ndimage import maximum_filter1d

from planner.model import Floats
from planner.track.bands import high_pass, through
from planner.track.frame_blocks import ByThePiece, highest_near, highest_of_three, stretches

SR = 16_000
SPANS_S = ((0.0, 0.4), (0.8, 1.3), (1.9, 4.6), (5.5, 6.0), (0.2, 0.5))


@pytest.mark.parametrize("divisor", [1, 2, 4])
def test_a_stem_by_the_piece_is_the_stem(divisor: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Spans within a piece, over its end, longer than one, and an earlier one again."""
    monkeypatch.setattr("planner.track.frame_blocks._PIECE_S", 1.0)
    noise = np.random.default_rng(3).standard_normal(6 * SR + 3).astype(np.float32)

    def made(piece: Floats) -> Floats:
        if divisor > 1:
            return soxr.resample(piece, SR, SR // divisor, quality="VHQ")
        return through(piece, SR, lambda f_hz: high_pass(f_hz, 150.0, 2, SR))

    whole, by_the_piece = made(noise), ByThePiece(noise, SR, made, divisor=divisor)
    assert len(by_the_piece) == len(whole)
    for from_s, to_s in SPANS_S:
        span = slice(round(from_s * SR / divisor), round(to_s * SR / divisor))
        assert by_the_piece[span] == pytest.approx(whole[span], abs=1e-5)


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


@pytest.mark.parametrize("width", [1, 2, 30])
def test_the_highest_of_three_is_that_of_a_library(width: int) -> None:
    """scipy's maximum_filter1d along rows; what is given stays as it was."""
    rows = np.random.default_rng(width).normal(size=(5, width))
    given = rows.copy()
    assert highest_of_three(rows).tolist() == maximum_filter1d(given, 3, axis=1).tolist()
    assert rows.tolist() == given.tolist()
