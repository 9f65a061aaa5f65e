"""Rules and single decisions, found in turn until what they leave asks for no further rule."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from planner.answer.row_ids import name_rules
from planner.answer.ruled import as_its_rule, ruled_note
from planner.answer.ruled_rules import decided_by_a_person, outside_locks, ruled_rules
from planner.clear.decided import Recorded
from planner.clear.kept import Kept
from planner.decide.exposure import Standing
from planner.decide.moves import carried_out
from planner.decide.tolerances import Judging, Tolerances
from planner.plan.ground import Ground
from planner.plan.note_decisions import Known, Settling, decide_all
from planner.plan.parts import Part
from planner.scope.scope_rule import PartGround, ScopeRule
from planner.scope.string_sag import at_rest, told
from planner.scopes import find_rules, layers_of, together
from planner.targets import Aimed
from planner.words.plan_model import Judged
from planner.words.roles import is_chordal
from planner.words.wording import count

_MOST_ROUNDS = 6  # chosen: two are usual


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Rules with their ids, and what was decided about every note under them."""

    rules: dict[str, ScopeRule]
    points: Mapping[str, float]  # note id -> of the worst clash that it is named in
    judged: dict[str, Judged]
    tool: dict[str, Judged]  # what is decided without anybody's answers


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was found in earlier tries of one round; the same question gets the same answer."""

    rules: dict[str, list[_FoundRules]] = field(default_factory=dict)  # by stem
    decisions: Known = field(default_factory=Known)

    def rules_of(self, ground: Ground, part: Part, made: tuple[Judged, ...] = ()) -> _FoundRules:
        """The rules in what is left of a part, once what was decided about its notes is made."""
        known = self.rules.setdefault(part.stem.code, [])
        for found in known:
            if found.part is part and found.made == made:
                return found
        aimed = tuple(map(carried_out, part.aimed, made)) if made else part.aimed
        errors = tuple((a.onset_cents, a.sustain_cents, a.end_cents, a.heard_cents) for a in aimed)
        alike = (one.rules for one in known if one.part is part and one.errors == errors)
        rules = next(alike, None)
        if rules is None:
            rules = _found_rules(part, aimed, ground.tolerances, ground.judging)
        found = _FoundRules(part=part, made=made, aimed=aimed, errors=errors, rules=rules)
        known.append(found)
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FoundRules:
    """The rules that were found in what some decisions leave of a part."""

    part: Part
    made: tuple[Judged, ...]  # of each note in turn; none: as recorded
    aimed: tuple[Aimed, ...]  # what that leaves
    errors: tuple[tuple[float | None, ...], ...]
    rules: tuple[ScopeRule, ...]


def settle(
    ground: Ground,
    parts: dict[str, Part],
    heard: Recorded,
    standing: dict[str, Standing],
    kept: Kept,
    follows: Mapping[str, str],
    before: Mapping[str, ScopeRule] | None,
    mended: frozenset[str],
    seen: Seen,
) -> Settled:
    """Rules and decisions that leave nothing to plan once they are carried out.

    Single edits can bring out a bias that gross notes hid before. So the rules are looked for again
    in what the decisions leave, and what is found becomes a layer under them. What a person has
    refused or set is not looked for again.

    heard : of these parts
    follows : note of a double -> the lead's note that it follows
    before : on a later round, the rules of the rounds before, by id: their moves are made, and what
        people said of rules and notes is carried out
    mended : ids of notes that the rounds before moved by themselves: no rule takes them further off
    seen : of the tries before on the same notes; what this one finds is added
    """
    rulings, done = ground.recalled.rulings, before or {}

    def open_ones(part: Part, made: tuple[Judged, ...] = ()) -> tuple[ScopeRule, ...]:
        every = seen.rules_of(ground, part, made)
        rules = _applied(tuple(beside_mended(r, every.aimed, mended) for r in every.rules), kept)
        return tuple(r for r in rules if not decided_by_a_person(r, done, rulings))

    found = {code: open_ones(part) for code, part in parts.items()}
    settling = Settling(
        ground=ground, parts=parts, recorded=heard, standing=standing, kept=kept, follows=follows,
        sits_so=_sitting_so(ground, parts, seen), known=seen.decisions,
    )  # fmt: skip
    for _ in range(_MOST_ROUNDS):
        every_found = [rule for code in parts for rule in found[code]]
        rules = _named(ground, parts, every_found, before, kept)
        points, tool = decide_all(settling, layers_of(rules))
        judged = _ruled(ground, tool, {**done, **rules}, made=before is not None)
        more = {}
        for code, part in parts.items():
            new = open_ones(part, tuple(judged[a.measured.id] for a in part.aimed))
            more[code] = tuple(r for r in new if not decided_by_a_person(r, rules, rulings))
        if not any(more.values()):
            break
        found = {code: together(found[code], more[code]) for code in parts}
    return Settled(rules=rules, points=points, judged=judged, tool=tool)


def beside_mended(rule: ScopeRule, aimed: tuple[Aimed, ...], mended: frozenset[str]) -> ScopeRule:
    """A rule on the notes that it does not take further off than their own edits left them."""
    if not mended:
        return rule
    stay = {
        a.measured.id
        for a in aimed
        if a.measured.id in mended and a.heard_cents is not None
        and round(abs(a.heard_cents + rule.add_cents) - abs(a.heard_cents), 1) > 0.0
    }  # fmt: skip
    covers = tuple(note_id for note_id in rule.covers if note_id not in stay)
    if len(covers) == len(rule.covers):
        return rule
    out = len(rule.covers) - len(covers)
    told = f"{count(out, 'note')} mended by {'itself' if out == 1 else 'themselves'} left out"
    return replace(rule, covers=covers, reason=f"{rule.reason}; {told}")


def _sitting_so(ground: Ground, parts: Mapping[str, Part], seen: Seen) -> frozenset[str]:
    """The stems that lie a little off as a whole and are only offered a move."""
    return frozenset(
        code
        for code, part in parts.items()
        if any(rule.sits_so for rule in seen.rules_of(ground, part).rules)
    )


def _named(
    ground: Ground,
    parts: Mapping[str, Part],
    found: Sequence[ScopeRule],
    before: Mapping[str, ScopeRule] | None,
    kept: Kept,
) -> dict[str, ScopeRule]:
    """Rules outside of locks with their ids, on the first round as people ruled on them."""
    recalled = ground.recalled
    free = outside_locks(found, recalled.held)
    rules = name_rules(free, recalled.ledger, taken=before or {})
    if before is not None:
        return rules
    may_move = {
        code: frozenset(n.id for n in part.stem.notes if n.id not in part.protected)
        for code, part in parts.items()
    }
    stay = recalled.held.keys() | kept.spared
    return ruled_rules(rules, recalled.rulings, may_move, recalled.bars, stay)


def _ruled(
    ground: Ground, tool: Mapping[str, Judged], rules: Mapping[str, ScopeRule], *, made: bool
) -> dict[str, Judged]:
    """What the planner decides, as people ruled on it, or on rules that cover it."""
    recalled, judged = ground.recalled, dict(tool)
    for k in (recalled.rulings.keys() | recalled.held.keys()) & tool.keys():
        judged[k] = ruled_note(
            tool[k],
            recalled.rulings.get(k),
            recalled.held.get(k, ""),
            ground.planners.get(k),
            still=k in recalled.still,
            made=made,
        )
    for rule_id in recalled.rulings.keys() & rules.keys():
        for k in rules[rule_id].covers:
            if k in judged and k not in recalled.rulings:
                judged[k] = as_its_rule(
                    judged[k], rule_id, rules[rule_id], recalled.rulings[rule_id], made=made
                )
    return judged


def offers(
    parts: dict[str, Part], tolerances: Tolerances, judging: Judging, kept: Kept
) -> list[ScopeRule]:
    """Give the rules that are only told: offers, and those that would add beating."""
    found = [
        kept.sparing(r)
        for p in parts.values()
        for r in _found_rules(p, p.aimed, tolerances, judging)
    ]
    would_clash = "left, because it would add beating against the other parts"
    return [
        replace(r, action="leave", reason=f"{r.reason}; {would_clash}") if r.applied else r
        for r in found
        if not r.applied or kept.refuses(r)
    ]


def _found_rules(
    part: Part, aimed: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
) -> tuple[ScopeRule, ...]:
    ground = PartGround(
        role=part.stem.role,
        tolerances=tolerances,
        judging=judging,
        leave_alone=frozenset(part.protected),
        expression=part.expression,
        strings=part.strings,
        as_a_whole=is_chordal(part.stem),
        edges_s=part.spec.comp_edges_s,
        factors=part.factors,
        known=part.known_by,
        sets_a4=part.sets_a4,
    )
    return told(find_rules(at_rest(aimed, part.sag), ground), part.sag)


def _applied(rules: tuple[ScopeRule, ...], kept: Kept) -> tuple[ScopeRule, ...]:
    on_some = (kept.sparing(r) for r in rules if r.applied)
    return tuple(r for r in on_some if r.covers and not kept.refuses(r))
