"""Rules, questions and advice keep their ids from run to run."""

from dataclasses import replace

from planner.answer.ledger import Ledger
from planner.answer.row_ids import name_rows, name_rules, notes_from, with_rows
from planner.scopes import ScopeRule
from planner.words.plan_model import Row
from tests.invented_plan import QUESTION, RULE, judged, row


def rule(
    stem: str = "BAS", scope: str = "part", midi: int | None = None, **fields: object
) -> ScopeRule:
    whole = ScopeRule(
        stem=stem, action="whole-part" if scope == "part" else "every-same-pitch",
        scope=scope, covers=("BAS-0001", "BAS-0002"), bias_cents=-4.0, add_cents=4.0,  # type: ignore[arg-type]
        uncertainty_cents=0.4, intended_midi=midi, name="", reason="low",
    )  # fmt: skip
    return replace(whole, **fields)  # type: ignore[arg-type]


def known(*rows: Row) -> Ledger:
    return with_rows((), rows, ("BAS", "LV", "EGL"))


def test_the_first_run_numbers_in_order() -> None:
    """Without a ledger rules are R-001, R-002, ... in the order given."""
    assert list(name_rules([rule(), rule("LV"), rule(scope="pitch", midi=60)], ())) == [
        "R-001", "R-002", "R-003",
    ]  # fmt: skip


def test_a_rule_is_known_by_stem_scope_action_and_pitch() -> None:
    """A rule in front of it does not take its number; another pitch is another rule."""
    ledger = known(RULE)
    named = name_rules([rule("AGT"), rule(), rule(scope="pitch", midi=60)], ledger)
    assert list(named) == ["R-002", "R-001", "R-003"]


def test_a_number_that_was_given_is_never_given_again() -> None:
    """A rule that is gone keeps its number for when it comes back."""
    ledger = known(RULE, replace(RULE, id="R-002", stem="EGL"))
    later = with_rows(ledger, [RULE], ("BAS", "EGL"))
    assert [k.here for k in later] == [True, False]
    assert list(name_rules([rule("AGT"), rule("EGL", covers=())], later)) == ["R-003", "R-002"]


def test_runs_are_told_apart_by_their_notes() -> None:
    """Two passages of one stem keep their numbers by the notes they cover."""
    one = rule(scope="passage", action="short-notes", covers=("BAS-0001", "BAS-0002"))
    two = rule(scope="passage", action="short-notes", covers=("BAS-0008", "BAS-0009"))
    rows = [
        replace(RULE, id=i, scope="passage", action="short-notes", covers=r.covers)
        for i, r in (("R-001", one), ("R-002", two))
    ]
    grown = replace(two, covers=("BAS-0008", "BAS-0009", "BAS-0010"))
    assert list(name_rules([grown, one], known(*rows))) == ["R-002", "R-001"]
    other = replace(two, covers=("BAS-0020",))
    assert list(name_rules([other], known(*rows))) == ["R-003"]


def test_a_refused_rule_is_known_by_what_was_proposed() -> None:
    """A refused rule is a row that leaves; the ledger keeps its action all the same."""
    refused = replace(RULE, action="leave", state="refused", add_cents=None)
    later = with_rows(known(RULE), [refused], ("BAS",))
    assert list(name_rules([rule()], later)) == ["R-001"]


def test_a_question_is_known_by_its_note() -> None:
    """A question keeps its number when another comes in front of it."""
    first = replace(QUESTION, covers=("EGL-0031",))
    other = replace(QUESTION, covers=("EGL-0002",))
    named = name_rows((row(), other, first), known(first))
    assert [r.id for r in named] == ["LV-0147", "Q-002", "Q-001"]


def test_advice_is_known_by_what_it_says() -> None:
    """Advice keeps its number by stem, scope and action, whatever it covers by now."""
    first = replace(QUESTION, id="A-001", kind="advice", scope="part", action="retake")
    named = name_rows((replace(first, stem="LV"), replace(first, covers=("x",))), known(first))
    assert [r.id for r in named] == ["A-002", "A-001"]


def test_rows_of_a_stem_that_did_not_run_stay() -> None:
    """A run without the bass says nothing about the bass's rules; orphans are no rows of a run."""
    assert with_rows(known(RULE), [], ("LV",)) == known(RULE)
    orphan = replace(RULE, id="R-009", state="orphan")
    assert with_rows((), [orphan, row()], ("BAS",)) == ()


def test_the_intended_note_of_the_plan_is_kept() -> None:
    """The ledger takes the note that the plan settled on, not the guess by pitch alone."""
    entry = replace(known(RULE)[0], id="LV-0147", kind="note", midi=73)
    assert notes_from([judged()], (entry,))[0].midi == 74
