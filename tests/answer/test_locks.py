"""Locks over a stem, bars or a section: read in words, and the rows they freeze."""

from dataclasses import replace

import pytest

from planner.answer.answers import Area, Entry
from planner.answer.locks import (
    area_said,
    area_words,
    held_by,
    lies_inside,
    moved_inside,
    place_locks,
    questions_inside,
    rows_inside,
    with_locked_rows,
)
from planner.words.session_model import Section
from tests.invented_plan import QUESTION, RULE, row

SECTIONS = (Section(name="verse 1", from_bar=3, to_bar=18),)
ROWS = (
    replace(RULE, stem="LV", start_bar=3, end_bar=60),
    replace(row(), start_bar=12, end_bar=13),
    replace(row(id="LV-0150"), start_bar=40, end_bar=40),
    QUESTION,
)


@pytest.mark.parametrize(
    ("text", "area"),
    [
        ("BAS", Area(stem="BAS")),
        ("bas", Area(stem="BAS")),
        ("bars 12-16", Area(from_bar=12, to_bar=16)),
        ("bars 12 to 16", Area(from_bar=12, to_bar=16)),
        ("bar 12", Area(from_bar=12, to_bar=12)),
        ("LV bars 12–16", Area(stem="LV", from_bar=12, to_bar=16)),
        ("bars 12-16 LV", Area(stem="LV", from_bar=12, to_bar=16)),
        ("Verse 1", Area(from_bar=3, to_bar=18)),
    ],
)
def test_places_in_words(text: str, area: Area) -> None:
    """A stem, bars, both, a section; capitals do not matter, and the words come back."""
    assert area_said(text, ["BAS", "LV"], SECTIONS) == (area, "")
    assert area_said(area_words(area), ["BAS", "LV"], SECTIONS) == (area, "")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("it", "no stem, section or row is called 'it'; there are BAS, LV, verse 1"),
        ("verse 1 bars 3-4", "no stem, section or row is called 'verse 1'"),
        ("bars 16-12", "bars 16-12 end before they begin"),
        ("", "say what: a stem, bars, a section or a row"),
    ],
)
def test_what_is_no_place_says_why(text: str, why: str) -> None:
    """What cannot be locked comes back with what there is."""
    area, said = area_said(text, ["BAS", "LV"], SECTIONS)
    assert area is None
    assert said.startswith(why)


def test_rules_lie_wholly_in_a_place_and_notes_by_their_start() -> None:
    """Bars 10 to 12 hold the note that begins in 12, and no rule that goes beyond them."""
    assert [r.id for r in rows_inside(Area(from_bar=10, to_bar=12), ROWS)] == ["LV-0147"]
    assert [r.id for r in rows_inside(Area(stem="LV"), ROWS)] == [
        ROWS[0].id, "LV-0147", "LV-0150",
    ]  # fmt: skip
    assert rows_inside(Area(stem="BAS"), ROWS) == ()
    assert not lies_inside(Area(from_bar=1, to_bar=2), "LV", None, None)


def test_a_place_becomes_locks_of_its_rows() -> None:
    """One lock a row; a row answered since it was written waits for the next run; unlock undoes."""
    lock = Entry(id="", area=Area(stem="LV"), locked=True, by="E", plan="plan_01", source="reply")
    no = Entry(id="LV-0150", answer="no", plan="plan_01", source="reply")
    done = with_locked_rows([no, lock], ROWS)
    assert [(e.id, e.locked) for e in done] == [
        ("LV-0150", None), (ROWS[0].id, True), ("LV-0147", True),
    ]  # fmt: skip
    refused = replace(ROWS[2], state="refused")
    assert "LV-0150" in [e.id for e in with_locked_rows([lock], (*ROWS[:2], refused))]
    later = [lock, replace(no, plan="plan_02")]
    stands = (*ROWS[:2], replace(ROWS[2], locked=True))
    assert "LV-0150" in [e.id for e in with_locked_rows(later, stands) if e.locked]
    asked = (replace(ROWS[0], state="parked"), *ROWS[1:])
    assert ROWS[0].id not in [e.id for e in with_locked_rows([lock], asked)]
    unlock = replace(lock, locked=False)
    frozen = tuple(replace(r, locked=r.id == "LV-0147") for r in ROWS)
    assert [(e.id, e.locked) for e in with_locked_rows([unlock], frozen)] == [("LV-0147", False)]


def test_the_last_word_on_a_place_counts() -> None:
    """Locked as a stem, then bar 4 unlocked: notes of bar 4 are free again."""
    entries = [
        Entry(id="", area=Area(stem="LV"), locked=True, by="E"),
        Entry(id="", area=Area(from_bar=4, to_bar=4), locked=False),
    ]
    locks = place_locks(entries)
    assert held_by(locks, "LV", 3) == ("LV locked by E", False)
    assert held_by(locks, "LV", 4) == ("", False)
    assert held_by(locks, "BAS", 3) == ("", False)
    off = place_locks([*entries, replace(entries[0], answer="no")])
    assert held_by(off, "LV", 4) == ("LV hands off by E", True)


def test_hands_off_a_place_is_a_no_to_its_rows_until_it_is_unlocked() -> None:
    """Whatever was answered to them before; what a rule moves there is counted."""
    yes = Entry(id="LV-0150", answer="yes", plan="plan_01", source="reply")
    off = Entry(id="", area=Area(stem="LV"), locked=True, answer="no", plan="plan_01")
    done = with_locked_rows([yes, off], ROWS)
    assert [(e.id, e.answer, e.locked) for e in done[1:]] == [
        (ROWS[0].id, "no", False), ("LV-0147", "no", False), ("LV-0150", "no", False),
    ]  # fmt: skip
    free = replace(off, answer=None, locked=False)
    back = with_locked_rows([yes, off, free], ROWS)[4:]
    assert [(e.id, e.state, e.locked) for e in back] == [
        (ROWS[0].id, "new", False), ("LV-0147", "new", False), ("LV-0150", "new", False),
    ]  # fmt: skip
    bars = {"BAS-0001": 3, "BAS-0002": 7}
    assert moved_inside(Area(from_bar=2, to_bar=5), [RULE, row()], bars) == (("R-001", 1),)
    assert moved_inside(Area(stem="LV"), [RULE, row()], bars) == ()
    assert moved_inside(Area(stem="BAS"), [replace(RULE, state="refused")], bars) == ()


def test_questions_that_a_lock_ends() -> None:
    """Open questions about notes in the place; not answered ones, nor those about a whole stem."""
    here = replace(QUESTION, id="Q-007", covers=("EGL-0031",), start_bar=12)
    answered = replace(here, id="Q-008", state="refused")
    about_all = replace(here, id="Q-009", covers=(), start_bar=None)
    rows = (here, answered, about_all, replace(here, id="Q-010", start_bar=20))
    assert questions_inside(Area(from_bar=12, to_bar=16), rows) == (here,)
    assert questions_inside(Area(stem="LV"), rows) == ()
