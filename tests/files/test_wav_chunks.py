"""Chunks of WAV files, against the published layouts and an independent reader."""

import io
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wavinfo import WavInfoReader

from planner.errors import AudioError
from planner.files.wav_chunks import walk_wav_chunks

FMT_24_48 = struct.pack("<HHIIHH", 1, 1, 48000, 144000, 3, 24)
AUDIO = bytes(range(30))


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def riff(*chunks: bytes, magic: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(body)) + body


def rf64(*before: bytes, audio: bytes = AUDIO, table: bytes = b"", magic: bytes = b"RF64") -> bytes:
    """EBU Tech 3306: ds64 first, the 32-bit sizes all ones."""
    data = b"data" + struct.pack("<I", 0xFFFFFFFF) + audio
    ds64 = struct.pack("<QQQI", 0, len(audio), len(audio) // 3, len(table) // 12) + table
    return magic + b"\xff" * 4 + b"WAVE" + chunk(b"ds64", ds64) + b"".join(before) + data


def bext(time_reference: int, history: bytes = b"") -> bytes:
    """EBU Tech 3285 v2: 602 bytes, TimeReference at 338."""
    body = bytearray(602)
    struct.pack_into("<Q", body, 338, time_reference)
    struct.pack_into("<H", body, 346, 2)
    return chunk(b"bext", bytes(body) + history)


def walk(content: bytes):
    return walk_wav_chunks(io.BytesIO(content), file="bass.wav")


# Worked from TimeReference = samples since midnight: an hour, the last sample of a day, a day.
@pytest.mark.parametrize(
    ("seconds", "sr", "smp"),
    [(3600, 48000, 172_800_000), (3600, 44100, 158_760_000), (86400, 96000, 8_294_400_000)],
)
@pytest.mark.parametrize("after", [False, True])
def test_time_reference(seconds: int, sr: int, smp: int, after: bool, tmp_path: Path) -> None:
    """The bext time reference is read as wavinfo reads it, before or after the audio."""
    assert seconds * sr == smp
    stamp, data = bext(smp), chunk(b"data", AUDIO)
    content = riff(chunk(b"fmt ", FMT_24_48), *((data, stamp) if after else (stamp, data)))
    assert walk(content).time_reference_smp == smp
    path = tmp_path / "stamped.wav"
    path.write_bytes(content)
    assert WavInfoReader(str(path)).bext.time_reference == smp


def test_bext_words() -> None:
    """A day at 96 kHz lies in the file as low word EE628000 and high word 1."""
    body = bext(8_294_400_000)[8:]
    assert body[338:346].hex() == "008062ee01000000"


def test_format_and_data_span() -> None:
    """Rate, bits and the place of the audio are read past an odd chunk and its pad byte."""
    content = riff(chunk(b"junk", b"abc"), chunk(b"fmt ", FMT_24_48), chunk(b"data", AUDIO))
    got = walk(content)
    assert (got.container, got.format_tag, got.channels, got.sr) == ("WAV", 1, 1, 48000)
    assert got.bits == 24
    assert content[got.data_start : got.data_start + got.data_bytes] == AUDIO
    assert got.data_trouble == ""
    assert got.time_reference_smp is None
    assert got.ixml_time_smp is None


def test_extensible() -> None:
    """The format inside WAVE_FORMAT_EXTENSIBLE is the first word of its GUID."""
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 2, 96000, 768000, 8, 32, 22, 32, 3)
    fmt += struct.pack("<H", 3) + bytes.fromhex("000000001000800000aa00389b71")
    got = walk(riff(chunk(b"fmt ", fmt), chunk(b"data", AUDIO)))
    assert (got.format_tag, got.channels, got.bits) == (3, 2, 32)
    assert got.data_bytes == 24  # whole frames of 8 bytes only


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_ds64(magic: bytes) -> None:
    """RF64 and BW64 take the length from ds64, behind a table of 12-byte entries and odd iXML."""
    table = struct.pack("<4sII", b"axml", 5, 0) + struct.pack("<4sII", b"levl", 7, 0)
    odd = chunk(b"iXML", b"<x>")
    content = rf64(
        odd, chunk(b"fmt ", FMT_24_48), b"axml" + b"\xff" * 4 + b"12345\0", table=table, magic=magic
    )
    got = walk(content + chunk(b"LIST", b"tail"))
    assert got.container == magic.decode()
    assert content[got.data_start :] == AUDIO
    assert got.data_bytes == 30
    assert got.data_trouble == ""


def test_ixml_time() -> None:
    """The iXML time stamp joins its high and low words."""
    xml = (
        b"<BWFXML><SPEED><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>3999432704</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
        b"</SPEED></BWFXML>"
    )
    got = walk(riff(chunk(b"fmt ", FMT_24_48), chunk(b"iXML", xml), chunk(b"data", AUDIO)))
    assert got.ixml_time_smp == 8_294_400_000


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "the header says the audio is 0 bytes long"),
        (0xFFFFFFFF, "the header leaves the length open"),
        (5000, "the header promises 5000 bytes of audio, the file has 30"),
    ],
)
def test_wrong_length(size: int, words: str) -> None:
    """A wrong length in the header is told, and the audio reaches to the end of the file."""
    got = walk(riff(chunk(b"fmt ", FMT_24_48), b"data" + struct.pack("<I", size) + AUDIO))
    assert (got.data_bytes, got.data_trouble) == (30, words)


def test_padding_ends_the_walk() -> None:
    """Zeros behind the audio are no chunks, and are not walked through."""
    stream = io.BytesIO(riff(chunk(b"fmt ", FMT_24_48), chunk(b"data", AUDIO)) + bytes(800))
    assert walk_wav_chunks(stream, file="bass.wav").data_bytes == 30
    assert stream.tell() < 100


def test_truly_empty() -> None:
    """A length of 0 is believed where another chunk follows at once."""
    got = walk(riff(chunk(b"fmt ", FMT_24_48), chunk(b"data", b""), chunk(b"LIST", b"INFO")))
    assert (got.data_bytes, got.data_trouble) == (0, "")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"not a wav", "bass.wav: this is not a WAV file"),
        (b"RIFF\0\0\0\0AVI junk", "this is not a WAV file"),
        (riff(chunk(b"data", AUDIO)), "no `fmt ` chunk"),
        (riff(chunk(b"fmt ", FMT_24_48)), "there is no `data` chunk"),
        (riff(chunk(b"fmt ", b"12")), "the `fmt ` chunk holds 2 bytes, at least 16"),
        (riff(chunk(b"fmt ", bytes(16))), "0 channels at 0 Hz, 0 bytes a frame"),
    ],
)
def test_errors(content: bytes, words: str) -> None:
    """Each fault of a header is told in words, with what to do."""
    with pytest.raises(AudioError) as caught:
        walk(content)
    assert words in str(caught.value)
    assert caught.value.hint


GOOD = [
    riff(chunk(b"fmt ", FMT_24_48), bext(5), chunk(b"data", AUDIO)),
    rf64(chunk(b"iXML", b"<x>"), chunk(b"fmt ", FMT_24_48)),
]


@given(
    st.sampled_from(GOOD),
    st.lists(st.tuples(st.integers(0, 800), st.integers(0, 255)), max_size=6),
    st.integers(0, 800),
)
def test_damage(good: bytes, changes: list[tuple[int, int]], keep: int) -> None:
    """Whatever is broken or cut off, the walker answers or says so, and stays inside the file."""
    content = bytearray(good)
    for place, value in changes:
        content[place % len(content)] = value
    short = bytes(content[:keep])
    try:
        got = walk(short)
    except AudioError:
        return
    assert 0 <= got.data_start + got.data_bytes <= len(short)
