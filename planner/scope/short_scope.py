"""Do runs of short notes begin off, so that they are heard off?"""

from __future__ import annotations

import numpy as np

from planner.scope.scope_rule import (
    GROSS_CENTS,
    PartGround,
    ScopeRule,
    gain_of_each,
    least_cents,
    scatter_cents,
    shrunk_cents,
)
from planner.scope.short_runs import runs_of_short_notes
from planner.targets import Aimed
from planner.words.spread import spread_of
from planner.words.wording import amount, count, flat_or_sharp

_LEAVE_UNDER_SHARE = 0.9  # what a short-notes rule leaves in stays under its own threshold


def short_rules(notes: tuple[Aimed, ...], part: PartGround) -> list[ScopeRule]:
    tolerances, limits = part.tolerances, part.tolerances.short_rule
    sustains = [
        a.sustain_cents
        for a in notes
        if a.sustain_cents is not None and a.measured.note.length_s >= limits.shorter_than_s
    ]
    if sustains and round(abs(float(np.median(sustains))), 1) >= tolerances.part_rule.offset_cents:
        return []  # the part itself is off: then the run is no matter of its short notes
    runs = runs_of_short_notes(notes, limits.shorter_than_s)
    found = (_rule_of(run, part) for run in runs)
    return [rule for rule in found if rule is not None]


def _rule_of(run: list[Aimed], part: PartGround) -> ScopeRule | None:
    """One move for a run of short notes; None where they are too few, too unsure, or fine."""
    tolerances, limits = part.tolerances, part.tolerances.short_rule
    errors = np.array([a.onset_cents for a in run if a.onset_cents is not None])
    heard = np.array([a.heard_cents for a in run if a.heard_cents is not None])
    if min(len(errors), len(heard)) < limits.notes:
        return None
    middle = float(np.median(errors))
    least = least_cents(limits.onset_cents, [a.measured.id for a in run], part.factors)
    near = errors[np.abs(errors - middle) <= GROSS_CENTS]
    if not len(near):  # half of them are bent from far away: there is no middle
        return None
    bias = float(near.mean())
    spread = spread_of(errors, middle)
    doubt = scatter_cents(spread, run, onset=True) / len(near) ** 0.5
    if round(abs(middle), 1) < least or round(doubt, 1) > limits.uncertainty_cents:
        return None
    # A note with a sustain is heard by both, so it is moved by less than its onset is off.
    off = float(np.median(heard))
    if round(abs(off), 1) < least / 2 or np.sign(off) != np.sign(bias):
        return None
    # On what is heard of each note once it is moved by what the others say, as for a part.
    gain = gain_of_each(heard)
    left = max(part.judging.leave_in * abs(off), tolerances.limits.smallest_left_cents)
    left = min(left, _LEAVE_UNDER_SHARE * least)
    worth = abs(shrunk_cents(off, doubt)) - left
    if gain < tolerances.part_rule.gain_share or worth < tolerances.limits.smallest_gain_cents:
        return None
    return ScopeRule(
        stem=run[0].measured.note.stem,
        action="short-notes",
        scope="passage",
        covers=tuple(a.measured.id for a in run),
        bias_cents=bias,
        add_cents=round(-float(np.sign(off)) * worth, 1),
        uncertainty_cents=doubt,
        gain_share=gain,
        judged_by="onset",
        heard_cents=off,
        name="short notes off at the onset",
        reason=f"{count(len(run), 'short note')} in a run, {flat_or_sharp(bias)} at the "
        f"onset and heard {flat_or_sharp(off)}; held notes are fine; "
        f"{amount(left)} left in",
    )
