from dataclasses import replace

import numpy as np
import pytest
from deciding import A4, line, made_of, note, session, stem
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.model import KeyReading, SessionA4
from planner.pitch import cents, midi_to_hz, note_name, shift_hz
from planner.targets import (
    aim,
    curve_hz,
    part_offset_cents,
    stretch_cents,
    stretch_share,
    target_for,
)

LEAD = stem("LV", "lead-voice", [])
SESSION = session(LEAD)
STRETCHED = SessionA4(
    a4_hz=441.0, found_from="stem PNO", stretch=((33, -10.0), (69, 0.0), (93, 8.0))
)


def test_nearest_note_of_the_session_a4() -> None:
    """At A4 = 441 the target of a sung A4 is 441 Hz."""
    target = target_for(
        note("LV-1", 69, 0), "lead-voice", SESSION, SessionA4(a4_hz=441.0, found_from="typed")
    )
    assert (target.intended_midi, target.target_hz) == (69, pytest.approx(441.0))


def test_edges_of_between_notes() -> None:
    """35 cents off names a note, 35.1 asks a person."""
    inside = target_for(note("LV-1", 69, 35.0), "lead-voice", SESSION, A4)
    outside = target_for(note("LV-1", 69, 35.1), "lead-voice", SESSION, A4)
    assert (inside.between_notes, outside.between_notes) == (False, True)


def test_score_is_never_between_notes() -> None:
    """A note that a score gives is the intended one however far the playing is from it."""
    target = target_for(note("LV-1", 69, 45), "lead-voice", SESSION, A4, intended_midi=67)
    assert (target.intended_midi, target.between_notes) == (67, False)
    assert aim(note("LV-1", 69, 45), target).heard_cents == pytest.approx(245.0)
    assert (target.from_score, target.target_from) == (True, "score, session A4")
    guessed = target_for(note("LV-1", 69, 45), "lead-voice", SESSION, A4)
    assert (guessed.from_score, guessed.target_from) == (False, "session A4")


@pytest.mark.parametrize(
    ("role", "share"), [("tuning-reference", 1.0), ("bass-fretted", 0.5), ("lead-voice", 0.5)]
)
def test_stretch_by_role(role: str, share: float) -> None:
    """The reference follows the stretch fully, everyone else half."""
    target = target_for(note("X-1", 33, -4), role, SESSION, STRETCHED)  # type: ignore[arg-type]
    assert cents(target.target_hz, midi_to_hz(33, 441.0)) == pytest.approx(-10.0 * share)
    assert stretch_share(role, SESSION) == share  # type: ignore[arg-type]


def test_typed_stretch_wins_for_all_but_the_reference() -> None:
    """A share in the session file holds for every part that can be moved."""
    typed = session(LEAD, octave_stretch=0.2)
    assert stretch_share("bass-fretted", typed) == 0.2
    assert stretch_share("tuning-reference", typed) == 1.0


def test_stretch_is_level_beyond_its_ends() -> None:
    """Between two measured notes the stretch is a straight line, outside it stays level."""
    assert stretch_cents(51, STRETCHED) == pytest.approx(-5.0)
    assert stretch_cents(20, STRETCHED) == pytest.approx(-10.0)
    assert stretch_cents(60, A4) == 0.0


def test_table_keeps_a_at_the_session_a4() -> None:
    """A table moves the other notes against A, and A stays at the session A4."""
    table = (6.0, *(0.0,) * 8, 2.0, 0.0, 0.0)
    typed = session(LEAD, temperament="table", temperament_table=table)
    assert target_for(note("L-1", 69, 0), "lead-voice", typed, A4).target_hz == pytest.approx(440.0)
    c5 = target_for(note("L-1", 72, 0), "lead-voice", typed, A4).target_hz
    assert cents(c5, midi_to_hz(72)) == pytest.approx(4.0)


@pytest.mark.outside
def test_quarter_comma_meantone_third() -> None:
    """In quarter-comma meantone C#5 stands a pure 5:4 above A4 (Aron, 1523: the definition)."""
    typed = session(LEAD, temperament="quarter-comma-meantone")
    hz = target_for(note("L-1", 73, -10), "lead-voice", typed, A4).target_hz
    assert hz == pytest.approx(550.0)


def test_whole_song_offset_is_not_counted_twice() -> None:
    """A tape that runs 23 cents fast is in the session A4 already, so its notes carry no error."""
    typed = session(LEAD, whole_song_offset_cents=23.0)
    fast = SessionA4(a4_hz=shift_hz(440.0, 23.0), found_from="stem PNO")
    n = note("L-1", 69, 23)
    target = target_for(n, "lead-voice", typed, fast)
    assert aim(n, target).heard_cents == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(k=st.floats(-49, 49))
def test_a_part_out_by_any_offset_keeps_its_notes(k: float) -> None:
    """A part that is k cents out as a whole is k cents out note by note, on the notes it played."""
    rng = np.random.default_rng(3)
    spread = rng.normal(0, 4, 20)
    spread -= np.median(spread)
    midis = [60 + int(i) for i in rng.integers(0, 12, 20)]
    notes = tuple(line("LV", midis, [k + float(e) for e in spread]))
    offset = part_offset_cents(notes, "lead-voice", SESSION, A4)
    assert offset == pytest.approx(k, abs=2)
    for n, m in zip(notes, midis, strict=True):
        assert target_for(n, "lead-voice", SESSION, A4, offset).intended_midi == m


def test_no_offset_from_few_or_scattered_notes() -> None:
    """Seven notes, or notes spread evenly over the semitone, give no offset."""
    few = tuple(line("LV", [60] * 7, [20.0] * 7))
    even = tuple(line("LV", [60] * 20, [float(e) for e in range(-50, 50, 5)]))
    assert part_offset_cents(few, "lead-voice", SESSION, A4) == 0.0
    assert part_offset_cents(even, "lead-voice", SESSION, A4) == 0.0
    eight = tuple(line("LV", [60] * 8, [20.0] * 8))
    assert part_offset_cents(eight, "lead-voice", SESSION, A4) == pytest.approx(20.0)


def test_unmeasured_note_is_named_after_its_coarse_pitch() -> None:
    """A note without a reading is named, never called between notes, and has no errors."""
    n = note("LV-1", 69, 45, onset_hz=None, sustain_hz=None, end_hz=None, heard_hz=None)
    target = target_for(n, "lead-voice", SESSION, A4)
    assert (target.intended_midi, target.between_notes) == (69, False)
    aimed = aim(n, target)
    assert aimed.heard_cents is aimed.onset_cents is aimed.sustain_cents is aimed.end_cents is None


def test_said_source() -> None:
    """The target says where it comes from in words."""
    half = target_for(note("LV-1", 60, 0), "lead-voice", SESSION, STRETCHED)
    assert half.target_from == "session A4 and 50 % of the reference's octave stretch"
    assert shift_hz(half.target_hz, 0) == half.target_hz


# ---------------------------------------------------------------- parts that double the reference


KEYED = SessionA4(
    a4_hz=441.0,
    found_from="stem PNO",
    stretch=((33, -10.0), (69, 0.0), (93, 8.0)),
    keys=(
        KeyReading(
            stem="PNO", midi=33, notes=5, mean_cents=-3.4, uncertainty_cents=0.3, drawn_cents=-3.1
        ),
        KeyReading(
            stem="PNO", midi=40, notes=1, mean_cents=9.0, uncertainty_cents=0.5, drawn_cents=8.5
        ),
        KeyReading(
            stem="AOR", midi=45, notes=5, mean_cents=20.0, uncertainty_cents=0.3, drawn_cents=20.0
        ),
    ),
)
DOUBLING = session(LEAD, reference_from="PNO")


def test_a_part_that_follows_keys_is_aimed_at_the_key_itself() -> None:
    """All of the stretch and the key's own offset: -10 and -3.1 cents; without it, half of -10."""
    sung = note("LV-1", 33, -12)
    follows = target_for(sung, "lead-voice", DOUBLING, KEYED, follow_keys=True)
    assert cents(follows.target_hz, midi_to_hz(33, 441.0)) == pytest.approx(-13.1)
    assert follows.target_from == (
        "session A4 and the reference's octave stretch and its own A1 (3.1 flat, 5 notes)"
    )
    alone = target_for(sung, "lead-voice", DOUBLING, KEYED)
    assert cents(alone.target_hz, midi_to_hz(33, 441.0)) == pytest.approx(-5.0)


@pytest.mark.parametrize("midi", [40, 45, 69])
def test_keys_not_heard_twice_leave_the_smooth_curve(midi: int) -> None:
    """A key struck once, one of another instrument, one never played: the whole smooth stretch."""
    target = target_for(
        note("LV-1", midi, 0), "lead-voice", DOUBLING, KEYED, follow_keys=True, intended_midi=midi
    )
    there = stretch_cents(midi, KEYED)
    assert cents(target.target_hz, midi_to_hz(midi, 441.0)) == pytest.approx(there)
    assert target.target_from.endswith(f"(its own {note_name(midi)} was not heard twice)")


def test_a_typed_share_of_the_stretch_does_not_bind_a_part_that_follows_keys() -> None:
    """octave_stretch: 0 holds for the others; who doubles the reference follows all of it."""
    flat = session(LEAD, reference_from="PNO", octave_stretch=0.0)
    target = target_for(note("LV-1", 33, -12), "lead-voice", flat, KEYED, follow_keys=True)
    assert cents(target.target_hz, midi_to_hz(33, 441.0)) == pytest.approx(-13.1)


def test_the_curve_is_that_of_the_reference() -> None:
    """88 keys, where the session A4 and the whole stretch put them, without their own offsets."""
    curve = curve_hz(DOUBLING, KEYED)
    assert sorted(curve) == list(range(21, 109))
    assert curve[69] == pytest.approx(441.0)
    assert cents(curve[33], midi_to_hz(33, 441.0)) == pytest.approx(-10.0)


def test_the_plan_leaves_a_double_on_its_bad_key() -> None:
    """A viola that doubles the piano's C5, 14 flat like it: left with follow_keys, else moved."""
    keys = [72, 60, 62, 64, 65, 67, 69, 71]
    off = {72: -14.0}
    piano = stem(
        "PNO", "tuning-reference",
        [note(f"PNO-{k}{m}", m, off.get(m, 0.0), start_s=9.0 * k + m - 60, uncertainty=0.1)
         for k in range(4) for m in keys],
    )  # fmt: skip
    viola = stem(
        "VLA", "bowed",
        [note(f"VLA-{k}", m, off.get(m, 0.0), start_s=3.0 * k, length_s=2.5, uncertainty=0.3)
         for k, m in enumerate(keys)],
    )  # fmt: skip
    moved = {}
    for follow in (False, True):
        where = session(piano, viola, reference_from="PNO")
        specs = (where.stems[0], replace(where.stems[1], follow_keys=follow))
        made = made_of(replace(where, stems=specs), (piano, viola))
        (c5,) = [j for j in made.judged if j.measured.id == "VLA-0"]
        moved[follow] = c5.add_cents is not None
        assert ("its own C5 (14 flat, 4 notes)" in c5.target.target_from) == follow
    assert moved == {False: True, True: False}
