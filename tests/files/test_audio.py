"""Reading stems: facts, alignment, odd files, names; and that nothing is ever opened to write."""

import contextlib
import errno
import hashlib
import os
import struct
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from planner.errors import AudioError, PromiseError
from planner.files.audio import check_unchanged, read_excerpt, read_stem_audio, sha256_of
from planner.files.audio_opening import find_audio_file
from planner.files.audio_sums import FlatTops


def tone(sr: int, hz: float = 220.0, seconds: float = 0.5, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(round(sr * seconds)) / sr)


def write(
    path: Path, samples: np.ndarray, sr: int = 48000, subtype: str = "PCM_24", **more
) -> Path:
    soundfile.write(path, samples, sr, subtype=subtype, **more)
    return path


def read(path: Path, **more):
    return read_stem_audio(path, file=path.name, **more)


def error_of(path: Path) -> str:
    with pytest.raises(AudioError) as caught:
        read(path)
    assert caught.value.file == path.name
    assert caught.value.hint
    return str(caught.value)


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def rf64(audio: bytes, fmt: bytes, frames: int, *before: bytes) -> bytes:
    """EBU Tech 3306: ds64 first, the 32-bit sizes all ones."""
    ds64 = struct.pack("<QQQI", 0, len(audio), frames, 0)
    head = b"RF64" + b"\xff" * 4 + b"WAVE" + chunk(b"ds64", ds64) + chunk(b"fmt ", fmt)
    return head + b"".join(before) + b"data" + b"\xff" * 4 + audio


# ---------------------------------------------------------------- length


@pytest.mark.parametrize("channels", [1, 2])
def test_a_long_file_is_decoded_twice_to_the_same(
    channels: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is too long to be kept reads as what is kept."""
    samples = np.stack([tone(48000, hz, 3.0) for hz in (220.0, 330.0)[:channels]], axis=1)
    path = write(tmp_path / "a.wav", samples)
    kept = read(path)
    monkeypatch.setattr("planner.files.audio._KEPT", 0)
    facts, again, findings = read(path)
    assert (facts, findings) == (kept[0], kept[2])
    assert np.array_equal(again, kept[1])


# ---------------------------------------------------------------- formats

FORMATS = [
    ("WAV", "PCM_16", "WAV"), ("WAV", "PCM_24", "WAV"), ("WAV", "PCM_32", "WAV"),
    ("WAV", "FLOAT", "WAV"), ("WAV", "DOUBLE", "WAV"), ("WAVEX", "PCM_24", "WAV"),
    ("RF64", "PCM_24", "RF64"), ("AIFF", "PCM_24", "AIFF"), ("FLAC", "PCM_24", "FLAC"),
]  # fmt: skip


@pytest.mark.parametrize("sr", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize(("kind", "subtype", "container"), FORMATS)
def test_round_trip(kind: str, subtype: str, container: str, sr: int, tmp_path: Path) -> None:
    """Every format at every rate comes back as soundfile wrote it, as a tone at 16 kHz."""
    path = write(tmp_path / "tone.bin", tone(sr), sr, subtype, format=kind)
    facts, samples, findings = read(path)
    assert (facts.container, facts.subtype, facts.sr) == (container, subtype, sr)
    assert (facts.channels, facts.frames, facts.stereo) == (1, sr // 2, "mono")
    assert findings == ()
    assert facts.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert facts.peak_dbfs == pytest.approx(-6.02, abs=0.01)  # half of full scale
    assert samples.dtype == np.float32
    assert not samples.flags.writeable
    assert abs(len(samples) - 8000) <= 1
    # Away from both ends, where the tone begins and stops, it is the tone at the new rate.
    assert np.abs(samples[400:7600] - tone(16000)[400:7600]).max() < 1e-3
    whole = soundfile.read(path, dtype="float32")[0]
    assert np.array_equal(read_excerpt(path, 100, 150)[:, 0], whole[100:150])
    assert len(read_excerpt(path, -10, 5)) == 5
    assert len(read_excerpt(path, sr // 2 - 3, sr)) == 3
    assert len(read_excerpt(path, sr, 2 * sr)) == 0


@pytest.mark.parametrize("sr", [44100, 48000, 96000, 192000])
def test_clicks_at_both_ends(sr: int, tmp_path: Path) -> None:
    """A click near the start and one near the end of 20 s stay where they were, within 1/20 ms."""
    clicks = np.zeros(20 * sr)
    places = [round(0.01 * sr), round(19.99 * sr)]
    clicks[places] = 0.9
    _, samples, _ = read(write(tmp_path / "click.wav", clicks, sr))
    assert abs(len(samples) - 20 * 16000) <= 1
    for place in places:
        near = round(place / sr * 16000)
        part = samples[near - 100 : near + 101].astype(float) ** 2
        centre = near + (part * np.arange(-100, 101)).sum() / part.sum()
        assert centre / 16000 == pytest.approx(place / sr, abs=5e-5)


def test_same_rate_is_untouched(tmp_path: Path) -> None:
    """A file at the analysis rate passes through sample by sample."""
    path = write(tmp_path / "a.wav", tone(16000), 16000, "FLOAT")
    assert np.array_equal(read(path)[1], soundfile.read(path, dtype="float32")[0])


@pytest.mark.parametrize(("tag", "subtype", "dtype"), [(1, "PCM_16", "<i2"), (3, "FLOAT", "<f4")])
def test_rf64_with_odd_chunk(tag: int, subtype: str, dtype: str, tmp_path: Path) -> None:
    """RF64 with an odd iXML before the audio is read though the decoder refuses it."""
    wave = tone(48000)
    audio = (wave * (32768 if tag == 1 else 1)).astype(dtype).tobytes()
    width = np.dtype(dtype).itemsize
    fmt = struct.pack("<HHIIHH", tag, 1, 48000, 48000 * width, width, 8 * width)
    path = tmp_path / "long.wav"
    path.write_bytes(
        rf64(audio, fmt, len(wave), chunk(b"iXML", b"<BWFXML/>")) + chunk(b"x   ", b"")
    )
    with pytest.raises(soundfile.LibsndfileError):  # else this test would show nothing
        soundfile.SoundFile(path)
    facts, samples, findings = read(path)
    assert (facts.container, facts.subtype, facts.frames) == ("RF64", subtype, 24000)
    assert findings == ()
    assert np.abs(samples[400:7600] - tone(16000)[400:7600]).max() < 1e-3
    assert np.abs(read_excerpt(path, 10, 20)[:, 0] - wave[10:20]).max() < 1e-4


def test_time_reference(tmp_path: Path) -> None:
    """The bext time stamp (EBU Tech 3285) arrives in the facts."""
    path = write(tmp_path / "a.wav", tone(48000))
    body = bytearray(602)
    struct.pack_into("<Q", body, 338, 172_800_000)
    with open(path, "ab") as stream:
        stream.write(chunk(b"bext", bytes(body)))
    assert read(path)[0].time_reference_smp == 172_800_000


# ---------------------------------------------------------------- facts


@pytest.mark.parametrize(
    ("left", "right", "stereo", "measured"),
    [
        (1, 0, "left-only", "left"),
        (0, 1, "right-only", "right"),
        (1, 1, "dual-mono", "left"),
        (1, -1, "opposite-polarity", "left"),
        (1, 0.5, "stereo", "mid"),
    ],
)
def test_stereo(left: float, right: float, stereo: str, measured: str, tmp_path: Path) -> None:
    """The stereo situation is told, and the side that carries the music is measured."""
    wave = tone(16000)
    path = write(tmp_path / "s.wav", np.stack([left * wave, right * wave], axis=1), 16000, "FLOAT")
    facts, samples, _ = read(path)
    assert (facts.stereo, facts.measured_side) == (stereo, measured)
    expected = {"left": left, "right": right, "mid": (left + right) / 2}[measured] * wave
    assert np.abs(samples - expected).max() < 1e-6


def test_side_asked_for(tmp_path: Path) -> None:
    """A side named in the session file is the one measured."""
    wave = tone(16000)
    path = write(tmp_path / "s.wav", np.stack([wave, 0.2 * wave], axis=1), 16000, "FLOAT")
    facts, samples, _ = read(path, side="right")
    assert facts.measured_side == "right"
    assert np.abs(samples - 0.2 * wave).max() < 1e-6


def test_levels(tmp_path: Path) -> None:
    """Over full scale and a constant part are told in dB: 1.6 is +4.08 dB, 0.03 is -30.5 dB."""
    wave = 1.6 * np.sin(2 * np.pi * np.arange(4800) / 48)
    facts, _, _ = read(write(tmp_path / "hot.wav", wave, 48000, "FLOAT"))
    assert facts.peak_dbfs == pytest.approx(4.08, abs=0.01)
    facts, _, _ = read(write(tmp_path / "dc.wav", tone(48000) + 0.03))
    assert facts.dc_db == pytest.approx(-30.46, abs=0.01)
    facts, _, _ = read(write(tmp_path / "no.wav", np.zeros(4800)))
    assert facts.peak_dbfs == float("-inf")
    assert facts.flat_tops == 0


@pytest.mark.parametrize("sr", [16000, 48000])
@pytest.mark.parametrize("sides", [(0.03,), (0.03, -0.02), (0.0, 0.03)])
@pytest.mark.parametrize("level", [1.0, 0.01])
def test_a_constant_offset_is_not_measured(
    tmp_path: Path, sr: int, sides: tuple[float, ...], level: float
) -> None:
    """It would pass for what repeats, in a quiet file as well; of stereo it is that of the sides
    measured together.
    """
    channels = level * np.stack([tone(sr, seconds=1.0) + offset for offset in sides], axis=1)
    plain = write(tmp_path / "plain.wav", level * tone(sr, seconds=1.0), sr, "FLOAT")
    path = write(tmp_path / "offset.wav", channels, sr, "FLOAT")
    inside = slice(800, -800)  # soxr rings where a constant begins
    assert read(path)[1][inside] == pytest.approx(read(plain)[1][inside], abs=1e-5)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_flat_tops(subtype: str, tmp_path: Path) -> None:
    """Each cut-off top counts once; slow smooth tops, whose samples round alike, do not."""
    clipped = np.clip(tone(48000, 100, 1.0, 1.5), -0.8, 0.8)
    assert read(write(tmp_path / "c.wav", clipped, 48000, subtype))[0].flat_tops == 200
    slow = tone(48000, 25, 1.0, 0.9)
    assert read(write(tmp_path / "s.wav", slow, 48000, subtype))[0].flat_tops == 0


@pytest.mark.parametrize("size", [1, 2, 3, 7, 100])
def test_flat_tops_across_blocks(size: int) -> None:
    """A run that two blocks share counts once."""
    wave = np.clip(tone(48000, 1000, 0.02, 1.5), -0.8, 0.8).astype(np.float32)
    tops = FlatTops(float(np.abs(wave).max()), 2.0**-23)
    for start in range(0, len(wave), size):
        tops.add(wave[start : start + size])
    assert tops.finish() == 40


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_bad_samples(bad: float, tmp_path: Path) -> None:
    """Bad samples are measured as 0, and the clock time of the first is told."""
    wave = tone(16000, seconds=6.0)
    wave[[80000, 80010]] = bad
    path = write(tmp_path / "bad.wav", wave, 16000, "FLOAT")
    facts, samples, (finding,) = read(path)
    assert "bad samples (not a number or infinite) at 5.0 s, 2 in all" in finding.what
    assert finding.at_s == 5.0
    assert np.isfinite(facts.peak_dbfs)
    assert samples[80000] == samples[80010] == 0
    assert samples[80001] == np.float32(wave[80001])
    assert read_excerpt(path, 80000, 80001)[0, 0] == 0


# ---------------------------------------------------------------- odd files


@pytest.mark.parametrize(
    ("size", "words"),
    [(0, "the header says the audio is 0 bytes long"), (999_999, "promises 999999 bytes")],
)
def test_wrong_length_in_header(size: int, words: str, tmp_path: Path) -> None:
    """A wrong length in the header is told, and everything that is there is read."""
    path = write(tmp_path / "a.wav", tone(48000))
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, content.index(b"data") + 4, size)
    path.write_bytes(content)
    facts, samples, (finding,) = read(path)
    assert words in finding.what
    assert finding.did == "Read to the end of the file: 0.5 s."
    assert (facts.frames, len(samples)) == (24000, 8000)


class Promising:
    """A decoder whose header promises more samples than there are, as some MP3 files' do."""

    def __init__(self, sound: soundfile.SoundFile, frames: int) -> None:
        self.sound, self.frames = sound, frames

    def __getattr__(self, name: str) -> Any:
        return getattr(self.sound, name)


def test_samples_that_the_header_promises_and_are_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is there is read, nothing is made up behind it, and it is told."""
    path = tmp_path / "short.wav"
    x = (0.3 * np.sin(0.05 * np.arange(20_000))).astype(np.float32)
    soundfile.write(path, x, 16_000, subtype="FLOAT")

    @contextlib.contextmanager
    def opened(path: Path, file: str) -> Iterator[tuple[Any, None]]:
        with soundfile.SoundFile(path) as sound:
            yield Promising(sound, 30_000), None

    monkeypatch.setattr("planner.files.audio.opened_audio", opened)
    facts, samples, findings = read_stem_audio(path, file="short.wav")
    assert (facts.frames, len(samples)) == (20_000, 20_000)
    assert np.array_equal(samples, x)
    (finding,) = findings
    assert finding.what == "the header promises 30000 samples, 20000 are there."
    assert (finding.file, finding.at_s) == ("short.wav", 1.25)


def test_a_file_that_changed_is_told(tmp_path: Path) -> None:
    """The promise that inputs stay as they are names the file, what was done and what to do."""
    path = tmp_path / "stem.wav"
    path.write_bytes(b"as it was")
    sums = {path: sha256_of(path)}
    check_unchanged(sums, during="it was checked", again="check again")
    path.write_bytes(b"another")
    words = r"stem\.wav: the file changed while it was checked.*see what does, then check again"
    with pytest.raises(PromiseError, match=words) as told:
        check_unchanged(sums, during="it was checked", again="check again")
    assert told.value.exit_code == 3


def test_damaged_flac(tmp_path: Path) -> None:
    """A FLAC with a hole is told with the time up to which it decoded, by each reader."""
    noise = 0.1 * np.random.default_rng(1).standard_normal(4 * 48000)
    path = write(tmp_path / "a.flac", noise)
    path.write_bytes(path.read_bytes()[:-50])
    # Blocks of 16384 samples at 48 kHz: eleven whole ones are 3.8 s.
    assert "decoding fails after 3.8 s: the file is damaged or cut off" in error_of(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(AudioError, match=r"decoding fails after 3\.8 s"):
        read_excerpt(path, 180_000, 190_000)


def test_truncated_aiff(tmp_path: Path) -> None:
    """A cut-off AIFF is told, and read to its end."""
    path = write(tmp_path / "a.aiff", tone(48000))
    path.write_bytes(path.read_bytes()[:36_000])
    facts, _, (finding,) = read(path)
    assert facts.frames < 12_000
    # FORM 12, COMM 26, SSND 16 bytes (EA IFF 85 / AIFF 1.3), then 24000 samples of 3 bytes.
    assert finding.what == "the header promises 72054 bytes, the file has 36000."


def test_mpeg_named_wav(tmp_path: Path) -> None:
    """MPEG audio under the name of a WAV file is decoded, and the late start is told."""
    path = write(tmp_path / "a.wav", tone(44100), 44100, "MPEG_LAYER_III", format="MP3")
    facts, _, (finding,) = read(path)
    assert facts.container == "MPEG"
    assert finding.what == "the contents are MPEG audio, named .wav."
    assert "late" in finding.did
    assert finding.advice == "Ask for the original recording."


def test_mpeg_that_does_not_decode(tmp_path: Path) -> None:
    """Broken MPEG audio is recognised by its tag."""
    path = tmp_path / "a.wav"
    path.write_bytes(struct.pack("<4sI4s", b"RIFF", 90, b"WAVE"))
    fmt = struct.pack("<HHIIHHH", 0x50, 1, 48000, 16000, 1, 0, 0)
    with open(path, "ab") as stream:
        stream.write(chunk(b"fmt ", fmt) + chunk(b"data", bytes(40)))
    assert "the contents are MPEG audio and cannot be decoded" in error_of(path)


def test_unreadable_sample_format(tmp_path: Path) -> None:
    """A WAV whose sample format no decoder knows is told with its tag."""
    path = tmp_path / "a.wav"
    fmt = struct.pack("<HHIIHH", 0x7777, 1, 48000, 96000, 2, 16)
    body = b"WAVE" + chunk(b"fmt ", fmt) + chunk(b"data", bytes(40))
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    assert "sample format (tag 0x7777, 16 bit)" in error_of(path)


def test_not_usable(tmp_path: Path) -> None:
    """Empty, silent of length, foreign, many-channelled, missing: each is told in its own words."""
    empty = tmp_path / "empty.wav"
    empty.write_bytes(b"")
    assert "the file is empty (0 bytes)" in error_of(empty)
    assert "length is 0 samples" in error_of(write(tmp_path / "none.wav", np.zeros(0)))
    text = tmp_path / "notes.wav"
    text.write_text("lyrics, second verse, not audio at all")
    assert "this is not audio that can be read" in error_of(text)
    six = write(tmp_path / "six.wav", np.zeros((100, 6)))
    assert "the file has 6 channels" in error_of(six)
    assert "Split it into mono files" in error_of(six)
    (tmp_path / "stems").mkdir()
    assert "this is a folder" in error_of(tmp_path / "stems")
    assert "Nearest names there: empty.wav" in error_of(tmp_path / "emty.wav")
    assert "Nothing there has a similar name (4 files)" in error_of(tmp_path / "Q")
    assert "there is no folder" in error_of(tmp_path / "gone" / "a.wav")


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that may not be read says so."""
    path = write(tmp_path / "a.wav", tone(48000))

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("builtins.open", refuse)
    assert "the file cannot be opened: Permission denied" in error_of(path)


def test_sha256_of(tmp_path: Path) -> None:
    """The checksum is SHA-256: the value for "abc" stands in FIPS 180-4's examples."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256_of(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("there", "asked"),
    [
        ("bass.wav", "bass.wav"),
        ("Bass DI.WAV", "bass di.wav"),
        ("bass.wav ", "bass.wav"),
        ("bass .wav", "bass.wav"),
        (unicodedata.normalize("NFD", "Flöte.wav"), unicodedata.normalize("NFC", "Flöte.wav")),
        (unicodedata.normalize("NFC", "Flöte.wav"), unicodedata.normalize("NFD", "Flöte.wav")),
        ("cello take [3].wav", "cello take [3].wav"),
        ("cello_take3.wav", "cello*.wav"),
    ],
)
def test_spellings(there: str, asked: str, tmp_path: Path) -> None:
    """A file is found under every usual misspelling of its name, in a folder, and absolutely."""
    folder = tmp_path / "Audio"
    folder.mkdir()
    path = write(folder / there, tone(48000), format="WAV")
    assert find_audio_file(folder, asked) == path
    assert find_audio_file(tmp_path, f"audio/{asked}") == path
    assert find_audio_file(tmp_path, f"audio\\{asked}") == path
    assert find_audio_file(Path("elsewhere"), str(folder / asked)) == path
    findings = read_stem_audio(path, file=asked)[2]
    assert len(findings) == (there != asked)
    for finding in findings:
        assert finding.what == (f"the session file says {asked!a}, the file is called {there!a}.")


def test_names_that_do_not_fit(tmp_path: Path) -> None:
    """A name that fits two files, or none, is told with the names that are there."""
    for name in ("bass 1.wav", "bass 2.wav"):
        (tmp_path / name).touch()
    with pytest.raises(AudioError, match=r"the name fits 2 files: 'bass 1.wav', 'bass 2.wav'"):
        find_audio_file(tmp_path, "bass*.wav")
    with pytest.raises(AudioError, match=r"Nearest names there: bass [12].wav, bass [12].wav"):
        find_audio_file(tmp_path, "bass 3.wav")
    with pytest.raises(AudioError, match="there is no folder"):
        find_audio_file(tmp_path / "gone", "bass 1.wav")
    (tmp_path / "BASS 1.wav").touch()
    assert find_audio_file(tmp_path, "bass 1.wav").name == "bass 1.wav"


# ---------------------------------------------------------------- the promise

_WATCH = """
import os, sys
from pathlib import Path
seen = []
def watch(event, args):
    if event == "open" and str(args[0]).startswith(sys.argv[1]):
        flags = args[2] or 0
        wrote = any(sign in (args[1] or "") for sign in "+wax")
        seen.append(bool(wrote or flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)))
    elif event in ("os.remove", "os.rename", "os.truncate", "os.chmod", "os.utime"):
        raise SystemExit("touched " + event)
from planner.files.audio import *
sys.addaudithook(watch)
for path in sorted(Path(sys.argv[1]).iterdir()):
    read_stem_audio(path, file=path.name)
    read_excerpt(path, 0, 10)
    sha256_of(path)
print(len(seen), sum(seen))
"""


def test_never_opened_to_write(tmp_path: Path) -> None:
    """No handle on audio is ever opened to write, and read-only files stay byte for byte."""
    for name, kind in (("a.wav", "WAV"), ("b.flac", "FLAC"), ("c.aiff", "AIFF"), ("d.wav", "RF64")):
        write(tmp_path / name, tone(48000), format=kind).chmod(0o444)
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in tmp_path.iterdir()}
    tmp_path.chmod(0o555)
    try:
        ran = subprocess.run(
            [sys.executable, "-c", _WATCH, str(tmp_path)],
            capture_output=True, text=True, check=False,
            cwd=Path(__file__).parents[2],
        )  # fmt: skip
    finally:
        tmp_path.chmod(0o755)
    assert ran.returncode == 0, ran.stderr
    opened, to_write = map(int, ran.stdout.split())
    assert opened >= 12  # each of four files by each of three functions
    assert to_write == 0
    assert before == {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in tmp_path.iterdir()}
