"""People's rulings carried into a plan's targets, rules and notes.

The tool's own value always stands beside a person's, in the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from planner.answers import Override, Ruling, Rulings
from planner.locks import bars_words
from planner.pitch import note_name
from planner.plan_model import EDIT_ACTIONS, MOVING_ACTIONS, Judged, Row
from planner.scope_rule import ScopeRule
from planner.targets import Aimed
from planner.wording import count, flat_or_sharp, raise_or_lower

_NOWHERE: Mapping[str, int] = MappingProxyType({})
_REFUSED = "refused"
SET_BY_HAND = "set by hand"
_NO_ROW = ("ask", "wrong-note")  # these become questions


# ---------------------------------------------------------------- targets and rules


def re_aimed(
    aimed: tuple[Aimed, ...], rulings: Rulings, aim_at: Callable[[Aimed, Override, str], Aimed]
) -> tuple[Aimed, ...]:
    """Aim notes where a person says they belong; ``aim_at(note, what was said, who)`` does it."""

    def meant(a: Aimed) -> Aimed:
        ruling = rulings.get(a.measured.id)
        override = ruling.override if ruling else None
        if ruling is None or override is None:
            return a
        if override.intended_midi is None and override.target_cents is None:
            return a
        return aim_at(a, override, ruling.who)

    return tuple(meant(a) for a in aimed)


def ruled_rules(
    rules: Mapping[str, ScopeRule],
    rulings: Rulings,
    may_move: Mapping[str, frozenset[str]],
    bars: Mapping[str, int] = _NOWHERE,
    held: Container[str] = (),
) -> dict[str, ScopeRule]:
    """Carry rulings into rules: refused ones stay as rows that move nothing, others are scaled.

    Parameters
    ----------
    may_move : mapping
        Stem code -> ids of its notes that are not protected; a locked rule that is not found
        again goes on covering those of its notes that are still there.
    bars : mapping
        Note id -> the bar in which it begins, in play order: where people gave a rule its bars.
    held : container
        Ids of the notes that lie in a locked place, which no such rule takes in.
    """
    done = {}
    for rule_id, rule in rules.items():
        if rule_id in rulings:
            own = may_move.get(rule.stem, frozenset())
            free = {n: bar for n, bar in bars.items() if n in own and n not in held}
            rule = _in_said_bars(rule, rulings[rule_id], free)
            rule = _ruled_rule(rule, rulings[rule_id], may_move)
        done[rule_id] = rule
    done = _none_twice(rules, done, [k for k in rulings if _says_bars(rulings[k])])
    for rule_id, ruling in rulings.items():
        row = ruling.frozen
        if row is not None and row.kind == "rule" and rule_id not in done:
            covers = tuple(n for n in row.covers if n in may_move.get(row.stem, frozenset()))
            if covers and row.scope is not None:
                done[rule_id] = _rule_of(row, covers)
    return done


def _says_bars(ruling: Ruling) -> bool:
    said = ruling.override is not None and ruling.override.bars is not None
    return said and ruling.frozen is None


def _none_twice(
    found: Mapping[str, ScopeRule], ruled: Mapping[str, ScopeRule], said: Sequence[str]
) -> dict[str, ScopeRule]:
    """Take the notes of a stretch that a person gave its bars out of the stretches beside it.

    A note is in one tuning of its instrument. Stretches that had notes in common as they were found
    lie over each other, not beside; of two that people gave the same bars, the later answer has
    them.
    """
    left = dict(ruled)
    for rule_id in said:
        mine = ruled.get(rule_id)
        if mine is None or rule_id not in found:
            continue
        left[rule_id] = mine
        for other_id, other in list(left.items()):
            if other_id == rule_id or (other.stem, other.scope) != (mine.stem, "span"):
                continue
            over = other_id not in found or set(found[other_id].covers) & set(found[rule_id].covers)
            covers = tuple(n for n in other.covers if n not in mine.covers)
            if over or covers == other.covers:
                continue
            if covers:
                left[other_id] = replace(other, covers=covers)
            else:
                del left[other_id]
    return left


def _in_said_bars(rule: ScopeRule, ruling: Ruling, bars: Mapping[str, int]) -> ScopeRule:
    """Let a rule cover what lies in the bars that a person gave it.

    A rule over a part or a stretch of one takes all notes that begin there, any other those of its
    own.
    """
    override = ruling.override
    if override is None or override.bars is None or ruling.frozen is not None:
        return rule
    first, last = override.bars
    there = [n for n, bar in bars.items() if first <= bar and (last is None or bar <= last)]
    stretch = rule.scope in ("part", "span")
    covers = tuple(n for n in there if stretch or n in rule.covers)
    said = f"{bars_words(override.bars)}, {ruling.set_by}"
    if not covers:
        return replace(rule, reason=f"{said}, where it has no note, so it stays: {rule.reason}")
    was = count(len(rule.covers), "note")
    return replace(
        rule,
        covers=covers,
        scope="span" if rule.scope == "part" else rule.scope,
        action="tuning-span" if rule.scope == "part" else rule.action,
        reason=f"{said}; the planner says {was} in all: {rule.reason}",
    )


def outside_locks(rules: Iterable[ScopeRule], held: Mapping[str, str]) -> tuple[ScopeRule, ...]:
    """Keep rules away from notes that lie under a lock: what moves these stands there already.

    held: ids of the notes that lie in a locked place.
    """
    done = []
    for rule in rules:
        covers = tuple(n for n in rule.covers if n not in held)
        out = len(rule.covers) - len(covers)
        if not covers:
            continue
        are = f"{count(out, 'note')} under a lock {'is' if out == 1 else 'are'} not in it"
        reason = f"{rule.reason}; {are}" if out else rule.reason
        done.append(replace(rule, covers=covers, reason=reason))
    return tuple(done)


def decided_by_a_person(rule: ScopeRule, rules: Mapping[str, ScopeRule], rulings: Rulings) -> bool:
    """Whether a rule found in what others leave is what a person has refused or set already."""
    for rule_id, other in rules.items():
        ruling = rulings.get(rule_id)
        same = (rule.stem, rule.scope, rule.intended_midi) == (
            other.stem, other.scope, other.intended_midi,
        )  # fmt: skip
        together = rule.scope != "passage" or set(rule.covers) & set(other.covers)
        if ruling is not None and same and together and _says_otherwise(ruling):
            return True
    return False


def _says_otherwise(ruling: Ruling) -> bool:
    override = ruling.override is not None
    return ruling.state == "refused" or ruling.factor != 1.0 or ruling.locked or override


def _ruled_rule(
    rule: ScopeRule, ruling: Ruling, may_move: Mapping[str, frozenset[str]]
) -> ScopeRule:
    said = raise_or_lower(rule.add_cents)
    if ruling.frozen is not None:
        covers = tuple(n for n in ruling.frozen.covers if n in may_move[rule.stem])
        return _rule_of(ruling.frozen, covers or rule.covers)
    override = ruling.override
    if override is not None and override.add_cents is not None:
        return replace(
            rule,
            add_cents=round(override.add_cents, 1),
            set_by_hand=True,
            reason=f"{ruling.set_by}; the planner says {said}: {rule.reason}",
        )
    if ruling.state == "refused" or (override is not None and override.action == "leave"):
        return replace(
            rule,
            action="leave",
            add_cents=0.0,
            name=_REFUSED,
            reason=f"{ruling.refused_by}; the planner says {said}: {rule.reason}",
        )
    if ruling.factor != 1.0:
        return replace(
            rule,
            add_cents=round(ruling.factor * rule.add_cents, 1),
            reason=f"{_share(ruling.factor)} of it, says {ruling.who}; the planner says {said}: "
            f"{rule.reason}",
        )
    return rule


def asks_for_own_figures(rulings: Rulings, held: Container[str], notes: Iterable[str]) -> bool:
    """Whether the planner's own figure is said of a note, and is another one without the answers.

    It is said of notes that people set, refused or locked, and of those in locked places; answers
    to rules alone are said of the rules, whose own figures are found before any answer.

    Parameters
    ----------
    held : container of str
        Ids of the notes that lie in a locked place.
    notes : iterable of str
        Ids of all notes.
    """
    otherwise = frozenset(k for k, ruling in rulings.items() if _says_otherwise(ruling))
    return bool(otherwise) and any(k in otherwise or k in held for k in notes)


def _rule_of(row: Row, covers: tuple[str, ...]) -> ScopeRule:
    assert row.scope is not None
    by_onset = row.onset_cents is not None
    bias = row.onset_cents if by_onset else row.sustain_cents
    doubt = row.onset_uncertainty_cents if by_onset else row.uncertainty_cents
    return ScopeRule(
        stem=row.stem,
        action=row.action,
        scope=row.scope,
        covers=covers,
        bias_cents=bias or 0.0,
        add_cents=row.add_cents or 0.0,
        uncertainty_cents=doubt or 0.0,
        gain_share=None,
        intended_midi=row.intended_midi,
        judged_by="onset" if by_onset else "sustain",
        name=row.rule_name,
        reason=row.reason,
    )


def _share(factor: float) -> str:
    return "half" if factor == 0.5 else f"{factor:g}"


# ---------------------------------------------------------------- notes


def ruled_note(
    judged: Judged,
    ruling: Ruling | None,
    held: str = "",
    planners: Judged | None = None,
    *,
    made: bool = False,
) -> Judged:
    """Carry a ruling into one note's decision; hands off goes before everything.

    Parameters
    ----------
    held : str
        Which lock the note lies under, where its place is locked and not its row.
    planners : Judged, optional
        What the planner decides where nobody has answered anything: the figure of its own that
        stands beside a person's, and stays the same whatever else is answered.
    made : bool
        Whether the note has been moved as ruled; then it stays where it is.
    """
    planners = planners or judged
    rest = None if judged.heard_cents is None else judged.heard_cents + _layer(judged)
    if held and ruling is None and judged.action in (*MOVING_ACTIONS, *_NO_ROW):
        return replace(
            judged, action="leave", rule_name="locked place", add_cents=None,
            onset_add_cents=None, cut_s=None, sustain_add_cents=None, points=(),
            remaining_cents=rest,
            reason=f"{held}: nothing new is planned there; the planner says {said_move(planners)}: "
            f"{planners.reason}",
        )  # fmt: skip
    if ruling is None or judged.rule_name == "hands off":
        return judged
    if made and judged.action in MOVING_ACTIONS and _says_otherwise(ruling):
        return replace(
            judged, action="leave", rule_name="set by a person", reason=f"as {ruling.who} said",
            add_cents=None, onset_add_cents=None, cut_s=None, sustain_add_cents=None, points=(),
            remaining_cents=rest, clearable=False, gives_way_from_cents=None,
        )  # fmt: skip
    if made:
        return judged
    row = ruling.frozen
    if row is not None:
        if row.kind != "note":
            return judged
        return replace(
            judged, action=row.action, rule_name=row.rule_name, reason=row.reason,
            add_cents=row.add_cents, onset_add_cents=row.onset_add_cents, cut_s=row.cut_s,
            sustain_add_cents=row.sustain_add_cents, points=row.points,
            remaining_cents=rest if row.remaining_cents is None else row.remaining_cents,
            take=judged.take if row.action == "other-take" else None,
        )  # fmt: skip
    still = replace(
        judged, add_cents=None, onset_add_cents=None, cut_s=None, sustain_add_cents=None,
        points=(), remaining_cents=rest, take=None,
    )  # fmt: skip
    tool = f"the planner says {said_move(planners)}: {planners.reason}"
    override = ruling.override
    if override is not None and override.add_cents is not None:
        add = round(override.add_cents, 1)
        return replace(
            still,
            action="raise-lower",
            rule_name=SET_BY_HAND,
            reason=f"{ruling.set_by}; {tool}",
            add_cents=add,
            points=((0.0, add), (judged.measured.note.length_s, add)),
            remaining_cents=None if rest is None else round(rest + add, 1),
        )
    if override is not None and override.points:
        length_s = judged.measured.note.length_s
        return replace(
            still,
            action="shape",
            rule_name=SET_BY_HAND,
            reason=f"{ruling.set_by}; {tool}",
            points=override.points,
            remaining_cents=None
            if rest is None
            else round(rest + _along(override.points, length_s), 1),
        )
    if override is not None and override.action is not None:
        if override.action == judged.action:
            return judged
        return replace(
            still,
            action=override.action,
            rule_name=SET_BY_HAND,
            reason=f"{override.action}, says {ruling.who}; {tool}",
        )
    named = override is not None and override.intended_midi is not None
    if named and judged.action == "wrong-note":
        # Which note was meant is no question any more; an edit that far would be heard.
        return replace(
            still,
            action="other-take",
            rule_name="another note was meant",
            reason=f"{flat_or_sharp(judged.heard_cents)} of "
            f"{note_name(judged.target.intended_midi)}, which {ruling.who} says was meant: "
            "too far for an edit",
        )
    if ruling.state == "refused" and judged.action not in _NO_ROW:
        reason = ruling.refused_by
        if judged.action in EDIT_ACTIONS:
            reason += f"; {tool}"
        return replace(still, action="leave", rule_name=_REFUSED, reason=reason)
    if ruling.factor != 1.0 and judged.action in MOVING_ACTIONS:
        return _scaled(judged, ruling, rest, tool)
    return judged


def keeps_row(judged: Judged, rulings: Rulings) -> bool:
    """Whether a note that is not moved has a row all the same: a person has spoken of it."""
    return judged.measured.id in rulings and judged.action not in _NO_ROW


def _scaled(judged: Judged, ruling: Ruling, rest: float | None, tool: str) -> Judged:
    f = ruling.factor

    def part(value: float | None) -> float | None:
        return None if value is None else round(f * value, 1)

    left = judged.remaining_cents
    return replace(
        judged,
        add_cents=part(judged.add_cents),
        onset_add_cents=part(judged.onset_add_cents),
        sustain_add_cents=part(judged.sustain_add_cents),
        points=tuple((t, round(f * c, 1)) for t, c in judged.points),
        remaining_cents=left
        if left is None or rest is None
        else round(rest + f * (left - rest), 1),
        reason=f"{_share(f)} of it, says {ruling.who}; {tool}",
    )


def _along(points: tuple[tuple[float, float], ...], length_s: float) -> float:
    """What points add on average along a note: straight lines in between, flat beyond the ends."""
    at_s = np.linspace(0.0, length_s, 201)  # chosen: half a percent of the note
    times, cents = zip(*points, strict=True)
    return float(np.mean(np.interp(at_s, times, cents)))


def _layer(judged: Judged) -> float:
    return sum(c for _, c in judged.layers)


def said_move(judged: Judged) -> str:
    """Say what is done with a note in a few words."""
    if judged.add_cents is not None:
        return raise_or_lower(judged.add_cents)
    return judged.action
