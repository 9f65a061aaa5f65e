"""Replies in a person's own words and the page's export, read into answers."""

from dataclasses import replace

import pytest

from planner.answer.page_export import read_export
from planner.answer.replies import placed
from planner.answer.reply_words import read_reply
from planner.ranking import like_this
from planner.review.page_lines import page_lines
from planner.words.plan_model import Row
from tests.invented_plan import QUESTION, RULE, SHAPED, plan, row

RANKS = {12: "LV-0147", 14: "R-001", 20: "LV-0153"}


ROWS = (RULE, row(), SHAPED, replace(QUESTION, covers=("EGL-0031",)))


def said(text: str) -> list[tuple[str, str, str]]:
    return [(s.ref, s.answer, s.comment) for s in read_reply(text)[0]]


def test_numbers_are_lines_of_the_list_and_ids_are_rows() -> None:
    """Ranks, ids in small letters, ids without their zeros, and a question by its note."""
    found, unclear = placed(read_reply("12 yes lv-153 no R-1 half EGL-0031 ask")[0], ROWS, RANKS)
    assert unclear == ()
    assert [(p.row.id, p.answer) for p in found] == [
        ("LV-0147", "yes"), ("LV-0153", "no"), ("R-001", "half"), ("Q-001", "ask"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("13 yes", "the offenders list has no line 13; its last is 20"),
        ("LV-0148 yes", "no row has the id LV-0148; did you mean LV-0147?"),
        ("XX-1 yes", "no row has the id XX-1"),
        ("Q-001 half", "Q-001 moves nothing, so there is no half of it"),
        ("12 note", "a note needs words"),
        ("12 yes LV-0147 no", "LV-0147 was answered 'yes' before in the same reply"),
    ],
)
def test_what_cannot_be_placed_says_why(text: str, why: str) -> None:
    """A line that is not there, an id nobody has, half of nothing, a reply against itself."""
    _, unclear = placed(read_reply(text)[0], ROWS, RANKS)
    assert [u.why for u in unclear] == [why]


def test_an_orphan_takes_words_only() -> None:
    """What is kept without a home can be commented, not decided."""
    rows = (replace(row(), state="orphan"),)
    _, unclear = placed(read_reply("LV-0147 yes")[0], rows, {})
    assert "kept without a home" in unclear[0].why
    assert placed(read_reply("LV-0147 note still?")[0], rows, {})[1] == ()


def test_all_like_this() -> None:
    """It speaks of the same stem, action, direction and note; of rules of the same scope."""
    same = [row(id=f"LV-{k:04d}") for k in (150, 160)]
    up, other_note = row(id="LV-0170", add_cents=-9.0), row(id="LV-0171", intended_midi=72)
    rows: tuple[Row, ...] = (
        RULE,
        row(),
        *same,
        up,
        other_note,
        replace(RULE, id="R-002", stem="EGL"),
    )
    found, unclear = placed(read_reply("12 no all like this, love it")[0], rows, RANKS)
    assert unclear == ()
    assert [(p.ref, p.row.id, p.comment) for p in found] == [
        ("12", "LV-0147", "love it"),
        ("like this", "LV-0150", "love it"),
        ("like this", "LV-0160", "love it"),
    ]
    assert [r.id for r in like_this(RULE, rows)] == ["R-001"]
    assert [r.id for r in like_this(rows[-1], (*rows, replace(rows[-1], id="R-003")))] == [
        "R-002", "R-003",
    ]  # fmt: skip


WHICH = replace(
    QUESTION, rule_name="between two notes", covers=("EGL-0031",), intended_midi=62,
    heard_cents=58.0,
)  # fmt: skip


def test_all_like_a_question_are_those_that_the_page_counts() -> None:
    """The same notes to choose from, still open; not whatever else is asked of that pitch."""
    rows = (
        WHICH,
        replace(WHICH, id="Q-002", covers=("EGL-0032",)),
        replace(WHICH, id="Q-003", covers=("EGL-0033",), rule_name="wobble"),
        replace(WHICH, id="Q-004", covers=("EGL-0034",), heard_cents=-58.0),
        replace(WHICH, id="Q-005", covers=("EGL-0035",), state="refused"),
    )
    found, unclear = placed(read_reply("Q-001 Eb4 all like this")[0], rows, {})
    assert unclear == ()
    assert [p.row.id for p in found] == ["Q-001", "Q-002"]
    (line,) = [one for one in page_lines(plan(rows=rows)) if one.row.id == "Q-001"]
    assert line.alike == ("Q-002",)


def test_a_named_note_finds_its_row() -> None:
    """By the question, by its note, from the page; a yes and a rule are refused with what to do."""
    rows = (RULE, row(), WHICH)
    found, unclear = placed(read_reply("Q-001 Eb, EGL-31 is Eb4, 12 D5")[0], rows, RANKS)
    assert unclear == ()
    assert [(p.row.id, p.meant_midi) for p in found] == [("Q-001", 63), ("LV-0147", 74)]
    export = read_export("planner answers 1\nsong: x\nQ-001 meant Eb4\tper the score\n")
    assert (export.said[0].meant, export.said[0].comment, export.unclear) == (
        "Eb4", "per the score", (),
    )  # fmt: skip
    for text, why in (
        ("Q-001 yes", "a yes does not answer Q-001: type Q-001 D4, Q-001 Eb4, "),
        ("R-001 D4", "R-001 covers many notes; name one of them by its own id, from notes.csv"),
        ("Q-001 D4 Q-001 Eb4", "Q-001 was answered 'meant D4' before in the same reply"),
    ):
        _, unclear = placed(read_reply(text)[0], rows, RANKS)
        assert [u.why[: len(why)] for u in unclear] == [why]
    many = replace(QUESTION, covers=("EGL-0031", "EGL-0032"))
    for bad, at, why in (
        ("Q-001 D4", many, "Q-001 is no single note, so none can be named for it"),
        ("Q-001 meant G###4", WHICH, "'G###4' is no note name; write a letter, # or b"),
    ):
        said = read_export(f"planner answers 1\n{bad.replace('001 D', '001 meant D')}\n").said
        _, unclear = placed(said, (at,), {})
        assert [u.why[: len(why)] for u in unclear] == [why]


ROLE = replace(
    QUESTION, id="Q-004", stem="BAS", covers=(), start_bar=None, start_s=None,
    rule_name="role of a low part", intended_midi=None,
)  # fmt: skip


SPAN = replace(RULE, id="R-002", scope="span", action="tuning-span", start_bar=19, end_bar=36)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("Q-004 no", "a no does not say which role BAS has: type Q-004 fretted, Q-004 bowed, "),
        ("Q-001 brass", "Q-001 does not ask for a role"),
        ("R-002 bars 34-19", "bars 34-19 end before they begin"),
        ("R-002 ends at bar 12", "bars 19-12 end before they begin"),
        ("R-002 begins at bar 40", "bars 40-36 end before they begin"),
        ("R-009 ends at bar 4", "there is no tempo map, so no bar can be found"),
        ("R-009 bars 3-4", "there is no tempo map, so no bar can be found"),
        ("Q-004 brass Q-004 bowed", "Q-004 was answered 'brass' before in the same reply"),
    ],
)
def test_what_is_no_role_and_no_stretch_says_why(text: str, why: str) -> None:
    """With the words to type where there are any."""
    unmapped = replace(SPAN, id="R-009", start_bar=None)
    _, unclear = placed(read_reply(text)[0], (*ROWS, ROLE, SPAN, unmapped), RANKS)
    assert [u.why[: len(why)] for u in unclear] == [why]
