"""Edited notes that are gone, or louder than they were; what the whole file does is no fault."""

from dataclasses import replace

import pytest

from planner.compare.edited_notes import edited_said
from planner.compare.note_pairs import Pair, Reading
from planner.words.plan_model import Row
from tests.invented_plan import row


def _reading(k: int, level_db: float, **more: bool) -> Reading:
    given = Reading(
        id=f"LV-{k:04d}", stem="LV", start_s=float(k), end_s=k + 0.8, pitch_hz=220.0,
        level_db=level_db,
    )  # fmt: skip
    return replace(given, **more)


def _edit(k: int) -> Row:
    return replace(row(id=f"LV-{k:04d}"), covers=(f"LV-{k:04d}",))


THEN = [_reading(k, -20.0) for k in range(20)]


def _said(
    levels: dict[int, float],
    gone: tuple[int, ...] = (),
    edited: tuple[int, ...] = (5,),
    state: str = "approved",
    usual: float = 0.0,
    fade: float = 0.0,
) -> tuple[str, ...]:
    pairs = {
        one.id: Pair(then=one, now=_reading(k, -20.0 + usual + fade * k + levels.get(k, 0.0)))
        for k, one in enumerate(THEN)
        if k not in gone
    }
    rows = [replace(_edit(k), state=state) for k in edited]  # type: ignore[arg-type]
    return edited_said(rows, THEN, pairs)


@pytest.mark.parametrize("usual", [0.0, -6.0])
@pytest.mark.parametrize("fade", [0.0, 0.4])
def test_a_level_is_told_beyond_three_db_of_the_notes_around(usual: float, fade: float) -> None:
    """Edge at 3 dB, whatever gain or slow fade the whole file has."""
    assert _said({5: 3.0}, usual=usual, fade=fade) == ()
    assert _said({5: -3.1}, usual=usual, fade=fade) == (
        "the edit of LV-0005 changed its level, 3.1 dB softer",
    )
    assert _said({5: 9.0}, state="refused", usual=usual, fade=fade) == ()
    assert _said({6: 9.0}, usual=usual, fade=fade) == ()  # no edit of this plan


def test_a_note_that_is_gone_is_named() -> None:
    """Edited and not found again: it is named; where the reading was shaky before it is not."""
    assert _said({}, gone=(5,)) == (
        "1 edited note (LV-0005) is not found again: silent, cut, or another sound now; "
        "listen there",
    )
    assert _said({}, gone=(6,)) == ()
    shaky = [replace(one, shaky=True) for one in THEN]
    assert edited_said([_edit(5)], shaky, {}) == ()


def test_many_are_counted() -> None:
    """From four on one sentence stands for all, with the worst of them."""
    many = tuple(range(4, 9))
    said = _said({k: -4.0 - 0.1 * k for k in many}, edited=many)
    assert said == ("5 edited notes changed their level, most of all LV-0008, 4.8 dB softer",)
    assert _said({}, gone=many, edited=many) == (
        "5 edited notes (LV-0004, LV-0005, LV-0006 and others) are not found again: silent, cut, "
        "or another sound now; listen there",
    )
