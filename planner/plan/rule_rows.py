"""Rules over many notes as rows of the edit list: those that are made, and those only advised."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from planner import ranking
from planner.decide.exposure import Standing
from planner.decide.tolerances import Tolerances
from planner.model import MeasuredNote
from planner.pitch import note_name
from planner.plan.row_places import StemOnClock, place_of
from planner.scope.scope_rule import NO_FACTORS, ScopeRule, least_cents
from planner.words.plan_model import Row
from planner.words.wording import ghosts, raise_or_lower

_FIRM_RULE_CENTS = 1.5  # chosen: a rule known better than this is firm


def rule_row(
    rule_id: str,
    rule: ScopeRule,
    on: StemOnClock,
    tolerances: Tolerances,
    clash_points: float,
    standing: Mapping[str, Standing],
    factors: Mapping[str, float] = NO_FACTORS,
    after: Sequence[str] = (),
) -> tuple[Row, ranking.Terms]:
    """Say a rule as one row, with the terms of its severity.

    factors: note id -> factor of its tolerance, where it is not 1; after: ids of larger rules that
        move some of its notes: alone it would lead elsewhere.
    """
    row = _scope_row(rule_id, rule, on)
    if after and rule.add_cents:
        row = replace(row, in_words=f"{row.in_words}, after {' and '.join(after)}")
    least = {
        "part": tolerances.part_rule.offset_cents,
        "span": tolerances.part_rule.offset_cents,
        "string": tolerances.string_rule.offset_cents,
        "pitch": tolerances.pitch_rule.offset_cents,
        "passage": tolerances.short_rule.onset_cents,
    }[rule.scope]
    least = least_cents(least, rule.covers, factors)
    covered = _covered(rule, on)
    over = [
        s.over_rest_db
        for n in covered
        if (s := standing.get(n.id)) is not None and s.over_rest_db is not None
    ]
    severity, terms = ranking.severity(
        error_cents=rule.bias_cents,
        tolerance_cents=least,
        clash_points=clash_points,
        over_rest_db=float(np.median(over)) if over else None,
        length_s=float(sum(n.note.length_s for n in covered)),
        confidence=row.confidence,
    )
    return replace(row, severity=severity), terms


def advice_row(rule: ScopeRule, on: StemOnClock) -> Row:
    """Say an offer, or what to mend at the source, as a row without an edit; its id comes later."""
    row = _scope_row("A-000", rule, on)
    return replace(row, kind="advice", add_cents=None, in_words="", remaining_cents=None,
                   reason=rule.reason)  # fmt: skip


def _covered(rule: ScopeRule, on: StemOnClock) -> list[MeasuredNote]:
    covers = frozenset(rule.covers)
    return [n for n in on.stem.notes if n.id in covers]


def _scope_row(rule_id: str, rule: ScopeRule, on: StemOnClock) -> Row:
    inside = _covered(rule, on)
    covered = [n.note for n in inside]
    heard_in = _usually_heard_in(inside)
    last = max(covered, key=lambda note: note.end_s)
    by_onset = rule.judged_by == "onset"
    midi = rule.intended_midi
    return Row(
        id=rule_id,
        kind="rule",
        scope=rule.scope,
        stem=on.spec.code,
        apply_to=(on.spec.file, *on.spec.linked),
        **place_of(covered[0], last, on),
        word="" if rule.string_midi is None else f"{note_name(rule.string_midi)} string",
        notes_covered=len(rule.covers),
        covers=rule.covers,
        intended="" if midi is None else note_name(midi),
        intended_midi=midi,
        onset_cents=rule.bias_cents if by_onset else None,
        sustain_cents=None if by_onset else rule.bias_cents,
        uncertainty_cents=None if by_onset else rule.uncertainty_cents,
        onset_uncertainty_cents=rule.uncertainty_cents if by_onset else None,
        action=rule.action,
        add_cents=rule.add_cents,
        in_words=f"{raise_or_lower(rule.add_cents)}, set by hand"
        if rule.set_by_hand
        else raise_or_lower(rule.add_cents, rule.uncertainty_cents),
        remaining_cents=(rule.bias_cents if rule.heard_cents is None else rule.heard_cents)
        + rule.add_cents,
        confidence="firm" if rule.surely and rule.uncertainty_cents <= _FIRM_RULE_CENTS else "fair",
        rule_name=rule.name,
        reason=rule.reason + (ghosts(heard_in) if rule.add_cents else ""),
    )


def _usually_heard_in(notes: Sequence[MeasuredNote]) -> tuple[tuple[str, float], ...]:
    """The stems in which most of some notes can be heard, and at how many dB half of them are."""
    levels: dict[str, list[float]] = {}
    for n in notes:
        for stem, db in n.heard_in:
            levels.setdefault(stem, []).append(db)
    usual = [(c, float(np.median(db))) for c, db in levels.items() if 2 * len(db) > len(notes)]
    return tuple(sorted(usual, key=lambda one: (-one[1], one[0])))
