"""The answers file beside the plans: what people said, in the order they said it.

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

from __future__ import annotations

import contextlib
import difflib
import os
import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

import numpy as np

from planner.answers import ANSWERS, Area, Entry, Override, Source
from planner.editlist import clean_text
from planner.errors import OutputError, PlannerError
from planner.files.edit_list import yaml_bytes
from planner.files.plan_folder import refuse_audio_folder
from planner.files.yaml_reading import parse_yaml, read_yaml
from planner.model import ROLES
from planner.pitch import note_name, parse_note
from planner.plan_model import MOVING_ACTIONS, Action, State

_TEXT_FIELDS = ("id", "comment", "by", "date", "plan", "stem", "intended", "was", "sha256")
_NUMBER_FIELDS = ("start_s", "end_s", "add_cents")
_WHO_AND_WHEN = ("by", "date", "plan", "source")
_CHOICES: dict[str, tuple[str, ...]] = {
    "answer": ANSWERS,
    "state": get_args(State),
    "source": get_args(Source),
}
_FIELDS = (
    "id", "where", "answer", "state", "comment", "locked", "override", "by", "date", "plan",
    "source", "stem", "start_s", "end_s", "intended", "was", "add_cents", "sha256",
)  # fmt: skip
_PLACES = ("stem", "from_bar", "to_bar")
_OVERRIDES = ("add_cents", "action", "intended", "target_cents", "points", "from_bar", "to_bar",
              "role")  # fmt: skip
# Moves of several numbers cannot be asked for by name alone.
_OVERRIDE_ACTIONS: tuple[str, ...] = (
    "raise-lower", *(a for a in get_args(Action) if a not in MOVING_ACTIONS),
)  # fmt: skip
_HEAD = (
    "# What people answered to the plans of this session, in order. `planner answer` adds to the\n"
    "# end; lines of your own are kept. `planner plan` reads it and never writes it.\n"
)


def answers_path(session_path: Path, out: Path) -> Path:
    """Say where a session's answers lie: beside its numbered plans."""
    return out / f"{session_path.stem}.answers.yaml"


def read_answers(path: Path) -> tuple[Entry, ...]:
    """Read every answer; none where there is no file.

    Raises
    ------
    PlannerError
        If the file is no answers file, or a field does not fit; with the line.
    """
    if not path.exists():
        return ()
    data, lines = read_yaml(path)
    return _entries(data, lines, path.name)


def append_answers(
    path: Path, song: str, entries: Sequence[Entry], *, audio: Iterable[Path]
) -> None:
    """Put answers behind those in the file, whole or not at all; never among the audio.

    Raises
    ------
    OutputError
        If the place is among the audio or cannot be written to, or the file has a form that
        nothing can be added to.
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
        raise OutputError(
            f"the answers could not be written ({error.strerror}); nothing was stored.",
            file=path.name,
            hint="Check the disk and your rights there.",
        ) from error


def entry_to_dict(entry: Entry) -> dict[str, Any]:
    """Give an answer as plain data, blank fields left out."""
    data: dict[str, Any] = {}
    for name in _FIELDS:
        value = getattr(entry, "area" if name == "where" else name)
        if name == "where" and value is not None:
            value = {f: getattr(value, f) for f in _PLACES if getattr(value, f) not in (None, "")}
        if name == "override" and value is not None:
            value = {
                "add_cents": value.add_cents,
                "action": value.action,
                "intended": None if value.intended_midi is None else note_name(value.intended_midi),
                "target_cents": value.target_cents,
                "points": ";".join(f"{t:g}:{c:g}" for t, c in value.points) or None,
                "from_bar": None if value.bars is None else value.bars[0],
                "to_bar": None if value.bars is None else value.bars[1],
                "role": value.role,
            }
            value = {key: one for key, one in value.items() if one is not None}
        if value is None or (value == "" and name != "comment"):
            continue
        data[name] = clean_text(value) if isinstance(value, str) else value
    return data


def entries_from(
    data: object, lines: Mapping[str, int], file: str, where: str
) -> tuple[Entry, ...]:
    """Read a list of answers from plain data.

    Raises
    ------
    PlannerError
        If a field does not fit.
    """
    if not isinstance(data, list):
        what = "must be a list of answers."
        raise PlannerError(what, file=file, line=lines.get(where), field=where)
    return tuple(_Reading(file, lines, f"{where}[{i}]").entry(one) for i, one in enumerate(data))


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


class _Reading:
    """One answer being read: where messages point to, and the checks."""

    def __init__(self, file: str, lines: Mapping[str, int], where: str) -> None:
        self.file, self.lines, self.where = file, lines, where

    def error(self, field: str, what: str, hint: str | None = None) -> PlannerError:
        path = f"{self.where}.{field}" if field else self.where
        line = self.lines.get(path, self.lines.get(self.where))
        return PlannerError(f"{what}.", file=self.file, line=line, field=path, hint=hint)

    def entry(self, data: object) -> Entry:
        if not isinstance(data, dict):
            raise self.error("", "must be a mapping of fields", "Begin with 'id:'.")
        self.known(data, _FIELDS, "")
        found: dict[str, Any] = {}
        for name, value in data.items():
            if value is None:
                continue
            if name in _TEXT_FIELDS:
                found[name] = self.text(value, name)
            elif name in _CHOICES:
                found[name] = self.choice(value, _CHOICES[name], name)
            elif name in _NUMBER_FIELDS:
                found[name] = self.number(value, name)
            elif name == "locked":
                if not isinstance(value, bool):
                    raise self.error(name, "must be true or false")
                found[name] = value
            elif name == "where":
                found["area"] = self.place(value)
            else:
                found[name] = self.override(value)
        if found.get("area") is not None:
            role = found["override"].role if found.get("override") is not None else None
            known = {"area", "locked", "override", "comment", *_WHO_AND_WHEN}
            if "id" in found or set(found) - known or (role is None and "override" in found):
                what = "a place can be locked, or a stem given a role, and nothing else said of it"
                raise self.error("where", what)
            if role is not None and found["area"].from_bar is not None:
                raise self.error("where", "a stem has one role in all its bars")
            if "locked" not in found and role is None:
                raise self.error("locked", "is missing", "Write locked: true, or false.")
            return Entry(id="", **found)
        if not found.get("id"):
            raise self.error(
                "id", "is missing", "Name the row (R-001, LV-0147), or a place: where: {stem: BAS}."
            )
        if found.get("override") is not None:
            self.fits(found["id"], found["override"])
            if found["override"].role is not None:
                hint = "Write where: {stem: BAS} in place of the id."
                raise self.error("override.role", "a stem has a role, and no row", hint)
        return Entry(**found)

    def fits(self, row_id: str, override: Override) -> None:
        if re.fullmatch(r"[QA]-\d{3}", row_id):
            hint = "Name the note that it asks about, for example LV-0012."
            raise self.error("override", f"{row_id} is no note and no rule", hint)
        leaves = override.action in (None, "leave")
        if override.bars is not None and not re.fullmatch(r"R-\d{3}", row_id):
            raise self.error("override.from_bar", f"{row_id} is no rule, so it has no bars")
        of_a_note = (
            override.intended_midi is not None or override.target_cents is not None
        ) or bool(override.points)
        if re.fullmatch(r"R-\d{3}", row_id) and (of_a_note or not leaves):
            hint = "Give add_cents, from_bar and to_bar, or action: leave."
            raise self.error("override", "a rule has no note or action of its own", hint)

    def place(self, value: object) -> Area:
        if not isinstance(value, dict) or not value:
            raise self.error("where", "must be a mapping", "For example {stem: BAS}.")
        self.known(value, _PLACES, "where.")
        stem = "" if value.get("stem") is None else self.text(value["stem"], "where.stem")
        bars = [value.get("from_bar"), value.get("to_bar")]
        if bars.count(None) == 1:
            raise self.error("where", "needs from_bar and to_bar together")
        for name, bar in zip(_PLACES[1:], bars, strict=True):
            if bar is not None and (isinstance(bar, bool) or not isinstance(bar, int)):
                raise self.error(f"where.{name}", f"must be a bar number, but is {bar!r}")
        if bars[0] is not None and bars[0] > bars[1]:
            raise self.error("where", f"bars {bars[0]} to {bars[1]} end before they begin")
        return Area(stem=stem, from_bar=bars[0], to_bar=bars[1])

    def override(self, value: object) -> Override:
        if not isinstance(value, dict):
            raise self.error("override", "must be a mapping", "For example {add_cents: -6}.")
        self.known(value, _OVERRIDES, "override.")
        add, action, intended, target, points, first, last, role = (
            value.get(name) for name in _OVERRIDES
        )
        midi: int | None = None
        if intended is not None:
            try:
                midi = parse_note(self.text(intended, "override.intended"))
            except ValueError as error:
                raise self.error(
                    "override.intended", f"{intended!r} is no note ({error})"
                ) from None
        cents = None if add is None else self.number(add, "override.add_cents")
        if action is not None:
            action = self.choice(action, _OVERRIDE_ACTIONS, "override.action")
            if action == "raise-lower" and cents is None:
                raise self.error("override", "raise-lower needs add_cents")
            if action != "raise-lower" and cents is not None:
                raise self.error("override", f"{action} moves nothing, so it takes no add_cents")
        along = () if points is None else self.points(points)
        if along and (cents is not None or action is not None):
            raise self.error("override", "points stand alone: they are the whole move of the note")
        return Override(
            add_cents=cents,
            action=action,
            intended_midi=midi,
            target_cents=None if target is None else self.number(target, "override.target_cents"),
            points=along,
            role=None if role is None else self.choice(role, ROLES, "override.role"),
            bars=self.bars(first, last),
        )

    def bars(self, first: object, last: object) -> tuple[int, int | None] | None:
        for name, bar in (("from_bar", first), ("to_bar", last)):
            if bar is not None and (isinstance(bar, bool) or not isinstance(bar, int)):
                raise self.error(f"override.{name}", f"must be a bar number, but is {bar!r}")
        if first is None and last is not None:
            raise self.error("override", "to_bar needs from_bar beside it")
        if not isinstance(first, int):
            return None
        if isinstance(last, int) and last < first:
            raise self.error("override", f"bars {first} to {last} end before they begin")
        return first, last if isinstance(last, int) else None

    def points(self, value: object) -> tuple[tuple[float, float], ...]:
        field, hint = "override.points", 'Write seconds:cents, as in "0:0;0.8:12".'
        try:
            pairs = [one.split(":") for one in self.text(value, field).split(";")]
            found = tuple((float(t), float(c)) for t, c in pairs)
        except ValueError:
            raise self.error(field, f"{value!r} is no list of points", hint) from None
        times = [t for t, _ in found]
        if times != sorted(set(times)) or times[0] < 0 or not np.isfinite(found).all():
            raise self.error(field, "must go forward in time from the note's start", hint)
        return found

    def known(self, data: Mapping[Any, Any], names: tuple[str, ...], owner: str) -> None:
        for key in data:
            if key not in names:
                near = difflib.get_close_matches(str(key), names, 1)
                hint = f"Did you mean '{near[0]}'?" if near else f"Use {', '.join(names)}."
                raise self.error(f"{owner}{key}", "is no field of an answer", hint)

    def text(self, value: object, field: str) -> str:
        if not isinstance(value, str):
            raise self.error(field, f"must be a text, but is {value!r}", "Put it in quotes.")
        return value

    def choice(self, value: object, choices: tuple[str, ...], field: str) -> Any:
        # A bare yes or no is a word in YAML 1.2; readers of 1.1 save it as true or false.
        said = {True: "yes", False: "no"}.get(value, value) if field == "answer" else value  # type: ignore[call-overload]
        if said not in choices:
            raise self.error(field, f"{value!r} is not known here", f"Use {', '.join(choices)}.")
        return said

    def number(self, value: object, field: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(field, f"must be a number, but is {value!r}")
        return float(value)


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
        raise OutputError(
            "nothing can be added to this file as it stands; nothing was stored.",
            file=name,
            hint="Let the list 'answers:' be the last thing in it, one '- id:' an answer.",
        )


def _replace(path: Path, old: bytes, new: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".answers-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(new)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp keeps the file private; answers are for everyone on the job.
        Path(temporary).chmod(0o644)
        if (path.read_bytes() if path.exists() else b"") != old:
            raise OutputError(
                "somebody else wrote to the answers at this moment; nothing was stored.",
                file=path.name,
                hint="Run the command again.",
            )
        os.replace(temporary, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
