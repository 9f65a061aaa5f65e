"""A reply set beside its plan: what is stored, what is told back, and the words to type."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from planner.answer.answers import Area
from planner.answer.reply_words import read_locks, read_reply
from planner.answer.told_back import Given, Reply, Understood, understood
from planner.words.session_model import Session, StemSpec
from tests.invented_plan import QUESTION, RULE, row

WHICH = replace(
    QUESTION, rule_name="between two notes", covers=("EGL-0031",), intended_midi=62,
    heard_cents=58.0,
)  # fmt: skip
SESSION = Session(
    song="Pier Light", stems=(StemSpec(code="BAS", file="bass.wav", role="bass-fretted"),)
)


def told(text: str) -> Understood:
    rest, locks = read_locks(text)
    said, unclear = read_reply(rest)
    given = Given(
        plan="plan_01", rows=(RULE, row(), WHICH), sha256_of=MappingProxyType({}),
        source="reply", by="", date="", ranks={1: "R-001", 2: "LV-0147"},
        heard_cents={"SAX-0009": 25.2, "BAS-0002": -4.0}, bars={"BAS-0001": 3, "BAS-0002": 12},
    )  # fmt: skip
    return understood(
        Reply(source="reply", said=said, locks=locks, unclear=unclear), given, SESSION
    )


def test_what_is_clear_is_told_beside_the_piece_that_is_not() -> None:
    """The line waits; another line of the same reply does not."""
    found = told("1 yes, 2 yes but gently\nQ-001 its a D")
    assert [(e.id, e.answer) for e in found.entries] == [("EGL-0031", None)]
    assert found.told[0].startswith("1. R-001 (BAS, throughout")
    assert found.told[0].endswith("yes; waits for the rest of its line")
    assert found.told[1].endswith("D4 was meant")
    (piece,) = found.unclear
    assert piece.text == "2 yes but gently"
    assert piece.why == (
        "what 'but gently' means for the answer is not clear; type LV-0147 yes, LV-0147 half, "
        "LV-0147 no (leave it) or LV-0147 ask, and other words as LV-0147 note ..."
    )


def test_all_like_a_row_that_is_alone_is_told_to_be() -> None:
    """What was said of more is not stored in silence for one."""
    assert told("1 yes all like this").told[0].endswith("yes; no other row is like it")
    assert told("1 yes").told[0].endswith("yes")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1 yes for bars 9-16", "type R-001 yes, R-001 half, R-001 from bar 1, R-001 no (leave"),
        ("Q-001 yes indeed", "type Q-001 D4, Q-001 Eb4, Q-001 no (leave it) or Q-001 ask"),
        ("SAX-0009 yes", "SAX-0009 has no row of its own, and is heard 25 sharp; to move it all "
         "the same, write into the answers file: - {id: SAX-0009, override: {add_cents: -25}}"),
        ("SAX-0009 yes and no", "what 'no' means for the answer is not clear; SAX-0009 has no row"),
        ("BAS-2 yes", "BAS-0002 has no row of its own; to move it all the same, write into the "
         "answers file: - {id: BAS-0002, override: {add_cents: 12}} (or what it needs)"),
    ],
)  # fmt: skip
def test_what_is_not_understood_says_the_words_that_are(text: str, why: str) -> None:
    """Those of the very row; of a note without a row, the override."""
    (one,) = told(text).unclear
    assert why in one.why


def test_a_lock_of_a_place_counts_what_a_rule_moves_there() -> None:
    """Locked it stays as planned, which is said; hands off it is moved no more."""
    locked, off = told("lock BAS bars 2-9"), told("hands off BAS bars 2-9")
    place = Area(stem="BAS", from_bar=2, to_bar=9)
    assert [(e.area, e.locked, e.answer) for e in (*locked.entries, *off.entries)] == [
        (place, True, None), (place, True, "no"),
    ]  # fmt: skip
    assert locked.told == (
        "BAS bars 2-9 (0 rows of plan_01; R-001 moves 1 note there): locked; nothing new will be "
        "planned there; what moves there stays as planned ('hands off BAS bars 2-9' leaves it "
        "unmoved)",
    )
    assert off.told == (
        "BAS bars 2-9 (0 rows of plan_01; R-001 moves 1 note there): hands off; nothing is moved "
        "there, nothing new will be planned",
    )
    (row_of,) = told("hands off LV-147").unclear
    assert row_of.why == "hands off is said of a place; of rows type LV-0147 no"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("D4", "D4 was meant"),
        ("E4", "E4 was meant"),
        ("C4", "C4 was meant, 2.6 semitones from what is heard: too far to be moved"),
        ("D5", "D5 was meant, 11 semitones from what is heard: too far to be moved"),
    ],
)
def test_a_note_far_from_what_is_heard_is_told_to_be(name: str, said: str) -> None:
    """A slip in the octave shows; the answer is kept, and another take is advised for it."""
    (told_back,) = told(f"Q-001 {name}").told
    assert told_back.endswith(said)
