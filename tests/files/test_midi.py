"""MIDI files: foreign ones read leniently or refused in words, ours written whole or not at all."""

import struct
from pathlib import Path
from typing import Any

import mido
import pytest

from planner.errors import PromiseError, ScoreError
from planner.files import midi as midi_files
from planner.files.midi import midi_bytes, read_back_guide, read_score, read_tempo_file


def chunk(name: bytes, data: bytes) -> bytes:
    """A chunk of a MIDI file."""
    return name + struct.pack(">L", len(data)) + data


def smf(*tracks: bytes, kind: int = 1, division: int = 480) -> bytes:
    """A Standard MIDI File of these track bodies (end of track is added)."""
    head = chunk(b"MThd", struct.pack(">HHH", kind, len(tracks), division))
    return head + b"".join(chunk(b"MTrk", track + b"\x00\xff\x2f\x00") for track in tracks)


def name(text: bytes) -> bytes:
    """A track name at tick 0."""
    return b"\x00\xff\x03" + bytes([len(text)]) + text


# Bytes of Standard MIDI File 1.0: 120 to the minute, 6/8, F sharp minor, and a quarter of middle C.
TEMPO_120 = bytes.fromhex("00 FF5103 07A120")
METER_68 = bytes.fromhex("00 FF5804 06032408")
KEY_FSHARP_MINOR = bytes.fromhex("00 FF5902 0301")
MIDDLE_C = bytes.fromhex("00 903C40 8360 803C40")  # 480 ticks are 83 60


@pytest.fixture
def score(tmp_path: Path) -> Any:
    """Write bytes as a file and give its path."""

    def write(data: bytes) -> Path:
        path = tmp_path / "score.mid"
        path.write_bytes(data)
        return path

    return write


def test_tempo_meter_and_key_from_any_track(score: Any) -> None:
    """Events are taken from all tracks, and 480 ticks to the quarter become 960."""
    later = bytes.fromhex("8740 FF5103 0F4240")  # after 960 ticks: 60 to the minute
    path = score(smf(TEMPO_120 + METER_68, MIDDLE_C, KEY_FSHARP_MINOR + later))
    tempo_map = read_tempo_file(path)
    assert tempo_map.tempos == ((0, 500_000), (1920, 1_000_000))
    assert tempo_map.meters == ((0, 6, 8),)
    assert tempo_map.keys == ((0, "F#m"),)
    assert tempo_map.seconds_of_tick(2880) == 2.0
    assert read_tempo_file(path, bar_one_at_s=1.0).start_s == -0.5


def test_tempo_file_without_events(score: Any) -> None:
    """A file that says nothing runs at 120 in 4/4, as the standard has it."""
    tempo_map = read_tempo_file(score(smf(MIDDLE_C, kind=0)))
    assert (tempo_map.tempos, tempo_map.meters) == (((0, 500_000),), ((0, 4, 4),))


def test_lenient_reading(score: Any) -> None:
    """A data byte out of range and a Latin-1 name do not keep a file from being read."""
    loud = bytes.fromhex("00 903CFF 8360 803C40")
    path = score(smf(TEMPO_120, name("Café".encode("latin-1")) + loud))
    assert read_tempo_file(path).tempos == ((0, 500_000),)
    assert read_score(path, "Café") == [(0.0, 0.5, 60)]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"RIFF....RMID", "is no Standard MIDI File. Export it again as .mid."),
        (b"", "is no Standard MIDI File"),
        (smf(TEMPO_120)[:-9], "is broken or cut short"),
        (smf(TEMPO_120, division=0xE728), "counts time in frames (SMPTE), not in beats"),
        (smf(TEMPO_120, kind=2), "is of type 2 with 1 tracks and 480 ticks"),
        (smf(TEMPO_120, division=0), "and 0 ticks to the quarter"),
        (smf(), "is of type 1 with 0 tracks"),
        (smf(bytes.fromhex("00 FF5902 0901")), "states a key with more than seven sharps or flats"),
        (smf(bytes.fromhex("00 FF5103 000000")), "0 microseconds to the quarter is no tempo"),
        (smf(bytes.fromhex("00 FF5804 04091808")), "4/512 is no meter"),
    ],
)
def test_files_that_hold_no_tempo_map(score: Any, data: bytes, text: str) -> None:
    """A file that cannot serve is refused with its name and what to do, never with a traceback."""
    with pytest.raises(ScoreError) as caught:
        read_tempo_file(score(data))
    assert str(caught.value).startswith("score.mid: ")
    assert text in str(caught.value)
    assert "xport" in str(caught.value)


def test_every_cut_is_told_in_words(score: Any) -> None:
    """A file cut short after any byte is refused in words."""
    whole = smf(name(b"Cello") + TEMPO_120 + METER_68 + KEY_FSHARP_MINOR, name(b"LV") + MIDDLE_C)
    for length in range(len(whole)):
        with pytest.raises(ScoreError, match=r"^score\.mid: (is|its|has) "):
            read_score(score(whole[:length]), "LV")
    assert read_score(score(whole), "LV") == [(0.0, 0.5, 60)]


def test_no_file(tmp_path: Path) -> None:
    """A missing file, and a folder in its place, are named."""
    with pytest.raises(
        ScoreError, match=r"cello\.mid: there is no such MIDI file\. Check the name"
    ):
        read_tempo_file(tmp_path / "cello.mid")
    with pytest.raises(ScoreError, match="the MIDI file cannot be opened"):
        read_score(tmp_path, None)


def test_score_in_seconds(score: Any) -> None:
    """Notes come in seconds by the score's tempo, even where that stands in another track."""
    slow = bytes.fromhex("00 FF5103 0F4240")
    assert read_score(score(smf(name(b"Cello") + MIDDLE_C, slow)), None) == [(0.0, 1.0, 60)]


def test_score_track_by_name(score: Any) -> None:
    """A track is found by its name, else by its letters; a wrong name gets the nearest one."""
    high = bytes.fromhex("00 904840 8360 804840")
    path = score(smf(TEMPO_120, name(b"Cello") + MIDDLE_C, name("主唱 – Café".encode()) + high))
    assert read_score(path, "Cello") == [(0.0, 0.5, 60)]
    assert read_score(path, "cello ") == [(0.0, 0.5, 60)]
    assert read_score(path, "主唱 – Café") == [(0.0, 0.5, 72)]
    with pytest.raises(
        ScoreError, match=r"no notes in a track named 'Celo'. Did you mean 'Cello'\?"
    ):
        read_score(path, "Celo")
    with pytest.raises(ScoreError, match=r"has notes in 2 tracks\. Say which with track: 'Cello'"):
        read_score(path, None)


def test_drums_are_no_notes(score: Any) -> None:
    """Channel 10 is drums (General MIDI level 1): never a part to be judged by."""
    drum = bytes.fromhex("00 992340 8360 892340")
    path = score(smf(TEMPO_120, name(b"Cello") + MIDDLE_C, name(b"Kit") + drum))
    assert read_score(path, None) == [(0.0, 0.5, 60)]
    with pytest.raises(ScoreError, match=r"no notes in a track named 'Kit'\. Tracks .*: 'Cello'"):
        read_score(path, "Kit")
    with pytest.raises(ScoreError, match=r"has nothing but drums in it\. Name another score"):
        read_score(score(smf(TEMPO_120, name(b"Kit") + drum)), None)


def test_a_track_of_several_channels_is_one(score: Any) -> None:
    """A part that changes channel within its track is still the only track."""
    other = bytes.fromhex("00 914840 8360 914800")
    path = score(smf(TEMPO_120, name(b"Cello") + MIDDLE_C + other))
    assert read_score(path, None) == [(0.0, 0.5, 60), (0.5, 1.0, 72)]


def test_score_without_notes(score: Any) -> None:
    """A score without notes says so."""
    with pytest.raises(ScoreError, match="has no notes in it"):
        read_score(score(smf(TEMPO_120)), None)


def test_score_of_days(score: Any) -> None:
    """A note at a tick that only a broken file has is refused, not read into all of the memory."""
    with pytest.raises(ScoreError, match="its notes cannot be made out"):
        read_score(score(smf(bytes.fromhex("FFFFFF7F 903C40 8360 803C40"))), None)


def guide(track_name: str = "LV all") -> mido.MidiFile:
    """A file of one note."""
    track = mido.MidiTrack(
        [
            mido.MetaMessage("track_name", name=track_name),
            mido.Message("note_on", note=60, velocity=80, time=960),
            mido.Message("note_off", note=60, velocity=64, time=960),
        ]
    )
    return mido.MidiFile(type=1, ticks_per_beat=960, tracks=[mido.MidiTrack(), track])


def test_write_and_read_back(tmp_path: Path) -> None:
    """What is written reads back by two readers, names in any script."""
    path = tmp_path / "guide.mid"
    path.write_bytes(midi_bytes(guide("主唱 – Café")))
    assert read_back_guide(path) == {"主唱 – Café": (0.5,)}


def test_readers_that_disagree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If two readers place a note differently, the promise is broken and said to be."""
    path = tmp_path / "guide.mid"
    path.write_bytes(midi_bytes(guide()))
    ours = midi_files._pretty

    def late(midi: Any, file: str) -> Any:
        read = ours(midi, file)
        read.instruments[0].notes[0].start += 0.002
        return read

    monkeypatch.setattr(midi_files, "_pretty", late)
    with pytest.raises(PromiseError, match=r"two readers of the guide .* disagree") as caught:
        read_back_guide(path)
    assert caught.value.exit_code == 3
