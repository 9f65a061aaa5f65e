"""What is decided about every note while some rules are made, and what is said beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from planner.clashes import SORE_KINDS, Clash, SoundingNote, clashes_at, worst_clashes
from planner.clear.decided import Recorded
from planner.clear.kept import Kept, KeptOfNote
from planner.decide.cases import Case
from planner.decide.clash_words import called, own_and_other, points_of_named, said_clash
from planner.decide.exposure import Standing
from planner.decide.protection import join_inside
from planner.model import FIXED_ROLES
from planner.pitch import shift_hz
from planner.plan.ground import Ground
from planner.plan.parts import Part
from planner.plan.takes import with_other_take
from planner.rules import decide
from planner.scope.scope_rule import moved
from planner.scope.short_scope import usual_onsets
from planner.targets import Aimed
from planner.words.plan_model import Judged

_SPREAD_CENTS = 3.0  # between unison voices; common practice, no source
_HELD_UNISON_S = 2.0  # chosen: the longest class of the tolerances


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What stays the same over the rounds of one settling."""

    ground: Ground
    parts: dict[str, Part]
    recorded: Recorded  # of these parts
    standing: dict[str, Standing]
    kept: Kept
    follows: Mapping[str, str]  # note of a double -> the lead's note that it follows
    sits_so: frozenset[str]  # stems that lie a little off and are only offered a move
    known: Known


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What was decided in earlier tries of one round; the same question gets the same answer."""

    under: list[_Under] = field(default_factory=list)
    cases: dict[str, tuple[Case, Judged]] = field(default_factory=dict)  # the last ones, by note

    def decided(self, case: Case) -> Judged:
        note_id = case.aimed.measured.id
        before = self.cases.get(note_id)
        if before is None or before[0] != case:
            before = case, decide(case)
            self.cases[note_id] = before
        return before[1]


def decide_all(
    settling: Settling, layers: dict[str, tuple[tuple[str, float], ...]]
) -> tuple[Mapping[str, float], dict[str, Judged]]:
    """Decide about every note while some rules are made.

    layers : note id -> the rules that cover it, and what each adds

    Returns
    -------
    dict of float : note id -> points of the worst clash that it is named in, with the rules made
    dict of Judged : note id -> what the planner decides
    """
    under = _under(settling, layers)
    kept = settling.kept.by_note()
    judged = {}
    doubles: dict[str, list[float]] = {}  # lead's note -> where its doubles are left
    for part in settling.parts.values():
        for a in part.aimed:
            note_id = a.measured.id
            lead = settling.follows.get(note_id)
            spread = 0.0
            if lead is not None:
                heard = (a.heard_cents or 0.0) + sum(c for _, c in layers.get(note_id, ()))
                spread = _spread(heard, doubles.setdefault(lead, []))
            # With these rules made, what is decided rests on nothing else.
            asked = (note_id, spread, kept.get(note_id, KeptOfNote()))
            one = under.decided.get(asked)
            if one is None:
                one = under.decided[asked] = _decided(settling, part, a, under, asked)
            judged[note_id] = one
            if lead is not None:
                doubles[lead].append(one.remaining_cents or 0.0)
    return under.beating.points, judged


_Asked = tuple[str, float, KeptOfNote]  # of a note, the spread that it keeps from its lead


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Under:
    """A session with some rules made, and what has been decided about its notes then."""

    recorded: Recorded
    layers: dict[str, tuple[tuple[str, float], ...]]
    beating: _Beating
    usual_onset_cents: Mapping[str, float]
    decided: dict[_Asked, Judged] = field(default_factory=dict)


def _under(settling: Settling, layers: dict[str, tuple[tuple[str, float], ...]]) -> _Under:
    for under in settling.known.under:
        if under.recorded is settling.recorded and under.layers == layers:
            return under
    usual: dict[str, float] = {}
    for part in settling.parts.values():
        made = [
            moved(a, sum(c for _, c in layers[a.measured.id])) if a.measured.id in layers else a
            for a in part.aimed
        ]
        usual |= usual_onsets(made, part.stem.role, settling.ground.tolerances)
    found = _Under(
        recorded=settling.recorded,
        layers=layers,
        beating=_beating(settling.recorded, layers),
        usual_onset_cents=usual,
    )
    settling.known.under.append(found)
    return found


def _decided(settling: Settling, part: Part, a: Aimed, under: _Under, asked: _Asked) -> Judged:
    note_id, spread, kept = asked
    case = _case(settling, part, a, under, spread, kept)
    one = _saying_clash(settling.known.decided(case), under.beating)
    one = with_other_take(one, case, part.takes.get(note_id, ()), len(part.spec.linked))
    guess = part.strings.get(note_id)
    if guess is None:
        return one
    return replace(
        one, string_midi=guess.string_midi, fret=guess.fret, string_confidence=guess.told
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Beating:
    """What beats with what, with some rules made."""

    points: dict[str, float]  # note id -> of the worst clash that it is named in
    worst: dict[str, Clash]  # by note id
    by_id: Mapping[str, SoundingNote]
    against_fixed: frozenset[str]  # only what stays where it is: another stem may still be moved
    unisons: frozenset[str]  # long notes beside a fixed instrument's of the same name

    def partner(self, note_id: str) -> SoundingNote | None:
        """The note that one beats with worst."""
        clash = self.worst.get(note_id)
        if clash is None:
            return None
        return self.by_id[clash.upper_id if clash.lower_id == note_id else clash.lower_id]


def _beating(heard: Recorded, layers: Mapping[str, tuple[tuple[str, float], ...]]) -> _Beating:
    met, by_id = heard.sour.met, heard.notes
    hz = heard.sour.heard_hz.copy()
    for note_id, own in layers.items():
        k = heard.sour.index.get(note_id)
        if k is not None:
            hz[k] = shift_hz(by_id[note_id].heard_hz, sum(c for _, c in own))
    clashes = clashes_at(met, hz)
    return _Beating(
        points=points_of_named(clashes, by_id),
        worst=worst_clashes(clashes),
        by_id=by_id,
        against_fixed=frozenset(
            me
            for c in clashes
            if c.kind in SORE_KINDS
            for me, you in ((c.lower_id, c.upper_id), (c.upper_id, c.lower_id))
            if by_id[you].role in FIXED_ROLES
        ),
        unisons=_unisons_with_fixed(met.notes),
    )


def _case(
    settling: Settling, part: Part, a: Aimed, under: _Under, spread_cents: float, kept: KeptOfNote
) -> Case:
    """One note as the decision table sees it."""
    note_id, standing, beating = a.measured.id, settling.standing, under.beating
    clash, partner = beating.worst.get(note_id), beating.partner(note_id)
    sore = clash is not None and clash.kind in SORE_KINDS
    if kept.moved_for:
        partner, sore = beating.by_id[kept.moved_for], True
    clashing = kept.beats_if_moved
    return Case(
        aimed=a,
        role=part.stem.role,
        several_notes=part.stem.several_notes,
        judging=settling.ground.judging,
        tolerances=settling.ground.tolerances,
        exposure=standing[note_id].exposure if note_id in standing else "normal",
        factor=part.factors.get(note_id, 1.0),
        layers=under.layers.get(note_id, ()),
        protected_by=part.protected.get(note_id, ""),
        join_inside=join_inside(a.measured, part.spec),
        grace=note_id in part.grace,
        usual_onset_cents=under.usual_onset_cents.get(note_id),
        blue=note_id in part.blue,
        leading=note_id in part.leading,
        next_semitones=part.goes_on.get(note_id, 0),
        chord=part.chords.get(note_id),
        known_by=part.known_by.get(note_id, ""),
        leans_to_key=part.leans_to_key.get(note_id),
        comes_round=part.repeated.get(note_id, ""),
        pushed=note_id in part.pushed,
        beats=note_id in beating.against_fixed,
        sits_so=part.stem.code in settling.sits_so,
        held_unison_with_fixed=note_id in beating.unisons,
        spread_cents=spread_cents,
        beats_with=called(partner) if partner is not None and sore else "",
        nothing_left=kept.nothing_left,
        worth_clearing=kept.worth_clearing,
        part_way_cents=kept.part_way_cents,
        gives_way_cents=kept.gives_way_cents,
        # In words; None where it may be moved, and nothing where there is nobody to name.
        beats_if_moved=called(beating.by_id[clashing]) if clashing else clashing,
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
