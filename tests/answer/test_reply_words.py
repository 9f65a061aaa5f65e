"""A reply in a person's own words becomes single answers."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.answer.answers import ANSWERS
from planner.answer.page_export import read_export
from planner.answer.replies import placed, rows_named
from planner.answer.reply_words import LockSaid, Said, read_locks, read_reply
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
        ("14 no, as in bar 12 no I mean it", []),
        ("14 no, no, I mean it", [("14", "no", "no, I mean it")]),
        ("14 note take 2 is better", [("14", "note", "take 2 is better")]),
        ("12 yesterday was better", []),
        ("12 no-one", []),
        ("14 note schön, été", [("14", "note", "schön, été")]),
        ("1.5 yes", []),
        ("3-5 yes", [("3", "yes", ""), ("4", "yes", ""), ("5", "yes", "")]),
        ("2 to 3, 9 no", [("2", "no", ""), ("3", "no", ""), ("9", "no", "")]),
        ("12 no bars 3-4 no", []),
        ("5-3 yes", [("5-3", "yes", "")]),
    ],
)
def test_forms_of_a_reply(text: str, wanted: list[tuple[str, str, str]]) -> None:
    """Colons, capitals, lists and numbers that are no lines of the list."""
    assert [(ref, answer, c.rstrip(".")) for ref, answer, c in said(text)] == wanted


def test_what_is_not_understood_comes_back() -> None:
    """Words before the first answer are not passed over, unless they only greet."""
    assert [s.ref for s in read_reply("hello! 12 yes")[0]] == ["12"]
    found, unclear = read_reply("but not 12 yes")
    assert found == ()
    assert [(u.text, u.why[:48]) for u in unclear] == [
        ("but not 12 yes", "what 'but not' means for the answer is not clear")
    ]
    assert [u.text for u in read_reply("sounds great")[1]] == ["sounds great"]
    assert read_reply("") == ((), ())
    first = read_reply("yes to 3 and 4")[1]
    assert [u.why for u in first] == [
        "no line number or row id with an answer; write the number first: '3 yes', '3 half' (of "
        "the move), '3 no' (leave it), '3-6 yes', 'Q-003 F#3'"
    ]


@pytest.mark.parametrize(
    ("text", "answered", "unclear", "why"),
    [
        ("1 yes, 3 mabye, 4 no", [], ["3 mabye"], "it begins like an answer and is none"),
        ("1 yes, and 3 too; 4 no", ["4"], ["3 too"], "it begins like an answer and is none"),
        ("0 no\n1 yes\n3 mabye; 5 no", ["0", "5"], ["3 mabye"], "it begins like an answer"),
        ("Q-031 F#3; Q-035 H3", [], ["Q-035 H3"], "it begins like an answer and is none"),
        ("9 note 2 beats late", [], ["9 note 2 beats late"], "'2 beats late' begins like an"),
        ("4 ask her, 5 mabye", [], ["4 ask her, 5 mabye"], "'5 mabye' begins like an answer"),
        ("4 ask about 5, 6 no", [], ["4 ask about 5, 6 no"], "it is not clear where the comment"),
        ("9 note it is 2 beats late, 3 yes", ["9", "3"], [], ""),
    ],
)
def test_a_mistyped_answer_is_no_comment(
    text: str, answered: list[str], unclear: list[str], why: str
) -> None:
    """A thought that begins like an answer is one, or unclear; it never hides among the words."""
    found, others = read_reply(text)
    assert [s.ref for s in found if not s.held] == answered
    assert [u.text for u in others] == unclear
    assert all(u.why.startswith(why) for u in others)


WORDS = st.lists(st.sampled_from(["please", "thanks,", "really!", "(definitely)"])).map(" ".join)


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
        ("12 meant F#3, thanks", [("12", "F#3", "thanks")]),
        ("12 is A", [("12", "A", "")]),
        ("Q-014 its an A", [("Q-014", "A", "")]),
        ("Q-014 it's a D#5, way sharp", [("Q-014", "D#5", "way sharp")]),
        ("12 that’s a G", [("12", "G", "")]),
        ("12 is D flat", []),
        ("12: f#3; 14 e4", [("12", "f#3", ""), ("14", "e4", "")]),
        ("Q-1 it was meant as Eb3. 12 is Bb2", [("Q-1", "Eb3", "."), ("12", "Bb2", "")]),
        ("Q-007 G", [("Q-007", "G", "")]),
        ("Q-008 E, Q-009 A.", [("Q-008", "E", ""), ("Q-009", "A", "")]),
        ("Q-001 G all like this", [("Q-001", "G", "")]),
        ("Q-008 e", []),
        ("12 A love it", []),
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


def test_a_line_about_a_row_speaks_of_no_other_row() -> None:
    """What is not understood of one row holds other answers to that row, and no other line's."""
    said, unclear = read_reply("Q-008 e\nQ-001 no\n3 yes\n3 only softly")
    assert [(s.ref, s.answer, s.held) for s in said] == [("Q-001", "no", False), ("3", "yes", True)]
    assert [(u.text, u.ref) for u in unclear] == [("Q-008 e", "Q-008"), ("3 only softly", "3")]
    assert [s.held for s in read_reply("rule 1 softly\nr-1 yes\nR-002 yes")[0]] == [True, False]


def test_locks_are_taken_out_of_a_reply() -> None:
    """Rows, stems, bars; a comment that speaks of locking is a comment."""
    rest, locks = read_locks("12 yes, lock BAS; unlock bars 12-16. lock R-001, LV-0147\n14 no")
    assert [(lock.text, lock.locked) for lock in locks] == [
        ("BAS", True), ("bars 12-16", False), ("R-001, LV-0147", True),
    ]  # fmt: skip
    assert [(s.ref, s.answer) for s in read_reply(rest)[0]] == [("12", "yes"), ("14", "no")]
    assert read_reply(rest)[1] == ()
    assert read_locks("12 yes lock it in")[1] == ()
    assert read_locks("hands off BAS bars 5-9, 14 no, hands off it")[1] == (
        LockSaid(text="BAS bars 5-9", locked=True, still=True),
    )
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
        ("Q-004 is Fretted-Chords, please", "fretted-chords", None),
        ("Q-004: role brass", "brass", None),
        ("R-002 bars 19-34", None, (19, 34)),
        ("R-2 bar 19", None, (19, 19)),
        ("R-002 bars 19 to 34 please", None, (19, 34)),
        ("R-002 from bar 19 on", None, (19, None)),
        ("R-002 only from bar 20", None, (20, None)),
        ("R-002 just in bars 20-30, thx", None, (20, 30)),
        ("R-002 bars 20-30 only", None, (20, 30)),
        ("rule 2 begins at bar 17", None, (17, 36)),
        ("R-002 starts in bar 17, thanks", None, (17, 36)),
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


def test_roles_and_bars_are_told_where_they_do_not_belong() -> None:
    """A note speaks of brass and of bars; a row that asks for neither says so."""
    assert said("12 note brass is louder in bars 3-4") == [
        ("12", "note", "brass is louder in bars 3-4")
    ]
    assert said("rule 3 yes, 4 no") == [("R-003", "yes", ""), ("4", "no", "")]
    _, unclear = placed(read_reply("12 brass, LV-0153 bars 3-4")[0], ROWS, RANKS)
    assert [one.why for one in unclear] == [
        "LV-0147 does not ask for a role",
        "LV-0153 is no rule, so it has no stretch of bars",
    ]
