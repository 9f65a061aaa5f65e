"""Rules that cover locked notes and others: what stands under the lock goes on standing.

The notes under the lock keep the rule as it stood, as a row of their own with an id of its own; the
rule itself goes on without them and may change. What is only asked about does not stand: under a
lock it moves nothing; nor does a rule where hands are off.
"""

import re
from dataclasses import replace
from typing import Any

from planner.answer.answers import Entry, Ruling
from planner.answer.ledger import Known, owner_of, serial_of
from planner.answer.ruled_rows import PLACE, Recalled
from planner.model import Finding
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.wording import count


def parted(recalled: Recalled) -> tuple[Recalled, tuple[Finding, ...]]:
    """Part the last plan's rules at the locks of this run.

    A rule all of whose notes lie under a lock is frozen as it stands.

    recalled: with ``held``: which notes lie under which lock.

    Gives what was recalled, with the frozen rules among rulings, rows and ledger, and a note for
    each rule parted.
    """
    rulings = dict(recalled.rulings)
    ledger, rows = list(recalled.ledger), list(recalled.last_rows)
    findings = []
    for rule in recalled.last_rows:
        ruling = rulings.get(rule.id)
        moves = rule.action in MOVING_ACTIONS
        stands = rule.kind == "rule" and rule.state != "orphan"
        stands &= moves or set(rule.covers) <= recalled.still
        if not stands or (ruling is not None and ruling.frozen is not None):
            continue
        inside = tuple(n for n in rule.covers if n in recalled.held)
        if not inside:
            continue
        parked = ruling is not None and ruling.state == "parked"
        still = inside if parked else tuple(n for n in inside if n in recalled.still)
        if still:
            asked = f", and {rule.id} is asked about" if parked else ""
            why = f"{recalled.held[still[0]]}{asked}: nothing moves it"
            for key, given in list(rulings.items()):
                if given.frozen is not None and _rests_on(given.frozen, rule.id, still):
                    rulings[key] = replace(given, frozen=_stilled(given.frozen, why))
            if len(still) == len(rule.covers):
                stilled = _stilled(rule, why) if moves else rule
                rulings[rule.id] = _frozen_ruling(stilled, ruling)
            inside = tuple(n for n in inside if n not in still)
        if not inside:
            continue
        if len(inside) == len(rule.covers):
            frozen = replace(rule, locked=True)
            rulings[rule.id] = _frozen_ruling(frozen, ruling)
            continue
        serials = [serial_of(k) for k in (*(k.id for k in ledger), *rulings) if owner_of(k) == "R"]
        new = f"R-{max(serials, default=0) + 1:03d}"
        own = _part_of(rule, new, inside, recalled.held[inside[0]])
        rulings[new] = _frozen_ruling(own, None)
        rows = [_under(row, rule.id, new, inside) for row in rows] + [own]
        for key, given in list(rulings.items()):
            if given.frozen is not None and key != new:
                rulings[key] = replace(given, frozen=_under(given.frozen, rule.id, new, inside))
        ledger.append(
            Known(
                id=new, kind="rule", stem=own.stem, scope=own.scope, action=own.action,
                midi=own.intended_midi, covers=inside,
            )
        )  # fmt: skip
        findings.append(_parted_finding(rule, own, recalled.held[inside[0]]))
    parts = replace(
        recalled, rulings=rulings, ledger=tuple(ledger), last_rows=tuple(rows)
    )  # fmt: skip
    return parts, tuple(findings)


def _part_of(rule: Row, new: str, inside: tuple[str, ...], held: str) -> Row:
    """The rule as it stood, over the notes under the lock; where they lie is filled in later."""
    whole = rule.scope == "part"
    nowhere: dict[str, Any] = dict.fromkeys(PLACE)
    return replace(
        rule, id=new, covers=inside, notes_covered=len(inside), locked=True, comment="",
        scope="span" if whole else rule.scope,
        action="tuning-span" if whole else rule.action,
        **nowhere, clears_s=None,
        reason=f"{held}: as it stood in {rule.id}: {rule.reason}",
    )  # fmt: skip


def _rests_on(row: Row, rule_id: str, inside: tuple[str, ...]) -> bool:
    """Whether a note under the lock has an edit that comes on top of a rule."""
    on_top = any(rule == rule_id for rule, _ in row.layers)
    return row.kind == "note" and on_top and set(row.covers) <= set(inside)


def _stilled(row: Row, why: str) -> Row:
    """A row under a lock that moves nothing."""
    return replace(
        row,
        action="leave", add_cents=None, in_words="", onset_add_cents=None, cut_s=None,
        sustain_add_cents=None, points=(), crossfade_in_ms=None, crossfade_out_ms=None,
        remaining_cents=None, layers=(), clears_s=None, severity=None, locked=True,
        reason=f"{why}; it was: {row.in_words or row.action}",
    )  # fmt: skip


def _frozen_ruling(row: Row, before: Ruling | None) -> Ruling:
    if before is not None:
        return replace(before, locked=True, frozen=row)
    return Ruling(
        id=row.id, state=row.state, by=row.by, locked=True, frozen=row,
        entry=Entry(id=row.id, stem=row.stem, locked=True, was=row.in_words),
    )  # fmt: skip


def _under(row: Row, old: str, new: str, inside: tuple[str, ...]) -> Row:
    """A note's row whose rule has another id now."""
    if row.kind != "note" or not set(row.covers) & set(inside):
        return row
    name = re.compile(rf"\b{re.escape(old)}\b")
    return replace(
        row,
        layers=tuple((new if rule == old else rule, c) for rule, c in row.layers),
        in_words=name.sub(new, row.in_words),
        reason=name.sub(new, row.reason),
    )


def _parted_finding(rule: Row, own: Row, held: str) -> Finding:
    return Finding(
        severity="note",
        what=f"{rule.id} covers {count(own.notes_covered, 'note')} in {held}.",
        did=f"{'It stays as it' if own.notes_covered == 1 else 'They stay as they'} stood, in "
        f"{own.id} ({rule.in_words or rule.action}); {rule.id} "
        f"goes on without them, over the other {len(rule.covers) - own.notes_covered}.",
        stem=rule.stem,
    )
