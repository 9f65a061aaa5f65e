"""Where a rule lies, in people's words."""

import re
from dataclasses import replace

import pytest

from planner.answer.said_bars import BARS, SaidBars, bars_of, bars_said, bars_written, with_last_bar
from tests.invented_plan import RULE


@pytest.mark.parametrize(
    ("text", "said", "bars", "written"),
    [
        ("bars 3-5", (3, 5), (3, 5), "bars 3-5"),
        ("bar 4", (4, 4), (4, 4), "bar 4"),
        ("from bar 3", (3, None), (3, None), "from bar 3 on"),
        ("begins at bar 3", (3, "own"), (3, 9), "begins at bar 3"),
        ("ends in bar 5", ("own", 5), (2, 5), "ends at bar 5"),
        ("starts with bar 3 and ends with bar 5", (3, 5), (3, 5), "bars 3-5"),
        ("from bar 3 till 5", (3, 5), (3, 5), "bars 3-5"),
    ],
)
def test_bars_in_words(
    text: str, said: SaidBars, bars: tuple[int, int | None], written: str
) -> None:
    """Both ends, or one beside the rule's own other end; they are told back as they were meant."""
    match = re.fullmatch(BARS, text)
    assert match is not None
    assert bars_said(match) == said
    assert bars_of(said, replace(RULE, start_bar=2, end_bar=9)) == bars
    assert bars_written(said) == written
    assert bars_of(said, replace(RULE, start_bar=None)) is None


def test_a_stretch_ends_where_its_last_note_begins() -> None:
    """A note that rings over the bar line takes no bar more; without a map nothing is known."""
    rule = replace(RULE, covers=("LV-1", "LV-2"), start_bar=1, end_bar=4)
    assert with_last_bar(rule, {"LV-1": 1, "LV-2": 3}).end_bar == 3
    assert with_last_bar(rule, {}) == rule
