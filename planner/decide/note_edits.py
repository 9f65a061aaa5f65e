"""The edit that a note would get in each of its forms, and how much of its error it leaves."""

from planner.decide import moves
from planner.decide.cases import Case, known
from planner.decide.moves import Move
from planner.model import Role

PLUCKED: frozenset[Role] = frozenset({"fretted", "bass-fretted"})
# Common practice, no source.
LEAN_CENTS_PER_S = 12.0
_LEAN_LASTS_S = 1.0


def _left(case: Case, error: float) -> float:
    if case.part_way_cents is not None:
        return min(case.part_way_cents, abs(error))
    # A double that lies on its lead to the cent turns hollow.
    if case.spread_cents:
        return moves.left_in(error, case.t, 0.0, case.spread_cents)
    # Unisons beat at every partial: what is left in would be heard as beating.
    exact = case.nothing_left or case.worth_clearing
    if case.held_unison_with_fixed or exact or case.role == "voice-double":
        return 0.0
    return moves.left_in(
        error, case.t, case.judging.leave_in, case.tolerances.limits.smallest_left_cents
    )


def whole(case: Case) -> Move:
    """Move the whole note by one number."""
    heard = known(case.heard)
    left = _left(case, heard)
    if case.gives_way_cents is not None:
        left = case.gives_way_cents if heard > 0 else -case.gives_way_cents
    return moves.move_note(heard, left, case.length_s)


def start(case: Case) -> Move:
    """Move its start alone."""
    onset = known(case.onset)
    start_s = case.aimed.measured.note.start_s
    return moves.move_start(onset, _left(case, onset), known(case.heard), start_s, case.length_s)


def bent_from(case: Case) -> moves.BentFrom | None:
    """Say from where a string was bent or slid to this note, if it was from another."""
    found = moves.bent_from(case.aimed.measured) if case.role in PLUCKED else None
    beyond_cents = case.tolerances.limits.ask_beyond_cents
    return None if found is None or abs(found.off_cents) <= beyond_cents else found


def starts_well(case: Case) -> bool:
    """Whether its start is in tune: as this note, or, where it is bent to it, as another."""
    bent = bent_from(case)
    off = case.onset if bent is None else known(case.sustain) + bent.off_cents
    if off is None:
        return False
    return abs(off if bent is None else off - 100.0 * round(off / 100.0)) <= case.t


def shape(case: Case) -> Move:
    """Move its start and the rest of it by different amounts."""
    onset, sustain, bent = case.onset or 0.0, known(case.sustain), bent_from(case)
    return moves.shape_note(
        onset,
        sustain,
        # A start in tune stays where it is: all of its error is left in.
        abs(onset) if starts_well(case) else _left(case, onset),
        _left(case, sustain) if abs(sustain) > case.t else abs(sustain),
        case.aimed.measured.measurement.settle_s or 0.15,
        case.aimed.measured.note.start_s,
        case.length_s,
        None if bent is None else bent.until_s,
    )


def steady(case: Case) -> Move:
    """Even out its lean."""
    return moves.steady_note(
        known(case.aimed.measured.measurement.slope_cents_per_s),
        known(case.sustain),
        case.judging.leave_in,
        _left(case, known(case.sustain)),
        case.t,
        case.length_s,
    )


def hold(case: Case) -> Move:
    """Hold its end where it was."""
    return moves.hold_end(
        known(case.end), held(case), known(leaves_s(case)), known(case.heard), case.length_s
    )


def lean(case: Case) -> float:
    """Cents a second that a note goes up all along; 0 of one too short to lean."""
    slope = case.aimed.measured.measurement.slope_cents_per_s
    return slope or 0.0 if case.length_s >= _LEAN_LASTS_S else 0.0


def held(case: Case) -> float:
    """Say where a note is held before its end, in cents: the sustain, unless that leans to it."""
    return round(known(case.sustain) + _held_off(case), 1)


def leaves_s(case: Case) -> float | None:
    """Say when a note leaves for good where it was held, in s from its start; None where never."""
    return moves.end_leaves_s(case.aimed.measured, _held_off(case))


def _held_off(case: Case) -> float:
    leans = abs(lean(case)) > LEAN_CENTS_PER_S
    return moves.held_off(case.aimed.measured) if leans else 0.0
