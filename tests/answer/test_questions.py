"""What can be answered to a question: notes, a yes where it says something, the words to type."""

from dataclasses import replace

import pytest

from planner.answer.questions import (
    FAR_OFF,
    ROLE_QUESTIONS,
    SEVERAL_NOTES,
    asks_role,
    meant_midi,
    notes_offered,
    role_rows,
    why_no_no,
    why_no_yes,
    words_to_type,
)
from planner.model import ROLES, Finding
from tests.invented_plan import QUESTION, RULE, row

WHICH = replace(
    QUESTION,
    rule_name="between two notes",
    covers=("EGL-0031",),
    intended_midi=62,
    heard_cents=58.0,
)


def test_the_notes_around_what_sounds_are_offered() -> None:
    """58 sharp of D: D and Eb; a score's note further off is offered as well."""
    assert notes_offered(WHICH) == (62, 63)
    assert notes_offered(replace(WHICH, heard_cents=-58.0)) == (61, 62)
    assert notes_offered(replace(WHICH, rule_name="wrong note", heard_cents=-130.0)) == (60, 61, 62)
    assert notes_offered(replace(WHICH, rule_name="cannot tell")) == ()


@pytest.mark.parametrize(
    ("name", "midi"),
    [
        ("D4", 62),
        ("Eb", 63),
        ("d#4", 63),
        ("D", 62),
        ("B", 59),
        ("A", 57),
        ("Bb2", 46),
        ("H", None),
    ],
)
def test_a_note_without_its_octave_is_the_nearest(name: str, midi: int | None) -> None:
    """What sounds is D and a half: B and A lie below it."""
    assert meant_midi(name, WHICH) == midi
    assert meant_midi(name, RULE) is None


def test_a_yes_that_says_nothing_is_refused_with_the_words_to_type() -> None:
    """To "which was meant?" yes is no answer; to "is it 30 flat?" and "another take?" it is."""
    assert why_no_yes(WHICH) == (
        f"a yes does not answer {WHICH.id}: type {WHICH.id} D4, {WHICH.id} Eb4, "
        f"{WHICH.id} no (leave it) or {WHICH.id} ask"
    )
    assert why_no_yes(replace(WHICH, rule_name="cannot tell")) == ""
    assert why_no_yes(replace(WHICH, rule_name="wobble")) == ""
    assert words_to_type(replace(WHICH, rule_name="wobble")).startswith(f"{WHICH.id} yes, ")
    assert why_no_yes(row()) == ""


def noticed(stem: str, asks: str) -> Finding:
    return Finding(severity="question", what=f"{stem}: really?", did="Judged so.", stem=stem,
                   asks=asks)  # fmt: skip


def test_what_is_noticed_about_a_role_becomes_a_question() -> None:
    """One a stem, none where somebody has said the role, none of other findings."""
    findings = (
        noticed("BAS", "role of a low part"), noticed("BAS", "role of several at once"),
        noticed("CLK", "role of a click"), noticed("GTR", ""),
        noticed("ORG", "role of moving keys"),
    )  # fmt: skip
    rows = role_rows(findings, {"ORG"})
    assert [(r.stem, r.kind, r.action, r.rule_name) for r in rows] == [
        ("BAS", "question", "ask", "role of a low part"),
        ("CLK", "question", "ask", "role of a click"),
    ]
    assert rows[0].reason == "BAS: really? Judged so."
    assert all(asks_role(r) for r in rows)


def test_whether_a_part_was_played_so_far_off_is_answered_by_a_word() -> None:
    """Yes or no, with what either does."""
    (asked,) = role_rows([noticed("GTR", FAR_OFF)], ())
    assert words_to_type(asked) == (
        "Q-000 yes (it was played so), Q-000 no (GTR waits) or Q-000 ask"
    )
    assert (why_no_yes(asked), why_no_no(asked)) == ("", "")


def test_whether_several_notes_sound_at_once_is_asked_of_lines_too() -> None:
    """A yes or a no answers it, whatever has been said of the role."""
    (row_,) = role_rows((noticed("HRN", SEVERAL_NOTES),), {"HRN"})
    assert not asks_role(row_)
    assert words_to_type(row_) == (
        "Q-000 yes (several notes at once), Q-000 no (one at a time) or Q-000 ask"
    )
    assert why_no_yes(row_) == why_no_no(row_) == ""


def test_how_a_question_about_a_role_is_answered() -> None:
    """By a role, or by yes; a no does not say which, and notes are not offered."""
    (row_,) = role_rows((noticed("CLK", "role of a click"),), ())
    assert words_to_type(row_) == ("Q-000 exclude (any role), Q-000 yes (it is right) or Q-000 ask")
    assert why_no_no(row_).startswith("a no does not say which role CLK has: type Q-000 exclude")
    assert why_no_no(WHICH) == ""
    assert why_no_yes(row_) == ""
    assert notes_offered(row_) == ()
    assert all(role in ROLES for offered in ROLE_QUESTIONS.values() for role in offered)
