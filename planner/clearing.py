"""Which rows the plan keeps: none that adds sour time, none that leaves a beating in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.fewest_moves import Backbone, Proposal, fewest_moves
from planner.plan_model import MOVING_ACTIONS, Judged, Row
from planner.ranking import fault_of
from planner.scopes import ScopeRule
from planner.session_model import Session
from planner.sour_time import SourMap, apply, as_recorded, change_of

_HELD_S = 0.5  # chosen: shorter notes beyond their tolerance do not count as sour time
_LEFT_WORTH_TAKING_CENTS = 1.0  # chosen: less than that is the rounding of an edit

RuleKey = tuple[str, str, int | None, str]  # stem, scope, pitch, first note


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the search for the fewest moves has found out about the notes so far."""

    beats_if_moved: dict[str, str]  # note id -> id of the note it would beat with, or nothing
    nothing_left: frozenset[str]  # notes in which what an edit usually leaves would beat
    refused: frozenset[RuleKey]  # rules that would add sour time

    def refuses(self, rule: ScopeRule) -> bool:
        return rule_key(rule) in self.refused


NOTHING_YET = Kept(beats_if_moved={}, nothing_left=frozenset(), refused=frozenset())


def rule_key(rule: ScopeRule) -> RuleKey:
    """Name a rule by what it is about, whatever its cents."""
    return (rule.stem, rule.scope, rule.intended_midi, rule.covers[0])


def held_limits(judged: Mapping[str, Judged]) -> dict[str, float]:
    """Give the tolerance of every note that is held long enough to be sour by itself."""
    return {
        note_id: j.tolerance_cents
        for note_id, j in judged.items()
        if j.tolerance_cents is not None
        and j.heard_cents is not None
        and j.measured.note.length_s >= _HELD_S
    }


def proposals(
    rows: Sequence[Row], rules: Mapping[str, ScopeRule], judged: Mapping[str, Judged]
) -> tuple[Proposal, ...]:
    """Say what each row adds to the notes it moves, and which rows must be made before it."""
    found = []
    for row in rows:
        if row.action not in MOVING_ACTIONS:
            continue
        if row.id in rules:
            rule = rules[row.id]
            notes = tuple((note_id, rule.add_cents) for note_id in rule.covers)
            needs: frozenset[str] = frozenset()
        else:
            j = judged[row.id]
            notes = ((row.id, _own_cents(j)),)
            needs = frozenset(rule_id for rule_id, _ in j.layers)
        found.append(
            Proposal(
                id=row.id,
                notes=notes,
                severity=row.severity or 0.0,
                fault=fault_of(row),
                stem=row.stem,
                needs=needs,
            )
        )
    return tuple(found)


def cleared(
    sour: SourMap,
    rows: Sequence[Row],
    rules: Mapping[str, ScopeRule],
    judged: Mapping[str, Judged],
    session: Session,
    kept: Kept,
) -> tuple[Backbone, Kept]:
    """Order the rows by what they clear, and say what must be decided otherwise.

    Returns
    -------
    backbone : Backbone
    kept : Kept
        The one given where every row has its place; else decide again with it.
    """
    backbone = fewest_moves(
        sour,
        proposals(rows, rules, judged),
        first_cut=int(session.edit_minutes * 60.0 // session.seconds_per_edit),
        first_screen=session.offenders_wanted,
    )
    out = {left.id: left.against for left in backbone.left_out}
    return backbone, replace(
        kept,
        beats_if_moved=kept.beats_if_moved | {k: v for k, v in out.items() if k in judged},
        refused=kept.refused | {rule_key(rules[k]) for k in out if k in rules},
        nothing_left=kept.nothing_left | _better_with_nothing_left(sour, rules, judged, out),
    )


def _better_with_nothing_left(
    sour: SourMap,
    rules: Mapping[str, ScopeRule],
    judged: Mapping[str, Judged],
    out: Mapping[str, str],
) -> frozenset[str]:
    """Notes moved by one number whose rest beats: with nothing left in it would not."""
    now = as_recorded(sour)
    adds = {k: sum(c for _, c in j.layers) + _own_cents(j) for k, j in judged.items()}
    known = [k for k in adds if k in sour.index]
    apply(
        sour,
        now,
        change_of(
            sour,
            now,
            np.array([sour.index[k] for k in known], dtype=np.int64),
            np.array([adds[k] for k in known], dtype=float),
        ),
    )
    better = set()
    for note_id in sorted(known):
        j = judged[note_id]
        rest = j.remaining_cents or 0.0
        if note_id in out or j.action != "raise-lower" or abs(rest) < _LEFT_WORTH_TAKING_CENTS:
            continue
        one = np.array([sour.index[note_id]], dtype=np.int64)
        change = change_of(sour, now, one, np.array([-float(round(rest))]))
        if change.gain_s > 0 or (change.gain_s == 0 and change.shared_s > 0):
            apply(sour, now, change)
            better.add(note_id)
    return frozenset(better)


def _own_cents(j: Judged) -> float:
    """What a note's own edit adds to what is heard, beyond its rules."""
    if j.action not in MOVING_ACTIONS:
        return 0.0
    layer = sum(c for _, c in j.layers)
    return (j.remaining_cents or 0.0) - (j.heard_cents or 0.0) - layer
