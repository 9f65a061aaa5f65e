"""The decision table: what to do with one note once the rules above it are counted in.

`DECISIONS` is read from the top, and the first rule that fits decides. Errors are what the larger
rules leave, rounded to 0.1 cent once, before any comparison; at a limit itself, the note is left.
"""

from collections.abc import Callable
from dataclasses import dataclass

from planner.decide import note_edits
from planner.decide.case_words import words_of
from planner.decide.cases import Case, known
from planner.decide.expression import LEADING_CENTS
from planner.decide.fits import (
    arrives_late,
    bent_in,
    beyond,
    cannot_tell,
    ends_off,
    leans,
    leans_to_key,
    on_its_way,
    only_rest_off,
    onset_off,
    rises_plainly,
    runs_on,
    sags,
    scoops,
    slides,
    slides_too_fast,
    starts_off,
    two_ways,
    which_note,
    within_doubt,
    wobbles,
    worth_it,
)
from planner.decide.inside_tolerance import can_clear, clears, gives_way_from
from planner.decide.moves import Move
from planner.model import FIXED_ROLES, Role
from planner.words.plan_model import Action, Judged

__all__ = [
    "AS_A_WHOLE_ONLY",
    "DECISIONS",
    "IN_TOLERANCE",
    "THE_START_ALONE",
    "DecisionRule",
    "as_a_whole_only",
    "decide",
]

IN_TOLERANCE = "in its tolerance and beating"  # moved only because it clears a clash
# Notes that stay as they are. Moved as a whole, a scoop or a fall goes along with its note.
_IN_TUNE = frozenset({"fall", "late arrival", "scoop", "bend or slide in", "in tune"})
THE_START_ALONE = ": the start alone"  # of a reason, as long as the rest is not moved as well

AS_A_WHOLE_ONLY = "never note by note"  # name of a rule
_MOVING = "{off}{give} as it is heard, but moving throughout: listen to it{pair}{bleed}"
_NEVER_SINGLE = frozenset({"fretted-chords", "bowed-group", "sampled", "drum-tones"})


def as_a_whole_only(role: Role, *, several_notes: bool) -> bool:
    """Whether several notes sound at once in a part, or drums: it is moved as a whole at most."""
    return role in _NEVER_SINGLE or several_notes


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """One row of the table."""

    name: str
    fits: Callable[[Case], bool]
    action: Action
    reason: str  # a sentence; {words} are filled in by `decide`
    move: Callable[[Case], Move] | None = None


def decide(case: Case) -> Judged:
    """Decide about one note: the first rule of `DECISIONS` that fits."""
    rule = next(rule for rule in DECISIONS if rule.fits(case))
    move = rule.move(case) if rule.move else None
    judged_at_all = case.heard is not None and case.role not in FIXED_ROLES
    aimed = case.aimed
    return Judged(
        measured=aimed.measured,
        target=aimed.target,
        onset_cents=aimed.onset_cents,
        sustain_cents=aimed.sustain_cents,
        end_cents=aimed.end_cents,
        heard_cents=aimed.heard_cents,
        tolerance_cents=case.t if judged_at_all and case.role != "exclude" else None,
        layers=case.layers,
        action=rule.action,
        rule_name=rule.name,
        reason=rule.reason.format(
            **words_of(case, move, rises=rises_plainly(case) and onset_off(case))
        ),
        add_cents=move.add_cents if move else None,
        onset_add_cents=move.onset_add_cents if move else None,
        cut_s=move.cut_s if move else None,
        sustain_add_cents=move.sustain_add_cents if move else None,
        points=move.points if move else (),
        remaining_cents=move.remaining_cents if move else case.heard,
        clearable=rule.name in _IN_TUNE and can_clear(case),
        gives_way_from_cents=gives_way_from(
            case, in_tune=rule.name in _IN_TUNE, whole=rule.move is note_edits.whole
        ),
    )


DECISIONS: tuple[DecisionRule, ...] = (
    DecisionRule(
        name="left by role", action="leave", fits=lambda c: c.role == "exclude",
        reason="left by role",
    ),
    DecisionRule(
        name="fixed pitch", action="leave", fits=lambda c: c.role in FIXED_ROLES,
        reason="nobody can move it: the others are judged by it",
    ),
    DecisionRule(
        name="hands off", action="leave", fits=lambda c: bool(c.protected_by),
        reason="not to be touched: {protected_by}",
    ),
    DecisionRule(
        name="not measured", action="leave", fits=lambda c: c.heard is None,
        reason="not measured: {unmeasured}",
    ),
    DecisionRule(
        name=AS_A_WHOLE_ONLY, action="leave",
        fits=lambda c: as_a_whole_only(c.role, several_notes=c.several_notes),
        reason="more than one note may sound here: judged as a whole part only",
    ),
    DecisionRule(
        name="too short", action="leave",
        fits=lambda c: c.length_s < c.tolerances.leave_below_s,
        reason="too short to be heard out of tune",
    ),
    DecisionRule(
        name="grace note", action="leave", fits=lambda c: c.grace,
        reason="a grace note: it belongs to the note that follows",
    ),
    DecisionRule(
        name="blue note", action="leave", fits=lambda c: c.blue,
        reason="a blue note that comes back: kept",
    ),
    DecisionRule(
        name="another note", action="leave",
        fits=lambda c: beyond(c, c.tolerances.limits.never_beyond_cents),
        reason="{off}, more than a semitone from {intended}: another note was played, "
        "or the score does not fit",
    ),
    DecisionRule(
        name="wrong note", action="wrong-note",
        fits=lambda c: beyond(c, c.tolerances.limits.wrong_note_beyond_cents),
        reason="{off}: nearer to another note than to {intended}",
    ),
    DecisionRule(
        name="comes round the same", action="leave",
        fits=lambda c: bool(c.comes_round) and c.over,
        reason="{off}, and {comes_round}: taken as meant so",
    ),
    DecisionRule(
        name="join inside", action="ask", fits=lambda c: c.join_inside and c.over,
        reason="a join of takes lies inside this note: is the step in pitch made there?",
    ),
    DecisionRule(
        name="between two notes", action="ask", fits=which_note,
        reason="{off} for {intended}, so between two notes: which was meant, {either}?",
    ),
    DecisionRule(
        name="leans to the chord", action="ask",
        fits=lambda c: c.over and c.chord_tone_beside is not None,
        reason="{off} for {intended}, which is not in {chord}, and leans to {leans_to}, "
        "which is: which was meant, {either}?",
    ),
    DecisionRule(
        name="leans to the key", action="ask", fits=leans_to_key,
        reason="{off} for {intended}, which is not in {key}, and leans to {leans_to}, "
        "which is: which was meant, {either}?",
    ),
    DecisionRule(
        name="off and moving", action="ask",
        fits=lambda c: (c.far_off or cannot_tell(c)) and on_its_way(c), reason=_MOVING,
    ),
    DecisionRule(
        name="cannot tell", action="ask", fits=cannot_tell,
        reason="is it {off}{give}? listen to it{pair}{bleed}",
    ),
    DecisionRule(
        name="wobble", action="ask", fits=wobbles,
        reason="slow or uneven wobble around a middle that is {off}: another take?",
    ),
    DecisionRule(
        name="push", action="leave",
        fits=lambda c: c.pushed and c.over and 0 < known(c.heard) <= 25,
        reason="among the loudest notes of the part and {off}: pushed, as one does",
    ),
    DecisionRule(
        name="leading note", action="leave",
        fits=lambda c: c.leading and c.over and not c.beats_with
        and 0 < known(c.heard) <= LEADING_CENTS,
        reason="{off} under the tonic that it leads to: kept, as in a melody",
    ),
    DecisionRule(
        name="would clash", action="leave", fits=lambda c: c.beats_if_moved is not None,
        reason="{off}; {would_beat}: left",
    ),
    DecisionRule(
        name="slide", action="leave", fits=slides,
        reason="slides {lean} along the note: kept, on its way from one pitch to another",
    ),
    DecisionRule(
        name="long lean", action="steady", fits=leans, move=note_edits.steady,
        reason="leans {lean} along the note: evened around its own middle{vibrato}; "
        "needs points",
    ),
    DecisionRule(
        name="runs on", action="leave", fits=lambda c: runs_on(c) and not c.over,
        reason="the end runs off until it is {end_off}, toward the next note: a slide, kept",
    ),
    DecisionRule(
        name="sagging end", action="hold-end", fits=sags, move=note_edits.hold,
        reason="the end runs off until it is {end_off}: held from where it leaves{vibrato}; "
        "needs points or a cut",
    ),
    DecisionRule(
        name=IN_TOLERANCE, action="raise-lower", fits=clears, move=note_edits.whole,
        reason="{off}, within its tolerance, but it {beats}: {kept}{left}",
    ),
    DecisionRule(
        name="fall", action="leave", fits=lambda c: ends_off(c) and not c.over,
        reason="falls off at its very end: kept",
    ),
    DecisionRule(
        name="late arrival", action="leave", fits=arrives_late,
        reason="takes {settle} s to arrive from below: kept, as a late note or meant so",
    ),
    DecisionRule(
        name="scoop", action="leave", fits=scoops,
        reason="rises into the note and arrives: kept",
    ),
    DecisionRule(
        name="bend or slide in", action="leave", fits=bent_in,
        reason="starts {onset_off} and comes to its pitch: a bend or a slide, kept",
    ),
    DecisionRule(
        name="start off", action="start-only", fits=starts_off, move=note_edits.start,
        reason="starts {onset_off} and settles within its tolerance" + THE_START_ALONE + "; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="start and rest on either side", action="shape", fits=two_ways, move=note_edits.shape,
        reason="starts {onset_off}, goes on {sustain_off}: one number would not be true; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="slide in a short note", action="leave", fits=slides_too_fast,
        reason="starts {onset_off}, goes on {sustain_off}, too short for two numbers: "
        "kept, on its way from one pitch to another",
    ),
    DecisionRule(
        name="start fine, rest off", action="shape", fits=only_rest_off, move=note_edits.shape,
        reason="starts well and goes on {sustain_off}{against}: one number would spoil the start; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="within the uncertainty", action="leave", fits=within_doubt,
        reason="{off}, which cannot be told from in tune here{give}",
    ),
    DecisionRule(
        name="in tune", action="leave", fits=lambda c: not c.over,
        reason="within {tolerance} cents, near enough for a note of its length",
    ),
    DecisionRule(
        name="too little to gain", action="leave",
        fits=lambda c: c.gives_way_cents is None and not worth_it(c, note_edits.whole),
        reason="{off}, but an edit would better it by less than {smallest_gain}",
    ),
    DecisionRule(
        name="moving throughout", action="ask", fits=on_its_way, reason=_MOVING,
    ),
    DecisionRule(
        name="note off", action="raise-lower", fits=lambda c: True, move=note_edits.whole,
        reason="{kind} sits {off}{against}{meant}; {kept}{left}",
    ),
)  # fmt: skip
