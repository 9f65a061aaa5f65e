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

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

from planner import __version__
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
