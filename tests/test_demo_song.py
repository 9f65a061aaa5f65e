"""The demo session holds the faults that it promises, and nothing is overwritten to write it."""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from tones.truth import truth_of

from planner.demo.build import build_demo
from planner.demo.song import BPM, PIANO_A4_HZ, DemoStem, at_s, low_tide_ledger
from planner.demo.tones import PlayedNote
from planner.errors import OutputError
from planner.files.session_file import read_session
from planner.pitch import note_name, parse_note

D_MAJOR = {2, 4, 6, 7, 9, 11, 1}


@pytest.fixture(scope="module")
def stems() -> dict[str, DemoStem]:
    return {stem.code: stem for stem in low_tide_ledger()}


@pytest.fixture(scope="module")
def session_file(
    tmp_path_factory: pytest.TempPathFactory, stems: dict[str, DemoStem]
) -> Iterator[Path]:
    with pytest.MonkeyPatch.context() as patch:  # played once is enough for all tests
        patch.setattr("planner.demo.build.low_tide_ledger", lambda: tuple(stems.values()))
        yield build_demo(tmp_path_factory.mktemp("demo") / "new")


def place(hz: float, a4_hz: float = PIANO_A4_HZ) -> tuple[int, float]:
    """Nearest note and cents off it."""
    midi = 69 + 12 * np.log2(hz / a4_hz)
    return round(midi), float(100 * (midi - round(midi)))


def sustained(note: PlayedNote) -> float:
    truth = truth_of(note)
    return truth.sustain_hz or truth.onset_hz


def sustain_cents(note: PlayedNote, a4_hz: float = PIANO_A4_HZ) -> float:
    return place(sustained(note), a4_hz)[1]


def note_at(stem: DemoStem, bar: int, beat: float) -> PlayedNote:
    return min(stem.sound.notes, key=lambda n: abs(n.start_s - at_s(bar, beat)))


# ------------------------------------------------------------------------------ the music


def test_every_note_is_in_key(stems: dict[str, DemoStem]) -> None:
    """All parts play D major."""
    for stem in stems.values():
        for note in stem.sound.notes:
            assert place(sustained(note))[0] % 12 in D_MAJOR, (stem.code, note.start_s)


def test_parts_have_notes_but_the_shaker(stems: dict[str, DemoStem]) -> None:
    """Seven parts are pitched; the shaker is not, and is left out by its role."""
    assert [c for c, s in stems.items() if not s.sound.notes] == ["SHK"]
    assert stems["SHK"].role == "exclude"


def test_lines_play_one_note_at_a_time(stems: dict[str, DemoStem]) -> None:
    """No note of a single line begins before the last one has ended."""
    for code in ("BAS", "EGL", "LV", "BV", "CEL"):
        for one, two in pairwise(stems[code].sound.notes):
            assert one.start_smp + len(one.f1_hz) <= two.start_smp + 1, (code, one.start_s)


# ------------------------------------------------------------------------------ the faults


def test_the_piano_stands_at_441(stems: dict[str, DemoStem]) -> None:
    """Its A4 is 441 Hz, 3.9 cents over the standard."""
    hz = {round(sustained(n), 6) for n in stems["PNO"].sound.notes if place(sustained(n))[0] == 69}
    assert hz == {441.0}


def test_both_guitars_are_tuned_to_440(stems: dict[str, DemoStem]) -> None:
    """Their median lies 3.9 cents under the piano."""
    for code in ("EGL", "AGT"):
        notes = [n for n in stems[code].sound.notes if place(sustained(n))[0] != parse_note("C#4")]
        assert np.median([sustain_cents(n) for n in notes]) == pytest.approx(-3.9, abs=1.0), code


def test_one_fret_is_sharp_wherever_it_is_played(stems: dict[str, DemoStem]) -> None:
    """Every C#4 of the lead guitar is 9 cents high against its own tuning, and nothing else is."""
    by_name: dict[str, list[float]] = {}
    for note in stems["EGL"].sound.notes:
        name = note_name(place(sustained(note))[0])
        by_name.setdefault(name, []).append(sustain_cents(note, 440.0))
    assert len(by_name["C#4"]) >= 10
    assert np.mean(by_name.pop("C#4")) == pytest.approx(9.0, abs=1.5)
    assert max(abs(c) for notes in by_name.values() for c in notes) < 5.0


def test_staccato_lows_start_sharp(stems: dict[str, DemoStem]) -> None:
    """In the verse the bass is heard at its onset, well over its pitch; in the chorus it is not."""
    starts = [(n.start_s, place(truth_of(n).onset_hz)[1]) for n in stems["BAS"].sound.notes]
    verse = [c for t, c in starts if t < at_s(9, 1.0) - 0.1]
    chorus = [c for t, c in starts if t > at_s(9, 1.0) - 0.1]
    assert len(verse) == 32
    assert 14.0 < np.median(verse) < 24.0
    assert abs(np.median(chorus)) < 5.0
    settled = [sustain_cents(n) for n in stems["BAS"].sound.notes]
    assert np.abs(settled).max() < 8.0


def test_the_title_word_is_flat_once(stems: dict[str, DemoStem]) -> None:
    """Bar 10 is held 21 cents low; the same word in bar 14 is in tune."""
    assert sustain_cents(note_at(stems["LV"], 10, 1.0)) == pytest.approx(-21.0, abs=2.0)
    assert abs(sustain_cents(note_at(stems["LV"], 14, 1.0))) < 9.0


def test_one_phrase_end_sags(stems: dict[str, DemoStem]) -> None:
    """The note of bar 12 is in tune until its last part, which sinks by 26 cents."""
    note = note_at(stems["LV"], 12, 1.0)
    truth, f_sharp_hz = truth_of(note), 441.0 * 2 ** (-3 / 12)
    assert truth.sustain_hz is not None
    assert truth.end_hz is not None
    assert 1200 * np.log2(truth.sustain_hz / f_sharp_hz) == pytest.approx(0.0, abs=4.0)
    assert 1200 * np.log2(truth.end_hz / f_sharp_hz) == pytest.approx(-26.0, abs=4.0)


# ------------------------------------------------------------------------------ the files


def test_the_session_reads_without_findings(session_file: Path) -> None:
    """The written session file is a legal one, and says what the song is."""
    session, findings = read_session(session_file)
    assert findings == ()
    assert session.song == "Low Tide Ledger"
    assert session.tempo_marks[0].bpm == BPM
    assert session.reference_from == "PNO"
    assert {s.code for s in session.stems} == {
        "PNO", "BAS", "EGL", "AGT", "LV", "BV", "CEL", "SHK",
    }  # fmt: skip


def test_the_audio_folder_holds_the_stems_and_nothing_else(session_file: Path) -> None:
    """Files are those of the session: 48 kHz, 24 bit, one length, unclipped."""
    session, _ = read_session(session_file)
    audio = session_file.parent / "audio"
    assert sorted(p.name for p in audio.iterdir()) == sorted(s.file for s in session.stems)
    assert sorted(p.name for p in session_file.parent.iterdir()) == ["audio", "session.yaml"]
    infos = [soundfile.info(audio / s.file) for s in session.stems]
    assert {(i.samplerate, i.subtype, i.format) for i in infos} == {(48_000, "PCM_24", "WAV")}
    assert len({i.frames for i in infos}) == 1
    assert 40.0 < infos[0].duration < 50.0
    assert [i.channels for i in infos] == [2, 1, 1, 1, 1, 1, 1, 1]
    for spec in session.stems:
        samples, _ = soundfile.read(audio / spec.file)
        assert 0.2 < np.abs(samples).max() < 0.99, spec.code


def test_a_folder_with_something_in_it_is_refused(tmp_path: Path) -> None:
    """Nothing is overwritten, and nothing is left behind."""
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"the folder is not empty\. The demo is written into a"):
        build_demo(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A file of that name is told as such."""
    (tmp_path / "demo").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="this is a file, not a folder"):
        build_demo(tmp_path / "demo")


def test_a_folder_that_cannot_be_made_is_told_in_words(tmp_path: Path) -> None:
    """A fault of the disk becomes a sentence with the folder's name."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="the demo could not be written") as told:
        build_demo(tmp_path / "file" / "demo")
    assert "Name another folder" in str(told.value)
