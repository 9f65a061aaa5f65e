"""Replies in a person's own words and the page's export, read into answers."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.answers import ANSWERS
from planner.plan_model import Row
from planner.replies import (
    Said,
    is_export,
    like_this,
    placed,
    read_export,
    read_locks,
    read_reply,
    rows_named,
)
from tests.invented_plan import QUESTION, RULE, SHAPED, row

RANKS = {12: "LV-0147", 14: "R-001", 20: "LV-0153"}
ROWS = (RULE, row(), SHAPED, replace(QUESTION, covers=("EGL-0031",)))


def said(text: str) -> list[tuple[str, str, str]]:
    return [(s.ref, s.answer, s.comment) for s in read_reply(text)[0]]


def test_the_producers_sentence() -> None:
    """The sentence a producer sends from a car is three answers."""
    found, unclear = read_reply("12 yes 14 no love that scoop, 20 ask her")
    assert unclear == ()
    assert found == (
        Said(ref="12", answer="yes"),
        Said(ref="14", answer="no", comment="love that scoop"),
        Said(ref="20", answer="ask", comment="ask her"),
    )


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("12: yes\n14 = no\n20 - half", [("12", "yes", ""), ("14", "no", ""), ("20", "half", "")]),
        ("#12 YES; R-001 Half.", [("12", "yes", ""), ("R-001", "half", "")]),
        ("LV-0147 note the rise is hers", [("LV-0147", "note", "the rise is hers")]),
        ("12, 14 and 20 yes", [("12", "yes", ""), ("14", "yes", ""), ("20", "yes", "")]),
        ("12 & 14 no leave them", [("12", "no", "leave them"), ("14", "no", "leave them")]),
        ("14 no, as in bar 12 yes I mean it", [("14", "no", "as in bar 12 yes I mean it")]),
        ("14 no take 2 no better", [("14", "no", "take 2 no better")]),
        ("12 yes 3 dB more than 14", [("12", "yes", "3 dB more than 14")]),
        ("12 yesterday was better", []),
        ("12 no-one", []),
        ("14 no schön, été", [("14", "no", "schön, été")]),
        ("1.5 yes", []),
        ("3-5 yes", [("3", "yes", ""), ("4", "yes", ""), ("5", "yes", "")]),
        ("2 to 3, 9 no", [("2", "no", ""), ("3", "no", ""), ("9", "no", "")]),
        ("12 no bars 3-4 yes", [("12", "no", "bars 3-4 yes")]),
        ("5-3 yes", [("5-3", "yes", "")]),
    ],
)
def test_forms_of_a_reply(text: str, wanted: list[tuple[str, str, str]]) -> None:
    """Colons, capitals, lists and numbers that are no lines of the list."""
    assert [(ref, answer, c.rstrip(".")) for ref, answer, c in said(text)] == wanted


def test_what_is_not_understood_comes_back() -> None:
    """Words before the first answer are not passed over."""
    found, unclear = read_reply("hello! 12 yes")
    assert [s.ref for s in found] == ["12"]
    assert [(u.text, u.why) for u in unclear] == [
        ("hello!", "no line number or row id with an answer")
    ]
    assert [u.text for u in read_reply("sounds great")[1]] == ["sounds great"]
    assert read_reply("") == ((), ())
    first = read_reply("yes to 3 and 4")[1]
    assert [u.why for u in first] == [
        "no line number or row id with an answer; write the number first: '3 yes, 4 no', or "
        "'3-6 yes'"
    ]


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
    found, unclear = placed(read_reply("12 no all like this, too sweet")[0], rows, RANKS)
    assert unclear == ()
    assert [(p.ref, p.row.id, p.comment) for p in found] == [
        ("12", "LV-0147", "too sweet"),
        ("like this", "LV-0150", "too sweet"),
        ("like this", "LV-0160", "too sweet"),
    ]
    assert [r.id for r in like_this(RULE, rows)] == ["R-001"]
    assert [r.id for r in like_this(rows[-1], (*rows, replace(rows[-1], id="R-003")))] == [
        "R-002", "R-003",
    ]  # fmt: skip


EXPORT = (
    "planner answers 1\nsong: Low Tide Ledger\nplan: plan_02\nby: producer\n"
    "LV-0147 no \tlove that scoop\\nreally \\\\o/\nR-001 yes\nLV-0153\task\n"
    "Q-001 note\tper the score: D\n"
)


def test_the_pages_export() -> None:
    """Header, row ids, and comments with their line breaks; lines that do not fit say where."""
    assert is_export(EXPORT)
    found = read_export(EXPORT + "what now\n")
    assert (found.song, found.plan, found.by) == ("Low Tide Ledger", "plan_02", "producer")
    assert [(s.ref, s.answer, s.comment) for s in found.said] == [
        ("LV-0147", "no", "love that scoop\nreally \\o/"),
        ("R-001", "yes", ""),
        ("LV-0153", "ask", ""),
        ("Q-001", "note", "per the score: D"),
    ]
    assert [u.why.split(" is no ")[0] for u in found.unclear] == ["line 9"]
    assert not is_export("12 yes")


def test_an_export_saved_by_another_machine_reads_the_same() -> None:
    """A byte order mark and CR LF line ends change nothing."""
    assert read_export("\ufeff" + EXPORT.replace("\n", "\r\n")) == read_export(EXPORT)
    assert is_export("\ufeff" + EXPORT.replace("\n", "\r\n"))


WORDS = st.text("abcdefghilmprstuvwz ,.'!", max_size=30).map(str.strip)


@given(st.lists(st.tuples(st.integers(1, 99), st.sampled_from(ANSWERS), WORDS), max_size=8))
def test_every_answer_is_heard(items: list[tuple[int, str, str]]) -> None:
    """Whatever words follow them, all answers come back in order, and nothing is left over."""
    text = "\n".join(f"{n} {answer} {words}" for n, answer, words in items)
    found, unclear = read_reply(text)
    assert [(s.ref, s.answer) for s in found] == [(str(n), a) for n, a, _ in items]
    assert unclear == ()


@given(st.text(max_size=60))
def test_no_text_breaks_it(text: str) -> None:
    """Any text is answers, something unclear, or empty of words; never a crash."""
    found, unclear = read_reply(text)
    assert found or unclear or not any(c.isalnum() for c in text)
    read_export(text)


def test_a_joining_and_is_no_comment() -> None:
    """Between two answers, "and" is neither's comment."""
    said, unclear = read_reply("1 yes and 2 no")
    assert [(s.ref, s.answer, s.comment) for s in said] == [("1", "yes", ""), ("2", "no", "")]
    assert unclear == ()


WHICH = replace(
    QUESTION, rule_name="between two notes", covers=("EGL-0031",), intended_midi=62,
    heard_cents=58.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Q-003 F#3", [("Q-003", "F#3", "")]),
        ("12 is Bb", [("12", "Bb", "")]),
        ("12 meant F#3, she sings it low", [("12", "F#3", "she sings it low")]),
        ("12 is A", [("12", "A", "")]),
        ("12: f#3; 14 e4", [("12", "f#3", ""), ("14", "e4", "")]),
        ("Q-1 it was meant as Eb3. 12 is Bb2", [("Q-1", "Eb3", "."), ("12", "Bb2", "")]),
        ("12 is a scoop", []),
        ("12 a bit sharp", []),
        ("12 3 dB too loud", []),
        ("bar 12 C4", []),
    ],
)
def test_the_note_that_was_meant(text: str, wanted: list[tuple[str, str, str]]) -> None:
    """A note's name stands in place of yes or no; a word that only looks like one does not."""
    found = [(s.ref, s.meant, s.comment) for s in read_reply(text)[0]]
    assert [(ref, meant, c.rstrip(".")) for ref, meant, c in found] == [
        (ref, meant, c.rstrip(".")) for ref, meant, c in wanted
    ]


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


def test_locks_are_taken_out_of_a_reply() -> None:
    """Rows, stems, bars; a comment that speaks of locking is a comment."""
    rest, locks = read_locks("12 yes, lock BAS; unlock bars 12-16. lock R-001, LV-0147\n14 no")
    assert [(lock.text, lock.locked) for lock in locks] == [
        ("BAS", True), ("bars 12-16", False), ("R-001, LV-0147", True),
    ]  # fmt: skip
    assert [(s.ref, s.answer) for s in read_reply(rest)[0]] == [("12", "yes"), ("14", "no")]
    assert read_reply(rest)[1] == ()
    assert read_locks("12 yes lock it in")[1] == ()
    assert [r.id for r in rows_named("R-001, 12", ROWS, RANKS)] == ["R-001", "LV-0147"]
    assert [r.id for r in rows_named("12-12, 14", ROWS, RANKS)] == []
    assert [r.id for r in rows_named("1-2", ROWS, {1: "R-001", 2: "LV-0147"})] == [
        "R-001", "LV-0147",
    ]  # fmt: skip
    assert rows_named("R-001, 99", ROWS, RANKS) == rows_named("BAS", ROWS, RANKS) == ()


ROLE = replace(
    QUESTION, id="Q-004", stem="BAS", covers=(), start_bar=None, start_s=None,
    rule_name="role of a low part", intended_midi=None,
)  # fmt: skip
SPAN = replace(RULE, id="R-002", scope="span", action="tuning-span", start_bar=19, end_bar=36)


@pytest.mark.parametrize(
    ("text", "role", "bars"),
    [
        ("Q-004 bass-fretless", "bass-fretless", None),
        ("Q-004 is Fretted-Chords, it strums", "fretted-chords", None),
        ("Q-004: role brass", "brass", None),
        ("R-002 bars 19-34", None, (19, 34)),
        ("R-2 bar 19", None, (19, 19)),
        ("R-002 bars 19 to 34 as she said", None, (19, 34)),
        ("R-002 from bar 19 on", None, (19, None)),
        ("rule 2 begins at bar 17", None, (17, 36)),
        ("R-002 starts in bar 17 as she said", None, (17, 36)),
        ("R-002 ends with bar 33", None, (19, 33)),
        ("Rule 2 from bar 17 to 33", None, (17, 33)),
        ("R-002 begins at bar 17 and ends at bar 33", None, (17, 33)),
        ("R-002: bars 17 until bar 33", None, (17, 33)),
    ],
)
def test_a_role_or_a_stretch_of_bars(
    text: str, role: str | None, bars: tuple[int, int | None] | None
) -> None:
    """A question about a role is answered by it, a rule by where it lies."""
    found, unclear = placed(read_reply(text)[0], (*ROWS, ROLE, SPAN), RANKS)
    assert unclear == ()
    (one,) = found
    assert (one.row.id, one.role, one.bars) == (
        ROLE.id if role else SPAN.id, role, bars,
    )  # fmt: skip
    assert one.answer is None


def test_roles_and_bars_elsewhere_are_words() -> None:
    """A comment may speak of brass and of bars."""
    assert said("12 no brass is louder in bars 3-4") == [
        ("12", "no", "brass is louder in bars 3-4")
    ]
    assert said("12 brass") == []
    assert said("rule 3 yes, 4 no") == [("R-003", "yes", ""), ("4", "no", "")]
    assert said("LV-0147 bars 3-4") == []


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


def test_a_role_in_the_pages_export() -> None:
    """Its own word goes before it; a word that is no role is told with its line."""
    export = read_export(
        "planner answers 1\nsong: X\nQ-004 role bass-fretless\tthey play\nQ-005 role bass\n"
    )
    assert [(s.ref, s.role, s.comment) for s in export.said] == [
        ("Q-004", "bass-fretless", "they play")
    ]
    why = "line 4 is no '<row id> yes, no, ask, half, note, meant <note>, role <role> or bars "
    assert export.unclear[0].why.startswith(why)
