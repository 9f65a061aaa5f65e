"""Rules and decisions settled together: what is left once they are carried out asks for no more."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from planner.cases import Case
from planner.clash_words import called, own_and_other, said_clash
from planner.clashes import SORE_KINDS, Clash, SoundingNote, find_clashes, worst_clashes
from planner.exposure import Standing
from planner.kept import Kept
from planner.model import FIXED_ROLES
from planner.moves import carried_out
from planner.parts import Part, sounding
from planner.plan_model import Judged
from planner.protection import join_inside
from planner.roles import is_chordal
from planner.row_ids import name_rules
from planner.ruled import decided_by_a_person, outside_locks, ruled_note, ruled_rules
from planner.ruled_rows import Recalled
from planner.rules import decide
from planner.scope_rule import ScopeRule, moved
from planner.scopes import find_rules, layers_of, together
from planner.short_runs import usual_onsets
from planner.takes import with_other_take
from planner.targets import Aimed
from planner.tolerances import Judging, Tolerances

_SPREAD_CENTS = 3.0  # between unison voices; common practice, no source
_MOST_ROUNDS = 6  # chosen: two are usual
_Errors = tuple[tuple[float | None, ...], ...]
_HELD_UNISON_S = 2.0  # chosen: the longest class of the tolerances


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Rules with their ids, what beats under them, and what was decided about every note."""

    rules: dict[str, ScopeRule]
    clashes: tuple[Clash, ...]
    judged: dict[str, Judged]
    tool: dict[str, Judged]  # what is decided without anybody's answers


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was found in earlier tries of one round: taken again where the same is asked."""

    # By stem: the part, the errors of its notes, and the rules found in them.
    rules: dict[str, list[tuple[Part, _Errors, tuple[ScopeRule, ...]]]] = field(
        default_factory=dict
    )
    notes: dict[str, tuple[Case, Judged]] = field(default_factory=dict)

    def decided(self, case: Case) -> Judged:
        note_id = case.aimed.measured.id
        before = self.notes.get(note_id)
        if before is None or before[0] != case:
            before = case, decide(case)
            self.notes[note_id] = before
        return before[1]

    def rules_of(
        self, part: Part, aimed: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
    ) -> tuple[ScopeRule, ...]:
        errors = tuple((a.onset_cents, a.sustain_cents, a.end_cents, a.heard_cents) for a in aimed)
        known = self.rules.setdefault(part.stem.code, [])
        for other, left, rules in known:
            if other is part and left == errors:
                return rules
        found = _found_rules(part, aimed, tolerances, judging)
        known.append((part, errors, found))
        return found


def settle(
    parts: dict[str, Part],
    standing: dict[str, Standing],
    tolerances: Tolerances,
    judging: Judging,
    kept: Kept,
    recalled: Recalled,
    follows: Mapping[str, str],
    before: Mapping[str, ScopeRule] | None,
    planners: Mapping[str, Judged],
    seen: Seen,
) -> Settled:
    """Rules and decisions that leave nothing to plan once they are carried out.

    Single edits can bring out a bias that gross notes hid before. So the rules are looked for again
    in what the decisions leave, and what is found becomes a layer under them. What a person has
    refused or set is not looked for again.

    Parameters
    ----------
    before : mapping or None
        On a later round, the rules of the rounds before, by id: their moves are made, and what
        people said of rules and notes is carried out.
    planners : mapping
        What the planner decides where nobody has answered anything, by note id.
    seen : Seen
        Of the tries before on the same notes; what this one finds is added.
    """
    rulings, done = recalled.rulings, before or {}

    def open_ones(every: tuple[ScopeRule, ...]) -> tuple[ScopeRule, ...]:
        rules = _applied(every, kept)
        return tuple(r for r in rules if not decided_by_a_person(r, done, rulings))

    at_first = {
        code: seen.rules_of(part, part.aimed, tolerances, judging) for code, part in parts.items()
    }
    found = {code: open_ones(every) for code, every in at_first.items()}
    sits_so = frozenset(c for c, every in at_first.items() if any(r.sits_so for r in every))
    may_move = {
        code: frozenset(n.id for n in part.stem.notes if n.id not in part.protected)
        for code, part in parts.items()
    }
    for _ in range(_MOST_ROUNDS):
        every_found = [rule for code in parts for rule in found[code]]
        free = outside_locks(every_found, recalled.held)
        rules = name_rules(free, recalled.ledger, taken=done)
        if before is None:
            rules = ruled_rules(rules, rulings, may_move, recalled.bars, recalled.held)
        layers = layers_of(rules)
        layered = sounding(parts, {k: sum(c for _, c in v) for k, v in layers.items()})
        clashes = find_clashes(layered)
        tool = _decide_all(
            parts,
            layers,
            clashes,
            layered,
            standing,
            tolerances,
            judging,
            kept,
            follows,
            sits_so,
            seen,
        )
        judged = {
            k: ruled_note(
                one,
                rulings.get(k),
                recalled.held.get(k, ""),
                planners.get(k),
                made=before is not None,
            )
            for k, one in tool.items()
        }
        again = False
        for code, part in parts.items():
            left = tuple(carried_out(a, judged[a.measured.id]) for a in part.aimed)
            more = tuple(
                rule
                for rule in open_ones(seen.rules_of(part, left, tolerances, judging))
                if not decided_by_a_person(rule, rules, rulings)
            )
            found[code] = together(found[code], more)
            again = again or bool(more)
        if not again:
            break
    return Settled(rules=rules, clashes=clashes, judged=judged, tool=tool)


def offers(
    parts: dict[str, Part], tolerances: Tolerances, judging: Judging, kept: Kept
) -> list[ScopeRule]:
    """Give the rules that are only told: offers, and those that would add beating."""
    found = [r for p in parts.values() for r in _found_rules(p, p.aimed, tolerances, judging)]
    would_clash = "left, because it would add beating against the other parts"
    return [
        replace(r, action="leave", reason=f"{r.reason}; {would_clash}") if r.applied else r
        for r in found
        if not r.applied or kept.refuses(r)
    ]


def _found_rules(
    part: Part, aimed: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
) -> tuple[ScopeRule, ...]:
    return find_rules(
        aimed,
        part.stem.role,
        tolerances,
        judging,
        leave_alone=frozenset(part.protected),
        expression=part.expression,
        # Chords are moved as a whole or not at all: a string of theirs is advice.
        strings={} if is_chordal(part.stem.role) else part.strings,
        edges_s=part.spec.comp_edges_s,
        factors=part.factors,
    )


def _applied(rules: tuple[ScopeRule, ...], kept: Kept) -> tuple[ScopeRule, ...]:
    return tuple(rule for rule in rules if rule.applied and not kept.refuses(rule))


def _decide_all(
    parts: dict[str, Part],
    layers: dict[str, tuple[tuple[str, float], ...]],
    clashes: tuple[Clash, ...],
    sounding: tuple[SoundingNote, ...],
    standing: dict[str, Standing],
    tolerances: Tolerances,
    judging: Judging,
    kept: Kept,
    follows: Mapping[str, str],
    sits_so: frozenset[str],
    seen: Seen,
) -> dict[str, Judged]:
    by_id = {n.id: n for n in sounding}
    worst = worst_clashes(clashes)
    # Only beating against what stays where it is: another stem may still be moved itself.
    against_fixed = {
        me
        for c in clashes
        if c.kind in SORE_KINDS
        for me, you in ((c.lower_id, c.upper_id), (c.upper_id, c.lower_id))
        if by_id[you].role in FIXED_ROLES
    }
    unisons = _unisons_with_fixed(sounding)
    judged = {}
    doubles: dict[str, list[float]] = {}  # lead's note -> where its doubles are left
    for part in parts.values():
        made = [
            moved(a, sum(c for _, c in layers[a.measured.id])) if a.measured.id in layers else a
            for a in part.aimed
        ]
        usual = usual_onsets(made, part.stem.role, tolerances)
        for a in part.aimed:
            note_id = a.measured.id
            heard = (a.heard_cents or 0.0) + sum(c for _, c in layers.get(note_id, ()))
            beside = doubles.setdefault(follows.get(note_id, ""), [])
            clash = worst.get(note_id)
            partner = None if clash is None else by_id[_partner(clash, note_id)]
            sore = clash is not None and clash.kind in SORE_KINDS
            case = Case(
                aimed=a,
                role=part.stem.role,
                judging=judging,
                tolerances=tolerances,
                exposure=standing[note_id].exposure if note_id in standing else "normal",
                factor=part.factors.get(note_id, 1.0),
                layers=layers.get(note_id, ()),
                protected_by=part.protected.get(note_id, ""),
                join_inside=join_inside(a.measured, part.spec),
                grace=note_id in part.grace,
                usual_onset_cents=usual.get(note_id),
                blue=note_id in part.blue,
                chord=part.chords.get(note_id),
                comes_round=part.repeated.get(note_id, ""),
                pushed=note_id in part.pushed,
                beats=note_id in against_fixed,
                sits_so=part.stem.code in sits_so,
                held_unison_with_fixed=note_id in unisons,
                spread_cents=_spread(heard, beside) if note_id in follows else 0.0,
                beats_with=called(partner) if partner is not None and sore else "",
                nothing_left=note_id in kept.nothing_left,
                worth_clearing=note_id in kept.worth_clearing,
                part_way_cents=kept.part_way.get(note_id),
                gives_way_cents=kept.gives_way.get(note_id),
                beats_if_moved=_against(kept, note_id, by_id),
            )
            one = seen.decided(case)
            if clash is not None and partner is not None:
                one = replace(
                    one,
                    clash_with=partner.id,
                    beating_hz=round(clash.beating_hz, 1),
                    beat_cycles=round(clash.cycles, 1),
                    clash_partials="{} to {}".format(*own_and_other(clash, note_id)),
                    clash_words=said_clash(clash, by_id[note_id], partner),
                )
            others = part.takes.get(note_id, ())
            one = with_other_take(one, case, others, len(part.spec.linked))
            guess = part.strings.get(note_id)
            if guess is not None:
                one = replace(
                    one,
                    string_midi=guess.string_midi,
                    fret=guess.fret,
                    string_confidence=guess.told,
                )
            judged[note_id] = one
            beside.append(one.remaining_cents or 0.0)
    return judged


def _spread(heard_cents: float, beside: list[float]) -> float:
    """Cents that a double keeps from its lead, and from another double on its own side of it."""
    same_side = any(
        other * heard_cents > 0 and abs(abs(other) - _SPREAD_CENTS) < _SPREAD_CENTS
        for other in beside
    )
    return 2.0 * _SPREAD_CENTS if same_side else _SPREAD_CENTS


def _partner(clash: Clash, note_id: str) -> str:
    return clash.upper_id if clash.lower_id == note_id else clash.lower_id


def _against(kept: Kept, note_id: str, by_id: dict[str, SoundingNote]) -> str | None:
    """Whom a note would beat with if it were moved, in words; None where it may be moved."""
    other = kept.beats_if_moved.get(note_id)
    return other if not other else called(by_id[other])


def _unisons_with_fixed(sounding: tuple[SoundingNote, ...]) -> frozenset[str]:
    """Long notes that sound with a fixed instrument on the same note, in any octave."""
    fixed = [n for n in sounding if n.role in FIXED_ROLES]
    by_class: dict[int, list[SoundingNote]] = {}
    for n in fixed:
        by_class.setdefault(n.midi % 12, []).append(n)
    return frozenset(
        n.id
        for n in sounding
        if n.role not in FIXED_ROLES and round(n.end_s - n.start_s, 6) >= _HELD_UNISON_S
        for other in by_class.get(n.midi % 12, [])
        if round(min(n.end_s, other.end_s) - max(n.start_s, other.start_s), 6) >= _HELD_UNISON_S
    )
