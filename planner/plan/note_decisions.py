"""What is decided about every note while some rules are made, and what is said beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from planner.clashes import SORE_KINDS, Clash, SoundingNote, find_clashes, worst_clashes
from planner.clear.kept import Kept
from planner.decide.cases import Case
from planner.decide.clash_words import called, own_and_other, said_clash
from planner.decide.exposure import Standing
from planner.decide.protection import join_inside
from planner.model import FIXED_ROLES
from planner.plan.ground import Ground
from planner.plan.parts import Part, sounding
from planner.plan.takes import with_other_take
from planner.scope.scope_rule import moved
from planner.scope.short_runs import usual_onsets
from planner.targets import Aimed
from planner.words.plan_model import Judged

_SPREAD_CENTS = 3.0  # between unison voices; common practice, no source
_HELD_UNISON_S = 2.0  # chosen: the longest class of the tolerances


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What stays the same over the rounds of one settling."""

    ground: Ground
    parts: dict[str, Part]
    standing: dict[str, Standing]
    kept: Kept
    follows: Mapping[str, str]  # note of a double -> the lead's note that it follows
    sits_so: frozenset[str]  # stems that lie a little off and are only offered a move
    decide: Callable[[Case], Judged]  # by the decision table


def decide_all(
    settling: Settling, layers: dict[str, tuple[tuple[str, float], ...]]
) -> tuple[tuple[Clash, ...], dict[str, Judged]]:
    """Say what beats under some rules, and what the planner decides about every note then.

    Parameters
    ----------
    layers : dict
        Note id -> the rules that cover it, and what each adds.
    """
    tolerances, parts = settling.ground.tolerances, settling.parts
    notes = sounding(parts, {k: sum(c for _, c in v) for k, v in layers.items()})
    beating = _beating(notes)
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
            own = layers.get(note_id, ())
            lead = settling.follows.get(note_id)
            beside = doubles.setdefault(lead or "", [])
            heard = (a.heard_cents or 0.0) + sum(c for _, c in own)
            case = _case(
                settling, part, a, own, beating,
                usual_onset_cents=usual.get(note_id),
                spread_cents=0.0 if lead is None else _spread(heard, beside),
            )  # fmt: skip
            one = _saying_clash(settling.decide(case), beating)
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
    return beating.clashes, judged


@dataclass(frozen=True, slots=True, kw_only=True)
class _Beating:
    """What beats with what, with some rules made."""

    clashes: tuple[Clash, ...]
    worst: dict[str, Clash]  # by note id
    by_id: dict[str, SoundingNote]
    against_fixed: frozenset[str]  # only what stays where it is: another stem may still be moved
    unisons: frozenset[str]  # long notes beside a fixed instrument's of the same name

    def partner(self, note_id: str) -> SoundingNote | None:
        """The note that one beats with worst."""
        clash = self.worst.get(note_id)
        if clash is None:
            return None
        return self.by_id[clash.upper_id if clash.lower_id == note_id else clash.lower_id]


def _beating(notes: tuple[SoundingNote, ...]) -> _Beating:
    clashes = find_clashes(notes)
    by_id = {n.id: n for n in notes}
    return _Beating(
        clashes=clashes,
        worst=worst_clashes(clashes),
        by_id=by_id,
        against_fixed=frozenset(
            me
            for c in clashes
            if c.kind in SORE_KINDS
            for me, you in ((c.lower_id, c.upper_id), (c.upper_id, c.lower_id))
            if by_id[you].role in FIXED_ROLES
        ),
        unisons=_unisons_with_fixed(notes),
    )


def _case(
    settling: Settling,
    part: Part,
    a: Aimed,
    layers: tuple[tuple[str, float], ...],
    beating: _Beating,
    *,
    usual_onset_cents: float | None,
    spread_cents: float,
) -> Case:
    """One note as the decision table sees it."""
    note_id, standing, kept = a.measured.id, settling.standing, settling.kept
    clash, partner = beating.worst.get(note_id), beating.partner(note_id)
    sore = clash is not None and clash.kind in SORE_KINDS
    return Case(
        aimed=a,
        role=part.stem.role,
        several_notes=part.stem.several_notes,
        judging=settling.ground.judging,
        tolerances=settling.ground.tolerances,
        exposure=standing[note_id].exposure if note_id in standing else "normal",
        factor=part.factors.get(note_id, 1.0),
        layers=layers,
        protected_by=part.protected.get(note_id, ""),
        join_inside=join_inside(a.measured, part.spec),
        grace=note_id in part.grace,
        usual_onset_cents=usual_onset_cents,
        blue=note_id in part.blue,
        leading=note_id in part.leading,
        next_semitones=part.goes_on.get(note_id, 0),
        chord=part.chords.get(note_id),
        known_by=part.known_by.get(note_id, ""),
        comes_round=part.repeated.get(note_id, ""),
        pushed=note_id in part.pushed,
        beats=note_id in beating.against_fixed,
        sits_so=part.stem.code in settling.sits_so,
        held_unison_with_fixed=note_id in beating.unisons,
        spread_cents=spread_cents,
        beats_with=called(partner) if partner is not None and sore else "",
        nothing_left=note_id in kept.nothing_left,
        worth_clearing=note_id in kept.worth_clearing,
        part_way_cents=kept.part_way.get(note_id),
        gives_way_cents=kept.gives_way.get(note_id),
        beats_if_moved=_against(kept, note_id, beating.by_id),
    )


def _saying_clash(one: Judged, beating: _Beating) -> Judged:
    note_id = one.measured.id
    clash, partner = beating.worst.get(note_id), beating.partner(note_id)
    if clash is None or partner is None:
        return one
    return replace(
        one,
        clash_with=partner.id,
        beating_hz=round(clash.beating_hz, 1),
        beat_cycles=round(clash.cycles, 1),
        clash_partials="{} to {}".format(*own_and_other(clash, note_id)),
        clash_words=said_clash(clash, beating.by_id[note_id], partner),
    )


def _spread(heard_cents: float, beside: list[float]) -> float:
    """Cents that a double keeps from its lead, and from another double on its own side of it."""
    same_side = any(
        other * heard_cents > 0 and abs(abs(other) - _SPREAD_CENTS) < _SPREAD_CENTS
        for other in beside
    )
    return 2.0 * _SPREAD_CENTS if same_side else _SPREAD_CENTS


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
