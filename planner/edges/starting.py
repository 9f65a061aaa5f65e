"""A first session file for a folder of stems: names are read, and unnamed files listened to."""

import os
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from planner.edges.hearing import ANALYSIS_SR
from planner.errors import PlannerError, SessionError
from planner.files.audio import read_stem_audio
from planner.files.audio_opening import AUDIO_SUFFIXES
from planner.files.session_file import refuse_place, write_started_session
from planner.model import SILENT_DBFS, Stem
from planner.read.first_session import song_of, started_session_text
from planner.read.guess import StemGuess, guess_from_name, guess_from_sound, with_uprights
from planner.tracker import track
from planner.words.roles import ROLE_FACTS

Progress = Callable[[str], None]

# Spectral flatness (geometric over arithmetic mean of power) is about 0.56 for white noise, whose
# power in a bin is exponentially distributed, and near 0 for tones; a third of the way is noise.
_NOISE_FLATNESS = 0.2
_LEAST_SAMPLES = 2048  # that a spectrum is taken of: an eighth of a second
_MIDI_SUFFIXES = frozenset({".mid", ".midi"})


def start_session(
    folder: Path, *, out: Path | None = None, progress: Progress = lambda line: None
) -> tuple[Path, tuple[StemGuess, ...]]:
    """Write a first session file for a folder of stems, beside it; never over anything.

    Raises SessionError if the folder holds no audio, or the file cannot be written: before a stem
    is listened to.
    """
    if not folder.is_dir():
        raise SessionError(
            "there is no such folder.", file=str(folder), hint="Give the folder of the stems."
        )
    files = _files(folder.rglob("*"), AUDIO_SUFFIXES)
    if not files:
        what = "there is no audio in this folder (WAV, AIFF, FLAC or MP3)."
        hint = "Give the folder of the consolidated stems."
        raise SessionError(what, file=str(folder), hint=hint)
    target = out if out is not None else folder.resolve().parent / "session.yaml"
    refuse_place(folder, target)
    guesses = []
    named = (guess_from_name(path.relative_to(folder).as_posix()) for path in files)
    for path, guess in zip(files, with_uprights(tuple(named)), strict=True):
        if guess.role is None:
            progress(f"listening to {guess.file}")
            guess = _guess_by_ear(guess, path)
        guesses.append(guess)
    around = (*folder.rglob("*"), *folder.resolve().parent.glob("*"))
    midi = [_seen_from(target, path) for path in _files(around, _MIDI_SUFFIXES)]
    for name in midi:
        progress(f"{name} seen: if it is the tempo map, say so in the session file")
    text = started_session_text(
        song_of(folder.resolve().parts), guesses,
        audio_folder=_seen_from(target, folder), midi=midi,
    )  # fmt: skip
    write_started_session(folder, target, text)
    return target, tuple(guesses)


def _files(paths: Iterable[Path], suffixes: frozenset[str]) -> list[Path]:
    return sorted(
        path
        for path in paths
        if path.suffix.lower() in suffixes and path.is_file() and path.name[:1] != "."
    )


def _seen_from(session_file: Path, path: Path) -> str:
    return Path(os.path.relpath(path.resolve(), session_file.resolve().parent)).as_posix()


def _guess_by_ear(guess: StemGuess, path: Path) -> StemGuess:
    """Guess a role from the sound, where the name says nothing; unreadable files stay unguessed."""
    import librosa
    import numpy as np

    try:
        facts, samples, _ = read_stem_audio(path, file=guess.file, analysis_sr=ANALYSIS_SR)
    except PlannerError:
        return guess
    stem = Stem(
        code="X",
        role="exclude",
        samples=samples[: 60 * ANALYSIS_SR],
        analysis_sr=ANALYSIS_SR,
        sr=facts.sr,
        frames=facts.frames,
        range_hz=(35.0, 2500.0),
    )
    if len(stem.samples) < _LEAST_SAMPLES:
        return guess
    if np.abs(stem.samples).max() < 10.0 ** (SILENT_DBFS / 20.0):
        return replace(guess, role="exclude", because="it is silent")
    flatness = librosa.feature.spectral_flatness(y=np.asarray(stem.samples))
    loudest = np.argsort(-librosa.feature.rms(y=np.asarray(stem.samples))[0])
    flat = float(np.median(flatness[0][loudest[: max(1, len(loudest) // 4)]]))
    if flat > _NOISE_FLATNESS:
        return replace(guess, role="exclude", because="by ear it is noise, not notes")
    heard = track(stem)
    sounding = heard.level_db > heard.level_db.max() - 40.0
    pitched = sounding & ~np.isnan(heard.f0_hz)
    median_hz = float(np.median(heard.f0_hz[pitched])) if pitched.any() else None
    share = float(pitched.sum() / sounding.sum()) if sounding.any() else None
    role = guess_from_sound(median_hz, share)
    if role is None:
        return guess
    return replace(guess, role=role, because=f"by ear it is like {ROLE_FACTS[role].plain}")
