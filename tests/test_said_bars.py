"""Where a rule lies, in people's words."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from planner.said_bars import BARS, SaidBars, bars_of, bars_said, bars_written
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
