"""A reply in a person's own words becomes single answers."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.answer.answers import ANSWERS
from planner.answer.replies import placed, rows_named
from planner.answer.reply_words import Said, read_export, read_locks, read_reply
from planner.answer.second_thoughts import is_changed
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
        ("14 no, as in bar 12 no I mean it", [("14", "no", "as in bar 12 no I mean it")]),
        ("14 no take 2 no better", [("14", "no", "take 2 no better")]),
        ("12 yes 3 dB more than 14", [("12", "yes", "3 dB more than 14")]),
        ("12 yesterday was better", []),
        ("12 no-one", []),
        ("14 no schön, été", [("14", "no", "schön, été")]),
        ("1.5 yes", []),
        ("3-5 yes", [("3", "yes", ""), ("4", "yes", ""), ("5", "yes", "")]),
        ("2 to 3, 9 no", [("2", "no", ""), ("3", "no", ""), ("9", "no", "")]),
        ("12 no bars 3-4 no", [("12", "no", "bars 3-4 no")]),
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


@pytest.mark.parametrize(
    ("text", "answered", "unclear"),
    [
        ("1 yes, 3 nope, 4 no", ["1", "4"], ["3 nope"]),
        ("GTR-0021 yes, LV-0047 hlaf", ["GTR-0021"], ["LV-0047 hlaf"]),
        ("Q-031 F#3, Q-035 H3", ["Q-031"], ["Q-035 H3"]),
        ("1 yes, 3 bars 2-4", ["1"], ["3 bars 2-4"]),
        ("1 yes\n3 nope; rule 2 mabye. 5 no", ["1", "5"], ["3 nope", "rule 2 mabye."]),
        ("1 yes and 3 nope", ["1"], ["3 nope"]),
        ("1 yes LV-0047 hlaf", ["1"], ["LV-0047 hlaf"]),
        ("1 yes 3 nope 4 no", ["1", "4"], ["3 nope"]),
        ("1 half #3 hlaf", ["1"], ["#3 hlaf"]),
        ("Q-003 F#3 12 Bflat", ["Q-003"], ["12 Bflat"]),
        ("1 no 3.5 dB too loud, 2 no 2nd time", ["1", "2"], []),
        ("9 note 2 beats late, 3 yes", ["9", "3"], []),
        ("1 no 12 cents is enough", ["1"], []),
        ("1 no, 3 takes of it sounded fine", ["1"], ["3 takes of it sounded fine"]),
        ("1 no, in 3 takes it sounded fine; 3.5 dB too loud, 2nd time", ["1"], []),
    ],
)
def test_a_mistyped_answer_is_no_comment(
    text: str, answered: list[str], unclear: list[str]
) -> None:
    """A thought that begins like an answer is one, or unclear; it never hides among the words."""
    found, others = read_reply(text)
    assert [s.ref for s in found] == answered
    assert [u.text for u in others] == unclear
    assert all("if it is a comment, begin it with a word" in u.why for u in others)


WORDS = (
    st.text("abcdefghilmprstuvwz ,.'!", max_size=30)
    .map(str.strip)
    .filter(lambda words: not any(is_changed(one, words) for one in ANSWERS))
)


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
    "reply",
    [
        "6 no way\nall the sax A3s no",
        "2 yes but only from bar 9",
        "R-002 yes, except bars 3-4",
        "1 yes no wait no",
        "3 half, no: leave it",
    ],
)
def test_what_takes_an_answer_back_or_bounds_it_is_no_comment(reply: str) -> None:
    """An answer whose meaning would be lost is not understood, and so nothing is stored."""
    said, unclear = read_reply(reply)
    assert said == ()
    assert [one.text for one in unclear] == [reply]


@pytest.mark.parametrize(
    "reply",
    [
        "6 no no no",
        "2 yes, softly",
        "2 yes, like bar 9",
        "4 note no breath in bar 9",
        "5 yes\nlovely",
        "7 ask no idea",
    ],
)
def test_other_words_stay_comments(reply: str) -> None:
    """Said of the same row, they change nothing."""
    said, unclear = read_reply(reply)
    assert len(said) == 1
    assert unclear == ()
