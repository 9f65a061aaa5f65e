"""One answer after another out of plain data, as the answers file and past plans hold them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any, get_args

import numpy as np

from planner.answers import ANSWERS, Area, Entry, Override, Source
from planner.errors import PlannerError
from planner.model import ROLES
from planner.pitch import parse_note
from planner.pitch_levels import MIN_NOTE_S
from planner.plan_model import MOVING_ACTIONS, Action, State

_TEXT_FIELDS = ("id", "comment", "by", "date", "plan", "stem", "intended", "was", "sha256")
_NUMBER_FIELDS = ("start_s", "end_s", "add_cents")
_WHO_AND_WHEN = ("by", "date", "plan", "source")
_CHOICES: dict[str, tuple[str, ...]] = {
    "answer": ANSWERS,
    "state": get_args(State),
    "source": get_args(Source),
}
FIELDS = (
    "id", "where", "answer", "state", "comment", "locked", "override", "by", "date", "plan",
    "source", "stem", "start_s", "end_s", "intended", "was", "add_cents", "sha256",
)  # fmt: skip
PLACES = ("stem", "from_bar", "to_bar")
_OVERRIDES = ("add_cents", "action", "intended", "target_cents", "points", "from_bar", "to_bar",
              "role", "from_s", "to_s")  # fmt: skip
# Moves of several numbers cannot be asked for by name alone.
_OVERRIDE_ACTIONS: tuple[str, ...] = (
    "raise-lower", *(a for a in get_args(Action) if a not in MOVING_ACTIONS),
)  # fmt: skip


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
        self.known(data, FIELDS, "")
        found = {
            "area" if name == "where" else name: self.value(name, value)
            for name, value in data.items()
            if value is not None
        }
        return self.of_a_place(found) if "area" in found else self.of_a_row(found)

    def value(self, name: str, value: object) -> Any:
        if name in _TEXT_FIELDS:
            return self.text(value, name)
        if name in _CHOICES:
            return self.choice(value, _CHOICES[name], name)
        if name in _NUMBER_FIELDS:
            return self.number(value, name)
        if name == "where":
            return self.place(value)
        if name == "override":
            return self.override(value)
        if not isinstance(value, bool):
            raise self.error(name, "must be true or false")
        return value  # locked

    def of_a_place(self, found: dict[str, Any]) -> Entry:
        """A lock over a place, or the role of a stem."""
        override: Override | None = found.get("override")
        role = override.role if override is not None else None
        known = {"area", "locked", "override", "comment", *_WHO_AND_WHEN}
        if set(found) - known or (override is not None and role is None):
            what = "a place can be locked, or a stem given a role, and nothing else said of it"
            raise self.error("where", what)
        if role is not None and found["area"].from_bar is not None:
            raise self.error("where", "a stem has one role in all its bars")
        if "locked" not in found and role is None:
            raise self.error("locked", "is missing", "Write locked: true, or false.")
        return Entry(id="", **found)

    def of_a_row(self, found: dict[str, Any]) -> Entry:
        override: Override | None = found.get("override")
        if not found.get("id"):
            raise self.error(
                "id", "is missing", "Name the row (R-001, LV-0147), or a place: where: {stem: BAS}."
            )
        if override is not None:
            self.fits(found["id"], override)
            if override.role is not None:
                hint = "Write where: {stem: BAS} in place of the id."
                raise self.error("override.role", "a stem has a role, and no row", hint)
        return Entry(**found)

    def fits(self, row_id: str, override: Override) -> None:
        if re.fullmatch(r"[QA]-\d{3}", row_id):
            hint = "Name the note that it asks about, for example LV-0012."
            raise self.error("override", f"{row_id} is no note and no rule", hint)
        is_rule = re.fullmatch(r"R-\d{3}", row_id) is not None
        if override.bars is not None and not is_rule:
            raise self.error("override.from_bar", f"{row_id} is no rule, so it has no bars")
        leaves = override.action in (None, "leave")
        named = override.intended_midi is not None or override.target_cents is not None
        own = bool(override.points) or override.span_s is not None
        if is_rule and (named or own or not leaves):
            hint = "Give add_cents, from_bar and to_bar, or action: leave."
            raise self.error("override", "a rule has no note or action of its own", hint)

    def place(self, value: object) -> Area:
        if not isinstance(value, dict) or not value:
            raise self.error("where", "must be a mapping", "For example {stem: BAS}.")
        self.known(value, PLACES, "where.")
        stem = "" if value.get("stem") is None else self.text(value["stem"], "where.stem")
        bars = [value.get("from_bar"), value.get("to_bar")]
        if bars.count(None) == 1:
            raise self.error("where", "needs from_bar and to_bar together")
        for name, bar in zip(PLACES[1:], bars, strict=True):
            if bar is not None and (isinstance(bar, bool) or not isinstance(bar, int)):
                raise self.error(f"where.{name}", f"must be a bar number, but is {bar!r}")
        if bars[0] is not None and bars[0] > bars[1]:
            raise self.error("where", f"bars {bars[0]} to {bars[1]} end before they begin")
        return Area(stem=stem, from_bar=bars[0], to_bar=bars[1])

    def override(self, value: object) -> Override:
        if not isinstance(value, dict):
            raise self.error("override", "must be a mapping", "For example {add_cents: -6}.")
        self.known(value, _OVERRIDES, "override.")
        add, action, intended, target, points, first, last, role, from_s, to_s = (
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
            span_s=self.span(from_s, to_s),
        )

    def span(self, first: object, last: object) -> tuple[float, float] | None:
        if first is None and last is None:
            return None
        if first is None or last is None:
            raise self.error("override", "needs from_s and to_s together")
        from_s, to_s = self.number(first, "override.from_s"), self.number(last, "override.to_s")
        if from_s < 0.0 or to_s < from_s + MIN_NOTE_S:
            hint = f"A note lasts {MIN_NOTE_S:g} s at the least."
            raise self.error("override", f"{from_s:g} to {to_s:g} s is no span of a note", hint)
        return from_s, to_s

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
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise self.error(field, f"must be a number, but is {value!r}")
        return float(value)
