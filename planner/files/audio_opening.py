"""Finds audio files and opens them for decoding, never for writing: what a header says and hides.

Every file is opened by ``open(path, "rb")`` and handed to the decoder as a stream, so no part of
this module can hold a handle that writes.
"""

import difflib
import io
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import soundfile

from planner.errors import AudioError
from planner.files.wav_chunks import FLOAT, MPEG, MPEG_LAYER_3, PCM, WavChunks, walk_wav_chunks

_RAW = {
    (PCM, 8): "PCM_U8", (PCM, 16): "PCM_16", (PCM, 24): "PCM_24", (PCM, 32): "PCM_32",
    (FLOAT, 32): "FLOAT", (FLOAT, 64): "DOUBLE",
}  # fmt: skip


# By what their names end in, the files of a folder that are taken for audio. A session may name any
# file that the decoder opens, whatever it is called.
AUDIO_SUFFIXES = frozenset(
    {
        ".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".flac",
        ".caf", ".au", ".mp3", ".ogg", ".oga", ".opus",
    }
)  # fmt: skip


def file_form(path: Path) -> tuple[int, int, int]:
    """Give rate in Hz, channels and frames of a file from its header.

    Raises AudioError if the file is missing or is no audio.
    """
    with opened_audio(path, path.name) as (sound, _):
        return int(sound.samplerate), int(sound.channels), int(sound.frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileClock:
    """When a file begins, as its header says."""

    sr: int
    time_reference_smp: int | None  # samples since midnight at its own rate


def file_clock(path: Path) -> FileClock:
    """Read rate and time stamp of a file; its samples are not decoded.

    Raises AudioError if the file cannot be read.
    """
    with opened_audio(path, path.name) as (sound, chunks):
        return FileClock(sr=sound.samplerate, time_reference_smp=time_stamp(chunks))


def time_stamp(chunks: WavChunks | None) -> int | None:
    """The time stamp of a WAV file: that of its broadcast chunk first, then that of its iXML."""
    if chunks is None:
        return None
    stamp = chunks.time_reference_smp
    return chunks.ixml_time_smp if stamp is None else stamp


@contextmanager
def opened_audio(path: Path, file: str) -> Iterator[tuple[Any, WavChunks | None]]:
    """Open a file for decoding; close it whatever happens."""
    if path.is_dir():
        raise AudioError(
            "this is a folder, not an audio file.", file=file, hint="Name the file inside it."
        )
    if not path.exists():
        raise missing(path, file)
    try:
        stream = open(path, "rb")  # noqa: SIM115 - closed by the with below
    except OSError as fault:
        what = f"the file cannot be opened: {fault.strerror}."
        hint = "Check that you may read it and that its drive is connected."
        raise AudioError(what, file=file, hint=hint) from fault
    with stream:
        head = stream.read(12)
        if not head:
            raise AudioError(
                "the file is empty (0 bytes).", file=file, hint="Copy or export it again."
            )
        chunks = None
        if head[:4] in (b"RIFF", b"RF64", b"BW64"):
            chunks = walk_wav_chunks(stream, file=file)
        sound = _decoder(stream, chunks, head, file)
        with sound:
            if sound.channels > 2:
                what = f"the file has {sound.channels} channels; a stem has one or two."
                hint = "Split it into mono files and give each its own stem."
                raise AudioError(what, file=file, hint=hint)
            yield sound, chunks


def _decoder(stream: BinaryIO, chunks: WavChunks | None, head: bytes, file: str) -> Any:
    subtype = _RAW.get((chunks.format_tag, chunks.bits)) if chunks else None
    if chunks and subtype and (chunks.data_trouble or chunks.data_bytes == 0):
        return _raw_decoder(stream, chunks, subtype)
    stream.seek(0)
    try:
        return soundfile.SoundFile(stream)
    except soundfile.LibsndfileError as fault:
        # libsndfile 1.2.2 refuses RF64 with a chunk of odd length before `data` (measured).
        if chunks and subtype:
            return _raw_decoder(stream, chunks, subtype)
        if _is_mpeg(head, chunks):
            what = "the contents are MPEG audio and cannot be decoded."
            hint = "Ask for the original recording."
            raise AudioError(what, file=file, hint=hint) from fault
        if chunks:
            raise AudioError(
                f"this WAV file's sample format (tag {chunks.format_tag:#06x}, {chunks.bits} bit) "
                "is not one that can be read.",
                file=file,
                hint="Export it as 24-bit or 32-bit float WAV.",
            ) from fault
        what = "this is not audio that can be read, whatever its name says."
        hint = "Stems may be WAV, RF64, AIFF, FLAC or MP3: export it as one of these."
        raise AudioError(what, file=file, hint=hint) from fault


def _raw_decoder(stream: BinaryIO, chunks: WavChunks, subtype: str) -> Any:
    return soundfile.SoundFile(
        _Part(stream, chunks.data_start, chunks.data_bytes), format="RAW", subtype=subtype,
        channels=chunks.channels, samplerate=chunks.sr, endian="LITTLE",
    )  # fmt: skip


class _Part(io.RawIOBase):
    """A stretch of a file that reads like a file of its own."""

    def __init__(self, stream: BinaryIO, start: int, size: int) -> None:
        super().__init__()
        self._stream, self._start, self._size, self._here = stream, start, size, 0

    def seek(self, offset: int, whence: int = 0) -> int:
        self._here = max(offset + (0, self._here, self._size)[whence], 0)
        return self._here

    def tell(self) -> int:
        return self._here

    def readinto(self, buffer: Any) -> int:
        wanted = min(len(buffer), max(self._size - self._here, 0))
        self._stream.seek(self._start + self._here)
        piece = self._stream.read(wanted)
        buffer[: len(piece)] = piece
        self._here += len(piece)
        return len(piece)


def _is_mpeg(head: bytes, chunks: WavChunks | None) -> bool:
    """Tell MPEG audio by its first bytes: an ID3 tag, a frame sync, or its tag inside a WAV."""
    if chunks is not None:
        return chunks.format_tag in (MPEG, MPEG_LAYER_3)
    # ISO/IEC 11172-3: eleven sync bits, then a version and a layer that are not reserved.
    synced = len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 0x06 != 0
    return head[:3] == b"ID3" or synced


def aiff_trouble(path: Path) -> str:
    """Say whether an AIFF was cut off: FORM holds the size of all that follows (EA IFF 85)."""
    with open(path, "rb") as stream:
        head = stream.read(8)
        total = stream.seek(0, 2)
    if head[:4] != b"FORM":
        return ""
    promised = int.from_bytes(head[4:], "big") + 8
    if promised <= total:
        return ""
    return f"the header promises {promised} bytes, the file has {total}"


def undecodable(file: str, at_s: float) -> AudioError:
    what = f"decoding fails after {clock_words(at_s)}: the file is damaged or cut off."
    hint = "Copy or export it again."
    return AudioError(what, file=file, hint=hint)


def clock_words(at_s: float) -> str:
    return f"{at_s:.1f} s" if at_s < 60 else f"{int(at_s // 60)}:{at_s % 60:04.1f}"


# ---------------------------------------------------------------- names


def find_audio_file(folder: Path, name: str) -> Path:
    """Find a file by the name a session file gives it.

    Case, Unicode composition (Unicode Standard Annex 15: NFC) and spaces at the end of a name or
    before its suffix are overlooked where exactly one file fits. Patterns with ``*``, ``?`` or
    ``[`` are allowed where they match one file, absolute paths too.

    Raises AudioError if nothing fits (the nearest names are told), or more than one file does.
    """
    path = Path(name)
    if (folder / path).exists():
        return folder / path
    here = Path(path.anchor) if path.is_absolute() else folder
    parts = path.parts[1:] if path.is_absolute() else path.parts
    if len(parts) == 1 and "\\" in name:
        parts = tuple(name.split("\\"))  # written on a system that separates folders so
    for part in parts:
        here = _in_folder(here, part, name)
    return here


def is_pattern(name: str) -> bool:
    """Say whether a name is a pattern that may match several files."""
    return any(sign in name for sign in "*?[")


def name_key(name: str) -> str:
    """Give what two spellings of one name have in common."""
    head, dot, suffix = unicodedata.normalize("NFC", name).rpartition(".")
    return f"{head.rstrip()}{dot}{suffix.rstrip()}".casefold()


def missing(path: Path, file: str) -> AudioError:
    """Build the error for a file that is not there, with the nearest names in its folder."""
    folder = path.parent
    if not folder.is_dir():
        what = f"the file was not found: there is no folder {folder}."
        hint = "Check `audio_folder` and the name; is the drive connected?"
        return AudioError(what, file=file, hint=hint)
    names = {name_key(each.name): each.name for each in sorted(folder.iterdir()) if each.is_file()}
    near = difflib.get_close_matches(name_key(path.name), list(names), n=3, cutoff=0.5)
    if near:
        hint = f"Nearest names there: {', '.join(names[each] for each in near)}."
    else:
        hint = f"Nothing there has a similar name ({len(names)} files)."
    return AudioError(f"the file was not found in {folder}.", file=file, hint=hint)


def _in_folder(folder: Path, part: str, name: str) -> Path:
    if part == ".." or (folder / part).exists() or not folder.is_dir():
        if folder.is_dir():
            return folder / part
        raise missing(folder / part, name)
    fits = [each for each in folder.iterdir() if name_key(each.name) == name_key(part)]
    if not fits and is_pattern(part):
        fits = list(folder.glob(part))
    if len(fits) > 1:
        shown = ", ".join(ascii(each.name) for each in sorted(fits)[:5])
        what = f"the name fits {len(fits)} files: {shown}."
        hint = "Write the full name of the one that is meant."
        raise AudioError(what, file=name, hint=hint)
    if not fits:
        raise missing(folder / part, name)
    return fits[0]
