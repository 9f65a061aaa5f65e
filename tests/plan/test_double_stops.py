"""Two notes of one stem that beat with each other: advice, and nothing moved."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.model import MeasuredNote, StemNotes
from planner.words.plan_model import Row
from tests.deciding import note, plan, stem


def stops(upper: int, apart: float, *, length_s: float = 2.0, **fields: object) -> StemNotes:
    """A cello's double stops: one apart among clean ones, as it was heard, several at once."""
    notes: list[MeasuredNote] = []
    for k in range(6):
        for midi, off in ((50, 0.0), (upper, apart if k == 3 else 0.0)):
            notes.append(
                note(f"CEL-{len(notes) + 1:04d}", midi, off, start_s=2.5 * k, length_s=length_s,
                     uncertainty=0.3, **fields)
            )  # fmt: skip
    return replace(stem("CEL", "bowed", notes), several_notes=True)


def advice(one: StemNotes) -> list[Row]:
    made = plan(one)
    assert [r for r in made.rows if r.add_cents is not None] == []
    return [r for r in made.rows if r.rule_name == "double stop apart"]


@pytest.mark.parametrize(
    ("upper", "apart", "told"),
    [(57, 9.0, True), (57, 8.9, False), (62, -12.0, True), (54, 20.0, False), (60, 20.0, False)],
)
def test_a_double_stop_that_beats_is_told(upper: int, apart: float, told: bool) -> None:
    """Fifths and octaves from 9 cents on; thirds and tritones are tempered as the player likes."""
    rows = advice(stops(upper, apart))
    assert bool(rows) is told
    if told:
        assert (rows[0].action, rows[0].covers) == ("retake", ("CEL-0007", "CEL-0008"))
        assert f"{abs(apart):g} cents apart and beat" in rows[0].reason


def test_a_double_stop_that_is_gone_at_once_is_not() -> None:
    """Under a second nobody hears it beat."""
    assert advice(stops(57, 15.0, length_s=0.9)) == []


def test_a_shaky_reading_tells_nothing() -> None:
    """A note misread by 11 cents in one strum of many is no string out of tune."""
    assert advice(stops(57, 15.0, confidence="shaky")) == []


@pytest.mark.parametrize(("apart", "told"), [(1, True), (4, True), (5, False)])
def test_a_string_bent_to_another(apart: int, told: bool) -> None:
    """One note on two strings 12 cents apart; where a third of them stand so it is their sound."""
    notes = [
        note(f"EGT-{k + 1:04d}", 57 + k % 5, 0.0, start_s=1.5 * k, length_s=1.2,
             strings_apart_cents=12.0 if k < apart else 0.0, strings_apart_uncertainty_cents=0.2)
        for k in range(12)
    ]  # fmt: skip
    rows = advice(stem("EGT", "fretted-chords", notes))
    assert bool(rows) is told
    if told:
        assert rows[0].reason.startswith(
            "the two strings of A3 are 12 cents apart and beat 1.5 times a second"
        )
        assert rows[0].notes_covered == apart
