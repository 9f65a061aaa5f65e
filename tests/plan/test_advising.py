"""Rows that move nothing: questions about notes, and advice, numbered stem by stem."""

from dataclasses import replace

import pytest
from deciding import line, note, plan, stem

from planner.model import MeasuredNote, StemNotes
from planner.words.plan_model import Row

MIDIS = [69, 72, 76, 81] * 3


def test_questions_are_numbered_by_the_codes_of_their_stems() -> None:
    """Two notes between two notes, in two stems given in either order."""
    one = stem("WW", "woodwind", [note("WW-0001", 69, 40)])
    two = stem("CEL", "bowed", [note("CEL-0001", 62, -40)])
    for stems in ((one, two), (two, one)):
        asked = [(r.id, r.covers) for r in plan(*stems).rows if r.kind == "question"]
        assert asked == [("Q-001", ("CEL-0001",)), ("Q-002", ("WW-0001",))]


def test_advice_is_numbered_offers_first() -> None:
    """An offer of a lead as a whole before the retake of a part that asks for edits throughout."""
    lead = stem("LV", "lead-voice", line("LV", MIDIS, [-5.0] * 12, length_s=1.8))
    loose = [24, -27, 26, -24, -25, 28, -26, 25, 27, 24, -28, -25, -24, 26, 25, -27]
    midis = [50, 57, 53, 60, 55, 52, 59, 51, 58, 54, 61, 56, 62, 49, 63, 48]
    off = stem("CEL", "bowed", line("CEL", midis, [float(x) for x in loose]))
    advice = [(r.id, r.stem, r.action) for r in plan(lead, off).rows if r.kind == "advice"]
    assert advice == [("A-001", "LV", "leave"), ("A-002", "CEL", "retake")]


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


LEAD_MIDIS = [69, 72, 76, 81] * 3


def test_an_offer_says_what_it_would_clear() -> None:
    """All twelve notes beat with the piano, and would not once they are raised by 5."""
    piano = stem("PNO", "tuning-reference", line("PNO", LEAD_MIDIS, [0.0] * 12, length_s=1.8))
    lead = stem("LV", "lead-voice", line("LV", LEAD_MIDIS, [-5.0] * 12, length_s=1.8))
    made = plan(piano, lead)
    (row,) = made.rows
    assert row.add_cents is None
    assert made.sour_after_s == made.sour_before_s == 21.6  # 12 notes of 1.8 s
    assert row.reason.endswith(
        "; raised by 5, it would clear 21.6 of the 21.6 sour seconds that this plan leaves"
    )


def test_an_offer_says_where_it_would_clear_nothing() -> None:
    """A lead alone beats with nobody."""
    (row,) = plan(stem("LV", "lead-voice", line("LV", LEAD_MIDIS, [-5.0] * 12, length_s=1.8))).rows
    assert row.reason.endswith("; raised by 5, it would clear no sour time")


def test_an_offer_says_what_it_would_add() -> None:
    """Beside strings that stand as low and cannot be moved one by one, moving it would beat."""
    lead = stem("LV", "lead-voice", line("LV", LEAD_MIDIS, [-5.0] * 12, length_s=1.8))
    group = stem("GTA", "fretted-chords", line("GTA", LEAD_MIDIS, [-3.4] * 12, length_s=1.8))
    advice = [r for r in plan(lead, group).rows if r.stem == "LV"]
    assert len(advice) == 1
    assert advice[0].reason.endswith("raised by 5, it would add 21.6 sour seconds")
