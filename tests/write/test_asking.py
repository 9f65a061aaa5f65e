"""Which questions are asked, in which order, and what becomes of the rest."""

from dataclasses import replace

import pytest
from invented_plan import QUESTION, plan

from planner.model import Finding
from planner.words.plan_model import Row
from planner.write.asking import ASKED_AT_MOST, asked, asked_of_the_session, not_asked, with_asked
from planner.write.hand_off import hand_off_markdown
from planner.write.in_short import in_short


def question(number: int, rule_name: str, *, start_s: float = 1.0, length_s: float = 1.0,
             midi: int | None = None, **more: object) -> Row:  # fmt: skip
    """One question; `midi` makes it one about a note that sounds 58 cents sharp of that."""
    row = replace(
        QUESTION, id=f"Q-{number:03d}", rule_name=rule_name, start_s=start_s,
        end_s=start_s + length_s, intended_midi=midi, heard_cents=None if midi is None else 58.0,
        covers=("LV-0147",),
    )  # fmt: skip
    return replace(row, **more)  # type: ignore[arg-type]


def ids(*rows: Row) -> list[str]:
    return [one.row.id for one in asked(plan(rows=rows, offenders=()))]


@pytest.mark.parametrize(
    "rule_name", ["wobble", "join inside", "off and moving", "moving throughout"]
)
def test_what_no_answer_changes_is_not_asked(rule_name: str) -> None:
    """It can be listened to, and is told with its reason; nothing is asked."""
    one = plan(rows=(question(1, rule_name),), offenders=())
    assert asked(one) == ()
    (group,) = not_asked(one)
    assert (group.rule_name, group.notes) == (rule_name, 1)
    assert "listen" in group.reason or "another take" in group.reason


# Moore, JASA 54 (1973): the ear tells a pitch the better the longer it lasts, up to 0.2 s.
@pytest.mark.parametrize(("length_s", "is_asked"), [(0.2, True), (0.199, False)])
def test_nobody_is_asked_what_no_ear_can_tell(length_s: float, is_asked: bool) -> None:
    """Of those alike the longest counts; what is asked on no page is told with its reason."""
    rows = [
        question(1, "between two notes", midi=62, length_s=0.1),
        question(2, "between two notes", midi=62, length_s=length_s),
    ]
    one = plan(rows=tuple(rows), offenders=())
    assert [a.row.id for a in asked(one)] == (["Q-002"] if is_asked else [])
    if not is_asked:
        (group,) = not_asked(one)
        assert (group.notes, group.reason) == (2, "over before an ear can tell its pitch")


def test_stems_come_first_then_the_most_seconds() -> None:
    """A stem's role, then notes by how long they last, with all places of the same question."""
    long = question(1, "between two notes", midi=62, length_s=1.5)
    often = [question(k, "between two notes", midi=65, length_s=0.8) for k in (2, 3)]
    role = replace(question(4, "role of a click"), covers=(), start_s=None, end_s=None)
    short = question(5, "wrong note", midi=70, length_s=0.3)
    assert ids(long, *often, role, short) == ["Q-004", "Q-002", "Q-001", "Q-005"]


def test_the_same_choice_in_one_stem_is_asked_once() -> None:
    """The longest stands for the others; another stem, or another choice, is asked by itself."""
    rows = (
        question(1, "between two notes", midi=62),
        question(2, "between two notes", midi=62, length_s=2.0),
        question(3, "between two notes", midi=62, stem="CEL"),
        question(4, "between two notes", midi=63, length_s=0.5),
    )
    found = asked(plan(rows=rows, offenders=()))
    assert [(one.row.id, one.alike) for one in found] == [
        ("Q-002", ("Q-001",)), ("Q-003", ()), ("Q-004", ()),
    ]  # fmt: skip


def test_the_list_says_which_questions_the_page_asks() -> None:
    """Of those alike the id of the one that stands for them; the eleventh is asked by none."""
    rows = [question(k, "leans to the chord", midi=40 + k, length_s=3.0) for k in range(1, 11)]
    alike = question(11, "leans to the chord", midi=41)
    short = question(12, "leans to the chord", midi=60, length_s=0.2)
    told = with_asked(plan(rows=(*rows, alike, short), offenders=())).rows
    own = [f"Q-{k:03d}" for k in range(1, 11)]
    assert [row.asked_on_page for row in told] == [*own, "Q-001", ""]


def test_no_more_than_ten_and_none_twice() -> None:
    """The eleventh is told; what was answered is neither asked nor told."""
    rows = [question(k, "leans to the chord", midi=40 + k) for k in range(1, 13)]
    answered = question(20, "wrong note", midi=80, state="refused")
    one = plan(rows=(*rows, answered), offenders=())
    assert len(asked(one)) == ASKED_AT_MOST == 10
    assert [(g.rule_name, g.notes) for g in not_asked(one)] == [("leans to the chord", 2)]


def test_questions_about_the_session_count_as_well() -> None:
    """What no row stands for is told with the others, once; what a row asks is not told twice."""
    tape = Finding(
        severity="question", what="every stem is 17 flat: tape speed?", advice="Write A4."
    )
    role = Finding(severity="question", what="BAS: really?", asks="role of a low part")
    noted = Finding(severity="note", what="BAS starts late.")
    made = plan(rows=(), findings=(tape, role, noted, tape))
    assert asked_of_the_session(made) == (tape,)
    assert (
        "1 question only a person can answer: about the session, in summary.md among what was "
        "found on the way."
    ) in in_short(made)
    assert "- Every stem is 17 flat: tape speed? Write A4." in hand_off_markdown(made)
    both = plan(findings=(tape, replace(tape, what="Two stems moved.")))
    assert (
        "3 questions only a person can answer: 1 on the review page, 2 about the session, in "
        "summary.md among what was found on the way."
    ) in in_short(both)
    assert "1 question only a person can answer: on the review page." in in_short(plan())
    assert asked_of_the_session(plan(findings=())) == ()
