"""What a note does, as the decision table asks: it wobbles, leans, sags, scoops, starts off.

Errors are what the larger rules leave, rounded to 0.1 cent once; at a limit itself, nothing fits.
"""

from collections.abc import Callable

from planner.analyzer import end_window_s
from planner.decide import expression, moves, note_edits
from planner.decide.cases import Case, known
from planner.decide.moves import LEAVES_CENTS, Move
from planner.decide.note_edits import (
    LEAN_CENTS_PER_S,
    PLUCKED,
    bent_from,
    held,
    lean,
    leaves_s,
    starts_well,
)
from planner.model import FAIR_CENTS
from planner.words.wording import BLEED_DOUBT_DB

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
_MOST_SPOILT = 0.25  # of a note: common practice, no source


def _bends(case: Case) -> bool:
    return case.role not in PLUCKED


def _sustain_fine(case: Case) -> bool:
    return case.sustain is not None and abs(case.sustain) <= case.t


def worth_it(case: Case, move: Callable[[Case], Move]) -> bool:
    return move(case).gain_cents >= case.tolerances.limits.smallest_gain_cents


def on_its_way(case: Case) -> bool:
    """Whether one number would put out too much of a note that is never at one pitch for long."""
    return spoilt_by(case, known(note_edits.whole(case).add_cents))


def spoilt_by(case: Case, add_cents: float) -> bool:
    """Whether one number for all of a note would put too much of it further out."""
    if case.sustain is None or not _bends(case):
        return False
    spoilt = moves.share_spoilt(case.aimed.measured, case.sustain, add_cents, case.t)
    return spoilt > _MOST_SPOILT


def beyond(case: Case, cents: float) -> bool:
    return case.heard is not None and abs(case.heard) > cents


def within_doubt(case: Case) -> bool:
    return not case.over and beyond(case, case.terms.raw_cents)


def cannot_tell(case: Case) -> bool:
    """Whether a note that is heard off may be within its tolerance all the same.

    A doubt of half the tolerance and more tells nothing, but where two of them do not reach it.
    """
    u = case.uncertainty
    if not case.over or u is None or _may_be_another_sound(case, u):
        return case.over
    raw = case.terms.raw_cents
    return u > raw / 2 and not beyond(case, round(raw + 2.0 * u, 1))


def _may_be_another_sound(case: Case, uncertainty_cents: float) -> bool:
    """Whether a reading is shaky by more than its cents: an octave, a mere onset, another stem."""
    measured = case.aimed.measured
    if measured.measurement.confidence != "shaky":
        return False
    near = measured.bleed_db is not None and measured.bleed_db > BLEED_DOUBT_DB
    return near or case.sustain is None or uncertainty_cents <= FAIR_CENTS


def which_note(case: Case) -> bool:
    # A score says it, or the song; from where a note counts as a wrong one is asked above.
    if case.aimed.target.from_score or case.known_by:
        return False
    return case.far_off or (case.aimed.target.between_notes and not case.layers)


def leans_to_key(case: Case) -> bool:
    """Whether a note of the key may be meant, and not the one outside of it that is nearest.

    Two doubts of what is heard may reach from where on it is.
    """
    leaning = case.leans_to_key
    if leaning is None or not case.over or case.aimed.target.from_score:
        return False
    # Another note than when it was laid beside the song: a person has named it, or its lead.
    semitones = leaning.midi - case.aimed.target.intended_midi
    from_cents = leaning.from_cents - 2.0 * (case.uncertainty or 0.0)
    return semitones * known(case.heard) > 0 and beyond(case, from_cents)


def wobbles(case: Case) -> bool:
    return case.over and expression.wobbles(case.aimed.measured.measurement)


def leans(case: Case) -> bool:
    if case.sustain is None or _reach(case) <= case.t:
        return False
    unsure = case.aimed.measured.measurement.slope_uncertainty_cents_per_s or 0.0
    plain = abs(lean(case)) > max(LEAN_CENTS_PER_S, 2.0 * unsure)
    return plain and not ends_off(case) and worth_it(case, note_edits.steady)


def slides(case: Case) -> bool:
    """Whether a long note is on its way from one pitch to another all along: nobody slips so far.

    Its ends lie further apart than the width of a note as it is heard, so its middle is none that
    anybody aimed at.
    """
    if case.sustain is None or ends_off(case):
        return False
    return _beyond_a_slip(case, _reach(case)) and (case.over or _reach(case) > case.t)


def _reach(case: Case) -> float:
    """How far a lean takes either end of a note from its middle."""
    return round(abs(lean(case)) * case.length_s / 2, 1)


def _beyond_a_slip(case: Case, cents: float) -> bool:
    """Whether a pitch is so far from the note that it is another one, and not the same one out."""
    return abs(cents) > case.tolerances.limits.ask_beyond_cents


def ends_off(case: Case) -> bool:
    """Whether the end runs off on its own, from where the note was held well.

    What leans evenly from its start on is no further off at its end than its lean takes it there,
    and lies no better with its end held than evened.
    """
    if case.end is None or case.sustain is None or not _bends(case) or abs(case.end) <= case.t:
        return False
    away = _away(case)
    if abs(held(case)) > case.t or abs(away) <= _SAG_CENTS:
        return False
    leant = lean(case) * (case.length_s - end_window_s(case.length_s)) / 2
    evenly = abs(lean(case)) > LEAN_CENTS_PER_S
    past = round(known(case.end) - known(case.sustain) - leant, 1)
    if not evenly or abs(past) > _SAME_MOVE_CENTS:
        return True
    if _reach(case) <= case.t or leaves_s(case) is None:
        return False
    return _left_by(case, note_edits.hold) < _left_by(case, note_edits.steady)


def _away(case: Case) -> float:
    """How far an end is from where its note was held."""
    return round(known(case.end) - held(case), 1)


def _left_by(case: Case, move: Callable[[Case], Move]) -> float:
    return moves.left_along(case.aimed.measured, known(case.sustain), move(case))


def runs_on(case: Case) -> bool:
    """Whether an end is off because it is on its way to the next note: a slide, and no sag.

    Half of all sags go the next note's way as well, but a slide goes further than anybody slips.
    """
    if not ends_off(case) or not _beyond_a_slip(case, _away(case)):
        return False
    return case.next_semitones * _away(case) > 0


def sags(case: Case) -> bool:
    if not ends_off(case) or abs(_away(case)) > _DEEPEST_SAG_CENTS:
        return False
    at_s = leaves_s(case)
    if at_s is None or at_s > _FALL_AFTER_SHARE * case.length_s:
        return False
    if _sag_s(case, at_s) < _SAG_LASTS_S or not worth_it(case, note_edits.hold):
        return False
    # What the gentlest ramp cannot reach would still be a sag afterwards: then it is a fall.
    return abs(_away(case)) - note_edits.hold(case).gain_cents <= _SAG_CENTS


def _sag_s(case: Case, leaves_s: float) -> float:
    """How long an end sags: from where the line from where it leaves to its end meets the note.

    leaves_s: when it is so far off that it has left for good
    """
    read_s = case.length_s - end_window_s(case.length_s) / 2
    before_s = max(read_s - leaves_s, 0.0) * LEAVES_CENTS / (abs(_away(case)) - LEAVES_CENTS)
    return round(case.length_s - leaves_s + before_s, 3)


def onset_off(case: Case) -> bool:
    return case.onset is not None and abs(case.onset) > _ONSET_FACTOR * case.t


def starts_off(case: Case) -> bool:
    heard = case.length_s < _SHORT_PLUCK_S or case.exposure in ("bare", "featured")
    plucked = case.role in PLUCKED and _sustain_fine(case) and onset_off(case)
    # A hard stroke settles within a third of a second by nature: not for the longer notes.
    m = case.aimed.measured.measurement
    natural = case.length_s >= _SHORT_PLUCK_S and (m.settle_s or 0.0) <= 0.3
    natural = natural or _starts_as_usual(case) or comes_from_elsewhere(case)
    return plucked and heard and not natural and worth_it(case, note_edits.start)


def comes_from_elsewhere(case: Case) -> bool:
    """Whether a note comes to its pitch from another: it is bent, slid into or scooped.

    A stroke sharpens a string, and never by as much as 35 cents; a string that rises is pulled or
    slid. What is blown, bowed or sung rises within its first moments as voices do. Such a way in
    belongs to the note: it is moved along with it, and never taken out.
    """
    if case.onset is None or case.sustain is None:
        return False
    if _beyond_a_slip(case, case.onset):
        return True
    return _rises_in(case) and (not _bends(case) or _scooped(case))


def bent_in(case: Case) -> bool:
    """Whether a note in tune comes from elsewhere: a bend, a slide, or a bend let go."""
    return _sustain_fine(case) and onset_off(case) and comes_from_elsewhere(case)


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


def rises_plainly(case: Case) -> bool:
    return _rises_in(case) and known(case.sustain) - known(case.onset) >= _RISE_TOLD_CENTS


def scoops(case: Case) -> bool:
    in_tune = _bends(case) and _sustain_fine(case) and _rises_in(case) and onset_off(case)
    return in_tune and _scooped(case)


def _scooped(case: Case) -> bool:
    """Whether a rise is as short and no deeper than what scoops are."""
    settle_s = case.aimed.measured.measurement.settle_s
    if settle_s is None or known(case.onset) - known(case.sustain) < -_SCOOP_DEEPEST_CENTS:
        return False
    longest_s = min(case.judging.scoop_longest_s, _SCOOP_SHARE * case.length_s)
    return round(settle_s, 3) <= round(longest_s, 3)


def arrives_late(case: Case) -> bool:
    settle_s = case.aimed.measured.measurement.settle_s
    rises = _bends(case) and _sustain_fine(case) and _rises_in(case) and onset_off(case)
    return (
        rises
        and settle_s is not None
        and settle_s > max(_LATE_SETTLE_S, case.judging.scoop_longest_s)
    )


def _either_side(case: Case) -> bool:
    """Whether a note starts out on one side of its target and goes on out on the other."""
    if case.onset is None or case.sustain is None or case.onset * case.sustain >= 0:
        return False
    return abs(case.onset) > case.t and abs(case.sustain) > case.t


def slides_too_fast(case: Case) -> bool:
    """Whether a note too short for two numbers goes from out on one side to out on the other.

    One number would put right what it starts as and the rest further out.
    """
    return case.length_s < _TOO_SHORT_TO_SHAPE_S and _either_side(case)


def two_ways(case: Case) -> bool:
    if case.length_s < _TOO_SHORT_TO_SHAPE_S:
        return False
    slipped = _either_side(case) and not comes_from_elsewhere(case)
    return slipped and worth_it(case, note_edits.shape)


def only_rest_off(case: Case) -> bool:
    """Whether one number would put a good start out: the sustain is off and the start is not."""
    if case.sustain is None or case.length_s < _TOO_SHORT_TO_SHAPE_S or not case.over:
        return False
    if abs(case.sustain) <= case.t or not starts_well(case):
        return False
    if bent_from(case) is None:
        apart = round(known(case.onset) - case.sustain, 1)
        # A rise into the note and a plucked string's sharp start are its own and move with it.
        natural = apart < 0 if _bends(case) else apart > 0
        if abs(apart) <= _SAME_MOVE_CENTS or natural:
            return False
    return worth_it(case, note_edits.shape)
