"""People's rulings carried into rules: refused, scaled, set by hand, given bars, locked.

The tool's own value always stands beside a person's, in the reason.
"""

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from planner.answer.answers import Ruling, Rulings
from planner.answer.locks import bars_words
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import Row
from planner.words.wording import count, raise_or_lower

REFUSED = "refused"
_NOWHERE: Mapping[str, int] = MappingProxyType({})


def ruled_rules(
    rules: Mapping[str, ScopeRule],
    rulings: Rulings,
    may_move: Mapping[str, frozenset[str]],
    bars: Mapping[str, int] = _NOWHERE,
    held: Container[str] = (),
) -> dict[str, ScopeRule]:
    """Carry rulings into rules: refused ones stay as rows that move nothing, others are scaled.

    may_move: stem code -> ids of its notes that are not protected; a locked rule that is not found
        again goes on covering those of its notes that are still there.
    bars: note id -> the bar in which it begins, in play order: where people gave a rule its bars.
    held: ids of the notes that lie in a locked place or are better without a rule, which no such
        rule takes in.
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
    """Keep rules away from notes under a lock: whatever moves those is in the locked rows already.

    held: note id -> which place that is locked, or hands off, it lies in, and who says so.
    """
    done = []
    for rule in rules:
        covers = tuple(n for n in rule.covers if n not in held)
        out = len(rule.covers) - len(covers)
        if not covers:
            continue
        where = " and ".join(sorted({held[n] for n in rule.covers if n in held}))
        are = f"{count(out, 'note')} {'is' if out == 1 else 'are'} not in it: {where}"
        reason = f"{rule.reason}; {are}" if out else rule.reason
        done.append(replace(rule, covers=covers, reason=reason))
    return tuple(done)


def decided_by_a_person(rule: ScopeRule, rules: Mapping[str, ScopeRule], rulings: Rulings) -> bool:
    """Whether a person has refused or set this rule already, under the id that it had before."""
    for rule_id, other in rules.items():
        ruling = rulings.get(rule_id)
        same = (rule.stem, rule.scope, rule.intended_midi) == (
            other.stem, other.scope, other.intended_midi,
        )  # fmt: skip
        together = rule.scope != "passage" or set(rule.covers) & set(other.covers)
        if ruling is not None and same and together and ruling.says_otherwise:
            return True
    return False


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
            name=REFUSED,
            reason=f"{ruling.refused_by}; the planner says {said}: {rule.reason}",
        )
    if ruling.factor != 1.0:
        return replace(
            rule,
            add_cents=round(ruling.factor * rule.add_cents, 1),
            reason=f"{ruling.share} of it, says {ruling.who}; the planner says {said}: "
            f"{rule.reason}",
        )
    return rule


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
        intended_midi=row.intended_midi,
        judged_by="onset" if by_onset else "sustain",
        name=row.rule_name,
        reason=row.reason,
    )
