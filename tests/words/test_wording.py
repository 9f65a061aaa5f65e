"""Sentences: places as a person would say them."""

from dataclasses import replace

import pytest
from invented_plan import RULE, row

from planner.words.wording import place, row_place


@pytest.mark.parametrize(
    ("bar", "beat", "said"),
    [
        (33, 3.0, "bar 33 beat 3.00 (84.78 s)"),
        (1, 0.98, "bar 1 beat 1, a little early (84.78 s)"),
        (7, 2.94, "bar 7 beat 3, a little early (84.78 s)"),
        (7, 2.93, "bar 7 beat 2.93 (84.78 s)"),
        (7, 3.02, "bar 7 beat 3.02 (84.78 s)"),
        (7, None, "bar 7 (84.78 s)"),
        (None, None, "at 84.78 s"),
    ],
)
def test_a_place_is_said_as_a_person_says_it(
    bar: int | None, beat: float | None, said: str
) -> None:
    """Up to 0.06 of a beat early is that beat; what is late, or further off, has its figure."""
    assert place(bar, beat, 84.78) == said


def test_a_whole_part_has_no_place() -> None:
    """Without bar and clock it is meant throughout."""
    assert place(None, None, None) == "throughout"


def test_a_rule_over_what_comes_again_and_again_lies_throughout() -> None:
    """Its first note is no place to look for; other rows lie where they begin."""
    assert row_place(RULE) == row_place(replace(RULE, scope="pitch")) == "throughout"
    assert row_place(replace(RULE, scope="span")) == "bar 1 beat 1.00 (0.00 s)"
    assert row_place(row()) == "bar 33 beat 3.00 (84.78 s)"
