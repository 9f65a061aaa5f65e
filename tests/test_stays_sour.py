"""What stays sour once all is made, and why."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from deciding import A4, PLAIN, TOLERANCES, line, note, plan, session, stem

from planner.in_short import in_short
from planner.model import MeasuredNote, StemNotes
from planner.planning import make_plan
from planner.session_model import ProtectedSpan
from planner.stays_sour import ASKED, NOBODYS, ON_PURPOSE, WITHIN

PIANO = stem("PNO", "tuning-reference", [note("PNO-0001", 69, 0, length_s=3.0)])


def over_the_piano(code: str, role: Any, cents: float, **more: Any) -> StemNotes:
    return stem(code, role, [note(f"{code}-0001", 69, cents, length_s=2.0, **more)])


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (over_the_piano("AGT", "fretted-chords", 8), "with AGT, moved as a whole only"),
        (over_the_piano("ORG", "fixed-pitch", 8), NOBODYS),
        (over_the_piano("LV", "lead-voice", 40), ASKED),
    ],
)
def test_what_stays_is_told_with_its_reason(other: StemNotes, why: str) -> None:
    """Two seconds over the piano's A4 stay sour, each time for another reason."""
    made = plan(PIANO, other)
    assert [(said, round(s, 3)) for said, s in made.stays] == [(why, 2.0)]
    assert made.sour_after_s == 2.0
    assert f"2 if every edit is made; of these 2 {why}." in " ".join(in_short(made))


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
    made = make_plan(
        session=replace(session(*stems), stems=specs), stems=stems, a4=A4,
        tolerances=TOLERANCES, judging=PLAIN,
    )  # fmt: skip
    told = dict(made.stays)
    assert told == {
        ON_PURPOSE: pytest.approx(2.0),
        "with AGT, moved as a whole only": pytest.approx(0.5),
    }


def test_what_the_ear_forgives_a_lead_is_said_to_be_within_its_tolerance() -> None:
    """Half a second of a lead voice, 12 flat of the piano's A4, under a second: not said aloud."""
    lead = stem("LV", "lead-voice", [note("LV-0001", 69, -12, length_s=0.5)])
    made = plan(PIANO, lead)
    assert [(said, round(s, 3)) for said, s in made.stays] == [(WITHIN, 0.5)]
    assert "of these" not in " ".join(in_short(made))


def test_where_nothing_is_sour_nothing_stays() -> None:
    """A line in tune."""
    notes: list[MeasuredNote] = line("CEL", [69, 71], [0.0, 0.0])
    assert plan(stem("CEL", "bowed", notes)).stays == ()
