"""Words that a reason is filled in with."""

import pytest

from planner.decide.case_words import words_of
from planner.decide.moves import Move
from tests.decide.test_fits import case


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        (0.4, "moved all the way"),
        (-0.5, "moved all the way"),
        (0.6, "stops 1 short, which is safer"),
        (3.0, "stops 3 short, which is safer"),
    ],
)
def test_edge_of_what_is_left_in(rest: float, words: str) -> None:
    """Half a cent and less is nothing: no reason says "stops 0 short"."""
    move = Move(remaining_cents=rest, gain_cents=20.0)
    assert words_of(case(20.0), move, rises=False)["left"] == words
