"""Walks the chunks of a WAV file (RIFF, RF64, BW64): where the audio lies, and its time stamp.

Layouts: RIFF/WAVE, Microsoft and IBM 1991; ``ds64``, EBU Tech 3306 and ITU-R BS.2088; ``bext``,
EBU Tech 3285 v2; iXML 1.5 and later. All numbers are little-endian. A chunk of odd length is
followed by one pad byte that its size does not count.
"""

import re
import struct
from dataclasses import dataclass
from typing import BinaryIO

from planner.errors import AudioError

PCM, FLOAT, MPEG, MPEG_LAYER_3, EXTENSIBLE = 0x0001, 0x0003, 0x0050, 0x0055, 0xFFFE  # mmreg.h

_UNKNOWN = 0xFFFFFFFF  # "see ds64" in RF64; a writer that never came back to fill it in, in RIFF
_BEXT_TIME_AT = 338  # EBU Tech 3285: TimeReferenceLow, TimeReferenceHigh
_IXML_MOST = 1 << 20  # chosen: 1 MiB, far above any real iXML, so that a wrong size costs nothing
# Chunks that may follow `data`: seeing one right behind a `data` of size 0 says it is truly empty.
_LATER = frozenset(
    {b"LIST", b"bext", b"iXML", b"fact", b"cue ", b"smpl", b"JUNK", b"axml", b"id3 "}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WavChunks:
    """What the chunks of a WAV file say."""

    container: str  # "WAV", "RF64" or "BW64"
    format_tag: int  # the one inside, where the outer one is WAVE_FORMAT_EXTENSIBLE
    channels: int
    sr: int
    bits: int  # per sample as stored
    data_start: int  # bytes from the start of the file
    data_bytes: int  # that are really there, whole frames only
    data_trouble: str  # what the header says about the length and why it was not believed, or ""
    time_reference_smp: int | None  # from bext, samples since midnight
    ixml_time_smp: int | None  # the same from iXML


@dataclass(frozen=True, slots=True, kw_only=True)
class _Format:
    """What the `fmt ` chunk says."""

    tag: int
    channels: int
    sr: int
    bits: int
    frame_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Data:
    """Where the audio lies."""

    start: int
    size: int  # bytes that are really there
    trouble: str = ""  # what is odd about its length


def walk_wav_chunks(stream: BinaryIO, *, file: str) -> WavChunks:
    """Read the chunk headers of a WAV file and what the planner needs from them.

    stream: opened for reading; left at an arbitrary position.
    file: its name, for the messages.

    Raises AudioError if this is no WAV file, or its format or audio part is missing or makes no
    sense.
    """
    total = stream.seek(0, 2)
    head = _at(stream, 0, 12)
    kinds = {b"RIFF": "WAV", b"RF64": "RF64", b"BW64": "BW64"}
    if len(head) < 12 or head[:4] not in kinds or head[8:] != b"WAVE":
        what = "this is not a WAV file: it does not begin with RIFF, RF64 or BW64 and WAVE."
        hint = "Ask for a fresh export as WAV, 24 bit."
        raise AudioError(what, file=file, hint=hint)
    container = kinds[head[:4]]
    big: dict[bytes, int] = {}
    fmt: _Format | None = None
    data: _Data | None = None
    bext_time: int | None = None
    ixml_time: int | None = None

    here = 12
    while here + 8 <= total:
        header = _at(stream, here, 8)
        if len(header) < 8:
            break
        name, size = struct.unpack("<4sI", header)
        if not all(32 <= sign < 127 for sign in name):
            break  # padding or damage: chunk names are printable ASCII
        body = here + 8
        if size == _UNKNOWN and name in big:
            size = big[name]
        if name == b"data" and data is None:
            data = _data_span(stream, body, size, total)
            size = data.size
        elif name == b"ds64":
            big = _big_sizes(_at(stream, body, min(size, 1 << 16)))
        elif name == b"fmt ":
            fmt = _format(_at(stream, body, min(size, 40)), file)
        elif name == b"bext":
            raw = _at(stream, body + _BEXT_TIME_AT, 8) if size >= _BEXT_TIME_AT + 8 else b""
            bext_time = struct.unpack("<Q", raw)[0] if len(raw) == 8 else None
        elif name == b"iXML":
            ixml_time = _ixml_time(_at(stream, body, min(size, _IXML_MOST)))
        here = body + size + size % 2

    if fmt is None:
        what = "the header has no `fmt ` chunk, so rate and sample format are unknown."
        hint = "The file is damaged: export it again."
        raise AudioError(what, file=file, hint=hint)
    if data is None:
        what = "there is no `data` chunk: the header is there, the audio is not."
        hint = "The recording or copy was cut off: copy or export it again."
        raise AudioError(what, file=file, hint=hint)
    return WavChunks(
        container=container, format_tag=fmt.tag, channels=fmt.channels, sr=fmt.sr, bits=fmt.bits,
        data_start=data.start, data_bytes=data.size - data.size % fmt.frame_bytes,
        data_trouble=data.trouble, time_reference_smp=bext_time, ixml_time_smp=ixml_time,
    )  # fmt: skip


def _at(stream: BinaryIO, offset: int, size: int) -> bytes:
    stream.seek(offset)
    return stream.read(size)


def _big_sizes(body: bytes) -> dict[bytes, int]:
    """Read ds64: riffSize, dataSize, sampleCount (u64), then a table of 12-byte entries."""
    if len(body) < 28:
        return {}
    _, data_bytes, _, entries = struct.unpack_from("<QQQI", body)
    sizes = {b"data": data_bytes}
    for i in range(min(entries, (len(body) - 28) // 12)):
        name, low, high = struct.unpack_from("<4sII", body, 28 + 12 * i)
        sizes[name] = high << 32 | low
    return sizes


def _format(body: bytes, file: str) -> _Format:
    if len(body) < 16:
        what = f"the `fmt ` chunk holds {len(body)} bytes, at least 16 are needed."
        hint = "The file is damaged: export it again."
        raise AudioError(what, file=file, hint=hint)
    tag, channels, sr, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", body)
    if tag == EXTENSIBLE and len(body) >= 26:
        tag = struct.unpack_from("<H", body, 24)[0]  # first two bytes of the sub-format GUID
    if not (channels and sr and frame_bytes):
        what = f"the header says {channels} channels at {sr} Hz, {frame_bytes} bytes a frame."
        hint = "That cannot be: the header is damaged; export the file again."
        raise AudioError(what, file=file, hint=hint)
    if tag in (PCM, FLOAT):
        bits = frame_bytes // channels * 8  # as stored: 20 bits lie in three bytes
    return _Format(tag=tag, channels=channels, sr=sr, bits=bits, frame_bytes=frame_bytes)


def _data_span(stream: BinaryIO, body: int, size: int, total: int) -> _Data:
    """Say where the audio starts, how long it really is, and what is odd about the header."""
    room = total - body
    if size == 0 and room > 0:
        peek = _at(stream, body, 8)
        if len(peek) == 8 and peek[:4] in _LATER:
            follows = struct.unpack("<I", peek[4:])[0]
            if follows <= room - 8:
                return _Data(start=body, size=0)
        return _Data(start=body, size=room, trouble="the header says the audio is 0 bytes long")
    if size == _UNKNOWN and room != size:
        return _Data(start=body, size=room, trouble="the header leaves the length open")
    if size > room:
        trouble = f"the header promises {size} bytes of audio, the file has {room}"
        return _Data(start=body, size=room, trouble=trouble)
    return _Data(start=body, size=size)


def _ixml_time(body: bytes) -> int | None:
    """Read the time stamp of iXML: two 32-bit words written as decimal text."""
    words = []
    for half in ("HI", "LO"):
        tag = f"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{half}".encode()
        found = re.search(rb"<" + tag + rb">\s*(\d{1,10})\s*</" + tag + rb">", body)
        if found is None:
            return None
        words.append(int(found[1]))
    return words[0] << 32 | words[1]
