"""Reads stems, and never writes: facts, the analysis signal, and what is wrong with the file.

`planner.files.audio_opening` opens them.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from planner.errors import AudioError, PromiseError
from planner.files.audio_opening import (
    aiff_trouble,
    clock_words,
    is_pattern,
    name_key,
    opened_audio,
    time_stamp,
    undecodable,
)
from planner.files.audio_sums import FlatTops, Sums, finite, take_out_offset
from planner.files.wav_chunks import WavChunks
from planner.model import DC_DBFS, AudioFacts, Finding

# Frames read at a time. Sums over more are made in fresh pages of memory each time, which takes
# 0.05 s of a stem of four minutes, of two channels 0.15 (measured).
BLOCK = 1 << 14
# Chosen: a note may lie 32 dB under the loud ones (`planner.segment.is_note`). The
# mean of a tone that is cut anywhere lies 60 dB under it from a second of it on.
_OFFSET_UNDER_DB = 50.0
_KEPT = 1 << 24  # samples; chosen: 64 MiB, six minutes at 48 kHz: a longer file is decoded twice
_MPEG = "MPEG audio"
_STEP = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15}  # size of one step; else 2^-23


def read_stem_audio(
    path: Path,
    *,
    file: str,
    side: str = "auto",
    analysis_sr: int = 16000,
    sha256: str | None = None,
) -> tuple[AudioFacts, NDArray[np.float32], tuple[Finding, ...]]:
    """Read one audio file: its facts, one channel at the analysis rate, and what is wrong with it.

    path : the file; opened for reading only
    file : its name as the session file writes it, for the messages
    side : "auto", "left", "right" or "mid": what to measure of a stereo file
    analysis_sr : rate of the returned signal, Hz
    sha256 : its sum, where whoever asks has it already; else it is worked out here

    Returns
    -------
    AudioFacts
    ndarray (n,) float32
        Read-only; sample 0 is the file's sample 0. Full scale is 1.
    tuple of Finding

    Raises AudioError if the file is missing, is no audio, has more than two channels, or holds no
    samples.
    """
    with opened_audio(path, file) as (sound, chunks):
        lossy = _lossy(sound, path)
        sums, kept = _summed(sound, file)
        if sums.frames == 0:
            what = "the file holds no audio: its length is 0 samples."
            hint = "Export it again, or leave the stem out."
            raise AudioError(what, file=file, hint=hint)
        findings = (
            *_spelling(path, file),
            *_about_the_header(sound, chunks, path, lossy),
            *_about_the_samples(sums, sound),
        )
        stereo, measured = sums.sides(side)
        sound.seek(0)
        blocks = _blocks(sound, file)
        if kept is not None:
            blocks = (kept[at : at + BLOCK] for at in range(0, len(kept), BLOCK))
        samples, flat_tops = _analysis_signal(blocks, sound, sums, measured, analysis_sr)
        rate, channels, subtype = sound.samplerate, sound.channels, sound.subtype
        container = sound.format if chunks is None else chunks.container
        if lossy == _MPEG:
            container = "MPEG"
    facts = AudioFacts(
        file=file, container=container, subtype=subtype, sr=rate, channels=channels,
        frames=sums.frames, sha256=sha256 or sha256_of(path), time_reference_smp=time_stamp(chunks),
        peak_dbfs=_db(float(sums.peaks.max())),
        dc_db=_db(sums.offset()), flat_tops=flat_tops,
        stereo=stereo, measured_side=measured,
    )  # fmt: skip
    return facts, samples, tuple(replace(finding, file=file) for finding in findings)


def read_excerpt(path: Path, start_smp: int, end_smp: int) -> NDArray[np.float32]:
    """Read a stretch of a file at its own rate, cut to what the file has.

    Returns (n, channels) float32; bad samples (not a number, infinite) are 0.

    Raises AudioError as `read_stem_audio`.
    """
    with opened_audio(path, path.name) as (sound, _):
        start = min(max(start_smp, 0), sound.frames)
        try:
            sound.seek(start)
            block = sound.read(max(end_smp - start, 0), dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as fault:
            raise undecodable(path.name, start / sound.samplerate) from fault
    return finite(block)


def sha256_of(path: Path) -> str:
    """Give the SHA-256 of a whole file in hexadecimal, reading it in blocks (FIPS 180-4)."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def check_unchanged(sums: Mapping[Path, str], *, during: str, again: str) -> None:
    """Make sure that files have not changed since their checksums were taken.

    sums: path -> SHA-256 then.
    during, again: what was done meanwhile, and what to do once more, for the message.

    Raises PromiseError if one has changed.
    """
    for path, sha256 in sums.items():
        if sha256_of(path) != sha256:
            what = f"the file changed while {during}."
            hint = f"Nothing of ours writes to it: see what does, then {again}."
            raise PromiseError(what, file=path.name, hint=hint)


def _lossy(sound: Any, path: Path) -> str:
    """Name the lossy coding of a file; empty where it has none."""
    if sound.format in ("MP3", "MPEG") or sound.subtype.startswith("MPEG"):
        return _MPEG
    if sound.subtype in ("VORBIS", "OPUS"):
        return f"{sound.subtype.title()} audio"
    return ""


# ---------------------------------------------------------------- reading


def _summed(sound: Any, file: str) -> tuple[Sums, NDArray[np.float32] | None]:
    """Read a file once: what it adds up to, and its samples where they are few enough to keep."""
    sums = Sums(channels=sound.channels)
    if sound.frames * sound.channels > _KEPT:
        for block in _blocks(sound, file):
            sums.add(block)
        return sums, None
    kept = np.empty((sound.frames, sound.channels), dtype=np.float32)
    for block in _blocks(sound, file):
        kept[sums.frames : sums.frames + len(block)] = block
        sums.add(block)
    return sums, kept[: sums.frames]


def _blocks(sound: Any, file: str) -> Iterator[NDArray[np.float32]]:
    done = 0
    while True:
        try:
            block = sound.read(BLOCK, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as fault:
            raise undecodable(file, done / sound.samplerate) from fault
        if not len(block):
            return
        done += len(block)
        yield block


def _analysis_signal(
    blocks: Iterable[NDArray[np.float32]], sound: Any, sums: Sums, measured: str, analysis_sr: int
) -> tuple[NDArray[np.float32], int]:
    """Take one side to the analysis rate, without an offset; count the flat tops on the way."""
    side = {"mid": slice(None), "right": slice(1, 2)}.get(measured, slice(0, 1))
    count = len(sums.peaks[side])
    share = np.full(count, 1.0 / count, dtype=np.float32)  # of each channel
    heard = _db(sums.offset()) > min(DC_DBFS, _db(sums.rms()) - _OFFSET_UNDER_DB)
    tops = [FlatTops(float(p), _STEP.get(sound.subtype, 2.0**-23)) for p in sums.peaks]
    stream = None
    if sound.samplerate != analysis_sr:
        # soxr takes its own delay out: sample 0 stays sample 0 (tested with clicks).
        stream = soxr.ResampleStream(
            sound.samplerate, analysis_sr, 1, dtype="float32", quality="VHQ"
        )

    def pieces() -> Iterator[NDArray[np.float32]]:
        for raw in blocks:
            block = finite(raw) if sums.bad else raw
            for channel, top in enumerate(tops):
                top.add(block[:, channel])
            one = np.dot(block[:, side], share)  # of one channel `@` takes far longer
            yield stream.resample_chunk(one) if stream else one
        if stream:
            yield stream.resample_chunk(np.zeros(0, np.float32), last=True)

    # One array from the start: joining pieces at the end would hold a long stem twice.
    most = sums.frames * analysis_sr // sound.samplerate + analysis_sr
    samples = np.empty(most, dtype=np.float32)
    filled = 0
    for piece in pieces():
        samples[filled : filled + len(piece)] = piece
        filled += len(piece)
    samples = samples[:filled]
    if heard:
        take_out_offset(samples, analysis_sr)
    samples.setflags(write=False)
    return samples, max(top.finish() for top in tops)


# ---------------------------------------------------------------- words


def _about_the_header(
    sound: Any, chunks: WavChunks | None, path: Path, lossy: str
) -> Iterator[Finding]:
    """Say where a file is not what its header or its name promises."""
    trouble = chunks.data_trouble if chunks is not None else aiff_trouble(path)
    if trouble:
        yield Finding(
            severity="warning",
            what=f"{trouble}.",
            did=f"Read to the end of the file: {clock_words(sound.frames / sound.samplerate)}.",
            advice="Listen to the end: if music is missing, copy or export it again.",
        )
    if lossy:
        yield Finding(
            severity="warning",
            what=f"the contents are {lossy}, named {path.suffix or 'without a suffix'}.",
            did="Decoded and measured; the start may be about 25 to 50 ms late.",
            advice="Ask for the original recording.",
        )


def _about_the_samples(sums: Sums, sound: Any) -> Iterator[Finding]:
    """Say where samples are missing, or are no numbers."""
    if sums.frames < sound.frames < 1 << 62:  # an open-ended stream claims 2^63 - 1
        yield Finding(
            severity="warning",
            what=f"the header promises {sound.frames} samples, {sums.frames} are there.",
            did="Read what is there.",
            advice="Copy or export it again.",
            at_s=sums.frames / sound.samplerate,
        )
    if sums.first_bad is not None:
        at_s = sums.first_bad / sound.samplerate
        yield Finding(
            severity="warning",
            what=f"bad samples (not a number or infinite) at {clock_words(at_s)}, {sums.bad} in "
            "all.",
            did="Measured as if they were 0; the file itself is untouched.",
            advice="Export it again before the mix: some programs mute on such samples.",
            at_s=at_s,
        )


def _spelling(path: Path, file: str) -> Iterator[Finding]:
    """Tell when the file was found under another spelling than the session file's."""
    written = file.replace("\\", "/").rsplit("/", 1)[-1]
    if written == path.name or not (
        is_pattern(written) or name_key(written) == name_key(path.name)
    ):
        return
    yield Finding(
        severity="note",
        what=f"the session file says {written!a}, the file is called {path.name!a}.",
        did="Taken as the same file.",
        advice="Write the name in the session file as the file has it.",
    )


def _db(level: float) -> float:
    return 20.0 * float(np.log10(level)) if level > 0 else float("-inf")
