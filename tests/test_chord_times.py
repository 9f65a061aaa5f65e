"""When notes of a chord begin: swells of one place together, strokes within a hand's time."""

from __future__ import annotations

from planner.chord_times import STROKE_S, TOGETHER_S, begun_in_stroke_s, begun_together_s


def test_notes_of_one_place_begin_at_the_middle_of_their_starts() -> None:
    """Three readings of one entry give one start; an entry elsewhere keeps its own."""
    assert begun_together_s([1.0, 1.0, 1.0, 2.0], [0.95, 1.0, 1.1, 2.3]) == [1.0, 1.0, 1.0, 2.3]


def test_who_enters_long_after_the_others_keeps_the_own_start() -> None:
    """A start further from the middle than the limit stays, one within it goes with the others."""
    far, near = 1.0 + 1.01 * TOGETHER_S, 1.0 + 0.99 * TOGETHER_S
    assert begun_together_s([1.0] * 3, [1.0, 1.0, far]) == [1.0, 1.0, far]
    assert begun_together_s([1.0] * 3, [1.0, 1.0, near]) == [1.0, 1.0, 1.0]


def test_a_start_outside_its_stroke_is_the_middle_of_it() -> None:
    """One further from the middle than a strum lasts is a beat's; of two nobody can say."""
    inside, outside = 1.02 + 0.99 * STROKE_S, 1.02 + 1.01 * STROKE_S
    assert begun_in_stroke_s([1.0] * 3, [1.0, 1.02, outside]) == [1.0, 1.02, 1.02]
    assert begun_in_stroke_s([1.0] * 3, [1.0, 1.02, inside]) == [1.0, 1.02, inside]
    assert begun_in_stroke_s([1.0] * 2, [1.0, 1.2]) == [1.0, 1.2]
    assert begun_in_stroke_s([], []) == []


def test_no_notes_have_no_starts() -> None:
    """Silence gives nothing."""
    assert begun_together_s([], []) == []
