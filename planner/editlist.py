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

import math
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args

from planner import __version__
from planner.model import Confidence
from planner.read.session_values import (
    WRONG,
    Problems,
    Reader,
    fields,
    list_of,
    number,
    one_of,
    shown,
    words,
    yes_or_no,
)
from planner.words.plan_model import Action, Plan, Row, RowKind, Scope, State
from planner.words.wording import SIGN_RULE

EDIT_LIST_FORMAT_VERSION = "1.2"  # major.minor; a reader refuses another major

_MOST = sys.float_info.max  # any number but an infinite one

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
    Column("asked_on_page", "text"),
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

    Raises ValueError if a number of the plan is NaN or infinite: absent is None.
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

    Raises ValueError if the number is NaN or infinite.
    """
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(f"{where} is {value}; a number that is absent must be None")
    return round(float(value), decimals) + 0.0


def clean_text(said: str) -> str:
    """Replace half characters (lone surrogates of undecodable file names), which no file holds."""
    return said.encode("utf-8", "replace").decode("utf-8")


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

    Raises PlannerError if the data is no edit list, its major version is not ours, or a field does
    not fit; the message carries the file, the line where known, and the dotted path.
    """
    problems = Problems(lines or {}, file)
    if not isinstance(data, dict):
        hint = "Is this an edit list?"
        problems.wrong("", f"this should be a mapping, not {shown(data)}", hint)
        problems.raise_if_any()
    given: dict[str, Any] = data  # type: ignore[assignment]
    newer = _newer_minor(problems, given.get("format_version"))
    problems.raise_if_any()

    def row(problems: Problems, value: object, path: str) -> Any:
        found = _fields(problems, value, path, COLUMNS, newer=newer)
        return WRONG if found is WRONG else Row(**{"apply_to": (), **found})

    top = {name: value for name, value in given.items() if name != "rows"}
    header = _fields(problems, top, "", HEADER, newer=newer)
    rows: Any = list_of(row, example="[], an empty one")(problems, given.get("rows"), "rows")
    problems.raise_if_any()
    return EditList(**{"song": "", "rate": None, "missing_stems": (), **header}, rows=rows)


def _newer_minor(problems: Problems, version: object) -> bool:
    """Check the major version; say whether the minor one is newer than ours."""
    ours, path = EDIT_LIST_FORMAT_VERSION, "format_version"
    # A spreadsheet that takes "1.0" for a number saves it as "1".
    found = re.fullmatch(r"([0-9]+)(?:\.([0-9]+))?", version) if isinstance(version, str) else None
    if found is None:
        what = "this is missing" if version is None else f"{version!r} is no version"
        problems.wrong(path, what, f'Write it as "{ours}".')
        return False
    if found[1] != ours.split(".")[0]:
        what = f"is {version}, but this planner reads {ours.split('.')[0]}.x"
        problems.wrong(path, what, "Use the planner that wrote the list, or plan again.")
    return int(found[2] or 0) > int(ours.split(".")[1])


def _fields(
    problems: Problems, data: object, path: str, columns: tuple[Column, ...], *, newer: bool
) -> Any:
    """Read a mapping by some columns; what a newer minor version adds is passed over."""
    table = _table(columns)
    if newer and isinstance(data, dict):
        data = {name: value for name, value in data.items() if name in table}
    required = [c.name for c in columns if c.required]
    example = "{id: LV-0147, kind: note, stem: LV, action: leave}"
    return fields(table, required=required, example=example)(problems, data, path)


@cache
def _table(columns: tuple[Column, ...]) -> dict[str, tuple[str, Reader]]:
    return {c.name: (c.name, _reader(c)) for c in columns}


def _reader(column: Column) -> Reader:
    a_number = number("", -_MOST, _MOST)
    if column.choices:
        return one_of(*column.choices)
    return {
        "text": words,
        "whole": number("", -_MOST, _MOST, whole=True),
        "number": a_number,
        "yes-no": yes_or_no,
        "texts": list_of(_name, example="[LV-0001]"),
        "points": list_of(_pair(a_number, "seconds, cents"), example="[[0.0, -16.0]]"),
        "layers": list_of(_pair(_name, "rule, cents"), example='[["R-001", -4.0]]'),
    }[column.kind]


def _name(problems: Problems, value: object, path: str) -> Any:
    return (
        problems.wrong(path, "this text is empty") if value == "" else words(problems, value, path)
    )


def _pair(head: Reader, names: str) -> Reader:
    """Make a reader of two values, the second of them cents."""

    def read(problems: Problems, value: object, path: str) -> Any:
        if not isinstance(value, list) or len(value) != 2:
            return problems.wrong(path, f"this should be a pair [{names}], not {shown(value)}")
        first = head(problems, value[0], f"{path}[0]")
        second = number("", -_MOST, _MOST)(problems, value[1], f"{path}[1]")
        return WRONG if WRONG in (first, second) else (first, second)

    return read
