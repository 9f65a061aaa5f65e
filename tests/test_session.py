"""Every field of a session file: what is taken, and what is said about each slip."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import SessionError
from planner.files.yaml_reading import parse_yaml
from planner.model import Finding
from planner.read.session_stems import _STEM
from planner.session import _TOP, session_from_dict
from planner.words.session_model import (
    KeyMark,
    ProtectedSpan,
    ScoreRef,
    Section,
    Session,
    StemSpec,
    Take,
    TempoMark,
)

HEAD = "version: 1\nsong: S\npitch_reference: {from: P}\n"
PIANO = "{code: P, file: p.wav, role: tuning-reference}"


def load(text: str) -> tuple[Session, tuple[Finding, ...]]:
    data, lines = parse_yaml(text, file="s.yaml")
    return session_from_dict(data, lines, file="s.yaml")


def with_top(extra: str) -> str:
    return f"{HEAD}stems: [{PIANO}]\n{extra}\n"


def with_stem(extra: str, role: str = "lead-voice") -> str:
    """A session whose second stem V, in line 6, has the extra fields."""
    return f"{HEAD}stems:\n  - {PIANO}\n  - {{code: V, file: v.wav, role: {role}, {extra}}}\n"


def said(text: str) -> str:
    with pytest.raises(SessionError) as caught:
        load(text)
    return str(caught.value)


def top(extra: str) -> Session:
    return load(with_top(extra))[0]


def stem(extra: str, role: str = "lead-voice") -> StemSpec:
    return load(with_stem(extra, role))[0].stems[1]


# ---------------------------------------------------------------- what is taken


def test_defaults_are_those_of_the_records():
    """A file that says the least gives the records' own defaults."""
    session, findings = load(with_top(""))
    assert findings == ()
    piano = StemSpec(code="P", file="p.wav", role="tuning-reference", line=4)
    assert session == Session(song="S", reference_from="P", stems=(piano,))


def test_no_lines_are_needed():
    """A mapping that comes from no file is checked as well, without line numbers."""
    data: dict[str, Any] = {
        "pitch_reference": {"a4_hz": 442},
        "stems": [{"code": "P", "file": "p.wav", "role": "fretted"}],
    }
    session, _ = session_from_dict(data, {}, file="x", song_if_unnamed="Folder")
    assert (session.song, session.a4_hz, session.stems[0].line) == ("Folder", 442.0, None)
    data["stems"][0]["role"] = "x"
    with pytest.raises(SessionError, match=r"^x: stems\[0\]\.role: 'x' is no role"):
        session_from_dict(data, {}, file="x")


@pytest.mark.parametrize(
    ("written", "field", "value"),
    [
        ("artist: Mothwick Ferry", "artist", "Mothwick Ferry"),
        ("song_code: LTL", "song_code", "LTL"),
        ("audio_folder: ./a", "audio_folder", "./a"),
        ("out_folder: ./plans", "out_folder", "./plans"),
        ("rate: 48000", "rate", 48000),
        ("frame_rate: 25", "frame_rate", "25"),
        ("frame_rate: 23.976", "frame_rate", "23.976"),
        ("frame_rate: 29.97", "frame_rate", "29.97"),
        ("frame_rate: 59.94", "frame_rate", "59.94"),
        ('frame_rate: "60"', "frame_rate", "60"),
        ("{f}frame_rate: 25\nstart_timecode: 01:00:00:00", "start_timecode", "01:00:00:00"),
        ("frame_rate: 29.97\ndrop_frame: true", "drop_frame", True),
        ("tempo_map: map.mid", "tempo_file", "map.mid"),
        ("tempo_map: [{bar: 1, bpm: 92}]", "tempo_marks", (TempoMark(bar=1, bpm=92.0),)),
        ("bar_one_at: -2.5", "bar_one_at_s", -2.5),
        ("key: none", "keys", ()),
        ("key: ask", "keys", ()),
        (
            "key: [{bar: 1, tonic: F#, mode: minor}]",
            "keys",
            (KeyMark(bar=1, tonic="F#", mode="minor"),),
        ),
        ("temperament: equal", "temperament", "equal"),
        ("temperament: quarter-comma-meantone", "temperament", "quarter-comma-meantone"),
        ("octave_stretch: 0.5", "octave_stretch", 0.5),
        ("whole_song_offset_cents: -23", "whole_song_offset_cents", -23.0),
        ("judging: live-loose", "judging", "live-loose"),
        ("edit_minutes: 75", "edit_minutes", 75.0),
        ("seconds_per_edit: 20", "seconds_per_edit", 20.0),
        ("touch_at_most: 0.2", "touch_at_most", 0.2),
        ("consent: yes", "consent", (("all", "yes"),)),
        ("consent: {all: yes, P: no}", "consent", (("all", "yes"), ("P", "no"))),
        ("review: {offenders: 20}", "offenders_wanted", 20),
        ("review: {excerpt_seconds: 2.5}", "excerpt_seconds", 2.5),
        ("review: {tone_level_db: -20}", "tone_level_db", -20.0),
        ("review: {page_size_mb: 5}", "page_size_mb", 5.0),
        ("artist:", "artist", ""),
    ],
)
def test_top_fields_are_kept(written, field, value):
    """Each field of the session arrives in its place in the record."""
    assert getattr(top(written.replace("{f}", "")), field) == value


def test_sections_are_kept():
    """A section keeps its bars; its exposure is normal unless said."""
    session = top(
        "tempo_map: t.mid\nsections: [{name: a, from_bar: 1, to_bar: 1},"
        " {name: b, from_bar: 2, to_bar: 9, exposure: bare}]"
    )
    assert session.sections == (
        Section(name="a", from_bar=1, to_bar=1),
        Section(name="b", from_bar=2, to_bar=9, exposure="bare"),
    )


def test_a_tempo_mark_goes_on_with_what_it_does_not_say():
    """A mark without a meter keeps the meter, one without a tempo keeps the tempo."""
    session = top(
        "tempo_map: [{bar: 1, bpm: 92, meter: 7/8}, {bar: 9, bpm: 88}, {bar: 12, meter: 3/4}]"
    )
    assert [(m.bpm, m.meter) for m in session.tempo_marks] == [
        (92.0, (7, 8)), (88.0, (7, 8)), (88.0, (3, 4)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "written",
    [
        "temperament: [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10.5, 11]",
        "temperament: {B: 11, C: 0, C#: 1, D: 2, Eb: 3, E: 4, F: 5, F#: 6, G: 7,\n"
        "  G#: 8, A: 9, Bb: 10.5}",
    ],
)
def test_a_table_of_twelve_cents(written):
    """Twelve cents, as a list from C or by name in any order, make a temperament."""
    session = top(written)
    assert session.temperament == "table"
    assert session.temperament_table == (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10.5, 11)


def test_both_parts_of_the_reference():
    """The reference may be a stem, the majority, a number, or a stem and a number."""

    def reference(written: str) -> tuple[str | None, float | None]:
        session = load(with_top("").replace("{from: P}", written))[0]
        return session.reference_from, session.a4_hz

    assert reference("{from: P, a4_hz: 441}") == ("P", 441.0)
    assert reference("{from: majority}") == ("majority", None)
    assert reference("{a4_hz: 415}") == (None, 415.0)


@pytest.mark.parametrize(
    ("written", "field", "value"),
    [
        (f"sha256: {'0' * 63}a", "sha256", "0" * 63 + "a"),
        ("sung_with: P", "sung_with", "P"),
        ("linked: [w.wav, x.wav]", "linked", ("w.wav", "x.wav")),
        ("linked: [w.wav], measure_from: w.wav", "measure_from", "w.wav"),
        ("strings: [E1, A1, 38, G2]", "strings", (28, 33, 38, 43)),  # MIDI: E1 is 28
        ("strings: [E2], capo: 2", "capo", 2),
        ("range: [A3, F5]", "range_midi", (57, 77)),
        ("range: [57, 77]", "range_midi", (57, 77)),
        ("score: part.mid", "score", ScoreRef(file="part.mid")),
        ("score: {file: a.mid, track: Cello}", "score", ScoreRef(file="a.mid", track="Cello")),
        (
            "score: {file: a.mid, transpose: -2, later_s: 5.2}",
            "score",
            ScoreRef(file="a.mid", transpose=-2, later_s=5.2),
        ),
        ("side: left", "side", "left"),
        ("late_by_ms: 12", "late_by_ms", 12.0),
        ("start_sample: 172800000", "start_smp", 172800000),
        ("takes: [{file: t.wav}]", "takes", (Take(file="t.wav"),)),
        (
            "takes: [{file: t.wav, label: take 2, quality: good}]",
            "takes",
            (Take(file="t.wav", label="take 2", quality="good"),),
        ),
        ("comp_edges: [1, 2.5]", "comp_edges_s", (1.0, 2.5)),
        ("follow_keys: true", "follow_keys", True),
        ("several_notes: true", "several_notes", True),
        ("tolerance_factor: 0.7", "tolerance_factor", 0.7),
        (
            "do_not_touch: [{from_s: 1, to_s: 2.5, why: w, who: me}, {note: V-0147}]",
            "do_not_touch",
            (
                ProtectedSpan(from_s=1.0, to_s=2.5, why="w", who="me"),
                ProtectedSpan(note_id="V-0147"),
            ),
        ),
    ],
)
def test_stem_fields_are_kept(written, field, value):
    """Each field of a stem arrives in its place in the record."""
    assert getattr(stem(written), field) == value


def test_protected_bars_with_a_tempo_map():
    """Bars may be protected where a tempo map tells where they are."""
    text = with_stem("do_not_touch: [{from_bar: 4, to_bar: 4}]") + "tempo_map: t.mid\n"
    assert load(text)[0].stems[1].do_not_touch == (ProtectedSpan(from_bar=4, to_bar=4),)


def test_a_start_sample_for_all():
    """The session's start sample goes to every stem that does not say its own."""
    session = load(with_stem("start_sample: 7") + "start_sample: 5\n")[0]
    assert [spec.start_smp for spec in session.stems] == [5, 7]


def test_the_two_sides_of_one_file_may_be_two_stems():
    """One stereo file may serve as a left and a right stem."""
    text = f"{HEAD}stems: [{PIANO}, {{code: L, file: x.wav, role: fretted, side: left}}, "
    text += "{code: R, file: x.wav, role: fretted, side: right}]\n"
    assert [spec.side for spec in load(text)[0].stems] == ["auto", "left", "right"]


# ---------------------------------------------------------------- what is said


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("atrist: X", "atrist: unknown key. Did you mean 'artist'? Known: version, song, artist"),
        ("zzz: 1", "zzz: unknown key. Known: version"),
        ("artist: 1984", "artist: this should be text, not 1984. Put it in quotes."),
        ("artist: true", "artist: this should be text, not true. Put it in quotes."),
        ("artist: [a]", "artist: this should be text, not a list [ ]."),
        ('artist: " "', "artist: this text is empty. Fill it in, or delete the line."),
        ('artist: "\\ud800"', "artist: this has characters in it that are no text. Rename it"),
        ("song_code: 12", "song_code: a code is a short word, not 12. Begin with a letter: S12."),
        ("rate: true", "rate: this should be a whole number (Hz), not true."),
        ("rate: 48000.5", "rate: this should be a whole number (Hz), not 48000.5."),
        ("rate: 48", "rate: 48 is out of range: 8000 to 384000 Hz."),
        ('rate: "48000"', "rate: this should be a whole number (Hz), not '48000'. Take"),
        ("bar_one_at: 1,5", "not '1,5'. Write it with a point: 1.5."),
        ("bar_one_at: .nan", "bar_one_at: nan is out of range: -86400 to 86400 s."),
        ("bar_one_at: .inf", "bar_one_at: inf is out of range"),
        ("edit_minutes: 0", "edit_minutes: 0 is out of range: above 0, up to 10000 minutes."),
        ("edit_minutes: -0.0", "edit_minutes: -0.0 is out of range: above 0"),
        ("seconds_per_edit: -1", "seconds_per_edit: -1 is out of range: above 0, up to 3600 s."),
        ("touch_at_most: 20", "touch_at_most: 20 is out of range: above 0, up to 1 of all notes."),
        ("octave_stretch: 1.1", "octave_stretch: 1.1 is out of range: 0 to 1."),
        ("drop_frame: NO", "drop_frame: this should be true or false, not 'NO'."),
        ("frame_rate: 26", "frame_rate: '26' is not possible here. Write one of 23.976, 24, 25,"),
        ("frame_rate: 29.976", "Did you mean '29.97'? Write one of 23.976"),
        ("drop_frame: true", "drop_frame: timecode needs a frame_rate. Write one of 23.976"),
        ("start_timecode: 01:00:00:00", "start_timecode: timecode needs a frame_rate."),
        (
            "frame_rate: 25\nstart_timecode: 01:00:00:25",
            "start_timecode: '01:00:00:25' does not exist",
        ),
        (
            "frame_rate: 25\ndrop_frame: true",
            "drop_frame: drop-frame exists at 29.97 and 59.94 only",
        ),
        (
            "tempo_map: 92",
            "tempo_map: this should be a list, not 92. For example [{bar: 1, bpm: 92,",
        ),
        ("tempo_map: []", "tempo_map: a tempo map needs at least one mark"),
        ("tempo_map: [92]", "tempo_map[0]: this should be a mapping, not 92. For example {bar: 1,"),
        (
            "tempo_map: [{bpm: 92}]",
            "tempo_map[0].bar: this is missing. For example {bar: 1, bpm: 92",
        ),
        (
            "tempo_map: [{bar: 1}]",
            "tempo_map[0].bpm: this is missing. For example {bar: 1, bpm: 92",
        ),
        ("tempo_map: [{bar: 1, bpm: 1001}]", "tempo_map[0].bpm: 1001 is out of range: 4 to 1000"),
        ("tempo_map: [{bar: 2, bpm: 92}]", "tempo_map: the tempo map starts at bar 2"),
        ("tempo_map: [{bar: 1, bpm: 92}, {bar: 1, bpm: 9}]", "tempo_map: bar 1 comes after bar 1"),
        ("tempo_map: [{bar: 0, bpm: 92}]", "0 is out of range: 1 to 100000; bars count from 1."),
        (
            "tempo_map: [{bar: 1, bpm: 92, meter: 4}]",
            "meter: 4 is no meter. Write it as 4/4 or 7/8.",
        ),
        ("tempo_map: [{bar: 1, bpm: 92, meter: 4/5}]", "tempo_map: bar 1: 4/5 is no meter"),
        (
            "key: D",
            "key: this should be a list, not 'D'. For example [{bar: 1, tonic: D, mode: major}]",
        ),
        (
            "key: [{bar: 1, tonic: H, mode: major}]",
            "key[0].tonic: 'H' is no tonic. Write a capital",
        ),
        (
            "key: [{bar: 1, tonic: D, mode: mjor}]",
            "'mjor' is not possible here. Did you mean 'major'?",
        ),
        ("key: [{bar: 1, tonic: D}]", "key[0].mode: this is missing."),
        (
            "key: [{bar: 9, tonic: D, mode: major}, {bar: 2, tonic: E, mode: major}]",
            "key[1].bar: bar 2 comes after bar 9. Put the keys in order of bars.",
        ),
        (
            "temperament: equl",
            "'equl' is no temperament known here. Did you mean 'equal'? Write one of",
        ),
        (
            "temperament: 3",
            "temperament: this should be a list, not 3. For example [0, -2, 4, ...]",
        ),
        ("temperament: [1, 2]", "temperament: a temperament table needs 12 cents"),
        (
            "temperament: [0, 76, 193, 310, 386, 503, 580, 697, 773, 890, 1007, 1083]",
            "not cents above C",
        ),
        ("temperament: {C: 0}", "things to put right:"),
        ("temperament: {file: a.scl, root: H}", "temperament.root: 'H' is no tonic. Write a"),
        ("temperament: {root: C}", "temperament.file: this is missing. For example {file: my.scl"),
        ("consent: true", 'consent: this should be words, not true. For example "yes, all of us"'),
        ("consent: {Q: yes}", "consent.Q: there is no stem 'Q'. Stems: P; or write all."),
        ("sections: {name: a}", "sections: this should be a list, not a mapping { }. For example"),
        ("sections: [{name: a, from_bar: 3}]", "sections[0].to_bar: this is missing."),
        (
            "sections: [{name: a, from_bar: 3, to_bar: 2}]",
            "sections[0]: it ends (bar 2) before it begins.",
        ),
        (
            "sections: [{name: a, from_bar: 3, to_bar: 4, exposure: bear}]",
            "sections[0].exposure: 'bear' is not possible here. Did you mean 'bare'?",
        ),
        ("chords: [{bar: 1}]", "chords[0].symbol: this is missing. For example {bar: 3, beat: 1,"),
        (
            "chords: [{bar: 1, symbol: H7}]",
            "chords[0].symbol: 'H7' does not begin with a note. Write it as D, F#m7, Gsus4,",
        ),
        (
            "chords: c.mid",
            "chords: 'c.mid' is no list of chords. For a score write {file: chords.mid,",
        ),
        ("chords: {track: Y}", "chords.file: this is missing. For example {file: chords.mid,"),
        ("chords: [{bar: 1, symbol: Cfoo}]", "chords[0].symbol: 'foo' in 'Cfoo' is no part of a"),
        (
            "chords: [{bar: 2, symbol: C}, {bar: 2, beat: 1, symbol: D}]",
            "chords[1]: bar 2 beat 1 comes after bar 2 beat 1. Put the chords in order of bars.",
        ),
        (
            "lyrics: [{bar: 3, words: a}, {bar: 2, words: b}]",
            "lyrics[1]: bar 2 beat 1 comes after bar 3 beat 1. Put the lines in order of bars.",
        ),
        ("lyrics: [{bar: 1}]", "lyrics[0].words: this is missing. For example {bar: 3, beat: 1,"),
        ("review: {offenders: 0}", "review.offenders: 0 is out of range: 1 to 1000 offenders."),
        (
            "audio_folder: a\nout_folder: ./a/plan",
            "out_folder: this lies inside the audio folder (a).",
        ),
        (
            "audio_folder: ./a\nout_folder: a",
            "Nothing is ever written there; choose a folder beside it.",
        ),
    ],
)
def test_slips_at_the_top_are_told(extra, words):
    """Each slip in a field of the session says what is wrong and what to write."""
    message = said(with_top(extra))
    assert message.startswith("s.yaml:")
    assert words in message


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("rang: [A3, F5]", "stems[1].rang: unknown key. Did you mean 'range'? Known: code, file,"),
        ("sha256: 12", "stems[1].sha256: 12 is no SHA-256. It has 64 digits 0-9 and a-f"),
        ("sung_with: PP", "stems[1].sung_with: there is no stem 'PP'. Did you mean 'P'? Stems: P."),
        (
            "sung_with: V",
            "stems[1].sung_with: a stem cannot be sung with itself. Name the lead's code.",
        ),
        (
            "linked: w.wav",
            "stems[1].linked: this should be a list, not 'w.wav'. For example [bass_amp",
        ),
        ("linked: [v.wav]", "stems[1].linked: 'v.wav' is named twice in this stem."),
        (
            "linked: [p.wav]",
            "stems[1].file: stems P and V both name 'p.wav'. Name it once; the two",
        ),
        (
            "linked: [vo.wav], measure_from: w.wav",
            "stems[1].measure_from: 'w.wav' is no file of this stem. Did you mean",
        ),
        (
            "strings: [E9x]",
            "stems[1].strings[0]: 'E9x' is no note. Write a letter, # or b, and the",
        ),
        (
            "strings: [true]",
            "stems[1].strings[0]: this should be a note, not true. Write it as E2,",
        ),
        ("strings: [128]", "stems[1].strings[0]: 128 is out of range: C-1 to G9, MIDI 0 to 127."),
        ("strings: [A10]", "stems[1].strings[0]: A10 is out of range: C-1 to G9"),
        ("strings: [2.5]", "stems[1].strings[0]: this should be a note, not 2.5."),
        ("capo: 13", "stems[1].capo: 13 is out of range: 0 to 12."),
        ("range: [A3]", "stems[1].range: a range has two notes, not 1. For example [A3, F5]."),
        ("range: [F5, A3]", "stems[1].range: F5 is not below A3. Write the lower note first."),
        (
            "range: [A7, C8]",
            "stems[1].range: stem V: the range MIDI 105 to 108 has no note between 35",
        ),
        (
            "score: {track: Cello}",
            "stems[1].score.file: this is missing. For example {file: cello_part",
        ),
        (
            "score: {file: a.mid, transpose: 1.5}",
            "stems[1].score.transpose: this should be a whole number (semitones), not 1.5",
        ),
        (
            "score: {file: a.mid, later_s: 90000}",
            "stems[1].score.later_s: 90000 is out of range: -86400 to 86400 s",
        ),
        ("side: centre", "stems[1].side: 'centre' is not possible here. Write one of auto, left,"),
        ("late_by_ms: x", "stems[1].late_by_ms: this should be a number (ms), not 'x'."),
        ("start_sample: -1", "stems[1].start_sample: -1 is out of range: 0 to"),
        ("takes: [{label: x}]", "stems[1].takes[0].file: this is missing."),
        (
            "do_not_touch: [{from_bar: x, to_bar: 2}]",
            "should be a whole number (bars count from 1)",
        ),
        (
            "comp_edges: [2, 1]",
            "stems[1].comp_edges: these seconds do not rise. Put them in order.",
        ),
        ("comp_edges: [-1]", "stems[1].comp_edges[0]: -1 is out of range: 0 to 86400 s."),
        ("follow_keys: yes please", "stems[1].follow_keys: this should be true or false, not"),
        ("tolerance_factor: 12", "stems[1].tolerance_factor: 12 is out of range: 0.2 to 5."),
        (
            "do_not_touch: [{why: x}]",
            "stems[1].do_not_touch[0]: this should say one place, by seconds,",
        ),
        (
            "do_not_touch: [{from_s: 1}]",
            "For example {from_s: 61.2, to_s: 64.0, why: spoken, who: prod",
        ),
        (
            "do_not_touch: [{from_s: 1, to_s: 2, note: V-1}]",
            "this should say one place, by seconds",
        ),
        (
            "do_not_touch: [{from_s: 2, to_s: 2}]",
            "do_not_touch[0]: it ends (2 s) before it begins.",
        ),
        (
            "do_not_touch: [{from_bar: 2, to_bar: 1}]",
            "do_not_touch[0]: it ends (bar 1) before it begins.",
        ),
        (
            "do_not_touch: [{from_s: x, to_s: 2}]",
            "do_not_touch[0].from_s: this should be a number (s), not",
        ),
        (
            "do_not_touch: [{from_bar: 2, to_bar: 2}]",
            "bars cannot be found without a tempo_map, so they",
        ),
        (
            "do_not_touch: [{note: LV-0147}]",
            "'LV-0147' is no note of stem V. Its notes are called V-0001",
        ),
    ],
)
def test_slips_in_a_stem_are_told(extra, words):
    """Each slip in a field of a stem says its line, its field, what is wrong and what to write."""
    message = said(with_stem(extra))
    assert message.startswith("s.yaml:6: stems[1]")
    assert words in message


@pytest.mark.parametrize(
    ("role", "guess"),
    [
        ("lead-vioce", "Did you mean 'lead-voice'? "),
        ("piano", "Did you mean 'tuning-reference'? "),
        ("drums", "Did you mean 'exclude'? "),
        ("bass", "Did you mean 'bass-fretted'? "),  # not brass
        ("fretless", "Did you mean 'bass-fretless'? "),  # not fretted
        ("bowd", "Did you mean 'bowed'? "),
        ("voice-duble", "Did you mean 'voice-double'? "),
        ("theremin", ""),
    ],
)
def test_an_unknown_role_is_guessed(role, guess):
    """A role that is misspelt, or named by its instrument, is answered with the right word."""
    words = f"stems[1].role: '{role}' is no role. {guess}Roles: tuning-reference, fixed-pitch,"
    assert words in said(with_stem("", role))


def test_a_decimal_comma_is_named():
    """In {a4_hz: 441,0} the comma makes the zero a key: the message says to write a point."""
    text = with_top("").replace("{from: P}", "{a4_hz: 441,0}")
    assert "pitch_reference.0: unknown key. Decimals take a point, as in 441.0." in said(text)


def test_questions_that_a_person_must_answer():
    """Where a file still says ask, the error says what to answer."""
    assert "stems[1].role: somebody has to say the role. Roles: tuning" in said(
        with_stem("", "ask")
    )
    text = with_top("").replace("{from: P}", "{from: ask}")
    assert said(text) == (
        "s.yaml:3: pitch_reference.from: somebody has to say who is right. "
        "Write the code of a stem, or majority."
    )


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        (
            "{from: PP}",
            "pitch_reference.from: there is no stem 'PP'. Did you mean 'P'? Stems: P; or",
        ),
        (
            "{from: majorty}",
            "pitch_reference.from: there is no stem 'majorty'. Stems: P; or write maj",
        ),
        (
            "{from: tone:a.wav}",
            "a tone file is named as a stem here. Add it to the stems with role",
        ),
        ("{a4_hz: 44}", "pitch_reference.a4_hz: 44 is out of range: 350 to 500 Hz."),
        ("{a4_hz: 4400}", "pitch_reference.a4_hz: 4400 is out of range"),
        ("{}", "pitch_reference: nothing is named here. Write {from: PNO}, {from: majority} or"),
        ("{from: }", "pitch_reference: nothing is named here."),
        ("P", "pitch_reference: this should be a mapping, not 'P'. For example {from: PNO}"),
        ("", "pitch_reference: this is missing. For example song: NAME"),
    ],
)
def test_slips_in_the_reference_are_told(reference, words):
    """Each slip in the pitch reference says what to write."""
    message = said(with_top("").replace("{from: P}", reference))
    assert message.startswith("s.yaml:3: pitch_reference")
    assert words in message


def test_an_excluded_stem_is_no_reference():
    """Nobody can be judged by a stem that is left out."""
    text = with_top("").replace("tuning-reference", "exclude")
    assert "stem P is excluded, so nothing can be judged by it." in said(text)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("1", "a code is a short word, not 1. Begin with a letter: S1."),
        ("B-V", "'B-V' is no code. Write at most 12 letters and digits without accents"),
        ("Ü", "'Ü' is no code."),
        ("ABCDEFGHIJKLM", "'ABCDEFGHIJKLM' is no code."),
        ("all", "'all' means something else here. Choose another code."),
        ("Majority", "'Majority' means something else here."),
        ("P", "the code 'P' stands already in line 5. Every stem has a code of its own; capitals"),
        ("p", "the code 'P' stands already in line 5."),
    ],
)
def test_codes_are_short_plain_and_unique(code, words):
    """A code is ASCII, begins with a letter, is free, and differs by more than capitals."""
    message = said(with_stem("").replace("code: V", f"code: {code}"))
    assert message.startswith("s.yaml:6: stems[1].code: ")
    assert words in message


def test_the_same_code_without_lines():
    """Without line numbers the error still says which code stands twice."""
    one = {"code": "P", "file": "p.wav", "role": "fretted"}
    data = {"pitch_reference": {"from": "P"}, "stems": [one, {**one, "file": "q.wav"}]}
    with pytest.raises(SessionError, match=r"the code 'P' stands already\. Every stem"):
        session_from_dict(data, {}, file="x")


@pytest.mark.parametrize(
    ("stems", "words"),
    [
        ("[]", "stems: there is not one stem. For example [{code: PNO,"),
        ("", "stems: this is missing. For example song: NAME"),
        ("{code: P}", "stems: this should be a list, not a mapping { }. For example"),
        ("[P]", "stems[0]: this should be a mapping, not 'P'. For example {code: PNO, file:"),
        (
            "[{code: P, file: p.wav}]",
            "stems[0].role: this is missing. For example {code: PNO, file",
        ),
        ("[{code: P, file: , role: fretted}]", "stems[0].file: this is missing."),
    ],
)
def test_stems_that_are_not_there_are_told(stems, words):
    """An empty list, a missing one or a bare word says how an entry looks."""
    message = said(f"{HEAD}stems: {stems}\n")
    assert message.startswith("s.yaml:4: stems")
    assert words in message


@pytest.mark.parametrize(("version", "shown"), [("2", "2"), ("1.0", "1.0"), ("true", "true")])
def test_another_version_is_refused(version, shown):
    """Only version 1, as a whole number, is read."""
    assert said(with_top("").replace("version: 1", f"version: {version}")) == (
        f"s.yaml:1: version: this planner reads version 1 of the session file, not {shown}. "
        "Write `version: 1`; a file for a newer planner needs that planner."
    )


def test_a_file_that_is_no_mapping_is_told():
    """A list or a single word in place of a session says how one looks."""
    assert said("- a\n").startswith(
        "s.yaml:1: this should be a mapping, not a list [ ]. For example song: NAME,"
    )


def test_all_slips_are_told_at_once_by_line():
    """Several slips come as one error, one a line, in the order of the file."""
    text = (
        f"{HEAD}stems: [{PIANO},\n  {{code: V, file: v.wav, role: x}}]\nrat: 1\nedit_minutes: no\n"
    )
    rows = said(text).split("\n")
    assert rows[0] == "s.yaml: 3 things to put right:"
    assert rows[1].startswith("  s.yaml:5: stems[1].role: 'x' is no role.")
    assert rows[2].startswith("  s.yaml:6: rat: unknown key. Did you mean 'rate'?")
    assert rows[3] == "  s.yaml:7: edit_minutes: this should be a number (minutes), not 'no'."
    assert len(rows) == 4


def test_very_many_slips_are_counted():
    """After twenty-five slips the rest is only counted."""
    rows = said(with_top("\n".join(f"zz{i}: 1" for i in range(30)))).split("\n")
    assert rows[0] == "s.yaml: 30 things to put right:"
    assert rows[-1] == "  ... and 5 more."
    assert len(rows) == 27


def test_long_values_are_shortened():
    """A value that would fill the screen is cut in the message."""
    message = said(with_top(f"side: 1\nfrequency: 2\nframe_rate: {'x' * 200}"))
    assert "'" + "x" * 56 + "... is not possible here" in message


# ---------------------------------------------------------------- what is remarked on


@pytest.mark.parametrize(
    ("text", "severity", "what"),
    [
        (
            with_top("sections: [{name: a, from_bar: 1, to_bar: 2}]"),
            "warning",
            "sections: bars cannot be found without a tempo_map, so sections have no effect",
        ),
        (
            with_top("key: [{bar: 1, tonic: C, mode: major}, {bar: 5, tonic: D, mode: major}]"),
            "warning",
            "key: bars cannot be found without a tempo_map, so a change of key has no effect",
        ),
        (with_stem("capo: 2"), "note", "stems[1].capo: without strings a capo has no effect"),
    ],
)
def test_what_has_no_effect_is_remarked_on(text, severity, what):
    """A legal field without effect gives one finding that names it and the file."""
    (finding,) = load(text)[1]
    assert finding.severity == severity
    assert finding.what.startswith(what)
    assert finding.file == "s.yaml"
    assert finding.advice


KEYS = sorted({*_TOP, *_STEM, "from", "a4_hz", "bpm", "bar", "from_s", "to_s", "note"})
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from(
        ["P", "V", "majority", "A4", "4/4", "equal", "fretted", "p.wav", 1, 2, 440.0, 10**400]
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner),
    max_leaves=8,
)  # fmt: skip


def test_a_capo_on_standard_tuning_needs_no_strings():
    """A guitar is taken to be tuned as most are, capo or not."""
    assert load(with_stem("capo: 2", "fretted"))[1] == ()


@settings(max_examples=200, deadline=None)
@given(
    top_fields=st.dictionaries(st.sampled_from(sorted(_TOP)), VALUES, max_size=3),
    stem_fields=st.dictionaries(st.sampled_from(sorted(_STEM)), VALUES, max_size=3),
)
def test_no_value_is_met_with_anything_but_words(top_fields, stem_fields):
    """Whatever stands in whichever field, there is a session or a SessionError."""
    data = {
        "pitch_reference": {"from": "P"},
        "stems": [
            {"code": "P", "file": "p.wav", "role": "tuning-reference"},
            {"code": "V", "file": "v.wav", "role": "lead-voice", **stem_fields},
        ],
        **top_fields,
    }
    try:
        said = session_from_dict(data, {}, file="s.yaml")[0].song
    except SessionError as error:
        said = str(error)
    assert said.strip()


# ---------------------------------------------------------------- parts that double the reference


@pytest.mark.parametrize("reference", ["{from: majority}", "{a4_hz: 441.0}", "{from: V}"])
def test_keys_cannot_be_followed_where_there_are_none(reference: str) -> None:
    """A majority, a typed number or a singer as the reference has no keys."""
    text = with_stem("follow_keys: true").replace("{from: P}", reference)
    message = said(text)
    assert (
        "stems[1].follow_keys: no stem with keys is the pitch reference, so there are none to "
        "follow. Name a piano, organ or mallet stem under pitch_reference: from, with the role "
        "tuning-reference or fixed-pitch." in message
    )


@pytest.mark.parametrize(
    ("role", "right"), [("brass", True), ("bowed", True), ("fixed-pitch", True), ("fretted", False)]
)
def test_chords_are_heard_of_some_roles_only(role: str, right: bool) -> None:
    """A guitar that plays chords has a role of its own."""
    message = (
        f"stems[1].several_notes: stem V has the role {role}, of which one note is heard at a "
        "time. For a guitar that plays chords write the role fretted-chords."
    )
    text = with_stem("several_notes: true", role)
    if right:
        assert load(text)[0].stems[1].several_notes
    else:
        assert message in said(text)


def test_a_fixed_instrument_follows_nobody() -> None:
    """Nobody can move an organ to the piano's keys."""
    assert (
        "stems[1].follow_keys: stem V has the role fixed-pitch, which follows nobody. Write it for "
        "the parts that double the reference."
        in said(with_stem("follow_keys: true", "fixed-pitch"))
    )


def test_a_take_is_another_file() -> None:
    """A take that is the stem itself, or named twice, is told."""
    message = said(with_stem("takes: [{file: v.wav}, {file: t.wav}, {file: t.wav}]"))
    assert "stems[1].takes[0].file: 'v.wav' is named twice in this stem." in message
    assert "stems[1].takes[2].file: 't.wav' is named twice in this stem." in message
