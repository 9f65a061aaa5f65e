"""What the tuner is asked for, and where two fixed instruments hold unisons apart."""

import pytest
from deciding import A4, note, plan, session, stem

from planner.model import Finding, MeasuredNote, StemNotes
from planner.pitch import midi_to_hz
from planner.target.keys import with_keys
from planner.target.tuner import keyboard_findings, strings_words, tuner_findings
from planner.timeline import TempoMap, tempo_map_from_marks
from planner.words.session_model import TempoMark

CURVE = {m: midi_to_hz(m) for m in range(21, 109)}
MAP = tempo_map_from_marks((TempoMark(bar=1, bpm=60.0),), bar_one_at_s=0.0)


def keyboard(
    off: dict[int, float], apart: dict[int, float] | None = None, code: str = "PNO"
) -> list[MeasuredNote]:
    """Keys C4 to C6, three strokes each; the k-th stroke of a key lasts k + 1 seconds."""
    return [
        note(f"{code}-{k}{midi}", midi, off.get(midi, 0.0), start_s=midi - 60 + 30.0 * k,
             length_s=k + 1.0, uncertainty=0.1, strings_apart_cents=(apart or {}).get(midi, 0.0),
             strings_apart_uncertainty_cents=0.1 if midi in (apart or {}) else 1.0)
        for k in range(3)
        for midi in range(60, 85)
    ]  # fmt: skip


def told(notes: list[MeasuredNote], tempo_map: TempoMap | None = None) -> tuple[Finding, ...]:
    piano = stem("PNO", "tuning-reference", notes)
    where = session(piano, reference_from="PNO")
    return tuner_findings(piano, with_keys(where, (piano,), A4, CURVE), CURVE, tempo_map, 0.0)


def test_a_bad_key_is_told_with_its_notes_and_places() -> None:
    """C5 7 cents flat: size, count and plus-minus, nothing moved, the longest notes with bars."""
    (finding,) = told(keyboard({72: -7.0}), MAP)
    assert finding.severity == "warning"
    assert finding.stem == "PNO"
    assert finding.what == "C5 is 7 flat against the keys around it (3 notes, give or take 0.2)."
    assert finding.did == "Nothing is moved: a reference never is."
    # Struck at 12, 42 and 72 s for 1, 2 and 3 s; bars of four seconds.
    assert finding.advice == (
        "Ask the tuner for C5. Most exposed: bar 4 beat 1.00 (12.00 s) for 1.0 s; "
        "bar 11 beat 3.00 (42.00 s) for 2.0 s; bar 19 beat 1.00 (72.00 s) for 3.0 s."
    )


def test_strings_are_told_with_their_beats() -> None:
    """E4, 2.4 cents: 329.63 (2^(2.4/1200) - 1) = 0.46 beats a second, in 3 of 3 notes."""
    (finding,) = told(keyboard({}, {64: 2.4}))
    assert finding.what == (
        "E4: strings about 2.4 cents apart, give or take 0.1 (beats 0.46 a second at the first "
        "partial), in 3 of 3 notes that could tell."
    )
    assert finding.advice.startswith("Ask the tuner for E4. Most exposed: at 4.00 s for 1.0 s")


@pytest.mark.outside
def test_unison_440_441_beats_once_a_second() -> None:
    """Two strings at 440 and 441 Hz are 3.93 cents apart (Ellis) and beat once a second."""
    piano = stem("PNO", "tuning-reference", keyboard({}, {69: 3.930}))
    keys = with_keys(session(piano, reference_from="PNO"), (piano,), A4, CURVE).keys
    (a4,) = [key for key in keys if key.midi == 69]
    assert "beats 1.00 a second" in strings_words(a4, 440.0)


def test_edges_of_strings_told() -> None:
    """1.0 cents is told, 0.9 is a clean unison."""
    assert len(told(keyboard({}, {64: 1.0}))) == 1
    assert told(keyboard({}, {64: 0.9})) == ()


def test_strings_apart_throughout_are_the_instrument() -> None:
    """13 of 25 keys apart: one finding of the whole instrument; 12 of 25 are told one by one."""
    (finding,) = told(keyboard({}, dict.fromkeys(range(60, 73), 6.0)))
    assert finding.what == (
        "Strings stand apart in 13 of 25 keys that could tell, mostly by about 6 cents."
    )
    assert "that is its character" in finding.advice
    assert len(told(keyboard({}, dict.fromkeys(range(60, 72), 6.0)))) == 12


def test_a_good_piano_is_not_spoken_of() -> None:
    """Nothing stands out, nothing is told."""
    assert told(keyboard({})) == ()


# ---------------------------------------------------------------- in a plan


def organ(off: float) -> StemNotes:
    return stem("ORG", "fixed-pitch", keyboard(dict.fromkeys(range(60, 85), off), code="ORG"))


def test_unisons_of_two_references_are_listed_with_their_places() -> None:
    """An organ 9 cents flat of the piano: where the two hold unisons, longest first, by time."""
    piano = stem("PNO", "tuning-reference", keyboard({}))
    made = plan(piano, organ(-9.0), reference_from="PNO", tempo_map=MAP)
    (finding,) = [f for f in made.findings if "unisons" in f.what]
    assert finding.stem == "ORG"
    assert finding.what.startswith(
        "ORG holds unisons with PNO that lie more than 8 cents apart, 75 of 75: "
    )
    assert finding.what.count("9 flat bar") == 4
    assert finding.advice == "One of the two may rest there."


@pytest.mark.parametrize(("off", "count"), [(8.1, 1), (8.0, 0), (-4.0, 0)])
def test_edge_of_unisons_apart(off: float, count: int) -> None:
    """More than 8 cents is reported, 8.0 is not."""
    piano = stem("PNO", "tuning-reference", keyboard({}))
    made = plan(piano, organ(off), reference_from="PNO")
    assert len([f for f in made.findings if "unisons" in f.what]) == count


def test_bad_keys_are_found_in_the_plan_and_never_moved() -> None:
    """The plan carries the keys and the finding; the reference has no row that moves it."""
    made = plan(stem("PNO", "tuning-reference", keyboard({72: -7.0})), reference_from="PNO")
    assert [key.midi for key in made.a4.keys if key.stands_out] == [72]
    assert any("C5 is 7 flat" in f.what for f in made.findings)
    assert [row for row in made.rows if row.add_cents is not None] == []


def test_sour_chords_become_advice() -> None:
    """A C5 9 cents flat in a held octave: one advice row, chord-voicing, the tuner named first."""
    notes = keyboard({72: -9.0})
    held = [
        note("PNO-901", 60, 0.0, start_s=100.0, length_s=3.0, uncertainty=0.1),
        note("PNO-902", 72, -9.0, start_s=100.0, length_s=3.0, uncertainty=0.1),
    ]
    made = plan(
        stem("PNO", "tuning-reference", [*notes, *held]), reference_from="PNO", tempo_map=MAP
    )
    (row,) = [row for row in made.rows if row.action == "chord-voicing"]
    assert (row.kind, row.id, row.add_cents) == ("advice", "A-001", None)
    assert (row.start_s, row.end_s, row.start_bar, row.start_beat) == (100.0, 103.0, 26, 1.0)
    assert row.covers == ("PNO-901", "PNO-902")
    # 523.25 (1 - 2^(-9/1200)) = 2.7 a second between partial 2 of C4 and C5
    assert row.reason == (
        "C4 C5 sounds sour: C4 and C5 beat 2.7 times a second, in tune 0.0; "
        "nothing is moved: ask the tuner for C5, or leave out one of C4 and C5, or hold it "
        "shorter, or use less pedal"
    )


def test_a_chord_that_comes_often_says_where() -> None:
    """Five times the same octave: one row, four places and one more."""
    held = [
        note(f"PNO-{k}{midi}", midi, off, start_s=10.0 * k, length_s=3.0, uncertainty=0.1)
        for k in range(5)
        for midi, off in ((60, 0.0), (72, -9.0))
    ]
    made = plan(stem("PNO", "tuning-reference", held), reference_from="PNO")
    (row,) = [row for row in made.rows if row.action == "chord-voicing"]
    assert "in 5 places (at 0.00 s; at 10.00 s; at 20.00 s; at 30.00 s and 1 more)" in row.reason
    assert row.notes_covered == 10


def test_inspection_tells_of_keys_too() -> None:
    """Before anything is planned, while the tuner may still be called."""
    piano = stem("PNO", "tuning-reference", keyboard({72: -7.0}, {64: 2.4}))
    voice = stem("LV", "lead-voice", keyboard({72: -7.0}, code="LV"))
    where = session(piano, voice, reference_from="PNO")
    found = keyboard_findings(where, (piano, voice), A4)
    assert [(f.stem, f.what.split()[0]) for f in found] == [("PNO", "C5"), ("PNO", "E4:")]
