"""Targets that rest on other stems: held chords and planned leads."""

from dataclasses import replace
from typing import Any

import pytest
from deciding import PLAIN, carried_out, made_of, note, plan, session, stem

from planner.files.configs import read_judging
from planner.model import MeasuredNote, SessionA4, StemNotes
from planner.pitch import cents, midi_to_hz
from planner.words.plan_model import Judged, Plan
from planner.words.session_model import KeyMark

STACK = read_judging("a-cappella")


def voices(third: float, *, role: Any = "voice-harmony") -> tuple[StemNotes, ...]:
    """C, E and G held for two seconds; the third so many cents off equal temperament."""
    return (
        stem("B1", role, [note("B1-1", 60, 0.0, length_s=2.0)]),
        stem("B2", role, [note("B2-1", 64, third, length_s=2.0)]),
        stem("B3", role, [note("B3-1", 67, 2.0, length_s=2.0)]),
    )


def judged(made: Plan, note_id: str) -> Judged:
    return next(j for j in made.judged if j.measured.id == note_id)


@pytest.mark.outside
def test_the_pure_third_is_five_to_four() -> None:
    """In an a cappella stack E belongs at 5/4 of the C below it, 386.3 cents (Helmholtz)."""
    made = plan(*voices(0.0), judging=STACK)
    third, root = judged(made, "B2-1").target, judged(made, "B1-1").target
    assert third.target_hz / root.target_hz == pytest.approx(5 / 4)
    assert root.target_hz == pytest.approx(midi_to_hz(60))
    assert third.target_from == (
        "session A4, the pure third of the C major chord held with B1 and B3"
    )
    assert judged(made, "B2-1").heard_cents == pytest.approx(13.7, abs=0.02)


def test_a_tempered_third_is_moved_and_a_pure_one_left() -> None:
    """Where pure thirds are wanted an equal one is lowered, and a pure one is in tune."""
    (row,) = plan(*voices(0.0), judging=STACK).rows
    assert (row.id, row.action) == ("B2-1", "raise-lower")
    assert row.add_cents == -11.0
    assert plan(*voices(-13.7), judging=STACK).rows == ()
    assert plan(*voices(0.0), judging=read_judging("live-loose")).rows == ()


def test_halfway() -> None:
    """A plain band's third goes halfway: 6.8 under equal temperament."""
    target = judged(plan(*voices(0.0)), "B2-1").target
    assert cents(target.target_hz, midi_to_hz(64)) == pytest.approx(-6.843, abs=1e-3)
    assert "halfway to the pure third" in target.target_from


@pytest.mark.parametrize("preset", ["plain-band", "live-loose"])
@pytest.mark.parametrize(
    ("third", "error", "said"),
    [
        (-10.0, 0.0, ", as played on the way to the pure third of the C major chord"),
        (-14.2, -0.5, ", the pure third of the C major chord"),  # 13.7 is pure
    ],
)
def test_a_third_played_purer_than_asked_is_right(
    preset: str, third: float, error: float, said: str
) -> None:
    """However little the preset asks for: a third that does not beat is not made to."""
    made = plan(*voices(third), judging=read_judging(preset))
    one = judged(made, "B2-1")
    assert one.heard_cents == pytest.approx(error, abs=0.02)
    assert said in one.target.target_from
    assert (made.rows, made.sour_before_s) == ((), 0.0)


def test_a_third_beside_a_key_of_its_own_stays_tempered() -> None:
    """Where the piano sounds the third, a pure one is 14 flat of it."""
    pno = stem("PNO", "tuning-reference", [note("PNO-1", 76, 0.0, length_s=2.0)])
    one = judged(plan(pno, *voices(-13.7)), "B2-1")
    assert one.heard_cents == pytest.approx(-13.7, abs=0.02)


def test_the_piano_has_the_third() -> None:
    """Where the piano sounds the third as well, everyone stays with the piano."""
    piano = stem("PNO", "tuning-reference", [note("PNO-1", 76, 0.0, start_s=0.5)])
    target = judged(plan(*voices(0.0), piano, judging=STACK), "B2-1").target
    assert target.target_hz == pytest.approx(midi_to_hz(64))
    assert target.target_from == "session A4"


def test_a_pure_third_in_meantone_is_where_it_was() -> None:
    """In quarter-comma meantone the third of C is pure already, so nothing changes."""
    made = plan(*voices(-13.7), judging=STACK, temperament="quarter-comma-meantone")
    third = judged(made, "B2-1").target
    plain = plan(*voices(-13.7), temperament="quarter-comma-meantone", judging=PLAIN)
    assert third.target_hz == pytest.approx(judged(plain, "B2-1").target.target_hz)


def test_the_key_names_a_chord_of_two_names() -> None:
    """E, G, A and C over E is C6 or Am7: in the key of C its E is C's third, else nothing's."""
    notes = (
        stem("B0", "bowed", [note("B0-1", 52, 0.0, length_s=2.0)]),
        *voices(0.0),
        stem("B4", "voice-harmony", [note("B4-1", 69, 0.0, length_s=2.0)]),
    )
    none = judged(plan(*notes, judging=STACK), "B2-1").target
    keyed = plan(*notes, judging=STACK, keys=(KeyMark(bar=1, tonic="C", mode="major"),))
    assert none.target_from == "session A4"
    assert "C major" in judged(keyed, "B2-1").target.target_from


def test_octave_stretch_carries_the_root() -> None:
    """The third is pure above the root where the reference's stretch puts that root."""
    a4 = SessionA4(a4_hz=441.0, found_from="stem PNO", stretch=((48, -8.0), (69, 0.0)))
    made = made_of(session(*voices(0.0)), voices(0.0), a4=a4, judging=STACK)
    third, root = judged(made, "B2-1").target, judged(made, "B1-1").target
    assert third.target_hz / root.target_hz == pytest.approx(5 / 4)


# ---------------------------------------------------------------- doubles


def duet(
    lead: list[MeasuredNote], *doubles: list[MeasuredNote], sung_with: str | None = "LV"
) -> Plan:
    stems = [stem("LV", "lead-voice", lead)]
    stems += [stem(f"D{k + 1}", "voice-double", notes) for k, notes in enumerate(doubles)]
    return made_of(with_lead(stems, sung_with), tuple(stems))


def with_lead(stems: list[StemNotes], sung_with: str | None) -> Any:
    where = session(*stems)
    return replace(
        where,
        stems=tuple(
            replace(s, sung_with=sung_with) if s.role == "voice-double" else s for s in where.stems
        ),
    )


def one(code: str, off: float, midi: int = 69, **fields: Any) -> list[MeasuredNote]:
    return [note(f"{code}-1", midi, off, length_s=1.5, **fields)]


def test_a_double_follows_the_planned_lead() -> None:
    """The lead, 28 flat, is raised with 7 left in; its double goes there, not to A."""
    made = duet(one("LV", -28.0), one("D1", -28.0))
    lead, double = judged(made, "LV-1"), judged(made, "D1-1")
    assert lead.remaining_cents == -7.0
    assert cents(double.target.target_hz, 440.0) == pytest.approx(-7.0)
    assert double.target.target_from == "where the plan leaves LV-1"
    assert double.heard_cents == pytest.approx(-21.0)
    assert (double.add_cents, double.remaining_cents) == (18.0, -3.0)


def test_a_double_beside_a_lead_that_is_left() -> None:
    """A lead left 12 flat within its tolerance: a double as flat is in tune with it."""
    made = duet(one("LV", -12.0), one("D1", -12.0))
    assert made.rows == ()
    apart = duet(one("LV", -12.0), one("D1", 0.0))
    (row,) = apart.rows
    assert (row.id, row.add_cents, row.remaining_cents) == ("D1-1", -9.0, 3.0)


@pytest.mark.parametrize(("off", "beating"), [(9.0, True), (9.1, False)])
def test_edge_of_the_doubles_tolerance(off: float, beating: bool) -> None:
    """A double may be 9 cents from its planned lead (four parts sounding), unless it beats."""
    others = [one(f"D{k}", 0.0, 60 + k) for k in (2, 3)]
    made = duet(one("LV", 0.0), one("D1", off), *others)
    (row,) = [r for r in made.rows if r.id == "D1-1"]
    assert ("within its tolerance, but it beats" in row.reason) is beating


def test_doubles_keep_a_spread() -> None:
    """A moved double keeps 3 cents from its lead, a second on that side 6, on the other side 3."""
    made = duet(one("LV", 0.0), one("D1", 20.0), one("D2", 20.0), one("D3", -20.0))
    left = [judged(made, f"D{k}-1").remaining_cents for k in (1, 2, 3)]
    assert left == [3.0, 6.0, -3.0]


def test_an_octave_below_is_the_same_note() -> None:
    """A double an octave below follows the lead's note an octave down."""
    made = duet(one("LV", -28.0), one("D1", 0.0, 57))
    target = judged(made, "D1-1").target
    assert (target.intended_midi, cents(target.target_hz, 220.0)) == (57, pytest.approx(-7.0))


@pytest.mark.parametrize(
    ("lead", "double"),
    [
        (one("LV", -28.0), one("D1", 0.0, 65)),
        (one("LV", -28.0, start_s=0.76), one("D1", 0.0)),
        (one("LV", -45.0), one("D1", 0.0)),
        ([], one("D1", 0.0)),
    ],
)
def test_no_lead_to_follow(lead: list[MeasuredNote], double: list[MeasuredNote]) -> None:
    """On another note, with too little together, or with the lead in question: the session A4."""
    target = judged(duet(lead, double), "D1-1").target
    assert target.target_from == "session A4"


def test_without_a_name_nobody_is_followed() -> None:
    """A double that does not say whom it is sung with keeps the session's targets."""
    made = duet(one("LV", -28.0), one("D1", 0.0), sung_with=None)
    assert judged(made, "D1-1").target.target_from == "session A4"
    round_about = duet(one("LV", -28.0), one("D1", 0.0), one("D2", 0.0), sung_with="D1")
    assert judged(round_about, "D2-1").target.target_from == "session A4"


def test_a_double_of_a_double_follows_the_lead() -> None:
    """Whoever doubles a double follows the lead of both."""
    stems = [
        stem("LV", "lead-voice", one("LV", -28.0)),
        stem("D1", "voice-double", one("D1", -7.0)),
        stem("D2", "voice-double", one("D2", -7.0)),
    ]
    where = with_lead(stems, "LV")
    specs = (*where.stems[:2], replace(where.stems[2], sung_with="D1"))
    made = made_of(replace(where, stems=specs), tuple(stems))
    assert judged(made, "D2-1").target.target_from == "where the plan leaves LV-1"


def test_an_unmeasured_double_stays() -> None:
    """A double's note without a reading keeps its own target."""
    blank = {"onset_hz": None, "sustain_hz": None, "end_hz": None, "heard_hz": None}
    double = [replace(n, measurement=replace(n.measurement, **blank)) for n in one("D1", 0.0)]
    made = duet(one("LV", -28.0), double)
    assert judged(made, "D1-1").target.target_from == "session A4"


def test_nothing_is_left_once_lead_and_doubles_are_moved() -> None:
    """Carry the plan out and plan again: lead and doubles stay."""
    stems = (
        stem("LV", "lead-voice", one("LV", -28.0)),
        stem("D1", "voice-double", one("D1", 12.0)),
        stem("D2", "voice-double", one("D2", 17.0)),
    )
    where = with_lead(list(stems), "LV")
    made = made_of(where, stems)
    assert len(made.rows) == 3
    again = made_of(where, carried_out(stems, made))
    assert again.rows == ()
