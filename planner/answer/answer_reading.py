"""One answer after another out of plain data, as the answers file and past plans hold them."""

import re
import sys
from collections.abc import Mapping
from typing import Any, get_args

import numpy as np

from planner.answer.answers import ANSWERS, Area, Entry, Override, Source
from planner.model import ROLES
from planner.read.session_values import (
    WRONG,
    Problems,
    Reader,
    fields,
    list_of,
    note,
    number,
    one_of,
    shown,
    words,
    yes_or_no,
)
from planner.segment.pitch_levels import MIN_NOTE_S
from planner.words.plan_model import MOVING_ACTIONS, Action, State

_EXAMPLE = '{id: LV-0147, answer: "no"}'
# Moves of several numbers cannot be asked for by name alone.
_OVERRIDE_ACTIONS = ("raise-lower", *(a for a in get_args(Action) if a not in MOVING_ACTIONS))
_MOST = sys.float_info.max  # any number but an infinite one


def entries_from(
    data: object, lines: Mapping[str, int], file: str, where: str
) -> tuple[Entry, ...]:
    """Read a list of answers from plain data.

    Raises PlannerError if a field does not fit; it tells all that do not.
    """
    problems = Problems(lines, file)
    entries: tuple[Entry, ...] = list_of(_entry, example=f"[{_EXAMPLE}]")(problems, data, where)
    problems.raise_if_any()
    return entries


def _answer(problems: Problems, value: object, path: str) -> Any:
    # A bare yes or no is a word in YAML 1.2; readers of 1.1 save it as true or false.
    said = ("yes" if value else "no") if isinstance(value, bool) else value
    return one_of(*ANSWERS)(problems, said, path)


def _points(problems: Problems, value: object, path: str) -> Any:
    hint = 'Write seconds:cents, as in "0:0;0.8:12".'
    try:
        pairs = [one.split(":") for one in str(value).split(";")]
        found = tuple((float(t), float(c)) for t, c in pairs)
    except ValueError:
        return problems.wrong(path, f"{shown(value)} is no list of points", hint)
    times = [t for t, _ in found]
    if times != sorted(set(times)) or times[0] < 0 or not np.isfinite(found).all():
        return problems.wrong(path, "must go forward in time from the note's start", hint)
    return found


def _place(problems: Problems, value: object, path: str) -> Any:
    before, example = len(problems.told), "{stem: BAS}"
    found = fields(_PLACE_FIELDS, example=example)(problems, value, path)
    if len(problems.told) > before:
        return WRONG
    if not found:
        return problems.wrong(path, "this names no place", f"For example {example}.")
    area = Area(**found)
    if (area.from_bar is None) != (area.to_bar is None):
        return problems.wrong(path, "needs from_bar and to_bar together")
    if area.from_bar is not None and area.to_bar is not None and area.from_bar > area.to_bar:
        what = f"bars {area.from_bar} to {area.to_bar} end before they begin"
        return problems.wrong(path, what)
    return area


def _override(problems: Problems, value: object, path: str) -> Any:
    before = len(problems.told)
    found = fields(_OVERRIDE_FIELDS, example="{add_cents: -6}")(problems, value, path)
    if len(problems.told) > before:
        return WRONG
    first, last, from_s, to_s = (
        found.pop(name, None) for name in ("from_bar", "to_bar", "from_s", "to_s")
    )
    if first is not None:
        found["bars"] = first, last
    if from_s is not None and to_s is not None:
        found["span_s"] = from_s, to_s
    said = Override(**found)
    what = hint = ""
    if said.action == "raise-lower" and said.add_cents is None:
        what = "raise-lower needs add_cents"
    elif said.action not in (None, "raise-lower") and said.add_cents is not None:
        what = f"{said.action} moves nothing, so it takes no add_cents"
    elif said.points and (said.add_cents is not None or said.action is not None):
        what = "points stand alone: they are the whole move of the note"
    elif first is None and last is not None:
        what = "to_bar needs from_bar beside it"
    elif first is not None and last is not None and last < first:
        what = f"bars {first} to {last} end before they begin"
    elif (from_s is None) != (to_s is None):
        what = "needs from_s and to_s together"
    elif said.span_s is not None and (from_s < 0.0 or to_s < from_s + MIN_NOTE_S):
        what = f"{from_s:g} to {to_s:g} s is no span of a note"
        hint = f"A note lasts {MIN_NOTE_S:g} s at the least."
    return problems.wrong(path, what, hint) if what else said


def _entry(problems: Problems, value: object, path: str) -> Any:
    before = len(problems.told)
    found = fields(_FIELDS, example=_EXAMPLE)(problems, value, path)
    if len(problems.told) > before:
        return WRONG
    below, what, hint = _of_a_place(found) if "area" in found else _of_a_row(found)
    if what:
        return problems.wrong(f"{path}.{below}", what, hint)
    return Entry(**{"id": "", **found})


def _of_a_place(found: Mapping[str, Any]) -> tuple[str, str, str]:
    """What is wrong with a lock over a place, or the role of a stem: field, what, hint."""
    override: Override | None = found.get("override")
    of_stem = override is not None and override.of_a_stem
    known = {"area", "locked", "override", "comment", "by", "date", "plan", "source"}
    # Hands off: locked, and a no to whatever would move there.
    known |= {"answer"} if found.get("answer") == "no" and found.get("locked") else set()
    if set(found) - known or (override is not None and not of_stem):
        what = "a place can be locked, or a stem given a role, and nothing else said of it"
        return "where", what, ""
    if of_stem and found["area"].from_bar is not None:
        return "where", "a stem has one role in all its bars", ""
    if "locked" not in found and not of_stem:
        return "locked", "this is missing", "Write locked: true, or false."
    return "", "", ""


def _of_a_row(found: Mapping[str, Any]) -> tuple[str, str, str]:
    """What is wrong with an answer to a row: field, what, hint."""
    row_id, override = found.get("id", ""), found.get("override")
    is_rule = re.fullmatch(r"R-\d{3}", row_id) is not None
    if not row_id:
        hint = "Name the row (R-001, LV-0147), or a place: where: {stem: BAS}."
        return "id", "this is missing", hint
    if override is None:
        return "", "", ""
    if re.fullmatch(r"[QA]-\d{3}", row_id):
        hint = "Name the note that it asks about, for example LV-0012."
        return "override", f"{row_id} is no note and no rule", hint
    if override.bars is not None and not is_rule:
        return "override.from_bar", f"{row_id} is no rule, so it has no bars", ""
    named = override.intended_midi is not None or override.target_cents is not None
    own = override.points or override.span_s or override.action not in (None, "leave")
    if is_rule and (named or own):
        hint = "Give add_cents, from_bar and to_bar, or action: leave."
        return "override", "a rule has no note or action of its own", hint
    if override.of_a_stem:
        hint = "Write where: {stem: BAS} in place of the id."
        return "override.role", "a stem has a role, and no row", hint
    return "", "", ""


_NUMBER, _BAR = number("", -_MOST, _MOST), number(" bars", -_MOST, _MOST, whole=True)
_PLACE_FIELDS: dict[str, tuple[str, Reader]] = {
    "stem": ("stem", words), "from_bar": ("from_bar", _BAR), "to_bar": ("to_bar", _BAR),
}  # fmt: skip
_OVERRIDE_FIELDS: dict[str, tuple[str, Reader]] = {
    "add_cents": ("add_cents", _NUMBER),
    "action": ("action", one_of(*_OVERRIDE_ACTIONS)),
    "intended": ("intended_midi", note),
    "target_cents": ("target_cents", _NUMBER),
    "points": ("points", _points),
    "from_bar": ("from_bar", _BAR),
    "to_bar": ("to_bar", _BAR),
    "role": ("role", one_of(*ROLES)),
    "several_notes": ("several_notes", yes_or_no),
    "from_s": ("from_s", _NUMBER),
    "to_s": ("to_s", _NUMBER),
}
_FIELDS: dict[str, tuple[str, Reader]] = {
    "id": ("id", words),
    "where": ("area", _place),
    "answer": ("answer", _answer),
    "state": ("state", one_of(*get_args(State))),
    "comment": ("comment", words),
    "locked": ("locked", yes_or_no),
    "override": ("override", _override),
    "by": ("by", words),
    "date": ("date", words),
    "plan": ("plan", words),
    "source": ("source", one_of(*get_args(Source))),
    "stem": ("stem", words),
    "start_s": ("start_s", _NUMBER),
    "end_s": ("end_s", _NUMBER),
    "intended": ("intended", words),
    "was": ("was", words),
    "add_cents": ("add_cents", _NUMBER),
    "sha256": ("sha256", words),
}
FIELDS, PLACES = tuple(_FIELDS), tuple(_PLACE_FIELDS)
