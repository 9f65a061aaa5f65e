"""Rules over a span: stretches of a part between two tunings of its instrument."""

from __future__ import annotations

from dataclasses import dataclass
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
from planner.scope.short_runs import in_runs, without_unheard
from planner.scope.tuning_breaks import Reading, tuning_breaks
from planner.targets import Aimed
from planner.words.wording import flat_or_sharp

BETWEEN_TUNINGS = "between two tunings"  # the name of what is found here


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TuningSpan:
    """The notes of a part from one tuning break to the next."""

    bias_cents: float  # what its notes are off by, as far as it is judged by them
    doubt_cents: float  # standard error of that
    gain_share: float  # how much the mean error falls on notes that it was not found on
    covers: tuple[str, ...]  # ids of all its notes, in play order
    said: str  # where, in words: "from 61.2 s on"


def span_rules(
    notes: tuple[Aimed, ...], everyone: tuple[Aimed, ...], part: PartGround
) -> list[ScopeRule]:
    """Offer one move for each span between two tunings that is off; see `tuning_spans`."""
    fit = settled(notes, part.role, part.tolerances)
    return [
        ScopeRule(
            stem=notes[0].measured.note.stem,
            action="tuning-span",
            scope="span",
            covers=span.covers,
            bias_cents=span.bias_cents,
            add_cents=round(-shrunk_cents(span.bias_cents, span.doubt_cents), 1),
            uncertainty_cents=span.doubt_cents,
            gain_share=span.gain_share,
            name=BETWEEN_TUNINGS,
            reason=f"{span.said} the part sits {flat_or_sharp(span.bias_cents)}, elsewhere not: "
            "one move for all of it",
        )
        for span in tuning_spans(fit, everyone, part)
    ]


def tuning_spans(
    fit: list[tuple[Aimed, float]], everyone: tuple[Aimed, ...], part: PartGround
) -> tuple[TuningSpan, ...]:
    """Find the stretches of a part that stand off; nothing where its tuning never changes.

    fit : the notes a part is judged by, in play order, with their errors in cents
    everyone : all notes of the part, in play order

    A stretch nearer to its targets than the part rule's offset (of a lead voice: than the offset
    from which it is moved), or than twice its doubt, is left out, and so is one whose notes gain
    less than a part's must by what the others of the stretch say.
    """
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
        return ()
    inner_s = [_seam_s(readings[k - 1], readings[k], everyone) for k in breaks]
    spans = []
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
        spans.append(
            TuningSpan(
                bias_cents=bias,
                doubt_cents=doubt,
                gain_share=gain,
                covers=tuple(
                    a.measured.id for a in everyone if low_s <= a.measured.note.start_s < high_s
                ),
                said=_said(low_s, high_s),
            )
        )
    return tuple(spans)


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
