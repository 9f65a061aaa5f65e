"""Is a part as a whole off, and would one move mend it?"""

import numpy as np

from planner.decide.tolerances import PartRule
from planner.model import STRUCK_ROLES
from planner.scope.scope_rule import (
    Bias,
    PartGround,
    ScopeRule,
    bias_of,
    gain_of_each,
    least_cents,
    proven,
    scatter_around_pitches,
    settled,
    shrunk_cents,
    without_gross,
)
from planner.scope.short_scope import in_runs, without_unheard
from planner.targets import Aimed
from planner.words.spread import MEDIAN_TO_MEAN, weighted_middle
from planner.words.wording import flat_or_sharp

# Chosen: a pitch stands apart by this much, and by more than so few notes of it would by chance;
# and frets and fingerings are off by about as much of themselves.
_APART_CENTS, _APART_DOUBTS = 4.0, 3.0
# Chosen: so many standard errors are no chance (0.3 %). Where something else proves the use of a
# move, its size must be so sure. And a bias so sure needs no count of sides nor a gain: these tell
# of it as well, but less surely where few notes scatter.
_SURE_DOUBTS = 3.0

LEAD_OFFER = "lead voice a little off as a whole"  # told, and left unless it is asked for


def part_rule(notes: tuple[Aimed, ...], part: PartGround) -> ScopeRule | None:
    """Offer one move for a whole part; None where its notes do not prove it.

    Of what is blown, bowed or sung only notes count that are held for a while, of struck strings
    all that have a sustain (`settled`).
    """
    tolerances, limits = part.tolerances, part.tolerances.part_rule
    every = settled(notes, part.role, tolerances)
    held = every
    for run in in_runs(notes, part.role, tolerances):
        held = without_unheard(held, run)
    fit = _without_odd_pitches(held, tolerances.pitch_rule.notes)
    if len(fit) < limits.notes:
        return None
    ids = [a.measured.id for a, _ in fit]
    asked = least_cents(limits.offset_cents, ids, part.factors)
    rest = found = bias_of(fit)
    gain = _gain(fit)
    as_heard = part.role in STRUCK_ROLES and not _shown(found, limits, asked, gain)
    if as_heard:
        # Struck hard and damped soon, a part is heard further out than its strings rest. They still
        # say how far it is moved, all of them, and what is heard whether that is worth a row.
        rest = bias_of(_without_odd_pitches(every, tolerances.pitch_rule.notes))
        held = [(a, a.heard_cents) for a in notes if a.heard_cents is not None]
        fit = _without_odd_pitches(held, tolerances.pitch_rule.notes)
        found, gain = bias_of(fit), _gain(fit)
        if round(abs(rest.cents), 1) < tolerances.limits.smallest_left_cents:
            return None
    bias, doubt = rest.cents, rest.doubt_cents
    # An odd pitch does not say how far the part is off, but it is moved along with it.
    on_its_side = float(np.mean([e * found.cents > 0.0 for _, e in held]))
    if (
        not _shown(found, limits, asked, gain)
        or (len(fit) < len(held) and on_its_side < limits.one_side_share)
        or round(found.spread_cents, 1) > limits.spread_cents
        or abs(bias) < (_SURE_DOUBTS if as_heard else 2.0) * doubt
        or found.cents * bias <= 0.0
    ):
        return None
    firm = round(abs(bias), 1) >= least_cents(limits.lead_voice_offset_cents, ids, part.factors)
    offer = part.role == "lead-voice" and not firm
    add = 0.0 if offer else round(-shrunk_cents(bias, doubt), 1)
    sits = f"the part sits {flat_or_sharp(bias)} as a whole"
    if as_heard:
        sits = f"{sits} and is heard {flat_or_sharp(found.cents)}"
    same, all_of = round(found.one_side_share * len(fit)), len(fit)
    tell = f"all {all_of}" if same == all_of else f"{same} of {all_of}"
    return ScopeRule(
        stem=notes[0].measured.note.stem,
        action="leave" if offer else "whole-part",
        scope="part",
        covers=tuple(a.measured.id for a in notes),
        bias_cents=bias,
        add_cents=add,
        uncertainty_cents=doubt,
        heard_cents=found.cents if as_heard else None,
        sits_so=offer and round(found.spread_cents, 1) <= tolerances.limits.smallest_left_cents,
        name=LEAD_OFFER if offer else "whole part",
        reason=(
            f"{sits}, as many lead voices do; left, unless it sounds so to you"
            if offer
            else f"{sits}, {tell} notes that hold a pitch are {'sharp' if bias > 0.0 else 'flat'}: "
            "one move for all of it"
        ),
    )


def _shown(bias: Bias, limits: PartRule, least_cents: float, gain: float) -> bool:
    """Whether a part is off, by its notes' sides and gain or because its bias is no chance."""
    if abs(bias.cents) >= _SURE_DOUBTS * bias.doubt_cents:
        return round(abs(bias.cents), 1) >= least_cents
    return proven(bias, limits, least_cents, gain)


def _gain(fit: list[tuple[Aimed, float]]) -> float:
    return gain_of_each(np.array([e for _, e in without_gross(fit)]))


def _without_odd_pitches(fit: list[tuple[Aimed, float]], few: int) -> list[tuple[Aimed, float]]:
    """Leave out pitches that stand apart from most others: they must not pull the whole part.

    What is off everywhere is off at most pitches. So each pitch has a voice, however often it
    comes: a fret that is off and comes in every third note says nothing of the tuning. The one
    furthest apart goes first, since it pulls at what the others stand apart from.
    """
    by_pitch: dict[int, list[float]] = {}
    for aimed, error in fit:
        by_pitch.setdefault(aimed.target.intended_midi, []).append(error)
    middle = np.array([np.median(errors) for errors in by_pitch.values()])
    notes = np.array([len(errors) for errors in by_pitch.values()])
    doubt = MEDIAN_TO_MEAN * scatter_around_pitches(by_pitch.values()) / notes**0.5
    voice = 1.0 / (_APART_CENTS**2 + doubt**2)
    too_far = np.maximum(_APART_CENTS, _APART_DOUBTS * doubt)
    stays = np.ones(len(notes), dtype=bool)
    while stays.sum() > 1:
        apart = np.zeros(len(notes))
        for k in np.flatnonzero(stays & (notes >= few)):
            others = stays & (np.arange(len(notes)) != k)
            apart[k] = abs(middle[k] - weighted_middle(middle[others], voice[others])) / too_far[k]
        if apart.max() <= 1.0:
            break
        stays[apart.argmax()] = False
    if 2 * stays.sum() < len(stays):  # nobody can say which are the odd ones
        return fit
    kept = {midi for midi, stay in zip(by_pitch, stays, strict=True) if stay}
    return [(a, e) for a, e in fit if a.target.intended_midi in kept]
