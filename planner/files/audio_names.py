"""Finds the audio file that a session file means, spelled as people spell it."""

from __future__ import annotations

import difflib
import unicodedata
from pathlib import Path

from planner.errors import AudioError


def find_audio_file(folder: Path, name: str) -> Path:
    """Find a file by the name a session file gives it.

    Case, Unicode composition (Unicode Standard Annex 15: NFC) and spaces at the end of a name or
    before its suffix are overlooked where exactly one file fits. Patterns with ``*``, ``?`` or
    ``[`` are allowed where they match one file, absolute paths too.

    Raises
    ------
    AudioError
        If nothing fits (the nearest names are told), or more than one file does.
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
        return AudioError(
            f"the file was not found: there is no folder {folder}.",
            file=file,
            hint="Check `audio_folder` and the name; is the drive connected?",
        )
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
        raise AudioError(
            f"the name fits {len(fits)} files: {shown}.",
            file=name,
            hint="Write the full name of the one that is meant.",
        )
    if not fits:
        raise missing(folder / part, name)
    return fits[0]
