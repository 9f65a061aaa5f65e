"""Excerpts are read where the notes lie, from files that stay as they are."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invented_plan import FACTS, judged, plan, row

from planner.edges.writing import read_excerpts
from planner.errors import AudioError
from planner.files.audio import sha256_of
from planner.words.plan_model import Plan


def invented() -> Plan:
    """One offender whose note sounds from 2.0 to 3.4 s."""
    return plan(
        judged=(judged(start_s=2.0),), rows=(row(),), facts=(("LV", replace(FACTS, frames=240000)),)
    )


@pytest.fixture
def stem(tmp_path: Path) -> Path:
    """5 s at 48 kHz: 200 Hz, but 300 Hz while the note sounds."""
    at_s = np.arange(240000) / 48000
    hz = np.where((at_s >= 2.0) & (at_s < 3.4), 300.0, 200.0)
    path = tmp_path / "lead.wav"
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * hz * at_s), 48000, subtype="PCM_24")
    return path


def test_the_note_is_where_it_should_be(stem: Path) -> None:
    """The excerpt runs from 1 s before the note to half a second after it."""
    (one,) = read_excerpts(invented(), {"LV": stem})
    samples, rate = soundfile.read(io.BytesIO(one.wav))
    assert len(samples) / rate == pytest.approx(1.0 + 1.4 + 0.5, abs=0.001)

    def loudest_hz(from_s: float, to_s: float) -> float:
        piece = samples[round(from_s * rate) : round(to_s * rate)]
        spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), 1 << 18))
        return float(np.argmax(spectrum) * rate / (1 << 18))

    assert loudest_hz(0.0, 0.98) == pytest.approx(200.0, abs=1.0)
    assert loudest_hz(1.02, 2.38) == pytest.approx(300.0, abs=1.0)
    assert loudest_hz(2.42, 2.9) == pytest.approx(200.0, abs=1.0)


def test_the_file_stays_as_it_is(stem: Path) -> None:
    """A file that may only be read is enough, and nothing appears beside it."""
    before = sha256_of(stem)
    stem.chmod(0o444)
    read_excerpts(invented(), {"LV": stem})
    assert sha256_of(stem) == before
    assert list(stem.parent.iterdir()) == [stem]


def test_same_file_same_bytes(stem: Path) -> None:
    """Read twice, an excerpt is the same to the byte."""
    assert read_excerpts(invented(), {"LV": stem}) == read_excerpts(invented(), {"LV": stem})


def test_no_more_is_read_than_the_page_holds(stem: Path) -> None:
    """What would not fit is not read: a missing file is not even looked for."""
    small = replace(invented(), session=replace(invented().session, page_size_mb=0.01))
    assert read_excerpts(small, {"LV": stem.with_name("gone.wav")}) == ()


def test_a_file_that_is_gone_is_told(stem: Path) -> None:
    """A stem that vanished during the run stops it with its name."""
    with pytest.raises(AudioError, match=r"gone\.wav"):
        read_excerpts(invented(), {"LV": stem.with_name("gone.wav")})


def test_the_rough_mix_is_cut_at_the_same_place(stem: Path, tmp_path: Path) -> None:
    """The same seconds of the mix, as loud over the note; where it ends before, nothing."""
    at_s = np.arange(5 * 44100) / 44100
    hz = np.where((at_s >= 2.0) & (at_s < 3.4), 500.0, 350.0)
    two = np.stack([0.02 * np.sin(2 * np.pi * hz * at_s)] * 2, axis=1)
    mix = tmp_path / "mix" / "rough.wav"
    mix.parent.mkdir()
    soundfile.write(mix, two, 44100, subtype="PCM_24")
    (one,) = read_excerpts(invented(), {"LV": stem}, mix)
    samples, rate = soundfile.read(io.BytesIO(one.mix))
    own, _ = soundfile.read(io.BytesIO(one.wav))
    assert len(samples) == pytest.approx(len(own), abs=2)
    note = slice(round(1.1 * rate), round(2.3 * rate))
    spectrum = np.abs(np.fft.rfft(samples[note] * np.hanning(note.stop - note.start), 1 << 18))
    assert float(np.argmax(spectrum)) * rate / (1 << 18) == pytest.approx(500.0, abs=1.0)
    loud = [float(np.sqrt(np.mean(x[note] ** 2))) for x in (samples, own)]
    assert loud[0] == pytest.approx(loud[1], rel=0.02)
    assert one.span.page_bytes == pytest.approx(2 * 4 / 3 * len(one.wav), rel=0.01)
    soundfile.write(mix, two[: 44100 // 2], 44100, subtype="PCM_24")
    (short,) = read_excerpts(invented(), {"LV": stem}, mix)
    assert short.mix == b""
    assert read_excerpts(invented(), {"LV": stem})[0].mix == b""
