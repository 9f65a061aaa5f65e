"""What changed from one plan to the next."""

from dataclasses import replace

import pytest

from planner.answer.changes import anything, changes_since, gone_sentence, since_sentence
from tests.invented_plan import QUESTION, RULE, SHAPED, judged, row


def test_nothing_changed() -> None:
    """The same rows are no change, and the sentence says so."""
    since = changes_since("plan_01", [RULE, row()], [RULE, row()])
    assert not anything(since)
    assert since_sentence(since) == "Since plan_01: nothing changed."


def test_new_gone_changed() -> None:
    """Counts as in the sentence, and each row with its place and its move."""
    before = [RULE, row(), SHAPED, QUESTION]
    now = [RULE, row(add_cents=21.0), row(id="LV-0160", add_cents=-9.0), QUESTION]
    since = changes_since("plan_01", before, now)
    assert since_sentence(since) == "Since plan_01: 1 new, 1 gone, 1 changed by > 4 cents."
    assert since.new == ("LV-0160 (LV, bar 33 beat 3.00 (84.78 s), D5): lower by 9",)
    assert since.gone == (
        "LV-0153 (LV, bar 33 beat 3.00 (84.78 s), D5): raise by 18 at the most (shape); nothing is "
        "heard there any more",
    )
    assert gone_sentence(since) == "Gone: LV-0153; summary.md says what became of them."
    assert since.changed == (
        "LV-0147 (LV, bar 33 beat 3.00 (84.78 s), D5): raise by 16 before, raise by 21 now",
    )


@pytest.mark.parametrize(("add_cents", "changed"), [(20.0, 0), (20.1, 1), (12.0, 0), (11.9, 1)])
def test_four_cents_are_no_change(add_cents: float, changed: int) -> None:
    """Up to 4 cents a move is the same move."""
    since = changes_since("plan_01", [row()], [row(add_cents=add_cents)])
    assert len(since.changed) == changed


def test_another_action_is_told_apart() -> None:
    """A row that is left now is of another action, whatever its cents were."""
    since = changes_since("plan_01", [RULE], [row(**{**_fields(RULE), "action": "leave"})])
    assert since_sentence(since) == (
        "Since plan_01: 0 new, 0 gone, 0 changed by > 4 cents, 1 of another action."
    )
    assert "raise by 4.3 before, leave now" in since.acted[0]


def _fields(of: object) -> dict[str, object]:
    return {name: getattr(of, name) for name in of.__slots__}  # type: ignore[attr-defined]


def test_what_was_left_out_says_nothing() -> None:
    """A stem that one plan left out is no change; an orphan is gone."""
    assert not anything(changes_since("plan_01", [RULE, row()], [row()], ("BAS",)))
    since = changes_since("plan_01", [row()], [row(state="orphan", action="leave")])
    assert (len(since.gone), len(since.new)) == (1, 0)


def test_what_is_gone_says_what_became_of_its_notes() -> None:
    """A note by what is decided about it now, a rule by the rows that its notes went into."""
    one = judged(action="leave", reason="within its tolerance of 15")
    over = replace(RULE, covers=("LV-0147",))
    gone = changes_since("plan_01", [row()], [over], (), {"LV-0147": one}).gone
    assert gone[0].endswith("; now in R-001, and by itself left: within its tolerance of 15")
    still = replace(over, action="leave")
    (gone_too,) = changes_since("plan_01", [row()], [still], (), {"LV-0147": one}).gone
    assert gone_too.endswith("; now left: within its tolerance of 15")
    for rows, became in (((row(),), "in LV-0147 now"), ((), "left now")):
        (rule,) = changes_since("plan_01", [over], rows, (), {"LV-0147": one}).gone
        assert rule.endswith(f"; its notes are {became}")
    many = changes_since("plan_01", [row(id=f"LV-{k}") for k in range(5)], [])
    assert gone_sentence(many).startswith("Gone: LV-0, LV-1, LV-2 and 2 more; ")
    assert gone_sentence(changes_since("plan_01", [], [])) == ""
