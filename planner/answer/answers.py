"""What people answered: an answer as it was given, and what all answers to a row come to.

`planner.answer.rulings` makes the one of the other.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

from planner.model import Role
from planner.words.plan_model import MOVING_ACTIONS, Action, Row, State

Answer = Literal["yes", "no", "ask", "half", "note"]
ANSWERS: tuple[Answer, ...] = get_args(Answer)
Source = Literal["reply", "page", "sheet", "file"]  # "file": written into the answers file by hand

STATE_OF: dict[Answer, State] = {
    "yes": "approved", "half": "approved", "no": "refused", "ask": "parked",
}  # fmt: skip
_CHANGED_CENTS = 4.0  # as in the differences between plans: chosen
_SHORT_TEXT = 60  # chosen: what a sentence quotes of a comment


@dataclass(frozen=True, slots=True, kw_only=True)
class HumanColumns:
    """The columns of the edit list that people fill in, of one row."""

    state: State = "new"
    by: str = ""
    comment: str = ""
    locked: bool = False

    def over(self, before: HumanColumns) -> HumanColumns:
        """Take from what stood there before whatever is blank here."""
        return HumanColumns(
            state=before.state if self.state == "new" else self.state,
            by=self.by or before.by,
            comment=self.comment or before.comment,
            locked=self.locked or before.locked,
        )


BLANK = HumanColumns()


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A person's own value in place of the tool's."""

    add_cents: float | None = None
    action: Action | None = None
    intended_midi: int | None = None
    target_cents: float | None = None  # where the note belongs, from where it else would, in cents
    points: tuple[tuple[float, float], ...] = ()  # (s from the note's start, cents to add)
    span_s: tuple[float, float] | None = None  # of a note: from when to when, s of its file
    role: Role | None = None  # of a stem
    several_notes: bool | None = None  # whether several notes sound at once in a stem
    bars: tuple[int, int | None] | None = None  # of a rule, first and last; None: to the end

    @property
    def of_a_stem(self) -> bool:
        """Whether it says what a stem is; that is needed before the stem is heard."""
        return self.role is not None or self.several_notes is not None

    @property
    def moves(self) -> bool:
        """Whether a person's own move stands in place of the planner's."""
        return self.add_cents is not None or bool(self.points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A place of several rows: a stem, bars (inclusive) of all stems, or bars of one stem."""

    stem: str = ""
    from_bar: int | None = None
    to_bar: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One answer as it was given, beside what it was given to."""

    id: str
    answer: Answer | None = None
    state: State | None = None  # typed into the list instead of an answer
    comment: str | None = None  # None: nothing said; "" (in the list): taken out
    locked: bool | None = None
    override: Override | None = None
    area: Area | None = None  # what a lock speaks of in place of one row
    by: str = ""
    date: str = ""
    plan: str = ""  # folder name of the plan that was answered
    source: Source = "file"
    stem: str = ""
    start_s: float | None = None
    end_s: float | None = None
    intended: str = ""
    was: str = ""  # what was proposed, in words
    add_cents: float | None = None  # what was proposed, at its largest
    sha256: str = ""  # of the stem's file

    @property
    def typed(self) -> bool:
        """Whether a person wrote it into a file of ours, and not into a reply."""
        return self.source in ("sheet", "file")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """What all answers to one row come to."""

    id: str
    state: State = "new"
    by: str = ""
    comment: str = ""
    locked: bool = False
    factor: float = 1.0  # share of the proposed move that is taken
    override: Override | None = None
    entry: Entry  # the one that decided the state, else the last
    frozen: Row | None = None  # of locked rows: the row as it stood

    @property
    def who(self) -> str:
        return self.by or "the answer"

    @property
    def refused_by(self) -> str:
        return f"refused by {self.by}" if self.by else "refused"

    @property
    def set_by(self) -> str:
        return f"set by {self.by or 'hand'}"

    @property
    def says_otherwise(self) -> bool:
        """Whether it makes the plan differ from the planner's own."""
        return (
            self.state == "refused"
            or self.factor != 1.0
            or self.locked
            or self.override is not None
        )

    @property
    def share(self) -> str:
        """The share of the proposed move that is taken, in words."""
        return "half" if self.factor == 0.5 else f"{self.factor:g}"


Rulings = Mapping[str, Ruling]


def entry_of(
    row: Row, *, plan: str, sha256: str, source: Source, by: str = "", date: str = ""
) -> Entry:
    """Begin an answer to a row: what was shown, the file's content then, and who answers when."""
    return Entry(
        id=row.id, by=by, date=date, plan=plan, source=source, stem=row.stem,
        start_s=None if row.start_s is None else round(row.start_s, 4),
        end_s=None if row.end_s is None else round(row.end_s, 4),
        intended=row.intended, was=row.in_words or row.action, add_cents=largest_move(row),
        sha256=sha256,
    )  # fmt: skip


def with_human(entry: Entry, typed: HumanColumns, written: HumanColumns) -> Entry:
    """Put what a person typed into the human columns into an answer: only what was changed."""
    return replace(
        entry,
        state=typed.state if typed.state != written.state else None,
        by=typed.by if typed.by != written.by else typed.by or entry.by,
        comment=typed.comment if typed.comment != written.comment else None,
        locked=typed.locked if typed.locked != written.locked else None,
    )


def plan_number(name: str) -> int:
    """Give the number of a plan's folder; 0 for any other text."""
    found = re.fullmatch(r"plan_(\d+)", name)
    return int(found[1]) if found else 0


def largest_move(row: Row) -> float | None:
    """Give the cents that a row adds, at its largest where they differ along the note."""
    if row.action not in MOVING_ACTIONS:
        return None
    if row.add_cents is not None:
        return row.add_cents
    along = [c for c in (row.onset_add_cents, row.sustain_add_cents) if c is not None]
    return max([*along, *(c for _, c in row.points)], key=abs, default=None)


def short(text: str) -> str:
    """Keep a comment short enough for a sentence, on one line."""
    line = " ".join(text.split())
    return line if len(line) <= _SHORT_TEXT else line[: _SHORT_TEXT - 3].rstrip() + "..."


def moved_since(row: Row, ruling: Ruling) -> bool:
    """Whether a row now moves by something else than what a person approved."""
    shown = ruling.entry.add_cents
    now = largest_move(row)
    if shown is None or (ruling.override and ruling.override.moves):
        return False
    if now is None:
        return True
    wanted = 0.5 * shown if ruling.entry.answer == "half" else shown
    # What was halved is compared as it was before: half of a change is not half as new.
    return round(abs(now - wanted) / ruling.factor, 1) > _CHANGED_CENTS
