"""Which notes inside their tolerance may be moved at all, for the beating that goes with them."""

import math

from planner.decide.cases import Case, known
from planner.decide.fits import spoilt_by
from planner.model import VOICE_ROLES
from planner.target.held_chords import HELD_S

# The ear forgives the centre of attention a melody's cents, not a note's beating: listeners who
# passed 25 cents heard melodies alone (Larrouy-Maestri, Music & Science 1, 2018). So its tolerance
# stands but where it beats with what nobody can move. Common practice, no source.
_FORGIVEN: frozenset[str] = frozenset({"lead-voice"})
# A note that is not held is heard as a step of the melody, and that to 10 cents only: JND of
# intervals in short sequences of tones (Hill and Summers, JASA 121, 2007). So with those whose
# pitch the player finds anew for each note; a fret's or a harmony's is heard by what sounds too.
_MELODIC: frozenset[str] = frozenset({"lead-voice", "bowed", "woodwind", "brass"})
_HEARD_IN_PASSING_CENTS = 10.0


def clears(case: Case) -> bool:
    """Whether a note inside its tolerance is worth an edit for the beating that goes with it."""
    if case.gives_way_cents is None:
        return case.worth_clearing and can_clear(case)
    least = _surely_off(case)
    if least is None or case.over or _forgiven(case):
        return False
    add = round(case.gives_way_cents - known(case.heard), 1)
    return abs(add) > least and not spoilt_by(case, add)


def can_clear(case: Case) -> bool:
    """Whether moving a note inside its tolerance to its target is certain and more than a trifle.

    What counts is the time that it clears. But what edits leave in anyway is no reason for one.
    """
    least = _surely_off(case)
    if least is None or case.over or _forgiven(case):
        return False
    enough = round(abs(known(case.heard)) - case.spread_cents, 1) > least
    return enough and not spoilt_by(case, -known(case.heard))


def _surely_off(case: Case) -> float | None:
    """Cents from which a move is certain and more than what edits leave in anyway.

    A voice is moved by no less than any other edit must better its note: fewer cents are its own.
    """
    if case.heard is None or case.uncertainty is None:
        return None
    limits = case.tolerances.limits
    voice = case.role in VOICE_ROLES
    # To a tenth, as errors are rounded: more than that is as much as any edit betters.
    least = limits.smallest_gain_cents - 0.1 if voice else limits.smallest_left_cents
    return max(least, 2.0 * case.uncertainty)


def gives_way_from(case: Case, *, in_tune: bool, whole: bool) -> float | None:
    """Say by how many cents a note must move at least to give way; None where it may not.

    What is moved as a whole anyhow may end wherever it helps.
    """
    if case.spread_cents or case.part_way_cents is not None:
        return None
    if in_tune:
        least = None if _forgiven(case) else _surely_off(case)
        # A good note is never moved further off: only toward its target, or past it.
        toward = 0.0 if least is None else -math.copysign(least, known(case.heard))
        return None if least is None or spoilt_by(case, toward) else least
    return 0.0 if whole else None


def _forgiven(case: Case) -> bool:
    """Whether a note inside its tolerance stays, whatever it beats with."""
    held = round(case.length_s, 3) >= HELD_S
    small = abs(known(case.heard)) <= _HEARD_IN_PASSING_CENTS
    if case.role in _MELODIC and not held and small:
        return True
    return case.role in _FORGIVEN and (case.sits_so or not case.beats)
