"""The decision table: what to do with one note once the rules above it are counted in.

`DECISIONS` is read from the top, and the first rule that fits decides. Errors are what the larger
rules leave, rounded to 0.1 cent once, before any comparison; at a limit itself, the note is left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from planner import moves, note_edits
from planner.case_words import words_of
from planner.cases import Case, known
from planner.expression import wobbles
from planner.inside_tolerance import can_clear, clears, gives_way_from
from planner.model import FIXED_ROLES
from planner.moves import Move
from planner.plan_model import Action, Judged
from planner.wording import taken_back

__all__ = ["DECISIONS", "IN_TOLERANCE", "DecisionRule", "decide"]

IN_TOLERANCE = "in its tolerance and beating"  # moved only because it clears a clash

_PLUCKED: frozenset[str] = frozenset({"fretted", "bass-fretted"})
# Several notes at once, or a drum: rules over the whole part at most.
_NEVER_SINGLE: frozenset[str] = frozenset(
    {"fretted-chords", "bowed-group", "sampled", "drum-tones"}
)

# All of these: common practice, no source.
_SAME_MOVE_CENTS = 8.0  # onset and sustain this close are moved by one number
_ONSET_FACTOR = 1.3  # an onset alone is heard less than a whole note
_SCOOP_SHARE = 0.3  # of the note
_SCOOP_DEEPEST_CENTS = 200.0
_RISE_TOLD_CENTS = 8.0  # chosen: less is scatter, or a level note
_LATE_SETTLE_S = 0.35
_SHORT_PLUCK_S = 0.5
_TOO_SHORT_TO_SHAPE_S = 0.3
_SAG_CENTS = 15.0
_SAG_LASTS_S = 0.4
_FALL_AFTER_SHARE = 0.8
_DEEPEST_SAG_CENTS = 80.0  # chosen: a deeper one is a fall that someone meant
_LEAN_CENTS_PER_S = 12.0
_LEAN_LASTS_S = 1.0


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
            **words_of(case, move, rises=_rises_plainly(case) and _onset_off(case))
        )
        + (taken_back(move.add_cents, aimed.heard_cents, case.layers) if move else ""),
        add_cents=move.add_cents if move else None,
        onset_add_cents=move.onset_add_cents if move else None,
        cut_s=move.cut_s if move else None,
        sustain_add_cents=move.sustain_add_cents if move else None,
        points=move.points if move else (),
        remaining_cents=move.remaining_cents if move else case.heard,
        clearable=rule.name == "in tune" and can_clear(case),
        gives_way_from_cents=gives_way_from(
            case, in_tune=rule.name == "in tune", whole=rule.move is note_edits.whole
        ),
    )


# ---------------------------------------------------------------- what fits


def _bends(case: Case) -> bool:
    return case.role not in _PLUCKED


def _sustain_fine(case: Case) -> bool:
    return case.sustain is not None and abs(case.sustain) <= case.t


def _worth_it(case: Case, move: Callable[[Case], Move]) -> bool:
    return move(case).gain_cents >= case.tolerances.limits.smallest_gain_cents


def _beyond(case: Case, cents: float) -> bool:
    return case.heard is not None and abs(case.heard) > cents


def _within_doubt(case: Case) -> bool:
    return not case.over and _beyond(case, case.terms.raw_cents)


def _cannot_tell(case: Case) -> bool:
    u = case.uncertainty
    shaky = case.aimed.measured.measurement.confidence == "shaky"
    return case.over and (u is None or shaky or u > case.terms.raw_cents / 2)


def _which_note(case: Case) -> bool:
    if case.aimed.target.from_score:
        return False  # the score says it; from where a note counts as a wrong one is asked above
    between = case.aimed.target.between_notes and not case.layers
    return between or _beyond(case, case.tolerances.limits.ask_beyond_cents)


def _wobbles(case: Case) -> bool:
    return case.over and wobbles(case.aimed.measured.measurement)


def _leans(case: Case) -> bool:
    m = case.aimed.measured.measurement
    if m.slope_cents_per_s is None or case.sustain is None or case.length_s < _LEAN_LASTS_S:
        return False
    reach = abs(m.slope_cents_per_s) * case.length_s / 2
    leans = abs(m.slope_cents_per_s) > _LEAN_CENTS_PER_S and round(reach, 1) > case.t
    return leans and not _ends_off(case) and _worth_it(case, note_edits.steady)


def _ends_off(case: Case) -> bool:
    """Whether the end runs off on its own, from a sustain that is fine."""
    if case.end is None or not _sustain_fine(case) or not _bends(case):
        return False
    return abs(case.end) > case.t and abs(round(case.end - known(case.sustain), 1)) > _SAG_CENTS


def _sags(case: Case) -> bool:
    if not _ends_off(case) or abs(known(case.end) - known(case.sustain)) > _DEEPEST_SAG_CENTS:
        return False
    leaves_s = moves.end_leaves_s(case.aimed.measured)
    if leaves_s is None or leaves_s > _FALL_AFTER_SHARE * case.length_s:
        return False
    if round(case.length_s - leaves_s, 3) < _SAG_LASTS_S or not _worth_it(case, note_edits.hold):
        return False
    # What the gentlest ramp cannot reach would still be a sag afterwards: then it is a fall.
    return (
        abs(known(case.end) - known(case.sustain)) - note_edits.hold(case).gain_cents <= _SAG_CENTS
    )


def _onset_off(case: Case) -> bool:
    return case.onset is not None and abs(case.onset) > _ONSET_FACTOR * case.t


def _starts_off(case: Case) -> bool:
    heard = case.length_s < _SHORT_PLUCK_S or case.exposure in ("bare", "featured")
    plucked = case.role in _PLUCKED and _sustain_fine(case) and _onset_off(case)
    # A hard stroke settles within a third of a second by nature: not for the longer notes.
    m = case.aimed.measured.measurement
    natural = case.length_s >= _SHORT_PLUCK_S and (m.settle_s or 0.0) <= 0.3
    natural = natural or _starts_as_usual(case)
    return plucked and heard and not natural and _worth_it(case, note_edits.start)


def _starts_as_usual(case: Case) -> bool:
    """Whether a short note starts off as its whole run does: then it is how they are struck.

    Some move of the run may be worth its while; an edit of every start in it is not.
    """
    usual = case.usual_onset_cents
    if usual is None or case.onset is None or abs(usual) <= case.t:
        return False
    return round(abs(case.onset - usual), 1) <= round(_ONSET_FACTOR * case.t, 1)


def _rises_in(case: Case) -> bool:
    """Whether the onset lies under the sustain, as in a rise into the note."""
    return case.onset is not None and case.sustain is not None and case.onset < case.sustain


def _rises_plainly(case: Case) -> bool:
    return _rises_in(case) and known(case.sustain) - known(case.onset) >= _RISE_TOLD_CENTS


def _scoops(case: Case) -> bool:
    settle_s = case.aimed.measured.measurement.settle_s
    if not (_bends(case) and _sustain_fine(case) and _rises_in(case) and _onset_off(case)):
        return False
    if settle_s is None or known(case.onset) - known(case.sustain) < -_SCOOP_DEEPEST_CENTS:
        return False
    longest_s = min(case.judging.scoop_longest_s, _SCOOP_SHARE * case.length_s)
    return round(settle_s, 3) <= round(longest_s, 3)


def _arrives_late(case: Case) -> bool:
    settle_s = case.aimed.measured.measurement.settle_s
    rises = _bends(case) and _sustain_fine(case) and _rises_in(case) and _onset_off(case)
    return (
        rises
        and settle_s is not None
        and settle_s > max(_LATE_SETTLE_S, case.judging.scoop_longest_s)
    )


def _two_ways(case: Case) -> bool:
    if case.onset is None or case.sustain is None or case.length_s < _TOO_SHORT_TO_SHAPE_S:
        return False
    opposite = case.onset * case.sustain < 0
    both = abs(case.onset) > case.t and abs(case.sustain) > case.t
    return opposite and both and _worth_it(case, note_edits.shape)


def _only_rest_off(case: Case) -> bool:
    """Whether one number would put a good start out: the sustain is off and the start is not."""
    if case.onset is None or case.sustain is None or case.length_s < _TOO_SHORT_TO_SHAPE_S:
        return False
    if abs(case.sustain) <= case.t or abs(case.onset) > case.t or not case.over:
        return False
    apart = round(case.onset - case.sustain, 1)
    # A rise into the note and a plucked string's sharp start belong to the note and move with it.
    natural = apart < 0 if _bends(case) else apart > 0
    return abs(apart) > _SAME_MOVE_CENTS and not natural and _worth_it(case, note_edits.shape)


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
        name="never note by note", action="leave", fits=lambda c: c.role in _NEVER_SINGLE,
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
        fits=lambda c: _beyond(c, c.tolerances.limits.never_beyond_cents),
        reason="{off}, more than a semitone from {intended}: another note was played, "
        "or the score does not fit",
    ),
    DecisionRule(
        name="wrong note", action="wrong-note",
        fits=lambda c: _beyond(c, c.tolerances.limits.wrong_note_beyond_cents),
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
        name="cannot tell", action="ask", fits=_cannot_tell,
        reason="the reading is too unsure for a figure: listen to it{pair}{bleed}",
    ),
    DecisionRule(
        name="between two notes", action="ask", fits=_which_note,
        reason="{off} for {intended}, so between two notes: which was meant, {either}?",
    ),
    DecisionRule(
        name="leans to the chord", action="ask",
        fits=lambda c: c.over and c.chord_tone_beside is not None,
        reason="{off} for {intended}, which is not in {chord}, and leans to {leans_to}, "
        "which is: which was meant?",
    ),
    DecisionRule(
        name="wobble", action="ask", fits=_wobbles,
        reason="slow or uneven wobble around a middle that is {off}: another take?",
    ),
    DecisionRule(
        name="push", action="leave",
        fits=lambda c: c.pushed and c.over and 0 < known(c.heard) <= 25,
        reason="among the loudest notes of the part and {off}: pushed, as one does",
    ),
    DecisionRule(
        name="would clash", action="leave", fits=lambda c: c.beats_if_moved is not None,
        reason="{off}; {would_beat}: left",
    ),
    DecisionRule(
        name="long lean", action="steady", fits=_leans, move=note_edits.steady,
        reason="leans {lean} along the note: evened around its own middle{vibrato}; "
        "needs points",
    ),
    DecisionRule(
        name="sagging end", action="hold-end", fits=_sags, move=note_edits.hold,
        reason="the end runs off until it is {end_off}: held from where it leaves{vibrato}; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="fall", action="leave", fits=lambda c: _ends_off(c) and not c.over,
        reason="falls off at its very end: kept",
    ),
    DecisionRule(
        name="late arrival", action="ask", fits=_arrives_late,
        reason="takes {settle} s to arrive from below: a late note, or meant so?",
    ),
    DecisionRule(
        name="scoop", action="leave", fits=_scoops,
        reason="rises into the note and arrives: kept",
    ),
    DecisionRule(
        name="start off", action="start-only", fits=_starts_off, move=note_edits.start,
        reason="starts {onset_off} and settles within its tolerance: the start alone; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="start and rest on either side", action="shape", fits=_two_ways, move=note_edits.shape,
        reason="starts {onset_off}, goes on {sustain_off}: one number would lie; "
        "needs points or a cut",
    ),
    DecisionRule(
        name="start fine, rest off", action="shape", fits=_only_rest_off, move=note_edits.shape,
        reason="starts well and goes on {sustain_off}{against}: one number would spoil the start; "
        "needs points or a cut",
    ),
    DecisionRule(
        name=IN_TOLERANCE, action="raise-lower", fits=clears, move=note_edits.whole,
        reason="{off}, within its tolerance, but it {beats}: {left}",
    ),
    DecisionRule(
        name="within the uncertainty", action="leave", fits=_within_doubt,
        reason="{off}, which cannot be told from in tune here{give}",
    ),
    DecisionRule(
        name="in tune", action="leave", fits=lambda c: not c.over,
        reason="within its tolerance of {tolerance}",
    ),
    DecisionRule(
        name="too little to gain", action="leave",
        fits=lambda c: c.gives_way_cents is None and not _worth_it(c, note_edits.whole),
        reason="{off}, but an edit would better it by less than {smallest_gain}",
    ),
    DecisionRule(
        name="note off", action="raise-lower", fits=lambda c: True, move=note_edits.whole,
        reason="{kind} sits {off}{against}; {kept}{left}",
    ),
)  # fmt: skip
