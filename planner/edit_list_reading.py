"""An edit list read back: plain data to a frozen `EditList`, with every fault in its place.

Conventions are those of `planner.editlist`: blank is ``None``, and `COLUMNS` says what a field
holds.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from planner.editlist import COLUMNS, EDIT_LIST_FORMAT_VERSION, HEADER, Column, EditList
from planner.errors import PlannerError
from planner.plan_model import Row


def edit_list_from_dict(
    data: object, *, file: str, lines: Mapping[str, int] | None = None
) -> EditList:
    """Read plain data back into an `EditList`.

    data: what a YAML or CSV reader made of the file.
    file: its name, for messages.
    lines: dotted path (``rows[3].add_cents``) to line number, for messages.

    Raises
    ------
    PlannerError
        If the data is no edit list, its major version is not ours, or a field does not fit; the
        message carries the file, the line where known, and the dotted path.
    """
    reading = _Reading(file, lines or {})
    top = reading.mapping(data, "")
    version = reading.value(top, HEADER[0], "")
    newer = reading.newer_minor(version)
    if not newer:
        reading.refuse_unknown(top, (*(c.name for c in HEADER), "rows"), "")
    header = {c.name: reading.value(top, c, "") for c in HEADER}
    rows = top.get("rows")
    if not isinstance(rows, list):
        raise reading.error("rows", "must be a list of rows", "Write 'rows: []' for an empty list.")
    return EditList(
        **header, rows=tuple(reading.row(r, f"rows[{i}]", newer) for i, r in enumerate(rows))
    )


_EMPTY: dict[str, Any] = {f.name: f.default for f in fields(Row)}


@dataclass(frozen=True, slots=True)
class _Reading:
    """One file being read: where messages point to, and the checks."""

    file: str
    lines: Mapping[str, int]

    def error(self, path: str, what: str, hint: str | None = None) -> PlannerError:
        line, owner = self.lines.get(path), path
        while line is None and owner:
            owner = owner.rpartition("." if not owner.endswith("]") else "[")[0]
            line = self.lines.get(owner)
        return PlannerError(f"{what}.", file=self.file, line=line, field=path or None, hint=hint)

    def mapping(self, data: object, path: str) -> Mapping[str, Any]:
        if not isinstance(data, dict):
            raise self.error(
                path,
                f"must be a mapping of fields, but is {_said(data)}",
                "Is this an edit list?" if not path else None,
            )
        for key in data:
            if not isinstance(key, str):
                raise self.error(path, f"has a field name that is no text: {key!r}")
        return data

    def refuse_unknown(self, data: Mapping[str, Any], known: tuple[str, ...], path: str) -> None:
        for key in data:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                raise self.error(
                    _join(path, key),
                    "is no field of an edit list",
                    f"Did you mean '{near[0]}'?" if near else None,
                )

    def newer_minor(self, version: str) -> bool:
        """Check the major version; say whether the minor one is newer than ours."""
        ours, path = EDIT_LIST_FORMAT_VERSION, "format_version"
        # A spreadsheet that takes "1.0" for a number saves it as "1".
        parts = (version if "." in version else f"{version}.0").split(".")
        if not (len(parts) == 2 and all(p.isascii() and p.isdigit() for p in parts)):
            raise self.error(path, f"{version!r} is no version", f'Write it as "{ours}".')
        if parts[0] != ours.split(".")[0]:
            raise self.error(
                path,
                f"is {version}, but this planner reads {ours.split('.')[0]}.x",
                "Use the planner that wrote the list, or plan again.",
            )
        return int(parts[1]) > int(ours.split(".")[1])

    def row(self, data: object, path: str, newer: bool) -> Row:
        found = self.mapping(data, path)
        if not newer:
            self.refuse_unknown(found, tuple(c.name for c in COLUMNS), path)
        read = {c.name: self.value(found, c, path) for c in COLUMNS}
        if read["notes_covered"] is None:
            read["notes_covered"] = _EMPTY["notes_covered"]
        return Row(**read)

    def value(self, data: Mapping[str, Any], column: Column, owner: str) -> Any:
        path = _join(owner, column.name)
        value = data.get(column.name)
        if value is None:
            if column.required:
                raise self.error(path, "is missing")
            return self._blank(column)
        check = {
            "text": self._text,
            "choice": self._text,
            "whole": self._whole,
            "number": self._number,
            "yes-no": self._yes_no,
            "texts": self._texts,
            "points": self._pairs,
            "layers": self._pairs,
        }[column.kind]
        return check(value, column, path)

    @staticmethod
    def _blank(column: Column) -> Any:
        if column.kind in ("texts", "points", "layers"):
            return ()
        if column.kind == "yes-no":
            return False
        if column.kind in ("text", "choice"):
            # Absent texts are empty; `scope` alone is None, and `state` starts as new.
            return _EMPTY.get(column.name, "")
        return None

    def _text(self, value: object, column: Column, path: str) -> str:
        if not isinstance(value, str):
            raise self.error(path, f"must be a text, but is {_said(value)}", "Put it in quotes.")
        if column.choices and value not in column.choices:
            near = difflib.get_close_matches(value, column.choices, 1)
            hint = f"Did you mean '{near[0]}'?" if near else f"Use {', '.join(column.choices)}."
            raise self.error(path, f"{value!r} is not known here", hint)
        return value

    def _whole(self, value: object, column: Column, path: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(path, f"must be a whole number, but is {_said(value)}")
        return value

    def _number(self, value: object, column: Column, path: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(path, f"must be a number, but is {_said(value)}")
        if not math.isfinite(value):
            raise self.error(path, f"must be a finite number, but is {value}", "Leave it blank.")
        return float(value)

    def _yes_no(self, value: object, column: Column, path: str) -> bool:
        if not isinstance(value, bool):
            raise self.error(path, f"must be true or false, but is {_said(value)}")
        return value

    def _texts(self, value: object, column: Column, path: str) -> tuple[str, ...]:
        items = enumerate(self._list(value, path))
        return tuple(self._name(item, column, f"{path}[{i}]") for i, item in items)

    def _name(self, value: object, column: Column, path: str) -> str:
        name = self._text(value, column, path)
        if not name:
            raise self.error(path, "is an empty text")
        return name

    def _pairs(self, value: object, column: Column, path: str) -> tuple[tuple[Any, float], ...]:
        first = self._number if column.kind == "points" else self._name
        pairs = []
        for i, pair in enumerate(self._list(value, path)):
            if not isinstance(pair, list) or len(pair) != 2:
                names = "seconds, cents" if column.kind == "points" else "rule, cents"
                raise self.error(f"{path}[{i}]", f"must be a pair [{names}]")
            head = first(pair[0], column, f"{path}[{i}][0]")
            pairs.append((head, self._number(pair[1], column, f"{path}[{i}][1]")))
        return tuple(pairs)

    def _list(self, value: object, path: str) -> list[object]:
        if not isinstance(value, list):
            raise self.error(path, f"must be a list, but is {_said(value)}")
        return value


def _join(owner: str, name: str) -> str:
    return f"{owner}.{name}" if owner else name


def _said(value: object) -> str:
    names = {bool: "yes or no", int: "a number", float: "a number", str: "a text", list: "a list"}
    if value is None:
        return "empty"
    if isinstance(value, dict):
        return "a mapping"
    kind = names.get(type(value), type(value).__name__)
    return f"{kind} ({value!r})" if isinstance(value, bool | int | float | str) else kind
