"""What a header alone says: form and time stamp, without a sample decoded."""

from pathlib import Path
from unittest import mock

import numpy as np
import pytest
import soundfile

from planner.errors import AudioError
from planner.files.audio_opening import file_clock, file_form


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + len(body).to_bytes(4, "little") + body + b"\0" * (len(body) % 2)


def _stamped(path: Path, at_smp: int) -> None:
    soundfile.write(path, np.zeros((480, 2)), 96000, subtype="PCM_24")
    # EBU Tech 3285: the time reference stands at byte 338 of the chunk, low word first.
    body = bytearray(602)
    body[338:346] = at_smp.to_bytes(8, "little")
    with open(path, "ab") as stream:
        stream.write(_chunk(b"bext", bytes(body)))


def test_form_and_time_stamp_come_from_the_header(tmp_path: Path) -> None:
    """Rate, channels, frames and the broadcast time stamp are known before anything is decoded."""
    path = tmp_path / "gtr.wav"
    _stamped(path, 3600 * 96000)
    with mock.patch.object(soundfile.SoundFile, "read", side_effect=AssertionError):
        assert file_form(path) == (96000, 2, 480)
        clock = file_clock(path)
    assert (clock.sr, clock.time_reference_smp) == (96000, 345_600_000)


def test_a_file_without_a_stamp_has_none(tmp_path: Path) -> None:
    """A FLAC, or a WAV without the chunk, begins nowhere: absent, not midnight."""
    for name in ("gtr.flac", "gtr.wav"):
        soundfile.write(tmp_path / name, np.zeros(100), 44100)
        assert file_clock(tmp_path / name).time_reference_smp is None


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """The message says which file was looked for."""
    with pytest.raises(AudioError, match=r"gone\.wav"):
        file_clock(tmp_path / "gone.wav")
