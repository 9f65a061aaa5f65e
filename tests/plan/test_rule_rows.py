"""Rules as rows: how severe one is beside how strictly its notes are judged."""

import pytest
from deciding import TOLERANCES, line, stem

from planner.plan.rule_rows import advice_row, rule_row
from tests.clear.test_kept import rule
from tests.plan.test_row_places import on


@pytest.mark.parametrize(("factor", "over"), [(1.0, 7.5), (1.3, 1.7), (1.5, 0.0)])
def test_a_rule_is_less_severe_where_its_notes_are_judged_easily(
    factor: float, over: float
) -> None:
    """5 cents are 1.4 times the 3.5 of a part: 17.5 x 0.43 points; of 4.55, 1.7; of 5.25 none."""
    part = stem("GTR", "fretted", line("GTR", [60, 62], [5.0, 5.0]))
    factors = {n.id: factor for n in part.notes}
    row, terms = rule_row("R-001", rule("GTR"), on(part, 0.0), TOLERANCES, 0.0, {}, factors)
    assert dict(terms).get("over", 0.0) == pytest.approx(over, abs=0.05)
    assert (row.kind, row.covers, row.add_cents) == ("rule", ("GTR-0001", "GTR-0002"), -5.0)


def test_advice_moves_nothing() -> None:
    """An offer is told without an amount to add."""
    part = stem("GTR", "fretted", line("GTR", [60, 62], [5.0, 5.0]))
    row = advice_row(rule("GTR"), on(part, 0.0))
    assert (row.kind, row.add_cents, row.in_words, row.remaining_cents) == (
        "advice",
        None,
        "",
        None,
    )
