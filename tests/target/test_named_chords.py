"""Chords that a session names: where they lie, what they change, and whether they fit."""

from typing import Any

import pytest

from planner.files.configs import read_judging
from planner.pitch import cents, midi_to_hz
from planner.target.held_chords import pure_places
from planner.target.named_chords import NamedChord, NamedChords, chord_findings, named_chords
from planner.timeline import tempo_map_from_marks
from planner.words.chord_symbols import chord_symbol
from planner.words.plan_model import Judged, Plan
from planner.words.session_model import ChordMark, KeyMark, Session, TempoMark
from tests.deciding import line, note, plan, session, stem
from tests.target.test_held_chords import PURE, sung

# 2 s a bar.
MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)
STACK = read_judging("a-cappella")
BLUE = read_judging("blue-hour")


def marks(*symbols: str) -> tuple[ChordMark, ...]:
    """One chord a bar."""
    return tuple(ChordMark(bar=k + 1, symbol=chord_symbol(s)) for k, s in enumerate(symbols))


def spans(*symbols: str) -> NamedChords:
    """One chord a bar of 2 s, on the session's clock."""
    return named_chords(Session(song="x", stems=(), chords=marks(*symbols)), MAP)


def judged(made: Plan, note_id: str) -> Judged:
    return next(j for j in made.judged if j.measured.id == note_id)


def test_chords_lie_where_the_map_puts_their_bars() -> None:
    """Beat 3 of bar 2 is at 3 s; a chord lasts to the next; N.C. is none."""
    given = (
        ChordMark(bar=1, symbol=chord_symbol("C")),
        ChordMark(bar=2, beat=3.0, symbol=chord_symbol("G7")),
        ChordMark(bar=3, symbol=chord_symbol("N.C.")),
    )
    found = named_chords(Session(song="x", stems=(), chords=given), MAP)
    assert [(c.start_s, c.end_s) for c in found.spans] == [
        (0.0, 3.0), (3.0, 4.0), (4.0, float("inf")),
    ]  # fmt: skip
    assert [found.at(t) and found.at(t).text for t in (-0.1, 0.0, 2.99, 3.0, 4.0)] == [  # type: ignore[union-attr]
        None, "C", "C", "G7", None,
    ]  # fmt: skip


def test_a_note_has_the_chord_of_most_of_its_length() -> None:
    """An early note belongs to the chord that it sounds over; one astride has none."""
    found = spans("C", "F")
    assert found.over(1.9, 3.0).text == "F"  # type: ignore[union-attr]
    assert found.over(1.0, 3.0) is None
    assert found.over(-1.0, -0.5) is None


def test_root_and_fifth_need_not_sound_in_a_named_chord() -> None:
    """Third and seventh of a named C7 are enough; without the name two notes are no chord."""
    two = (sung("B1", 64), sung("B2", 70))
    assert pure_places(two, PURE) == {}
    place = pure_places(two, PURE, named=spans("C7"))["B1-64-0"]
    assert (place.semitones, round(place.pure_cents, 1)) == (4, 386.3)
    assert place.said == "the pure third of the C7 chord held with B2"


@pytest.mark.parametrize(
    ("symbol", "pure"), [("Csus4", {"B2-67-0"}), ("Cdim", set()), ("F#m", {"B2-67-0", "B3-64-0"})]
)
def test_the_name_decides_where_it_fits(symbol: str, pure: set[str]) -> None:
    """A suspended chord has a pure fifth alone, a diminished one nothing; F#m is not C E G."""
    third = 65 if symbol == "Csus4" else 63 if symbol == "Cdim" else 64
    fifth = 66 if symbol == "Cdim" else 67
    notes = (sung("B1", 60), sung("B2", fifth), sung("B3", third))
    assert set(pure_places(notes, PURE, named=spans(symbol))) == pure


def test_the_name_tells_c6_from_am7() -> None:
    """C E G A over G is either; the session's name says which, without a key."""
    four = (sung("B0", 55), sung("B1", 60), sung("B2", 64), sung("B3", 69))
    assert pure_places(four, PURE) == {}
    assert pure_places(four, PURE, named=spans("C6"))["B2-64-0"].semitones == 4
    assert pure_places(four, PURE, named=spans("Am7"))["B1-60-0"].semitones == 3


def test_a_chord_named_anew_under_held_notes_parts_them() -> None:
    """G and B held over G and then Em: for the most of their time a pure third, and then none."""
    notes = (sung("B1", 55, 0.0, 4.0), sung("B2", 59, 0.0, 4.0))
    assert set(pure_places(notes, PURE, named=spans("G", "G"))) == {"B2-59-0"}
    assert pure_places(notes, PURE, named=spans("G", "Em")) == {}


def test_targets_follow_named_chords() -> None:
    """Two voices holding E and Bb over a named C7 in a stack: E at 5/4 of C, and it is said."""
    made = plan(
        stem("B1", "voice-harmony", [note("B1-1", 64, 0.0, length_s=1.9)]),
        stem("B2", "voice-harmony", [note("B2-1", 70, 0.0, length_s=1.9)]),
        judging=STACK, tempo_map=MAP, chords=marks("C7"),
    )  # fmt: skip
    target = judged(made, "B1-1").target
    assert cents(target.target_hz, midi_to_hz(64)) == pytest.approx(-13.686, abs=1e-3)
    assert target.target_from == "session A4, the pure third of the C7 chord held with B2"


@pytest.mark.parametrize(
    ("midi", "off", "symbol", "action"),
    [
        (66, -28.0, "Dm", "ask"),  # F#, leans to the F that Dm has
        (66, 28.0, "Dm", "raise-lower"),  # leans to G, which is not in Dm
        (66, -28.0, "D", "raise-lower"),  # F# is in D
        (67, -28.0, "Dm", "raise-lower"),  # a fourth over Dm; F# is not in it
        (66, -10.0, "Dm", "leave"),  # inside its tolerance
        (66, -28.0, "N.C.", "raise-lower"),
    ],
)
def test_a_note_that_leans_out_of_the_chord_is_asked(
    midi: int, off: float, symbol: str, action: str
) -> None:
    """A correction away from a chord tone is not made unasked."""
    tune = line("LV", [62, 65, 69, midi, 65, 62], [0, 0, 0, off, 0, 0])
    made = plan(stem("LV", "lead-voice", tune), tempo_map=MAP, chords=marks(symbol))
    j = judged(made, "LV-0004")
    assert j.action == action
    if action == "ask":
        assert j.reason == (
            "28 flat for F#4, which is not in Dm, and leans to F4, which is: which was meant, "
            "F4 or F#4?"
        )


def test_blue_thirds_over_named_chords_are_kept() -> None:
    """Without a key the chord's own root says what a blue third is; it must come back."""
    tune = line("LV", [67, 63, 60, 67, 63, 60], [0, 45.0, 0, 0, 45.0, 0], length_s=0.3)
    lead = stem("LV", "lead-voice", tune)
    kept = plan(lead, tempo_map=MAP, judging=BLUE, chords=marks("C7"))
    assert {judged(kept, n).rule_name for n in ("LV-0002", "LV-0005")} == {"blue note"}
    plain = plan(lead, tempo_map=MAP, judging=BLUE)
    assert judged(plain, "LV-0002").rule_name != "blue note"
    by_key = plan(
        lead, tempo_map=MAP, judging=BLUE, keys=(KeyMark(bar=1, tonic="C", mode="major"),)
    )  # fmt: skip
    assert judged(by_key, "LV-0002").rule_name == "blue note"


def comping(*roots: int, up: int = 0) -> list[Any]:
    """A major triad a bar on each root, by a piano."""
    return [
        sung("PNO", root + step + up, 2.0 * k, 2.0 * k + 1.8, role="tuning-reference")
        for k, root in enumerate(roots)
        for step in (0, 4, 7)
    ]


def test_chords_that_sound_elsewhere_are_asked_about() -> None:
    """A chart in E for guitars tuned down: a semitone lower it fits."""
    song = Session(song="x", stems=(), chords=marks("E", "A", "B", "E"))
    found = named_chords(song, MAP)
    (asked,) = chord_findings(song, found, comping(52, 57, 59, 52, up=-1))
    assert asked.severity == "question"
    assert asked.what.startswith("In 8 % of their time") or "% of their time keys" in asked.what
    assert asked.what.endswith("a semitone lower it is 100 %.")
    assert chord_findings(song, found, comping(52, 57, 59, 52)) == ()


def test_chords_of_another_song_are_asked_about() -> None:
    """Where no shift fits, the bars may be wrong."""
    song = Session(song="x", stems=(), chords=marks("C", "C", "F#", "F#", "C", "D"))
    found = named_chords(song, MAP)
    (asked,) = chord_findings(song, found, comping(50, 56, 49, 57, 54, 58))
    assert asked.advice == "Check their bars, and where bar 1 lies."


def test_without_a_map_chords_cannot_be_placed() -> None:
    """Chords by bar need a tempo map."""
    lone = stem("LV", "lead-voice", line("LV", [60, 62], [0.0, 0.0]))
    made = plan(lone, chords=marks("C"))
    assert any("no tempo map to place them" in f.what for f in made.findings)
    assert session(lone, chords=marks("C")).chords


def test_spans_are_plain_records() -> None:
    """A span holds its chord."""
    one = NamedChord(start_s=0.0, end_s=1.0, symbol=chord_symbol("C"))
    assert NamedChords(spans=(one,)).at(0.5) == one.symbol
