"""What people said: the answers file beside the plans, in order, and one reply as it is given.

YAML that a person can read and add to. New answers are put behind what stands there, byte for
byte; the file is written whole or not at all, and read back before it takes its place.

::

    version: 1
    song: "Low Tide Ledger"
    answers:
    - id: "LV-0147"
      answer: "no"            # yes, no, ask, half or note
      comment: "love that scoop"
      by: "producer"
      date: "2026-11-25"
      plan: "plan_01"
    - id: "BAS-0012"          # written by hand: a value in place of the planner's
      override: {add_cents: -6}
      by: "editor"
    - where: {stem: BAS, from_bar: 12, to_bar: 16}  # a lock over a stem, over bars, or both
      locked: true
      by: "editor"
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from planner.answer.answer_reading import FIELDS, PLACES, entries_from
from planner.answer.answers import Area, Entry, Override
from planner.editlist import clean_text
from planner.errors import OutputError, PlannerError
from planner.files.edit_list import yaml_bytes
from planner.files.plan_folder import put_whole, refuse_audio_folder
from planner.files.tables import read_text
from planner.files.yaml_reading import parse_yaml, read_yaml
from planner.pitch import note_name

_HEAD = (
    "# What people answered to the plans of this session, in order. `planner answer` adds to the\n"
    "# end; lines of your own are kept. `planner plan` reads it and never writes it.\n"
)


def answers_path(session_path: Path, out: Path) -> Path:
    """Say where a session's answers lie: beside its numbered plans."""
    return out / f"{session_path.stem}.answers.yaml"


def read_answers(path: Path) -> tuple[Entry, ...]:
    """Read every answer; none where there is no file.

    Raises PlannerError if the file is no answers file, or a field does not fit; with the line.
    """
    if not path.exists():
        return ()
    data, lines = read_yaml(path)
    return _entries(data, lines, path.name)


def append_answers(
    path: Path, song: str, entries: Sequence[Entry], *, audio: Iterable[Path]
) -> None:
    """Put answers behind those in the file, whole or not at all; never among the audio.

    Raises OutputError if the place is among the audio or cannot be written to, or the file has a
    form that nothing can be added to.
    """
    refuse_audio_folder(path.parent, audio)
    before = read_answers(path)
    try:
        old = path.read_bytes() if path.exists() else b""
        text = old.decode("utf-8") if old else _new_file(song)
        added = _added(text, entries)
        _check(path.name, added, (*before, *entries))
        _replace(path, old, added.encode("utf-8"))
    except OSError as error:
        what = f"the answers could not be written ({error.strerror}); nothing was stored."
        hint = "Check the disk and your rights there."
        raise OutputError(what, file=path.name, hint=hint) from error


def entry_to_dict(entry: Entry) -> dict[str, Any]:
    """Give an answer as plain data, blank fields left out."""
    values = {name: getattr(entry, name, None) for name in FIELDS}
    values |= {"where": _place(entry.area), "override": _override(entry.override)}
    return {
        name: clean_text(value) if isinstance(value, str) else value
        for name, value in values.items()
        if value is not None and (value != "" or name == "comment")
    }


def _place(area: Area | None) -> dict[str, Any] | None:
    if area is None:
        return None
    return {f: getattr(area, f) for f in PLACES if getattr(area, f) not in (None, "")}


def _override(said: Override | None) -> dict[str, Any] | None:
    if said is None:
        return None
    first, last = said.bars or (None, None)
    from_s, to_s = said.span_s or (None, None)
    values = {
        "add_cents": said.add_cents,
        "action": said.action,
        "intended": None if said.intended_midi is None else note_name(said.intended_midi),
        "target_cents": said.target_cents,
        "points": ";".join(f"{t:g}:{c:g}" for t, c in said.points) or None,
        "from_bar": first,
        "to_bar": last,
        "role": said.role,
        "several_notes": said.several_notes,
        "from_s": from_s,
        "to_s": to_s,
    }
    return {name: value for name, value in values.items() if value is not None}


def _entries(data: object, lines: Mapping[str, int], file: str) -> tuple[Entry, ...]:
    if not isinstance(data, dict) or "answers" not in data:
        what = "is no answers file: it has no list 'answers'."
        raise PlannerError(what, file=file, hint="`planner answer` writes one.")
    if data.get("version") != 1:
        what = f"is {data.get('version')!r}, and this planner reads version 1."
        raise PlannerError(what, file=file, line=lines.get("version"), field="version")
    for key in data:
        if key not in ("version", "song", "answers"):
            what = "is no field of an answers file."
            raise PlannerError(what, file=file, line=lines.get(key), field=key)
    return entries_from(data["answers"] or [], lines, file, "answers")


# ------------------------------------------------------------------ writing


def _new_file(song: str) -> str:
    head = yaml_bytes({"version": 1, "song": clean_text(song)}).decode("utf-8")
    return f"{_HEAD}{head}answers:\n"


def _added(text: str, entries: Sequence[Entry]) -> str:
    block = yaml_bytes({"answers": [entry_to_dict(e) for e in entries]}).decode("utf-8")
    lines = block.splitlines()[1:]
    behind = re.split(r"(?m)^[\"']?answers[\"']?:", text, maxsplit=1)[-1]
    first = re.search(r"(?m)^( *)- ", behind)
    written = len(lines[0]) - len(lines[0].lstrip(" "))
    lead = " " * (len(first[1]) if first else written)
    body = "".join(f"{lead}{line[written:]}\n" for line in lines)
    return f"{text}{'' if text.endswith(chr(10)) else chr(10)}{body}"


def _check(name: str, text: str, wanted: tuple[Entry, ...]) -> None:
    try:
        data, lines = parse_yaml(text, file=name)
        found = _entries(data, lines, name)
    except PlannerError:
        found = ()
    if found != wanted:
        what = "nothing can be added to this file as it stands; nothing was stored."
        hint = "Let the list 'answers:' be the last thing in it, one '- id:' an answer."
        raise OutputError(what, file=name, hint=hint)


def _replace(path: Path, old: bytes, new: bytes) -> None:
    def unless_written_meanwhile(finished: Path, place: Path) -> None:
        if (place.read_bytes() if place.exists() else b"") != old:
            what = "somebody else wrote to the answers at this moment; nothing was stored."
            hint = "Run the command again."
            raise OutputError(what, file=place.name, hint=hint)
        finished.replace(place)

    path.parent.mkdir(parents=True, exist_ok=True)
    put_whole(path, new, unless_written_meanwhile)


# ------------------------------------------------------------------ one reply


_LONGEST_NAME = 200  # chosen: a reply longer than this is surely no path


def read_given(given: str) -> tuple[str, Path | None]:
    """Give the reply itself, or what is in the file that it names, and that file.

    An edit list (``.csv``) is not read here; its text comes back empty.

    Raises PlannerError if it looks like a file that is not there, or the file is no text.
    """
    path = Path(given)
    try:
        is_file = len(given) <= _LONGEST_NAME and path.is_file()
    except (OSError, ValueError):
        is_file = False
    if not is_file:
        if path.suffix.lower() in (".txt", ".csv", ".yaml", ".md") and "\n" not in given:
            what = "there is no such file."
            hint = "Give a file, or the reply itself in quotes."
            raise PlannerError(what, file=given, hint=hint)
        return given, None
    if path.suffix.lower() == ".csv":
        return "", path
    return read_text(path), path


def page_says(folder: Path, mark: str) -> bool:
    """Whether the review page of a plan folder carries this mark."""
    page = folder / "review.html"
    return page.is_file() and mark.encode("utf-8") in page.read_bytes()
