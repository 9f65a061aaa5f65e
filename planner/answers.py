"""What people answered, brought together: one ruling a row, and what contradicts what.

Who wins: a do-not-touch span, then a lock, then what a person typed into the list or the answers
file, then a reply, then rule and tool. Of two answers of the same rank the later one stands. Where
two people disagree, or a ruling cannot be carried out, a finding says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from planner.model import Finding, Role
from planner.pitch import note_name
from planner.plan_model import MOVING_ACTIONS, Action, Row, State

Answer = Literal["yes", "no", "ask", "half", "note"]
ANSWERS: tuple[Answer, ...] = get_args(Answer)
Source = Literal["reply", "page", "sheet", "file"]  # "file": written into the answers file by hand

Human = tuple[State, str, str, bool]  # the columns state, by, comment, locked
BLANK: Human = ("new", "", "", False)

STATE_OF: dict[Answer, State] = {
    "yes": "approved", "half": "approved", "no": "refused", "ask": "parked",
}  # fmt: skip
_CHANGED_CENTS = 4.0  # as in the differences between plans: chosen
_SHORT_TEXT = 60  # chosen: what a sentence quotes of a comment


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A person's own value in place of the tool's."""

    add_cents: float | None = None
    action: Action | None = None
    intended_midi: int | None = None
    target_cents: float | None = None  # where the note belongs, from where it else would, in cents
    points: tuple[tuple[float, float], ...] = ()  # (s from the note's start, cents to add)
    role: Role | None = None  # of a stem
    bars: tuple[int, int | None] | None = None  # of a rule, first and last; None: to the end

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
        """Whether it makes the plan another one than the planner's own."""
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

    @property
    def human(self) -> Human:
        return self.state, self.by, self.comment, self.locked


Rulings = Mapping[str, Ruling]


def rulings_from(
    entries: Iterable[Entry], rows: Iterable[Row] = ()
) -> tuple[dict[str, Ruling], tuple[Finding, ...]]:
    """Bring all answers together, one ruling a row.

    Parameters
    ----------
    entries : iterable of Entry
        In the order in which they were given, as far as that is known.
    rows : iterable of Row
        The rows of the last plan: what a lock freezes.

    Returns
    -------
    rulings, findings
        By row id; a warning for every contradiction.
    """
    by_id: dict[str, list[Entry]] = {}
    for entry in entries:
        by_id.setdefault(entry.id, []).append(entry)
    # An orphan has lost its numbers: there is nothing in it that a lock could freeze.
    last = {row.id: row for row in rows if row.state != "orphan"}
    rulings = {}
    findings: list[Finding] = []
    for row_id, given in by_id.items():
        ordered = sorted(given, key=_when)
        ruling = _ruling(row_id, ordered)
        if ruling.locked:
            ruling = replace(ruling, frozen=last.get(row_id))
        rulings[row_id] = ruling
        findings += _contradictions(ordered, ruling)
    return rulings, tuple(findings)


def entry_of(
    row: Row, *, plan: str, sha256: str, source: Source, by: str = "", date: str = ""
) -> Entry:
    """Begin an answer to a row: what was shown, of which content, and who answers when."""
    return Entry(
        id=row.id, by=by, date=date, plan=plan, source=source, stem=row.stem,
        start_s=None if row.start_s is None else round(row.start_s, 4),
        end_s=None if row.end_s is None else round(row.end_s, 4),
        intended=row.intended, was=row.in_words or row.action, add_cents=largest_move(row),
        sha256=sha256,
    )  # fmt: skip


def with_human(entry: Entry, typed: Human, written: Human) -> Entry:
    """Put what a person typed into the human columns into an answer: only what was changed."""
    (state, by, comment, locked), before = typed, written
    return replace(
        entry,
        state=state if state != before[0] else None,
        by=by if by != before[1] else by or entry.by,
        comment=comment if comment != before[2] else None,
        locked=locked if locked != before[3] else None,
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


def _when(entry: Entry) -> tuple[bool, int, bool]:
    """Who fills in a list sees what was answered to it; what names no plan comes last."""
    return entry.typed and not entry.plan, plan_number(entry.plan), entry.typed


def _ruling(row_id: str, entries: Sequence[Entry]) -> Ruling:
    state: State = "new"
    by, comment, locked, override = "", "", False, None
    factor, factor_plan, typed = 1.0, -1, False
    decided = entries[-1]
    for e in entries:
        said = _stand(e)
        if said is not None and (e.typed or not typed):
            state, by, decided, typed = said, e.by, e, e.typed
            # Whoever answers to a halved move sees the half.
            seen = factor if plan_number(e.plan) > factor_plan else 1.0
            if said == "new":
                factor, factor_plan = 1.0, -1
            elif e.answer is not None:
                factor = 0.5 * seen if e.answer == "half" else seen
                factor_plan = plan_number(e.plan) if e.answer == "half" else factor_plan
        if e.comment is not None:
            comment = _with_comment(comment, e)
        if e.locked is not None:
            locked = e.locked
        if e.override is not None:
            override = e.override
            by = e.by or by
        if e.typed and e.by:
            by = e.by
    if not by:
        # Nobody is said to have refused what he approved.
        agree = (e for e in reversed(entries) if e.by and _stand(e) in (None, state))
        by = next((e.by for e in agree), "")
    return Ruling(
        id=row_id, state=state, by=by, comment=comment, locked=locked, factor=factor,
        override=override, entry=decided,
    )  # fmt: skip


def _stand(entry: Entry) -> State | None:
    """The state that an answer gives its row; None for words and numbers alone."""
    return entry.state or (STATE_OF.get(entry.answer) if entry.answer else None)


def _with_comment(before: str, entry: Entry) -> str:
    """A cell of the list holds all there was; a reply comes below it."""
    said = entry.comment or ""
    if entry.typed or not before:
        return said if said or entry.typed else before
    if not said or said in before.split("\n") or said == before:
        return before
    return f"{before}\n{said}"


def _contradictions(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    stated = [e for e in entries if e.answer in STATE_OF or e.state is not None]
    # Each voice counts by what it said last: to change one's mind is no contradiction.
    voices = {(e.by, e.typed): e for e in stated}
    in_list = any(e.typed for e in voices.values())
    # The list knows no half; among replies yes and half are two things.
    states = {_state_said(e) if in_list else str(e.answer) for e in voices.values()}
    found = []
    if len(states - {"done", "checked", "not-done", "new"}) > 1:
        said = "; ".join(f"{e.by or 'somebody'} ({_where(e)}): {_said(e)}" for e in voices.values())
        found.append(
            Finding(
                severity="warning",
                what=f"{ruling.id} has answers that contradict each other: {said}.",
                did=f"Taken as {ruling.state}{f', by {ruling.by}' if ruling.by else ''}: what is "
                "typed into the list goes before replies, later before earlier.",
                advice="Agree on one, and answer again.",
                stem=ruling.entry.stem or None,
            )
        )
    found += _named_twice(entries, ruling)
    lock = next((e for e in reversed(entries) if e.locked), None)
    if ruling.locked and lock is not None and lock.area is None:
        # What was answered to an earlier plan is in the row that was locked.
        late = [
            e
            for e in entries
            if e.answer in ("no", "half", "ask") and plan_number(e.plan) >= plan_number(lock.plan)
        ]
        if late:
            found.append(
                Finding(
                    severity="warning",
                    what=f"{ruling.id} is locked, and was answered otherwise: {_said(late[-1])}.",
                    did="Its numbers and text stay as they are.",
                    advice="Take the lock out of the list if the answer shall count.",
                    stem=ruling.entry.stem or None,
                )
            )
    return found


def _named_twice(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    """Two people who name two notes; whoever changes their own mind contradicts nobody."""
    by = {
        e.by: e.override.intended_midi
        for e in entries
        if e.override is not None and e.override.intended_midi is not None
    }
    if len(set(by.values())) < 2:
        return []
    said = "; ".join(f"{who or 'somebody'}: {note_name(midi)}" for who, midi in by.items())
    taken = ruling.override.intended_midi if ruling.override else None
    return [
        Finding(
            severity="warning",
            what=f"{ruling.id} has two names for the note that was meant: {said}.",
            did="" if taken is None else f"Taken as {note_name(taken)}, which was said last.",
            advice="Agree on one, and answer again.",
            stem=ruling.entry.stem or None,
        )
    ]


def _state_said(entry: Entry) -> State:
    return entry.state or STATE_OF[entry.answer or "yes"]


def _said(entry: Entry) -> str:
    said = str(entry.answer or entry.state)
    if entry.comment:
        said += f' "{short(entry.comment)}"'
    return said


def _where(entry: Entry) -> str:
    words = {"sheet": "in the list", "file": "in the answers file"}
    return words.get(entry.source, "in a reply")


def short(text: str) -> str:
    """Keep a comment short enough for a sentence, on one line."""
    line = " ".join(text.split())
    return line if len(line) <= _SHORT_TEXT else line[: _SHORT_TEXT - 3].rstrip() + "..."


def moved_since(row: Row, ruling: Ruling) -> bool:
    """Whether a row now moves by something else than what was said yes to."""
    shown = ruling.entry.add_cents
    now = largest_move(row)
    if shown is None or (ruling.override and ruling.override.moves):
        return False
    if now is None:
        return True
    wanted = 0.5 * shown if ruling.entry.answer == "half" else shown
    # What was halved is compared as it was before: half of a change is not half as new.
    return round(abs(now - wanted) / ruling.factor, 1) > _CHANGED_CENTS
