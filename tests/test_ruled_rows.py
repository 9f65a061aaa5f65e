"""Human columns of the rows: carried over, opened again, orphaned, never lost."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from planner.answers import Entry
from planner.ledger import Known
from planner.model import Finding
from planner.plan_model import Row
from planner.ruled_rows import Recalled, ruled_rows
from planner.rulings import rulings_from
from tests.invented_plan import QUESTION, RULE, judged, row


def reply(answer: str, **fields: Any) -> Entry:
    whole = Entry(
        id="LV-0147", answer=answer, by="producer", plan="plan_01", source="reply",  # type: ignore[arg-type]
        stem="LV", add_cents=16.0, was="raise by 16", sha256="aa", comment="her\nway ",
    )  # fmt: skip
    return replace(whole, **fields)


def after(
    rows: tuple[Row, ...],
    *entries: Entry,
    last: tuple[Row, ...] = (),
    sha: str = "aa",
    missing: tuple[str, ...] = (),
    ledger: tuple[Known, ...] = (),
) -> tuple[dict[str, Row], tuple[Finding, ...]]:
    rulings, _ = rulings_from(entries, last)
    recalled = Recalled(rulings=rulings, ledger=ledger, last_rows=last)
    done, findings = ruled_rows(rows, recalled, {"LV-0147": judged()}, {"LV": sha}, missing)
    return {r.id: r for r in done}, findings


def test_columns_are_filled_in_and_nothing_else() -> None:
    """State, name and comment come from the answer, byte for byte; other fields stay."""
    rows, findings = after((RULE, row()), reply("yes"))
    assert rows["LV-0147"] == row(state="approved", by="producer", comment="her\nway ")
    assert rows["R-001"] == RULE
    assert findings == ()


def test_a_changed_file_opens_approvals_again() -> None:
    """What was approved of other audio is asked again, comment kept; a refusal stays."""
    rows, findings = after((row(),), reply("yes"), sha="bb")
    assert (rows["LV-0147"].state, rows["LV-0147"].comment) == ("reopened", "her\nway ")
    assert "LV: LV-0147 was answered, and its file has changed since." in findings[0].what
    assert findings[0].severity == "question"
    rows, findings = after((row(action="leave", add_cents=None),), reply("no"), sha="bb")
    assert rows["LV-0147"].state == "refused"
    assert findings == ()
    again = reply("yes", sha256="bb", plan="plan_02")
    assert after((row(),), reply("yes"), again, sha="bb")[0]["LV-0147"].state == "approved"


@pytest.mark.parametrize(("add_cents", "state"), [(20.0, "approved"), (20.1, "reopened")])
def test_another_move_opens_approvals_again(add_cents: float, state: str) -> None:
    """Beyond 4 cents the row is not what was approved."""
    assert after((row(add_cents=add_cents),), reply("yes"))[0]["LV-0147"].state == state


def test_many_opened_rows_are_one_question() -> None:
    """One finding a stem and cause, with the first ids and the count."""
    many = tuple(row(id=f"LV-{k:04d}") for k in range(1, 9))
    _, findings = after(many, *(reply("yes", id=r.id) for r in many), sha="bb")
    assert len(findings) == 1
    assert "LV-0006 and others were answered" in findings[0].what
    assert "8 rows" in findings[0].did


def test_an_answer_without_a_home_is_kept() -> None:
    """The row stays with its old place and words, as an orphan that moves nothing."""
    rows, findings = after((RULE,), reply("no"), last=(row(),))
    kept = rows["LV-0147"]
    assert (kept.state, kept.action, kept.add_cents, kept.points) == ("orphan", "leave", None, ())
    assert (kept.start_s, kept.comment, kept.by) == (row().start_s, "her\nway ", "producer")
    assert "it was: raise by 16, give or take 2, refused" in kept.reason
    assert 'LV-0147 was answered (refused "her way")' in findings[0].what
    once_more, _ = after((RULE,), reply("no"), last=(kept,))
    assert once_more["LV-0147"] == kept


def test_an_orphan_that_is_found_again_has_its_answer() -> None:
    """Where the note comes back, so does what was said about it."""
    orphan = replace(row(), state="orphan", action="leave")
    assert after((row(),), reply("yes"), last=(orphan,))[0]["LV-0147"].state == "approved"


def test_an_orphan_without_an_old_row_is_told_from_the_answer() -> None:
    """The answer itself says where it was; an absorbed note says what it is part of."""
    known = Known(id="LV-0147", kind="note", stem="LV", absorbed_by="LV-0146", here=False)
    rows, _ = after((), reply("yes", start_s=84.78, end_s=86.2), ledger=(known,))
    assert (rows["LV-0147"].start_s, rows["LV-0147"].stem) == (84.78, "LV")
    assert rows["LV-0147"].reason.startswith("it is part of LV-0146 now; it was: raise by 16")


def test_a_stem_left_out_keeps_its_answers_waiting() -> None:
    """Nothing is an orphan because its stem did not run."""
    rows, findings = after((RULE,), reply("no"), last=(row(),), missing=("LV",))
    assert set(rows) == {"R-001"}
    assert findings == ()


def test_an_answer_that_says_nothing_leaves_no_orphan() -> None:
    """A row that was set back to new and has no words may go."""
    back = replace(reply("no"), answer=None, state="new", comment="", source="sheet")
    assert after((), reply("no"), back)[0] == {}


def test_a_note_that_becomes_a_question_keeps_its_answer() -> None:
    """The question about an answered note carries the answer; nothing is an orphan."""
    asked = replace(QUESTION, stem="LV", covers=("LV-0147",))
    rows, _ = after((asked,), reply("no"), last=(row(),))
    assert set(rows) == {"Q-001"}
    assert (rows["Q-001"].state, rows["Q-001"].comment) == ("refused", "her\nway ")
    assert after((asked,), reply("yes"), last=(row(),))[0]["Q-001"].state == "reopened"


def test_a_question_that_is_none_any_more_is_kept() -> None:
    """Its answer stays as an orphan that says so."""
    asked = replace(QUESTION, stem="LV", covers=("LV-0150",))
    rows, _ = after((row(),), reply("no", id="Q-001"), last=(asked,))
    assert rows["Q-001"].reason == "it is no question any more; it was: raise by 16, refused"


def test_a_question_that_becomes_an_edit_is_opened_again() -> None:
    """What was said to the question stands beside the edit, and the edit is asked about."""
    asked = replace(QUESTION, stem="LV", covers=("LV-0147",))
    rows, findings = after((row(),), reply("no", id="Q-001", add_cents=None), last=(asked,))
    assert set(rows) == {"LV-0147"}
    assert (rows["LV-0147"].state, rows["LV-0147"].comment) == ("reopened", "her\nway ")
    assert "the question is now an edit" in findings[0].what


def test_a_locked_row_of_a_shifted_file_says_so() -> None:
    """Its place stays as it was locked; the warning says where the note is now."""
    lock = reply("yes", locked=True, source="sheet")
    rows, findings = after((row(start_s=87.4),), lock, last=(row(),), sha="bb")
    assert rows["LV-0147"].start_s == row().start_s
    assert rows["LV-0147"].state == "approved"
    assert "what it speaks of now begins at 87.4000 s" in findings[0].what


def test_a_lock_does_not_freeze_an_orphan() -> None:
    """A locked row that had lost its home follows the reading when it comes back, and asks."""
    lock = reply("yes", locked=True, source="sheet")
    gone, _ = after((RULE,), lock, last=(row(),))
    assert (gone["LV-0147"].state, gone["LV-0147"].locked) == ("orphan", True)
    back, _ = after((row(add_cents=25.0),), lock, last=(gone["LV-0147"],))
    assert (back["LV-0147"].add_cents, back["LV-0147"].state) == (25.0, "reopened")
    later, _ = after((row(add_cents=25.0),), lock, last=(back["LV-0147"],))
    assert later["LV-0147"].state == "reopened"
