"""The laws that every edit list is held against can each be broken, and then say so."""

from typing import Any

import pytest
from edit_list_laws import broken_laws
from invented_plan import QUESTION, RULE, plan, row

from planner.editlist import edit_list_to_dict

WHOLE = row(points=((0.0, 16.0), (1.4, 16.0)))
SHAPED = row(
    id="LV-0153", start_s=90.0, end_s=92.0, start_smp=4320000, end_smp=4416000, action="shape",
    add_cents=None, points=((0.0, -9.0), (0.1, -9.0), (0.3, 12.0), (2.0, 12.0)), cut_s=90.2,
    onset_add_cents=-9.0, sustain_add_cents=12.0,
    reason="starts 13 sharp, goes on 16 flat: one number would not be true; needs points or a cut",
)  # fmt: skip
ROWS = (RULE, WHOLE, SHAPED, QUESTION)


def laws(*rows: Any, **changes: Any) -> list[str]:
    """The broken laws of a list whose third row is changed."""
    data = edit_list_to_dict(plan(rows=rows or ROWS))
    if changes:
        data["rows"][2] |= changes
    return broken_laws(data)


def test_a_good_list_breaks_none() -> None:
    """A rule, a whole move, a shaped one and a question keep to all of them."""
    assert laws() == []


@pytest.mark.parametrize(
    ("changes", "law"),
    [
        ({"end_smp": 4320000}, "its span is empty"),
        ({"points": [[0.0, -9.0], [0.0, -9.0], [2.0, 12.0]]}, "its points do not go forward"),
        ({"points": [[0.0, -9.0], [0.3, 12.0], [2.2, 12.0]]}, "its points go on behind its end"),
        ({"add_cents": 12.0}, "one number says another move than the points"),
        ({"cut_s": 92.5}, "its cut lies outside of it"),
        ({"onset_add_cents": 9.0}, "the number before the cut says another onset than the points"),
        (
            {"sustain_add_cents": -12.0},
            "the number behind the cut says another sustain than the points",
        ),
        (
            {"cut_s": None, "points": [[0.0, 12.0], [2.0, 12.0]]},
            "one number would do, and it has none",
        ),
        ({"cut_s": 90.03}, "it is cut inside its first 40 ms"),
        ({"start_smp": 4320100}, "its samples and its seconds are two places"),
        ({"crossfade_out_ms": None}, "nobody says how long its blends are"),
        (
            {"reason": "starts 13 sharp"},
            "it has no one number, and does not say that it needs points",
        ),
        (
            {"action": "raise-lower", "add_cents": 12.0, "points": []},
            "what it leaves is not what is heard and what is added",
        ),
    ],
)
def test_each_law_of_a_row(changes: dict[str, Any], law: str) -> None:
    """One changed field is one broken law, named with its row."""
    assert f"LV-0153: {law}" in laws(**changes)


def test_the_laws_of_order() -> None:
    """Rules first, then notes as they are played, stem by stem, then questions."""
    assert laws(WHOLE, RULE) == ["R-001: a rule behind a note"]
    assert laws(QUESTION, WHOLE) == ["LV-0147: a note behind a question"]
    assert laws(RULE, SHAPED, WHOLE) == ["LV-0147: played before LV-0153, which stands above it"]
    other = row(id="BAS-0001", stem="BAS")
    assert laws(WHOLE, other, SHAPED) == ["notes of one stem stand in two places"]
