"""One answer out of plain data; faults are told with their place in test_answers_file."""

from typing import Any

import pytest

from planner.answer.answer_reading import entries_from
from planner.answer.answers import Area, Entry, Override
from planner.errors import PlannerError


def read(*answers: Any) -> tuple[Entry, ...]:
    return entries_from(list(answers), {"answers[0]": 4}, "a.yaml", "answers")


@pytest.mark.parametrize(
    ("written", "entry"),
    [
        ({"id": "LV-0147", "answer": True}, Entry(id="LV-0147", answer="yes")),
        ({"id": "LV-0147", "comment": None, "answer": "no"}, Entry(id="LV-0147", answer="no")),
        (
            {"where": {"stem": "BAS", "from_bar": 12, "to_bar": 16}, "locked": True},
            Entry(id="", area=Area(stem="BAS", from_bar=12, to_bar=16), locked=True),
        ),
        (
            {"where": {"stem": "BAS"}, "override": {"role": "bowed"}},
            Entry(id="", area=Area(stem="BAS"), override=Override(role="bowed")),
        ),
        (
            {"id": "R-002", "override": {"from_bar": 19}},
            Entry(id="R-002", override=Override(bars=(19, None))),
        ),
        (
            {"id": "LV-0153", "override": {"points": "0:0;0.9:12"}},
            Entry(id="LV-0153", override=Override(points=((0.0, 0.0), (0.9, 12.0)))),
        ),
    ],
)
def test_rows_places_roles_and_rules(written: dict[str, Any], entry: Entry) -> None:
    """Each kind of answer is what was written; blank fields are as if they were not there."""
    assert read(written) == (entry,)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ([], "a.yaml:4: answers[0]: this should be a mapping, not a list [ ]. For example {id: LV"),
        ({"id": "LV-0147", "locked": "yes"}, "answers[0].locked: this should be true or false"),
        ({"answer": "yes"}, "answers[0].id: this is missing. Name the row"),
        (
            {"where": {"stem": "BAS"}, "locked": True, "answer": "yes"},
            "a place can be locked, or a stem given a role, and nothing else said of it",
        ),
        (
            {"where": {"stem": "BAS"}},
            "answers[0].locked: this is missing. Write locked: true, or false",
        ),
        (
            {"id": "LV-0147", "override": {"role": "bowed"}},
            "a stem has a role, and no row. Write where: {stem: BAS} in place of the id.",
        ),
    ],
)
def test_what_does_not_fit_is_told(written: Any, said: str) -> None:
    """With file, line, field and what to write instead."""
    with pytest.raises(PlannerError) as told:
        read(written)
    assert said in str(told.value)
