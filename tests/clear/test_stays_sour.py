"""What stays sour once all is made, and why."""

from dataclasses import replace
from typing import Any

import pytest
from deciding import line, made_of, note, plan, session, stem

from planner.clear.stays_sour import ASKED, NOBODYS, ON_PURPOSE, WITH_FIXED, WITHIN
from planner.model import MeasuredNote, StemNotes
from planner.words.session_model import ProtectedSpan
from planner.write.in_short import in_short

PIANO = stem("PNO", "tuning-reference", [note("PNO-0001", 69, 0, length_s=3.0)])


def over_the_piano(code: str, role: Any, cents: float, **more: Any) -> StemNotes:
    return stem(code, role, [note(f"{code}-0001", 69, cents, length_s=2.0, **more)])


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (over_the_piano("AGT", "fretted-chords", 8), "with AGT, which is moved as a whole only"),
        (over_the_piano("SYN", "sampled", 8), "with SYN, which is put right where it was made"),
        (over_the_piano("LV", "lead-voice", 40), ASKED),
    ],
)
def test_what_stays_is_told_with_its_reason(other: StemNotes, why: str) -> None:
    """Two seconds over the piano's A4 stay sour, each time for another reason."""
    made = plan(PIANO, other)
    assert [(said, round(s, 3)) for said, s in made.stays] == [(why, 2.0)]
    assert made.sour_after_s == 2.0
    assert f"2 if every edit is made; of these 2 {why}." in " ".join(in_short(made))


def test_what_nobody_can_move_is_told_beside_what_edits_can_clear() -> None:
    """Two seconds of an organ 8 sharp of the piano hide nothing that an edit clears."""
    organ = over_the_piano("ORG", "fixed-pitch", 8)
    cello = stem("CEL", "bowed", [note("CEL-0001", 59, 30, length_s=2.0)])
    made = plan(PIANO, organ, cello)
    assert (made.sour_before_s, made.sour_after_s) == (2.0, 0.0)
    assert [(said, round(s, 3)) for said, s in made.stays] == [(NOBODYS, 2.0)]
    said = "0 if every edit is made. Beside these, 2 between instruments that nobody can move."
    assert said in " ".join(in_short(made))


@pytest.mark.parametrize(("off", "why"), [(4.0, WITHIN), (4.1, WITH_FIXED.format("ORG"))])
def test_what_an_instrument_off_by_itself_makes_sour_is_said_of_it(off: float, why: str) -> None:
    """A lead 5 flat of an organ's E6, in passing: from 4 cents on, the organ is why it stays."""
    organ = stem("ORG", "fixed-pitch", [note("ORG-0001", 88, off, length_s=3.0)])
    lead = stem("LV", "lead-voice", [note("LV-0001", 88, off - 5, length_s=0.5)])
    assert [said for said, _ in plan(organ, lead).stays] == [why]


def test_hands_off_goes_before_what_is_fine_and_nothing_is_counted_twice() -> None:
    """A note not to be touched, and a chord guitar over its last second: two seconds in all."""
    held = note("CEL-0001", 69, 20, length_s=2.0)
    strum = note("AGT-0001", 69, 8, start_s=1.0, length_s=1.5)
    cello, guitar = stem("CEL", "bowed", [held]), stem("AGT", "fretted-chords", [strum])
    stems = (PIANO, cello, guitar)
    keep = ProtectedSpan(from_s=0.0, to_s=5.0, why="she likes it")
    specs = tuple(
        replace(spec, do_not_touch=(keep,)) if spec.code == "CEL" else spec
        for spec in session(*stems).stems
    )
    made = made_of(replace(session(*stems), stems=specs), stems)
    told = dict(made.stays)
    assert told == {
        ON_PURPOSE: pytest.approx(2.0),
        "with AGT, which is moved as a whole only": pytest.approx(0.5),
    }


@pytest.mark.parametrize(("strums", "told"), [(6, False), (7, True)])
def test_chords_that_stay_sour_for_three_tenths_of_their_time_are_a_retake(
    strums: int, told: bool
) -> None:
    """Of 20 s of strums the A4s are 8 sharp, each for 1 s beside the piano's: 6 s no, 7 s yes."""
    off = [8.0] * strums + [0.0] * (20 - strums)
    midis = [69] * strums + [69, 71] * 10
    guitar = stem("AGT", "fretted-chords", [
        note(f"AGT-{k + 1:04d}", midis[k], off[k], start_s=1.0 * k) for k in range(20)
    ])  # fmt: skip
    piano = stem("PNO", "tuning-reference", [note("PNO-0001", 69, 0, length_s=20.0)])
    made = plan(piano, guitar)
    rows = [row for row in made.rows if row.action == "retake"]
    assert bool(rows) == told
    for row in rows:
        assert (row.kind, row.add_cents, row.intended) == ("advice", None, "A4")
        assert row.covers == tuple(f"AGT-{k + 1:04d}" for k in range(strums))
        assert row.reason.startswith("sour in 7 of the 20 s in which it sounds")
        assert "longest at A4, 8 sharp by then" in row.reason


def test_chords_that_beat_with_nobody_are_told_by_the_note_beyond_its_tolerance() -> None:
    """A guitar alone whose E is 9 flat for a second in every two: half of its time, and the E."""
    midis = [52, 57] * 10
    strums = line("AGT", midis, [-9.0 if m == 52 else 0.0 for m in midis], length_s=0.9)
    (row,) = (r for r in plan(stem("AGT", "fretted-chords", strums)).rows if r.action == "retake")
    assert "longest at E3, 9 flat by then" in row.reason
    assert row.notes_covered == 10


def test_pitches_of_one_string_are_told_together() -> None:
    """A guitar alone whose D3 and E3 are 9 flat, for a second each in three."""
    midis = [50, 52, 57] * 8
    strums = line("AGT", midis, [0.0 if m == 57 else -9.0 for m in midis], length_s=0.9)
    (row,) = (r for r in plan(stem("AGT", "fretted-chords", strums)).rows if r.action == "retake")
    assert "longest at D3, 9 flat by then, as is E3: chords" in row.reason
    said = in_short(plan(stem("AGT", "fretted-chords", strums)))
    assert f"No edit reaches what is sour in AGT's chords: {row.id} says what helps." in said


def test_what_the_ear_forgives_a_lead_is_said_to_be_within_its_tolerance() -> None:
    """Half a second of a lead voice, 9 flat of the piano's A4, under a second: not said aloud."""
    lead = stem("LV", "lead-voice", [note("LV-0001", 69, -9, length_s=0.5)])
    made = plan(PIANO, lead)
    assert [(said, round(s, 3)) for said, s in made.stays] == [(WITHIN, 0.5)]
    assert "of these" not in " ".join(in_short(made))


def test_where_nothing_is_sour_nothing_stays() -> None:
    """A line in tune."""
    notes: list[MeasuredNote] = line("CEL", [69, 71], [0.0, 0.0])
    assert plan(stem("CEL", "bowed", notes)).stays == ()
