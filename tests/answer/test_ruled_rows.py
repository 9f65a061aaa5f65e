"""Human columns of the rows: carried over, opened again, orphaned, never lost."""

from dataclasses import replace
from typing import Any

import pytest

from planner.answer.answers import Entry
from planner.answer.ledger import Known
from planner.answer.ruled_rows import Recalled, ruled_rows
from planner.answer.rulings import rulings_from
from planner.model import Finding
from planner.words.plan_model import Row
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
    as_before: frozenset[str] = frozenset(),
    code: str = "LV",
) -> tuple[dict[str, Row], tuple[Finding, ...]]:
    rulings, _ = rulings_from(entries, last)
    recalled = Recalled(rulings=rulings, ledger=ledger, last_rows=last, as_before=as_before)
    done, findings = ruled_rows(rows, recalled, {"LV-0147": judged()}, {code: sha}, missing)
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


@pytest.mark.parametrize(("add_cents", "opened"), [(20.0, False), (20.1, True)])
def test_another_move_opens_what_was_checked_again(add_cents: float, opened: bool) -> None:
    """A verdict on one move says nothing of another; another file alone changes nothing."""
    checked = replace(reply("yes"), answer=None, state="checked", source="sheet")
    rows, findings = after((row(add_cents=add_cents),), checked, sha="bb")
    assert rows["LV-0147"].state == ("reopened" if opened else "checked")
    assert [f.what for f in findings] == (
        ["LV: LV-0147 was answered, and what is proposed is no longer what was checked."] * opened
    )


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


@pytest.mark.parametrize("later_s", [2.6087, -2.6087])
def test_a_locked_row_goes_with_its_file(later_s: float) -> None:
    """Of a file that is put together anew a lock holds the edit, in the place of its note."""
    lock = reply("yes", locked=True, source="sheet")
    late = round(later_s * 48000)
    stood = row(cut_s=85.0)
    start_s, end_s = stood.start_s or 0.0, stood.end_s or 0.0
    found = row(
        start_s=start_s + later_s, start_smp=(stood.start_smp or 0) + late, start_bar=34,
        end_s=end_s + later_s + 0.02, end_bar=34, add_cents=15.0, start_tc="01:01:27:10",
    )  # fmt: skip
    rows, findings = after((found,), lock, last=(stood,))
    got = rows["LV-0147"]
    assert (got.start_s, got.start_smp, got.start_bar) == (
        found.start_s, found.start_smp, 34,
    )  # fmt: skip
    assert got.start_tc == found.start_tc
    # Its numbers and its length are those that were locked.
    assert got.add_cents == 16.0
    assert got.end_s == pytest.approx(end_s + later_s)
    assert got.end_smp == (stood.end_smp or 0) + late
    assert got.cut_s == pytest.approx(85.0 + later_s)
    assert not [f for f in findings if "begins" in f.what]


def test_a_locked_row_stays_within_a_match() -> None:
    """A reading that begins 40 ms later is the same note: nothing of the locked row moves."""
    lock = reply("yes", locked=True, source="sheet")
    stood = row()
    found = row(start_s=(stood.start_s or 0.0) + 0.040)
    rows, _ = after((found,), lock, last=(stood,))
    assert (rows["LV-0147"].start_s, rows["LV-0147"].end_s) == (stood.start_s, stood.end_s)


def test_what_sounds_as_before_stays_approved() -> None:
    """Another file in which the note sounds the same asks nothing; what was asked stays asked."""
    known = frozenset({"LV-0147"})
    rows, findings = after((row(),), reply("yes"), sha="bb", as_before=known)
    assert (rows["LV-0147"].state, findings) == ("approved", ())
    opened, _ = after((row(),), reply("yes"), sha="bb")
    again, _ = after((row(),), reply("yes"), sha="bb", as_before=known, last=(opened["LV-0147"],))
    assert again["LV-0147"].state == "reopened"
    anew = reply("yes", sha256="bb", plan="plan_02")
    answered, _ = after(
        (row(),), reply("yes"), anew, sha="bb", as_before=known, last=(again["LV-0147"],)
    )
    assert answered["LV-0147"].state == "approved"


@pytest.mark.parametrize(("same", "state"), [(9, "approved"), (8, "reopened")])
def test_a_rule_stays_approved_where_nearly_all_its_notes_sound_as_before(
    same: int, state: str
) -> None:
    """Nine tenths of its notes must, for one in ten may be read otherwise."""
    notes = tuple(f"BAS-{k:04d}" for k in range(10))
    rule = replace(RULE, covers=notes)
    yes = reply("yes", id="R-001", stem="BAS", add_cents=4.3)
    rows, _ = after((rule,), yes, sha="bb", as_before=frozenset(notes[:same]), code="BAS")
    assert rows["R-001"].state == state


def test_a_lock_does_not_freeze_an_orphan() -> None:
    """A locked row that had lost its home follows the reading when it comes back, and asks."""
    lock = reply("yes", locked=True, source="sheet")
    gone, _ = after((RULE,), lock, last=(row(),))
    assert (gone["LV-0147"].state, gone["LV-0147"].locked) == ("orphan", True)
    back, _ = after((row(add_cents=25.0),), lock, last=(gone["LV-0147"],))
    assert (back["LV-0147"].add_cents, back["LV-0147"].state) == (25.0, "reopened")
    later, _ = after((row(add_cents=25.0),), lock, last=(back["LV-0147"],))
    assert later["LV-0147"].state == "reopened"
