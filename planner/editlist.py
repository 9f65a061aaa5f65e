"""The edit list as plain data: `Plan` to dict, and the frozen `EditList` that is read back.

Conventions
-----------
- Rounding happens here, once: cents to 0.1, seconds to 0.0001, Hz and beats to 0.001
  (vibrato and beating to 0.01), milliseconds to 0.1. Positions in samples are the truth
  that seconds are derived from.
- Blank is ``None``, never 0 and never an empty text.
- `COLUMNS` is the one table of a row's fields, in their order; rounding, checking and the cells
  of the CSV form all read it.
- The sign rule is that of `planner.pitch`; the header says it in words.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, get_args

from planner import __version__
from planner.errors import PlannerError
from planner.model import Confidence
from planner.plan_model import Action, Plan, Row, RowKind, Scope, State
from planner.wording import SIGN_RULE

EDIT_LIST_FORMAT_VERSION = "1.1"  # major.minor; a reader refuses another major

Kind = Literal["text", "choice", "whole", "number", "texts", "points", "layers", "yes-no"]


@dataclass(frozen=True, slots=True)
class Column:
    """One field of a row: how it is rounded, checked and written."""

    name: str
    kind: Kind
    decimals: int = 0
    choices: tuple[str, ...] = ()
    required: bool = False


COLUMNS: tuple[Column, ...] = (
    Column("id", "text", required=True),
    Column("kind", "choice", choices=get_args(RowKind), required=True),
    Column("scope", "choice", choices=get_args(Scope)),
    Column("stem", "text", required=True),
    Column("apply_to", "texts"),
    Column("start_s", "number", 4),
    Column("end_s", "number", 4),
    Column("start_smp", "whole"),
    Column("end_smp", "whole"),
    Column("start_bar", "whole"),
    Column("start_beat", "number", 3),
    Column("end_bar", "whole"),
    Column("end_beat", "number", 3),
    Column("start_tc", "text"),
    Column("word", "text"),
    Column("notes_covered", "whole"),
    Column("covers", "texts"),
    Column("intended", "text"),
    Column("intended_midi", "whole"),
    Column("target_hz", "number", 3),
    Column("target_from", "text"),
    Column("onset_cents", "number", 1),
    Column("sustain_cents", "number", 1),
    Column("end_cents", "number", 1),
    Column("heard_cents", "number", 1),
    Column("slope_cents_per_s", "number", 1),
    Column("vibrato_hz", "number", 2),
    Column("vibrato_half_cents", "number", 1),
    Column("vibrato_regularity", "number", 2),
    Column("uncertainty_cents", "number", 2),
    Column("onset_uncertainty_cents", "number", 2),
    Column("action", "choice", choices=get_args(Action), required=True),
    Column("add_cents", "number", 1),
    Column("in_words", "text"),
    Column("onset_add_cents", "number", 1),
    Column("cut_s", "number", 4),
    Column("sustain_add_cents", "number", 1),
    Column("points", "points"),
    Column("crossfade_in_ms", "number", 1),
    Column("crossfade_out_ms", "number", 1),
    Column("remaining_cents", "number", 1),
    Column("take_file", "text"),
    Column("take_start_s", "number", 4),
    Column("take_end_s", "number", 4),
    Column("take_start_smp", "whole"),
    Column("take_end_smp", "whole"),
    Column("take_heard_cents", "number", 1),
    Column("layers", "layers"),
    Column("clash_with", "text"),
    Column("beating_hz", "number", 2),
    Column("beat_cycles", "number", 1),
    Column("clash_partials", "text"),
    Column("clears_s", "number", 1),
    Column("severity", "number", 1),
    Column("confidence", "choice", choices=tuple(c for c in get_args(Confidence) if c)),
    Column("rule_name", "text"),
    Column("reason", "text"),
    Column("state", "choice", choices=get_args(State)),
    Column("by", "text"),
    Column("comment", "text"),
    Column("locked", "yes-no"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EditList:
    """An edit list as it was written: what it belongs to, and its rows, already rounded."""

    format_version: str
    planner_version: str
    song: str
    session_a4_hz: float
    sign_rule: str
    temperament: str
    judging: str
    rate: int | None  # samples per second of the session; None where the stems differ
    missing_stems: tuple[str, ...]
    rows: tuple[Row, ...]


HEADER: tuple[Column, ...] = (
    Column("format_version", "text", required=True),
    Column("planner_version", "text", required=True),
    Column("song", "text"),
    Column("session_a4_hz", "number", 3, required=True),
    Column("sign_rule", "text", required=True),
    Column("temperament", "text", required=True),
    Column("judging", "text", required=True),
    Column("rate", "whole"),
    Column("missing_stems", "texts"),
)


def edit_list_to_dict(plan: Plan) -> dict[str, Any]:
    """Give the plan's rows, with their header, as plain data in a fixed order, rounded once.

    Raises
    ------
    ValueError
        If a number of the plan is NaN or infinite: absent is None.
    """
    header = {
        "format_version": EDIT_LIST_FORMAT_VERSION,
        "planner_version": __version__,
        "song": plan.session.song,
        "session_a4_hz": plan.a4.a4_hz,
        "sign_rule": SIGN_RULE,
        "temperament": plan.session.temperament_said,
        "judging": plan.session.judging,
        "rate": common_rate(plan),
        "missing_stems": plan.missing,
    }
    data = {column.name: _plain(header[column.name], column, "the header") for column in HEADER}
    data["rows"] = [
        {c.name: _plain(getattr(row, c.name), c, f"row {row.id}") for c in COLUMNS}
        for row in plan.rows
    ]
    return data


def common_rate(plan: Plan) -> int | None:
    """Say the session's sample rate, else the one all stems share, else None."""
    if plan.session.rate is not None:
        return plan.session.rate
    rates = {facts.sr for _, facts in plan.facts}
    return rates.pop() if len(rates) == 1 else None


def rounded(value: float | None, decimals: int, where: str) -> float | None:
    """Round one number for writing; -0.0 becomes 0.0.

    Raises
    ------
    ValueError
        If the number is NaN or infinite.
    """
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(f"{where} is {value}; a number that is absent must be None")
    return round(float(value), decimals) + 0.0


def clean_text(text: str) -> str:
    """Replace half characters (lone surrogates of undecodable file names), which no file holds."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _plain(value: Any, column: Column, owner: str) -> Any:
    where = f"{column.name} of {owner}"
    if column.kind in ("text", "choice"):
        return clean_text(value) if value else None
    if column.kind == "number":
        return rounded(value, column.decimals, where)
    if column.kind == "whole":
        return None if value is None else int(value)
    if column.kind == "yes-no":
        return bool(value)
    if column.kind == "texts":
        return [clean_text(item) for item in value]
    if column.kind == "points":
        return [[rounded(t, 4, where), rounded(cents, 1, where)] for t, cents in value]
    return [[clean_text(rule), rounded(cents, 1, where)] for rule, cents in value]  # layers


# ------------------------------------------------------------------ read back


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
