"""Rules over a span: stretches of a part between two tunings of its instrument."""

from itertools import pairwise

import numpy as np

from planner.scope.scope_rule import (
    PartGround,
    ScopeRule,
    bias_of,
    gain_of_each,
    least_cents,
    settled,
    shrunk_cents,
    without_gross,
)
from planner.scope.short_scope import in_runs, without_unheard
from planner.scope.tuning_breaks import Reading, tuning_breaks
from planner.targets import Aimed
from planner.words.wording import flat_or_sharp

BETWEEN_TUNINGS = "between two tunings"  # the name of what is found here


def span_rules(
    notes: tuple[Aimed, ...], everyone: tuple[Aimed, ...], part: PartGround
) -> list[ScopeRule]:
    """Offer one move for each stretch between two tunings that is off, if a tuning ever changes.

    notes : those that a part may be judged by, in play order
    everyone : all notes of the part, in play order

    A stretch nearer to its targets than the part rule's offset (of a lead voice: than the offset
    from which it is moved), or than twice its doubt, is left out, and so is one whose notes gain
    less than a part's must by what the others of the stretch say.
    """
    fit = settled(notes, part.role, part.tolerances)
    readings = tuple(
        Reading(
            start_s=a.measured.note.start_s,
            end_s=a.measured.note.end_s,
            error_cents=e,
            midi=a.target.intended_midi,
        )
        for a, e in fit
    )
    whole, limits = part.tolerances.part_rule, part.tolerances.span_rule
    least = whole.lead_voice_offset_cents if part.role == "lead-voice" else whole.offset_cents
    breaks = tuning_breaks(
        readings,
        least_notes=limits.notes,
        least_step_cents=limits.step_cents,
        least_gain_share=limits.gain_share,
        edges_s=part.edges_s,
    )
    if not breaks:
        return []
    inner_s = [_seam_s(readings[k - 1], readings[k], everyone) for k in breaks]
    rules = []
    for low_s, high_s in pairwise([float("-inf"), *inner_s, float("inf")]):
        own = [(a, e) for a, e in fit if low_s <= a.measured.note.start_s < high_s]
        # A run of short notes is heard in one tuning: one that goes on past a break is two.
        for run in in_runs([a for a, _ in own], part.role, part.tolerances):
            own = without_unheard(own, run)
        if len(own) < limits.notes:
            continue
        found = bias_of(own)
        bias, doubt = found.cents, found.doubt_cents
        asked = least_cents(least, [a.measured.id for a, _ in own], part.factors)
        gain = gain_of_each(np.array([e for _, e in without_gross(own)]))
        if round(abs(bias), 1) < asked or abs(bias) < 2.0 * doubt or gain < whole.gain_share:
            continue
        covers = tuple(a.measured.id for a in everyone if low_s <= a.measured.note.start_s < high_s)
        rules.append(
            ScopeRule(
                stem=notes[0].measured.note.stem,
                action="tuning-span",
                scope="span",
                covers=covers,
                bias_cents=bias,
                add_cents=round(-shrunk_cents(bias, doubt), 1),
                uncertainty_cents=doubt,
                name=BETWEEN_TUNINGS,
                reason=f"{_said(low_s, high_s)} the part sits {flat_or_sharp(bias)}: one move for "
                "all of it there",
            )
        )
    return rules


def _seam_s(before: Reading, after: Reading, everyone: tuple[Aimed, ...]) -> float:
    """Where the new tuning begins: after the longest rest among the notes too short to judge."""
    notes = [a.measured.note for a in everyone]
    starts: list[tuple[float, float]] = [
        (round(two.start_s - one.end_s, 3), two.start_s)
        for one, two in pairwise(notes)
        if before.start_s < two.start_s <= after.start_s
    ]
    return max(starts)[1] if starts else after.start_s


def _said(low_s: float, high_s: float) -> str:
    if low_s == float("-inf"):
        return f"up to {high_s:.1f} s"
    if high_s == float("inf"):
        return f"from {low_s:.1f} s on"
    return f"from {low_s:.1f} to {high_s:.1f} s"
