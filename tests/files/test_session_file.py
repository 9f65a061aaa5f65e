"""Reading session files, and writing a first one without touching anything."""

import errno
import os
from pathlib import Path

import pytest

from planner.errors import PlannerError, SessionError
from planner.files.session_file import read_session, write_started_session
from planner.read.first_session import started_session_text
from planner.read.guess import guess_from_name

SMALLEST = """\
version: 1
song: Low Tide Ledger
pitch_reference: {from: PNO}     # or a4_hz: 441.0, or from: majority
stems:
  - {code: PNO, file: piano.wav, role: tuning-reference}
  - {code: BAS, file: bass_di.wav, role: bass-fretted, linked: [bass_amp.wav],
     strings: [E1, A1, D2, G2]}
  - {code: LV,  file: lead.wav, role: lead-voice}
"""


def test_the_smallest_file_loads(tmp_path):
    """Three stems and a reference are enough, and nothing is remarked on."""
    path = tmp_path / "session.yaml"
    path.write_text(SMALLEST)
    session, findings = read_session(path)
    assert findings == ()
    assert session.song == "Low Tide Ledger"
    assert session.reference_from == "PNO"
    assert [(s.code, s.line) for s in session.stems] == [("PNO", 5), ("BAS", 6), ("LV", 8)]
    assert session.stems[1].strings == (28, 33, 38, 43)  # MIDI numbers of E1, A1, D2, G2


def test_the_folder_names_the_song(tmp_path):
    """A file without a song's name takes its folder's."""
    folder = tmp_path / "Harbour Song"
    folder.mkdir()
    path = folder / "s.yaml"
    path.write_text(SMALLEST.replace("song: Low Tide Ledger\n", ""))
    assert read_session(path)[0].song == "Harbour Song"


def test_errors_name_the_file_as_given(tmp_path):
    """A fault has the path, the line and the field."""
    path = tmp_path / "s.yaml"
    path.write_text(SMALLEST.replace("role: lead-voice", "role: lead-vioce"))
    with pytest.raises(SessionError) as caught:
        read_session(path)
    assert str(caught.value).startswith(f"{path}:8: stems[2].role: 'lead-vioce' is no role. ")


EXAMPLE = Path(__file__).resolve().parents[2] / "configs" / "example_session.yaml"


def test_the_example_loads():
    """The long example is legal, and every field in it has an effect."""
    session, findings = read_session(EXAMPLE)
    assert findings == ()
    assert session.a4_hz == 441.0
    assert [mark.meter for mark in session.tempo_marks] == [(4, 4), (7, 8), (4, 4), (4, 4)]
    assert [mark.bpm for mark in session.tempo_marks] == [92.0, 92.0, 92.0, 88.0]
    assert session.consent[0] == ("LV", "yes, asked on 17 March; keep the scoops")
    assert {spec.start_smp for spec in session.stems} == {172800000, 172800480}
    voice = next(spec for spec in session.stems if spec.code == "LV")
    assert voice.range_midi == (57, 77)  # A3 and F5
    assert [span.note_id for span in voice.do_not_touch] == [None, None, "LV-0147"]


def test_the_example_shows_every_field():
    """No key that the session file knows is missing from the example."""
    from planner.files.yaml_reading import read_yaml
    from planner.read.session_stems import _STEM
    from planner.session import _TOP

    data, _ = read_yaml(EXAMPLE)
    assert isinstance(data, dict)
    assert set(data) == set(_TOP)
    assert {key for stem in data["stems"] for key in stem} == set(_STEM)


def test_writes_a_first_session_file(tmp_path):
    """The text arrives byte for byte, and nothing else is left in the folder."""
    stems = tmp_path / "stems"
    stems.mkdir()
    text = started_session_text("été", [guess_from_name("bass.wav")], audio_folder="stems")
    path = tmp_path / "session.yaml"
    write_started_session(stems, path, text)
    assert path.read_bytes() == text.encode("utf-8")
    assert sorted(os.listdir(tmp_path)) == ["session.yaml", "stems"]
    assert os.listdir(stems) == []
    assert read_session(path)[0].audio_folder == "stems"


def refused(folder: Path, path: Path) -> str:
    with pytest.raises(SessionError) as caught:
        write_started_session(folder, path, "new")
    return str(caught.value)


@pytest.mark.parametrize("links", [True, False])
def test_never_writes_over_a_file(tmp_path, monkeypatch, links):
    """An existing file stays as it is, with or without hard links, and is named."""
    if not links:
        monkeypatch.setattr(os, "link", _no_links)
    stems = tmp_path / "stems"
    stems.mkdir()
    path = tmp_path / "session.yaml"
    path.write_text("mine")
    assert refused(stems, path) == (
        f"{path}: this file exists already, and is never written over. "
        "Give another place with --out, or move the old file away."
    )
    assert path.read_text() == "mine"
    assert sorted(os.listdir(tmp_path)) == ["session.yaml", "stems"]


def _no_links(*_args: object) -> None:
    raise OSError(errno.EPERM, "Operation not permitted")


def test_writes_on_disks_without_hard_links(tmp_path, monkeypatch):
    """Where the disk knows no hard links the file is still written whole."""
    monkeypatch.setattr(os, "link", _no_links)
    stems = tmp_path / "stems"
    stems.mkdir()
    write_started_session(stems, tmp_path / "s.yaml", "a: 1\n")
    assert (tmp_path / "s.yaml").read_text() == "a: 1\n"
    assert sorted(os.listdir(tmp_path)) == ["s.yaml", "stems"]


def test_never_writes_among_the_stems(tmp_path):
    """A place in the stems' folder, or below it, is refused."""
    stems = tmp_path / "stems"
    (stems / "below").mkdir(parents=True)
    for path in (stems / "s.yaml", stems / "below" / "s.yaml"):
        assert refused(stems, path) == (
            f"{path}: this lies in the folder of the stems ({stems}), where nothing is ever "
            "written. Choose a place outside it."
        )
    assert os.listdir(stems) == ["below"]


def test_a_place_that_cannot_be_written_is_told(tmp_path, monkeypatch):
    """A missing folder and a full disk are told in words; no piece of a file is left."""
    stems = tmp_path / "stems"
    stems.mkdir()
    path = tmp_path / "no" / "s.yaml"
    assert refused(stems, path) == f"{path}: there is no folder {path.parent}. Make it first."

    def full(_number: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    path = tmp_path / "s.yaml"
    assert refused(stems, path) == (
        f"{path}: the file cannot be written (No space left on device). Choose another place with "
        "--out."
    )
    assert os.listdir(tmp_path) == ["stems"]


SCALE = Path(__file__).resolve().parents[2] / "configs" / "just_in_c.scl"


def test_a_scale_file_is_read_beside_the_session(tmp_path):
    """A temperament from a scale file becomes a table on its root, and says its name."""
    (tmp_path / "own.scl").write_bytes(SCALE.read_bytes())
    path = tmp_path / "s.yaml"
    path.write_text(SMALLEST + "temperament: {file: own.scl, root: D}\n")
    session, _ = read_session(path)
    assert session.temperament_said == "own.scl on D"
    d, f_sharp = session.temperament_table[2], session.temperament_table[6]
    assert f_sharp - d + 400 == pytest.approx(386.314, abs=5e-4)  # 5/4


def test_a_scale_file_that_is_not_there(tmp_path):
    """A missing scale file is told with the session's line."""
    path = tmp_path / "s.yaml"
    path.write_text(SMALLEST + "temperament: {file: own.scl}\n")
    with pytest.raises(SessionError) as caught:
        read_session(path)
    assert str(caught.value).startswith(f"{path}:9: temperament.file: the scale file 'own.scl'")
    assert "cannot be read" in str(caught.value)


def test_an_old_scale_file_is_read_as_latin_1(tmp_path):
    """A remark in an old encoding does not stop a scale file."""
    (tmp_path / "own.scl").write_bytes(b"! Temp\xe9rament\n" + SCALE.read_bytes())
    path = tmp_path / "s.yaml"
    path.write_text(SMALLEST + "temperament: {file: own.scl}\n")
    assert read_session(path)[0].temperament_table[9] == 0.0


def chord_file(path: Path, chords: list[tuple[float, tuple[int, ...]]], bpm: float = 60.0) -> None:
    """A score with a track of chords, one second each, and one of a melody."""
    import pretty_midi

    score = pretty_midi.PrettyMIDI(initial_tempo=bpm)
    for name, notes in (("Chords", chords), ("Tune", [(0.5, (72,))])):
        track = pretty_midi.Instrument(program=0, name=name)
        track.notes += [
            pretty_midi.Note(velocity=80, pitch=midi, start=at_s, end=at_s + 1.0)
            for at_s, sounds in notes
            for midi in sounds
        ]
        score.instruments.append(track)
    score.write(str(path))


def with_chords(folder: Path, chords: str) -> Path:
    path = folder / "session.yaml"
    path.write_text(
        "version: 1\nsong: A\npitch_reference: {from: P}\ntempo_map: [{bar: 1, bpm: 90}]\n"
        f"chords: {chords}\nstems: [{{code: P, file: p.wav, role: tuning-reference}}]\n"
    )
    return path


def test_chords_are_read_off_a_score_by_its_own_bars(tmp_path):
    """At 60 quarters a minute Am at 6 s is bar 2 beat 3, whatever the session's own tempo is."""
    chord_file(tmp_path / "c.mid", [(0.0, (48, 64, 67)), (6.0, (45, 60, 64))])
    session, _ = read_session(with_chords(tmp_path, "{file: c.mid, track: chords}"))
    assert [(m.bar, m.beat, m.symbol.text) for m in session.chords] == [
        (1, 1.0, "C"), (2, 3.0, "Am"),
    ]  # fmt: skip


def test_a_score_of_chords_that_cannot_be_read_is_told(tmp_path):
    """Not there, no such track, nothing that makes a chord: the session's line is named."""
    path = with_chords(tmp_path, "{file: c.mid, track: Chords}")

    def said() -> str:
        with pytest.raises(PlannerError) as caught:
            read_session(path)
        return str(caught.value)

    assert said().startswith(f"{path}:5: chords.file: ")
    chord_file(tmp_path / "c.mid", [(0.0, (48, 64, 67))])
    path = with_chords(tmp_path, "{file: c.mid}")
    assert "has notes in 2 tracks. Say which with track: 'Chords', 'Tune'." in said()
    path = with_chords(tmp_path, "{file: c.mid, track: Tune}")
    assert "has no two notes at once that make a chord. Name the track of chords" in said()
