"""The plan that moves few notes: rules made on some of the notes they cover, lesser edits left.

A rule is one edit for the editor, but it changes the sound of every note that it covers. Where a
session says that only so many notes may be touched, all is decided as ever; then notes are put
back, whole, with their rules and their own edit, so that those stay touched which together clear
most (`planner.clear.priced`; where too many sound at once for that, the one that clears least is
put back each time, `planner.clear.taking_back`). What stays of a rule is one number for the notes
that it is still made on. Where there is room, the worst of those that clear nothing are touched as
well.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from planner.clear.decided import Decided, sour_of
from planner.clear.priced import best_of
from planner.clear.sour_time import SourMap, apply, as_recorded, change_of, sour_now_s, with_made
from planner.clear.taking_back import Made, last_to_go
from planner.decide.exposure import Standing
from planner.decide.moves import unmoved
from planner.plan.deciding import with_rows
from planner.plan.ground import Ground
from planner.plan.retakes import asks_for_an_edit
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import Judged
from planner.words.wording import flat_or_sharp

FEW_TOUCHED = "few notes are touched"


def touched(judged: Mapping[str, Judged]) -> frozenset[str]:
    """Give the notes whose sound the plan changes, by a rule or by an edit of their own."""
    return frozenset(k for k, j in judged.items() if j.is_moved)


def touching_at_most(
    ground: Ground, made: Decided, standing: dict[str, Standing], share: float
) -> Decided | None:
    """Put notes back until at most a share of all is touched; None where it is so anyhow.

    What a person has said about a note or a rule is carried out, whatever it clears.
    """
    most = int(share * len(made.judged))
    if len(touched(made.judged)) <= most:
        return None
    stays = _worth_most(made, _by_people(ground, made), most)
    rules = {k: r for k, rule in made.rules.items() if (r := _on_some(rule, stays)) is not None}
    judged, tool = (
        {k: j if k in stays else _put_back(j) for k, j in every.items()}
        for every in (made.judged, made.tool)
    )
    return with_rows(ground, made.parts, made.recorded, rules, judged, tool, standing)


def _worth_most(made: Decided, kept: frozenset[str], most: int) -> frozenset[str]:
    sour = sour_of(made)
    # Of notes that clear as little, the least severe goes first.
    order = sorted(touched(made.judged), key=lambda k: (made.judged[k].severity, k))
    moves = []
    for note_id in order:
        j = made.judged[note_id]
        k = sour.index.get(note_id)
        notes = np.array([] if k is None else [k], dtype=np.int64)
        add = np.full(len(notes), j.added_cents)
        moves.append(Made(notes=notes, add_cents=add, pinned=note_id in kept))
    pinned = tuple(k for k, move in enumerate(moves) if move.pinned)
    priced = best_of(sour, as_recorded(sour), moves, most)
    choices = priced if priced is not None else (tuple(range(len(order))),)
    fit = [_fewer(sour, moves, sorted({*one, *pinned}), most) for one in choices]
    best = min(fit, key=lambda one: sour_now_s(sour, with_made(sour, [moves[k] for k in one])))
    beyond = [k for k, note_id in enumerate(order) if asks_for_an_edit(made.judged[note_id])]
    return frozenset(order[k] for k in _filled(sour, moves, best, beyond[::-1], most))


def _filled(
    sour: SourMap, moves: Sequence[Made], chosen: Sequence[int], more: Sequence[int], most: int
) -> set[int]:
    """A choice and, while there is room, others in their order that add no sour time."""
    now, filled = with_made(sour, [moves[k] for k in chosen]), set(chosen)
    for k in more:
        if k in filled or len(filled) >= most:
            continue
        change = change_of(sour, now, moves[k].notes, moves[k].add_cents)
        if change.gain_s >= 0.0:
            apply(sour, now, change)
            filled.add(k)
    return filled


def _fewer(
    sour: SourMap, moves: Sequence[Made], chosen: Sequence[int], most: int
) -> tuple[int, ...]:
    """A choice less what clears least in it, until it is small enough."""
    stay = last_to_go(
        sour,
        as_recorded(sour),
        [moves[k] for k in chosen],
        lambda worth_s, left: left <= most and worth_s >= 0.0,
    )
    return tuple(chosen[k] for k in stay)


def _by_people(ground: Ground, made: Decided) -> frozenset[str]:
    """Notes that somebody has said something about, or about a rule over them."""
    said = ground.recalled.rulings
    ruled = {n for k, rule in made.rules.items() if k in said for n in rule.covers}
    return frozenset(k for k in made.judged if k in said or k in ruled)


def _on_some(rule: ScopeRule, stays: frozenset[str]) -> ScopeRule | None:
    """A rule on the notes that stay; None where none does."""
    if not rule.applied:
        return rule
    covers = tuple(note_id for note_id in rule.covers if note_id in stays)
    if len(covers) == len(rule.covers):
        return rule
    told = f"made on {len(covers)} of its {len(rule.covers)} notes, those that clear most"
    return replace(rule, covers=covers, reason=f"{rule.reason}; {told}") if covers else None


def _put_back(j: Judged) -> Judged:
    if not j.is_moved:
        return j
    bare = replace(j, layers=())
    if j.action in ("ask", "wrong-note"):
        return replace(bare, remaining_cents=bare.rest_cents)
    return replace(
        unmoved(bare), action="leave", rule_name=FEW_TOUCHED, severity=0.0, severity_terms=(),
        reason=f"{flat_or_sharp(j.heard_cents)}: put back, because few notes may be touched and "
        "others clear more",
    )  # fmt: skip
