"""Rules over many notes, biggest first: part or its tunings, register, string, pitches, short runs.

Each layer is found in what the layers before it leave, and must prove itself on notes that were
not used to find it.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from planner.model import FIXED_ROLES, STRUCK_ROLES, VOICE_ROLES, Floats
from planner.pitch import note_name
from planner.scope.part_scope import part_rule
from planner.scope.pitch_scope import pitch_rules
from planner.scope.register_scope import REGISTER_ROLES, register_rule
from planner.scope.scope_rule import (
    HEARD_CENTS,
    PartGround,
    ScopeRule,
    least_cents,
    moved,
    scatter_cents,
    sparing,
)
from planner.scope.short_scope import short_rules
from planner.scope.span_scope import span_rules
from planner.scope.string_scope import string_rules, without_odd_strings
from planner.targets import Aimed
from planner.words.spread import doubt_of_middle, spread_of
from planner.words.wording import count, flat_or_sharp

# Roles whose part as a whole may be moved.
_PART_ROLES: frozenset[str] = frozenset(
    {
        "fretted", "fretted-chords", "bass-fretted", "bass-fretless", "bowed", "bowed-group",
        "woodwind", "brass", "lead-voice", "voice-double", "voice-harmony",
    }
)  # fmt: skip
# Frets, fingerings and valves put one pitch off everywhere; voices sink or strain at one. What is
# meant so (blue notes, leading notes, the same place of a phrase) is known before and left out.
_PITCH_ROLES: frozenset[str] = (
    frozenset({"fretted", "bass-fretted", "bass-fretless", "bowed", "woodwind", "brass"})
    | VOICE_ROLES
)
_AT_SOURCE_ROLES: frozenset[str] = frozenset({"sampled", "drum-tones"})


def find_rules(aimed: tuple[Aimed, ...], part: PartGround) -> tuple[ScopeRule, ...]:
    """Find the rules of one stem's notes in play order, biggest first, each in what others leave.

    Of chords no string and no pitch is moved by itself: that is advice.
    """
    role = part.role
    everyone = tuple(a for a in aimed if a.measured.id not in part.leave_alone)
    if role in FIXED_ROLES or role == "exclude" or not everyone:
        return ()
    if role in _AT_SOURCE_ROLES:
        return _at_source_rules(everyone, part)
    rules: list[ScopeRule] = []
    notes = tuple(a for a in everyone if a.measured.id not in part.expression)
    if role in _PART_ROLES and notes:
        # A string that is out by itself, played in one section only, is no other tuning.
        odd = {} if part.as_a_whole else part.strings
        steady = without_odd_strings(notes, odd, role, part.tolerances)
        spans = span_rules(steady, everyone, part)
        # Where the tuning changes, one number for the whole part would lie.
        rules += spans
        register = register_rule(notes, part) if role in REGISTER_ROLES and not spans else None
        rules += [register] if register else []
        whole = None if rules or part.sets_a4 else part_rule(steady, part)
        rules += [replace(whole, covers=tuple(a.measured.id for a in everyone))] if whole else []
    if part.as_a_whole:
        return tuple(rules)
    finer = _finer_rules(everyone, rules, part)
    without = _without_taken_back(rules, finer)
    if without != rules:
        rules, finer = without, _finer_rules(everyone, without, part)
    rules += finer
    if role in STRUCK_ROLES:
        rules += short_rules(_after(notes, rules), part)
    return tuple(rules)


def _finer_rules(
    everyone: tuple[Aimed, ...], larger: list[ScopeRule], part: PartGround
) -> list[ScopeRule]:
    """Find what strings and pitches ask for on top of larger rules."""
    notes = tuple(a for a in everyone if a.measured.id not in part.expression)
    rules = string_rules(_after(notes, larger), part) if part.strings else []
    if part.role in _PITCH_ROLES:
        # Where a move of the whole part is only offered, pitches are judged by where it sits.
        sits = sum(rule.bias_cents for rule in larger if not rule.applied)
        left = _after(everyone, [*larger, *rules])
        rules += pitch_rules(tuple(moved(a, -sits) for a in left), part)
    return rules


def _without_taken_back(larger: list[ScopeRule], finer: list[ScopeRule]) -> list[ScopeRule]:
    """Leave out of larger rules what finer ones would bring back to where it was recorded.

    To less than can be heard: such notes are right without either move.
    """
    rules = list(larger)
    for back in finer:
        for k, rule in enumerate(rules):
            both = rule.add_cents + back.add_cents
            if rule.add_cents * back.add_cents < 0.0 and round(abs(both), 1) < HEARD_CENTS:
                rules[k] = sparing(rule, back.covers, _called(back))
    return [rule for rule in rules if rule.covers]


def _called(rule: ScopeRule) -> str:
    """Say which notes a rule over one pitch or one string is about."""
    if rule.intended_midi is not None:
        return f"every {note_name(rule.intended_midi)}"
    return "" if rule.string_midi is None else f"what lies on its {note_name(rule.string_midi)}"


def layers_of(rules: Mapping[str, ScopeRule]) -> dict[str, tuple[tuple[str, float], ...]]:
    """Give each covered note the rules that cover it: note id -> ((rule id, cents to add), ...)."""
    layers: dict[str, tuple[tuple[str, float], ...]] = {}
    for rule_id, rule in rules.items():
        if rule.applied:
            for note_id in rule.covers:
                layers[note_id] = (*layers.get(note_id, ()), (rule_id, rule.add_cents))
    return layers


def together(rules: tuple[ScopeRule, ...], more: tuple[ScopeRule, ...]) -> tuple[ScopeRule, ...]:
    """Add rules found once the single notes are mended; one over the same notes joins its like."""
    joined = list(rules)
    for rule in more:
        like = next(
            (
                k
                for k, r in enumerate(joined)
                if (r.scope, r.covers, r.action) == (rule.scope, rule.covers, rule.action)
            ),
            None,
        )
        if like is None:
            joined.append(replace(rule, reason=f"once its worst notes are mended, {rule.reason}"))
        else:
            add = round(joined[like].add_cents + rule.add_cents, 1)
            joined[like] = replace(joined[like], add_cents=add)
    return tuple(joined)


def _after(notes: tuple[Aimed, ...], rules: list[ScopeRule]) -> tuple[Aimed, ...]:
    layers = layers_of({str(k): rule for k, rule in enumerate(rules)})
    return tuple(moved(a, sum(c for _, c in layers.get(a.measured.id, ()))) for a in notes)


def _at_source_rules(notes: tuple[Aimed, ...], part: PartGround) -> tuple[ScopeRule, ...]:
    """Advice for parts with a tuning control: the whole of a sampled part, each drum by itself."""
    role, tolerances = part.role, part.tolerances
    groups: list[tuple[Aimed, ...]] = [notes]
    if role == "drum-tones":
        pitches = sorted({a.target.intended_midi for a in notes})
        groups = [tuple(a for a in notes if a.target.intended_midi == m) for m in pitches]
    least = dict(tolerances.base_cents)[role]
    rules = []
    for group in groups:
        errors = np.array([a.heard_cents for a in group if a.heard_cents is not None])
        if len(errors) < tolerances.pitch_rule.notes:
            continue
        bias = float(np.median(errors))
        spread = spread_of(errors, bias)
        doubt = doubt_of_middle(scatter_cents(spread, list(group)), len(errors))
        asked = least_cents(least, [a.measured.id for a in group], part.factors)
        if round(abs(bias), 1) < asked or abs(bias) < 2.0 * doubt:
            continue
        midi = group[0].target.intended_midi if role == "drum-tones" else None
        what = "the part" if midi is None else f"the drum on {note_name(midi)}"
        rules.append(
            ScopeRule(
                stem=group[0].measured.note.stem,
                action="at-source",
                scope="part" if midi is None else "pitch",
                covers=tuple(a.measured.id for a in group),
                bias_cents=bias,
                add_cents=0.0,
                uncertainty_cents=doubt,
                intended_midi=midi,
                name="put right at source",
                reason=f"{what} is {flat_or_sharp(bias)}, {_together(errors, bias)}: retune it "
                "where it was made, and print it again",
            )
        )
    return tuple(rules)


def _together(errors: Floats, bias: float) -> str:
    """Say how many notes lie where their middle does, and so how plainly it is the setting."""
    near = int((np.abs(errors - bias) <= HEARD_CENTS).sum())
    if near == len(errors):
        return f"all {near} notes alike"
    return f"{near} of {count(len(errors), 'note')} alike and the others elsewhere"
