"""Rows as moves, and the state that they lead to."""

import pytest
from deciding import line, note, plan, stem

from planner.clear.decided import held_limits, proposals
from planner.scope.scope_rule import ScopeRule


def test_only_held_notes_are_sour_by_themselves() -> None:
    """From half a second on a note beyond its tolerance counts; a shorter one does not."""
    notes = [
        note("CEL-0001", 62, -30, length_s=0.49), note("CEL-0002", 62, -30, start_s=2, length_s=0.5)
    ]  # fmt: skip
    made = plan(stem("CEL", "bowed", notes))
    judged = {j.measured.id: j for j in made.judged}
    assert list(held_limits(judged)) == ["CEL-0002"]


def test_rows_say_what_they_add_and_what_they_need() -> None:
    """A rule adds its cents to all it covers; a single edit comes on top and needs the rule."""
    errors = [9.0] * 19 + [40.0]
    gtr = stem("GTR", "fretted", line("GTR", [50 + k % 12 for k in range(20)], errors))
    made = plan(gtr)
    judged = {j.measured.id: j for j in made.judged}
    covers = next(r.covers for r in made.rows if r.id == "R-001")
    add = next(r.add_cents for r in made.rows if r.id == "R-001")
    assert add is not None
    rule = ScopeRule(
        stem="GTR", action="whole-part", scope="part", covers=covers, bias_cents=-add,
        add_cents=add, uncertainty_cents=0.5, name="whole part", reason="",
    )  # fmt: skip
    part, single = proposals(made.rows, {"R-001": rule}, judged)
    assert dict(part.notes)["GTR-0001"] == add
    assert single.needs == {"R-001"}
    j = judged["GTR-0020"]
    assert j.heard_cents is not None
    assert j.remaining_cents is not None
    assert abs(j.heard_cents + add + dict(single.notes)["GTR-0020"] - j.remaining_cents) < 1e-9
    assert abs(j.added_cents - (j.remaining_cents - j.heard_cents)) < 1e-9
    assert j.left_cents == pytest.approx(j.remaining_cents)
    assert j.rest_cents == pytest.approx(j.heard_cents + add)
