"""Every id that was ever given, and what it stood for: notes, rules, questions, advice.

A serial is given once and never reused. What is not found again stays in the ledger, so that it
keeps its serial and is known when it comes back. `planner.answer.note_ids` finds notes again,
`planner.answer.row_ids` rules, questions and advice.
"""

import re
from dataclasses import dataclass

from planner.words.plan_model import Action, RowKind, Scope

_NUMBER = re.compile(r"(.*)-(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One id that was ever given, and what it stood for when it was last seen."""

    id: str
    kind: RowKind  # "note" for notes, planned or not
    stem: str
    scope: Scope | None = None
    action: Action | None = None  # of rules and advice
    midi: int | None = None
    pitch_hz: float | None = None  # of notes
    start_s: float | None = None
    end_s: float | None = None
    covers: tuple[str, ...] = ()  # of rules, questions and advice
    here: bool = True  # seen by the last run
    split_from: str = ""
    absorbed_by: str = ""


Ledger = tuple[Known, ...]


def owner_of(one: str) -> str:
    """Give the part of an id before its serial: a stem code, or R, Q, A."""
    found = _NUMBER.fullmatch(one)
    return found[1] if found else ""


def serial_of(one: str) -> int:
    """Give the serial of an id, 0 for a text that is none."""
    found = _NUMBER.fullmatch(one)
    return int(found[2]) if found else 0
