"""When notes of a chord begin: those that swell in at one place, together."""

from __future__ import annotations

from planner.chord_times import TOGETHER_S, begun_together_s


def test_notes_of_one_place_begin_at_the_middle_of_their_starts() -> None:
    """Three readings of one entry give one start; an entry elsewhere keeps its own."""
    assert begun_together_s([1.0, 1.0, 1.0, 2.0], [0.95, 1.0, 1.1, 2.3]) == [1.0, 1.0, 1.0, 2.3]


def test_who_enters_long_after_the_others_keeps_the_own_start() -> None:
    """A start further from the middle than the limit stays, one within it goes with the others."""
    far, near = 1.0 + 1.01 * TOGETHER_S, 1.0 + 0.99 * TOGETHER_S
    assert begun_together_s([1.0] * 3, [1.0, 1.0, far]) == [1.0, 1.0, far]
    assert begun_together_s([1.0] * 3, [1.0, 1.0, near]) == [1.0, 1.0, 1.0]


def test_no_notes_have_no_starts() -> None:
    """Silence gives nothing."""
    assert begun_together_s([], []) == []
