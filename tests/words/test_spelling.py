"""Names of notes by the key of their place, the same in every output."""

from dataclasses import replace

import pytest

from planner.model import Finding
from planner.pitch import MIXED_NAMES, key_names, note_name, parse_note, respelled
from planner.timeline import tempo_map_from_events, tempo_map_from_marks
from planner.words.session_model import KeyMark, ProtectedSpan, TempoMark
from planner.words.spelling import keys_of, names_at, spelled, speller
from tests.invented_plan import judged, plan, row

FLATS = ["Db", "Eb", "Gb", "Ab", "Bb"]
SHARPS = ["C#", "D#", "F#", "G#", "A#"]
BLACK = (1, 3, 6, 8, 10)


@pytest.mark.parametrize(
    ("tonic", "mode", "black"),
    [
        # Signatures: the circle of fifths, common practice (and Standard MIDI File 1.0, FF 59).
        ("Eb", "major", FLATS),
        ("F", "major", FLATS),
        ("D", "dorian", ["C#", "Eb", "F#", "G#", "Bb"]),
        ("D", "major", SHARPS),
        ("G", "mixolydian", ["C#", "Eb", "F#", "G#", "Bb"]),
        ("A", "mixolydian", SHARPS),
        ("Bb", "lydian", FLATS),
        ("E", "minor", SHARPS),
        ("C", "major", ["C#", "Eb", "F#", "G#", "Bb"]),
        # The leading note of a minor key is raised: C# in D minor, F# in G minor.
        ("D", "minor", ["C#", "Eb", "Gb", "Ab", "Bb"]),
        ("G", "minor", ["Db", "Eb", "F#", "Ab", "Bb"]),
        ("C", "minor", FLATS),
        ("G#", "major", ["C#", "Eb", "F#", "G#", "Bb"]),  # eight sharps: no signature
    ],
)
def test_black_keys_by_the_key(tonic: str, mode: str, black: list[str]) -> None:
    """Flats in flat keys, sharps in sharp keys; every name reads back as its note."""
    names = key_names(tonic, mode)
    assert [names[pc] for pc in BLACK] == black
    assert [parse_note(note_name(m, names)) for m in range(128)] == list(range(128))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("beats with EGL's C#4 at 441.0 Hz", "beats with EGL's Db4 at 441.0 Hz"),
        ("every C#4, A#3 and D#-1", "every Db4, Bb3 and Eb-1"),
        ("the E4 string, A4 and F4", "the E4 string, A4 and F4"),
        ("Bb1-0012 and C#4x stay, so does LC#4", "Bb1-0012 and C#4x stay, so does LC#4"),
    ],
)
def test_names_inside_sentences(text: str, said: str) -> None:
    """Only whole names of black keys with their octave are called anew; ids and codes are not."""
    assert respelled(text, key_names("Eb", "major")) == said
    assert respelled(said, key_names("Eb", "major")) == said


def test_the_key_of_the_place_counts() -> None:
    """The last key at or before a bar; before the first and without a bar, the first."""
    keys = (KeyMark(bar=3, tonic="D", mode="major"), KeyMark(bar=9, tonic="Eb", mode="major"))
    assert [names_at(keys, bar)[3] for bar in (None, 1, 3, 8, 9, 40)] == [
        "D#", "D#", "D#", "D#", "Eb", "Eb",
    ]  # fmt: skip
    assert names_at((), 4) == MIXED_NAMES


def test_a_whole_plan_in_one_spelling() -> None:
    """Rows, notes, offenders, findings: Eb major from bar 1, D major from bar 40; comments stay."""
    marks = (KeyMark(bar=1, tonic="Eb", mode="major"), KeyMark(bar=40, tonic="D", mode="major"))
    given = plan(
        rows=(
            row(intended="C#4", intended_midi=61, start_bar=4, reason="the C#4 rubs",
                comment="C#4 is hers"),
            row(id="LV-0200", intended="Eb4", intended_midi=63, start_bar=41, reason="Eb4 is low"),
        ),
        judged=(judged(),),
    )  # fmt: skip
    given = replace(given, session=replace(given.session, keys=marks))
    tempo = tempo_map_from_marks((TempoMark(bar=1, bpm=92.0),), bar_one_at_s=0.0)
    told = spelled(given, tempo)
    assert [(r.intended, r.reason) for r in told.rows] == [
        ("Db4", "the Db4 rubs"), ("D#4", "D#4 is low"),
    ]  # fmt: skip
    assert told.rows[0].comment == "C#4 is hers"
    assert told.keys == marks
    assert told.judged[0].names == key_names("Eb", "major")
    assert spelled(told, tempo) == told


def test_keys_of_the_tempo_map_serve_where_the_session_states_none() -> None:
    """A MIDI file's own key signatures, at the bars where they stand."""
    tempo = tempo_map_from_events(
        [(0, 500000)], [(0, 4, 4)], [(0, "Eb"), (7680, "F#m")], ticks_per_quarter=480,
        bar_one_at_s=0.0,
    )  # fmt: skip
    session = replace(plan().session, keys=())
    assert keys_of(session, tempo) == (
        KeyMark(bar=1, tonic="Eb", mode="major"),
        KeyMark(bar=5, tonic="F#", mode="minor"),
    )
    assert keys_of(session, None) == ()


def test_what_people_wrote_stays_as_typed() -> None:
    """Comments, lyrics, why a span is not to be touched, file names; the planner's names change."""
    span = ProtectedSpan(from_s=1.0, to_s=2.0, why="her C#4 cry", who="Ed")
    stems = tuple(
        replace(s, do_not_touch=(span,), file="lead C#4 take.wav") if s.code == "LV" else s
        for s in plan().session.stems
    )
    voice = row(
        intended="C#4", intended_midi=61, word="C#4", comment='say "C#4" not C#4',
        reason="the word 'C#4': C#4 20 sharp, her C#4 cry", start_bar=4,
    )  # fmt: skip
    string = row(id="BAS-0007", stem="BAS", word="C#4 string, fret 2", start_bar=4)
    told_of = Finding(
        severity="warning",
        what='LV-1 was answered (refused "C#4 is hers"), C#4 is gone from lead C#4 take.wav.',
        did='BAS: say "C#4" not C#4, at C#4.',
        stem="LV",
    )
    given = plan(rows=(voice, string), judged=(), findings=(told_of,))
    marks = (KeyMark(bar=1, tonic="Eb", mode="major"),)
    given = replace(given, session=replace(given.session, keys=marks, stems=stems))
    told = spelled(given, None)
    one, two = told.rows
    assert (one.intended, one.word, one.comment) == ("Db4", "C#4", 'say "C#4" not C#4')
    assert one.reason == "the word 'C#4': Db4 20 sharp, her C#4 cry"
    assert two.word == "Db4 string, fret 2"
    (finding,) = told.findings
    assert finding.what == (
        'LV-1 was answered (refused "C#4 is hers"), Db4 is gone from lead C#4 take.wav.'
    )
    assert finding.did == 'BAS: say "C#4" not C#4, at Db4.'


def test_texts_without_a_name_change_nothing() -> None:
    """A comment that happens to be a word of a sentence does not keep notes from their names."""
    again = speller(["the", "C#4", "A4", ""])
    assert again("the C#4 and A4 of 'C#4'", key_names("Eb", "major")) == "the Db4 and A4 of 'C#4'"
