"""Decide, carry the moves out, decide again: until nothing is left to move.

Every round decides about the notes as the rounds before leave them, exactly as a new plan of the
corrected stems would, and its moves join those that are there. So a plan ends where a plan of its
own result has no moves: that is looked at, not hoped for.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from planner.clear.clearing import ordered
from planner.clear.decided import Decided, recorded
from planner.clear.kept import rule_key
from planner.decide.moves import note_made
from planner.model import Finding, StemNotes
from planner.pitch import cents
from planner.plan.deciding import Round, decide_once, laid_beside, with_rows
from planner.plan.ground import Ground
from planner.plan.settling import offers
from planner.rules import THE_START_ALONE
from planner.scope.scope_rule import ScopeRule, moved
from planner.scopes import together
from planner.targets import Aimed
from planner.words.plan_model import MOVING_ACTIONS, Action, Judged

_OF_ONE_END: frozenset[Action] = frozenset({"start-only", "hold-end"})
_MOST_ROUNDS = 8  # chosen: one or two are usual; what ends here is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """The plan at rest."""

    first: Round
    made: Decided  # all rounds together
    later: frozenset[str] | None  # ids of rows that the last of more rounds added
    offers: tuple[ScopeRule, ...]  # rules that are only told
    noticed: tuple[Finding, ...]  # while takes were laid beside stems and stems were aimed
    findings: tuple[Finding, ...]  # where it did not come to rest


def decide_until_still(ground: Ground, stems: Mapping[str, StemNotes]) -> Still:
    """Decide about a session so that a plan of its result has nothing left to move."""
    beside = laid_beside(ground, stems)
    first = decide_once(ground, stems, beside)
    made, latest = first.made, first
    added: frozenset[str] | None = None
    restless: tuple[Finding, ...] = ()
    for k in range(_MOST_ROUNDS):
        if not latest.made.moves:
            break
        stems = _carried_out(stems, latest.made)
        mended = frozenset(k for k, j in made.judged.items() if j.action in MOVING_ACTIONS)
        latest = decide_once(ground, stems, beside, made.rules, mended, latest)
        if not latest.made.moves:
            break
        joined = _joined(ground, first, made, latest.made)
        later = frozenset({row.id for row in joined.rows} - {row.id for row in made.rows})
        if k + 1 == _MOST_ROUNDS or ordered(joined, ground.session, later).left_out:
            restless = (_left_out(latest.made),)
            break
        made, added = joined, later
    rules = {rule_key(rule) for rule in made.rules.values() if rule.applied}
    offered = offers(made.parts, ground.tolerances, ground.judging, first.kept)
    return Still(
        first=first,
        made=made,
        later=added,
        offers=tuple(rule for rule in offered if rule_key(rule) not in rules),
        noticed=tuple(
            finding
            for aimed in (beside, first.alone)
            for one in aimed.values()
            for finding in one.noticed
        ),
        findings=restless,
    )


def _carried_out(stems: Mapping[str, StemNotes], made: Decided) -> dict[str, StemNotes]:
    moved = {}
    for code, stem in stems.items():
        notes = tuple(note_made(n, made.judged[n.id]) for n in stem.notes)
        still = all(new is old for new, old in zip(notes, stem.notes, strict=True))
        moved[code] = stem if still else replace(stem, notes=notes)
    return moved


def _left_out(more: Decided) -> Finding:
    """Say which moves are left out because they do not come to rest."""
    names = [row.id for row in more.rows if row.action in MOVING_ACTIONS]
    return Finding(
        severity="note",
        what="A plan of the corrected stems may move some notes once more: "
        f"{', '.join(names[:6])}{' and others' if len(names) > 6 else ''}.",
        did="These moves are left out: they do not come to rest.",
    )


# ---------------------------------------------------------------- two rounds as one


def _joined(ground: Ground, first: Round, made: Decided, more: Decided) -> Decided:
    """The moves of two rounds as one plan of the notes as they were recorded."""
    rules, renamed = _joined_rules(made.rules, more.rules)
    parts = {
        code: replace(part, aimed=tuple(_aimed(a, more.judged[a.measured.id]) for a in part.aimed))
        for code, part in made.parts.items()
    }
    aimed = {a.measured.id: a for part in parts.values() for a in part.aimed}
    judged, tool = (
        {k: _joined_note(one, new[k], aimed[k], renamed) for k, one in old.items()}
        for old, new in ((made.judged, more.judged), (made.tool, more.tool))
    )
    return with_rows(ground, parts, recorded(parts), rules, judged, tool, first.standing)


def _joined_rules(
    old: Mapping[str, ScopeRule], new: Mapping[str, ScopeRule]
) -> tuple[dict[str, ScopeRule], dict[str, str]]:
    """All rules by id, and under which id each new one goes on."""
    rules, renamed = dict(old), {}
    for rule_id, rule in new.items():
        like = [
            k
            for k, r in old.items()
            if r.applied
            and (r.stem, r.scope, r.covers, r.action)
            == (rule.stem, rule.scope, rule.covers, rule.action)
        ]
        renamed[rule_id] = like[0] if like else rule_id
        if like:
            rules[like[0]] = together((old[like[0]],), (rule,))[0]
        else:
            rules[rule_id] = together((), (rule,))[0]
    return rules, renamed


def _aimed(a: Aimed, new: Judged) -> Aimed:
    """A note that is moved later on belongs where it is aimed at then."""
    if new.action not in MOVING_ACTIONS or new.target == a.target:
        return a
    shift = cents(a.target.target_hz, new.target.target_hz)
    return replace(moved(a, shift), target=new.target)


def _joined_note(old: Judged, new: Judged, aimed: Aimed, renamed: Mapping[str, str]) -> Judged:
    layers = dict(old.layers)
    for rule_id, add in new.layers:
        layers[renamed[rule_id]] = round(layers.get(renamed[rule_id], 0.0) + add, 1)
    if new.action not in MOVING_ACTIONS and not new.layers:
        return old
    left = new.remaining_cents
    # Errors as recorded, against the target that holds.
    left = None if left is None else left + cents(new.target.target_hz, aimed.target.target_hz)
    whole = replace(
        old,
        target=aimed.target,
        onset_cents=aimed.onset_cents,
        sustain_cents=aimed.sustain_cents,
        end_cents=aimed.end_cents,
        heard_cents=aimed.heard_cents,
        layers=tuple(layers.items()),
        remaining_cents=None if left is None else round(left, 1),
    )
    if new.action not in MOVING_ACTIONS:
        return whole if old.action in MOVING_ACTIONS else _said_as(whole, new)
    if old.action not in MOVING_ACTIONS:
        moving = _said_as(whole, new)
        return replace(moving, reason=f"once the other rows are made, {new.reason}")
    return _both_moves(whole, new)


def _said_as(whole: Judged, new: Judged) -> Judged:
    return replace(
        whole,
        action=new.action, rule_name=new.rule_name, reason=new.reason, add_cents=new.add_cents,
        onset_add_cents=new.onset_add_cents, cut_s=new.cut_s,
        sustain_add_cents=new.sustain_add_cents, points=new.points, severity=new.severity,
        severity_terms=new.severity_terms, clash_with=new.clash_with or whole.clash_with,
        beating_hz=new.beating_hz if new.clash_with else whole.beating_hz,
        beat_cycles=new.beat_cycles if new.clash_with else whole.beat_cycles,
        clash_partials=new.clash_partials or whole.clash_partials,
        clash_words=new.clash_words or whole.clash_words,
    )  # fmt: skip


def _both_moves(old: Judged, new: Judged) -> Judged:
    """Two edits of one note as one: what they add is added up."""
    times = sorted({t for t, _ in (*old.points, *new.points)})
    points = tuple((t, round(_adds_at(t, old) + _adds_at(t, new), 1)) for t in times)
    whole = old.add_cents is not None and new.add_cents is not None
    shaped = new if old.add_cents is not None else old

    def start_and_rest(value: float | None, other: Judged) -> float | None:
        plain = other.add_cents
        return None if value is None or plain is None else round(value + plain, 1)

    other = old if shaped is new else new
    reason = f"{old.reason}; once the other rows are made, {new.reason}"
    action: Action = "raise-lower" if whole else shaped.action
    if action in _OF_ONE_END and not whole:
        action, reason = "shape", reason.replace(THE_START_ALONE, "")
    return replace(
        old,
        action=action,
        add_cents=points[0][1] if whole else None,
        onset_add_cents=start_and_rest(shaped.onset_add_cents, other),
        cut_s=shaped.cut_s if other.add_cents is not None else None,
        sustain_add_cents=start_and_rest(shaped.sustain_add_cents, other),
        points=points,
        reason=reason,
    )


def _adds_at(at_s: float, judged: Judged) -> float:
    times, adds = zip(*judged.points, strict=True)
    return float(np.interp(at_s, times, adds))
