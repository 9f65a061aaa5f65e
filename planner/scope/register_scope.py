"""Is a bowed or blown part off in one register, and in tune beside it?

A cello's A string that was tuned last, the throat of a clarinet, a horn's high side: the notes from
one pitch to another are off alike, over more than a hand's reach, and those beside them are right.
Moved as a whole the part would take along what is in tune; pitch by pitch it would be a list.
"""

from itertools import combinations

import numpy as np

from planner.pitch import note_name
from planner.scope.scope_rule import Bias, PartGround, ScopeRule, bias_of, settled, without_gross
from planner.scope.string_scope import (
    APART_CENTS,
    BESIDE_NOTES,
    IN_TUNE_CENTS,
    RUN_DOUBTS,
    evidence_of,
    rule_of_string,
)
from planner.targets import Aimed
from planner.words.wording import flat_or_sharp

# Roles whose registers are tuned or blown apart. Frets and struck strings tell their strings by
# themselves, and how a voice lies high and low is how it is sung.
REGISTER_ROLES: frozenset[str] = frozenset({"bowed", "woodwind", "brass"})

# Chosen: of three pitches each may be off by its fingering, and one in tune is no neighbourhood.
_FEWEST_INSIDE, _FEWEST_BESIDE = 4, 2

_Fit = list[tuple[Aimed, float]]


def register_rule(notes: tuple[Aimed, ...], part: PartGround) -> ScopeRule | None:
    """Offer one move for one register of a part; None where no register is off by itself.

    Its notes must prove it as those of a string must, each pitch by what the others say, and what
    lies beside it must be in tune, further from it than chance takes so many notes.
    """
    fit = without_gross(settled(notes, part.role, part.tolerances))
    inside = _register(fit)
    if inside is None:
        return None
    low, high = inside
    own_fit = [(a, e) for a, e in fit if low <= _midi(a) <= high]
    beside = [(a, e) for a, e in fit if not low <= _midi(a) <= high]
    evidence = evidence_of(own_fit, low, part.tolerances.string_rule, part.factors)
    if evidence is None or not _beside_in_tune(beside, low, high, evidence.bias):
        return None
    own = tuple(a for a in notes if low <= _midi(a) <= high)
    where = f"{note_name(low)} to {note_name(high)}"
    lowest, highest = min(_midi(a) for a, _ in fit), max(_midi(a) for a, _ in fit)
    if low == lowest:
        where = f"{note_name(high)} and lower"
    elif high == highest:
        where = f"{note_name(low)} and higher"
    reason = (
        f"{where} are {flat_or_sharp(evidence.bias.cents)} alike and what lies beside is in tune, "
        "as of one string or register: one move for all of it"
    )
    return rule_of_string(None, own, evidence, reason, surely=False)


def _register(fit: _Fit) -> tuple[int, int] | None:
    """The lowest and highest pitch between which one number mends most, nothing being moved beside.

    None where moving all of them mends as much. A register ends where it is in tune: its outermost
    pitches lie nearer to what it is off by than to nothing, and the next ones beside do not.
    """
    errors, midi = np.array([e for _, e in fit]), np.array([_midi(a) for a, _ in fit])
    pitches = [int(m) for m in np.unique(midi)]
    stands = [float(np.median(errors[midi == m])) for m in pitches]
    best, least = None, float(np.abs(errors - np.median(errors)).sum()) if len(fit) else 0.0
    for first, last in combinations(range(len(pitches)), 2):
        beside = [k for k in (first - 1, last + 1) if 0 <= k < len(pitches)]
        if last - first + 1 < _FEWEST_INSIDE or len(pitches) - (last - first + 1) < _FEWEST_BESIDE:
            continue
        inside = (midi >= pitches[first]) & (midi <= pitches[last])
        middle = float(np.median(errors[inside]))
        off = [abs(place - middle) < abs(place) for place in stands]
        if not (off[first] and off[last]) or any(off[k] for k in beside):
            continue
        left = np.abs(errors[inside] - middle).sum() + np.abs(errors[~inside]).sum()
        if left < least:
            best, least = (pitches[first], pitches[last]), float(left)
    return best


def _beside_in_tune(beside: _Fit, low: int, high: int, bias: Bias) -> bool:
    """Whether the notes under a register and those over it are in tune, as far as there are any."""
    if len(beside) < BESIDE_NOTES:
        return False
    for side in (
        [p for p in beside if _midi(p[0]) < low],
        [p for p in beside if _midi(p[0]) > high],
    ):
        if not side:
            continue
        stands = bias_of(side)
        apart = abs(bias.cents - stands.cents)
        known = RUN_DOUBTS * float(np.hypot(bias.doubt_cents, stands.doubt_cents))
        if round(abs(stands.cents), 1) > IN_TUNE_CENTS or apart <= max(APART_CENTS, known):
            return False
    return True


def _midi(aimed: Aimed) -> int:
    return aimed.target.intended_midi
