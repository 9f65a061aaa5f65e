"""Reads a session file, and writes a first one where none is; never over anything."""

import os
import tempfile
from dataclasses import replace
from pathlib import Path

from planner.errors import PlannerError, ScoreError, SessionError, named_in
from planner.files.midi import read_score, read_tempo_file
from planner.files.plan_folder import put_whole
from planner.files.yaml_reading import read_yaml
from planner.model import Finding
from planner.read.scale_file import scale_offsets
from planner.session import session_from_dict
from planner.words.chord_symbols import chords_of_notes
from planner.words.session_model import ChordMark, Session


def read_session(path: Path) -> tuple[Session, tuple[Finding, ...]]:
    """Read and check a session file; also give what is legal but worth knowing.

    A song without a name gets the name of the folder that the file is in. A scale file that it
    names is read as well, and a score with its chords, by that score's own bars.

    Raises SessionError if the file cannot be read, or with everything that is wrong in it.
    """
    data, lines = read_yaml(path)
    folder = path.absolute().parent.name or "Untitled"
    session, findings = session_from_dict(data, lines, file=str(path), song_if_unnamed=folder)
    if session.temperament_file is not None:
        named = path.parent / session.temperament_file
        line = lines.get("temperament")
        text = _scale_text(named, session.temperament_file, path, line)
        try:
            table = scale_offsets(
                text, file=session.temperament_file, root=session.temperament_root
            )
        except SessionError as error:
            raise named_in(error, file=str(path), line=line, field="temperament.file") from error
        session = replace(session, temperament_table=table)
    if session.chords_file is not None:
        line = lines.get("chords")
        try:
            marks = _chords(path.parent / session.chords_file, session.chords_track)
        except PlannerError as error:
            raise named_in(error, file=str(path), line=line, field="chords.file") from error
        session = replace(session, chords=marks)
    return session, findings


def _chords(path: Path, track: str | None) -> tuple[ChordMark, ...]:
    """The chords that a score's track plays, by the bars of that score."""
    bars = read_tempo_file(path, bar_one_at_s=0.0)
    marks: list[ChordMark] = []
    for start_s, symbol in chords_of_notes(read_score(path, track)):
        bar, beat = bars.bar_beat(start_s)
        if not marks or (bar, beat) > (marks[-1].bar, marks[-1].beat):
            marks.append(ChordMark(bar=bar, beat=beat, symbol=symbol))
    if not marks:
        what = "has no two notes at once that make a chord."
        hint = "Name the track of chords with track:, or write the chords as symbols by bar."
        raise ScoreError(what, file=path.name, hint=hint)
    return tuple(marks)


def _scale_text(named: Path, written: str, path: Path, line: int | None) -> str:
    try:
        data = named.read_bytes()
    except OSError as error:
        raise SessionError(
            f"the scale file {written!r} cannot be read ({error.strerror}).",
            file=str(path),
            line=line,
            field="temperament.file",
            hint="Paths start from the folder that the session file is in.",
        ) from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # older files; only remarks differ


def write_started_session(folder: Path, session_path: Path, text: str) -> None:
    """Write a new session file, whole or not at all, outside the folder that holds the stems.

    folder: the stems' folder; nothing is ever written in it.
    session_path: the file to write; it must not exist.
    text: what to write, as UTF-8 with LF line ends.

    Raises SessionError if the file exists, lies among the stems, or cannot be written.
    """
    refuse_place(folder, session_path)
    try:
        put_whole(session_path, text.encode("utf-8"), _named)
    except OSError as error:
        raise _told(error, session_path) from None


def refuse_place(folder: Path, session_path: Path) -> None:
    """Make sure before the work that a first session file can be written; nothing stays behind.

    Raises SessionError as `write_started_session` would once all is listened to.
    """
    if session_path.absolute().parent.resolve().is_relative_to(folder.resolve()):
        what = f"this lies in the folder of the stems ({folder}), where nothing is ever written."
        hint = "Choose a place outside it."
        raise SessionError(what, file=str(session_path), hint=hint)
    if session_path.exists():
        raise _told(FileExistsError(), session_path)
    try:
        tempfile.NamedTemporaryFile(prefix=".planner-", dir=session_path.parent).close()
    except OSError as error:
        raise _told(error, session_path) from None


def _told(error: OSError, session_path: Path) -> SessionError:
    what = f"the file cannot be written ({error.strerror})."
    hint = "Choose another place with --out."
    if isinstance(error, FileExistsError):
        what = "this file exists already, and is never written over."
        hint = "Give another place with --out, or move the old file away."
    elif isinstance(error, FileNotFoundError):
        what, hint = f"there is no folder {session_path.parent}.", "Make it first."
    return SessionError(what, file=str(session_path), hint=hint)


def _named(temporary: Path, target: Path) -> None:
    """Give the finished file its name, unless something has that name."""
    try:
        os.link(temporary, target)  # refuses to replace
    except FileExistsError:
        raise
    except OSError:
        # Some disks know no hard links: take the name with an empty file of our own, then fill it.
        target.open("xb").close()
        temporary.replace(target)
