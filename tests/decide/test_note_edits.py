"""The edits a note would get, and how much of its error each leaves."""

import pytest

from planner.decide import note_edits
from tests.decide.test_inside_tolerance import case


@pytest.mark.parametrize(
    ("cents", "gives_way", "add", "rest"),
    [(-2.5, 1.5, 4.0, 1.5), (2.5, -1.5, -4.0, -1.5), (24.0, 2.0, -22.0, 2.0)],
)
def test_a_note_ends_where_it_gives_way(
    cents: float, gives_way: float, add: float, rest: float
) -> None:
    """Beyond its target or before it, by the cents that were found."""
    move = note_edits.whole(case(cents, gives_way_cents=gives_way))
    assert (move.add_cents, move.remaining_cents) == (add, rest)


def test_what_is_left_in() -> None:
    """A quarter of 24, none where it would beat, or what a move part of the way leaves."""
    assert note_edits.whole(case(24.0)).remaining_cents == 6.0
    assert note_edits.whole(case(24.0, nothing_left=True)).remaining_cents == 0.0
    assert note_edits.whole(case(24.0, part_way_cents=15.0)).remaining_cents == 15.0
    assert note_edits.whole(case(24.0, spread_cents=3.0)).remaining_cents == 3.0
