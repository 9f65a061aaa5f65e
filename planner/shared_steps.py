"""Steps that all parts make together: the machine, or the whole band, and no one part's tuning.

A changed tape speed moves everybody at once, the instruments that nobody can move among them. Then
one A4 does not hold for the whole song, and no part is to be mended for it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner.model import FIXED_ROLES, Finding, Role
from planner.span_scope import Reading, tuning_breaks
from planner.targets import Aimed
from planner.tolerances import Tolerances
from planner.wording import amount

_TOGETHER_S = 5.0  # chosen: parts place a common step within a few of their notes
_PARTS = 3  # chosen: two players may well retune in the same break


def shared_steps(
    parts: Mapping[str, tuple[Role, tuple[Aimed, ...], float]], tolerances: Tolerances
) -> tuple[Finding, ...]:
    """Say where the instruments that nobody can move, or all parts, step to another tuning.

    Parameters
    ----------
    parts : mapping
        Stem code -> role, notes in play order, seconds from the file's clock to the session's.
    """
    steps = {
        code: _steps(aimed, shift_s, tolerances)
        for code, (role, aimed, shift_s) in sorted(parts.items())
        if role not in ("exclude", "drum-tones") and len(aimed) >= 2 * tolerances.span_rule.notes
    }
    fixed = [code for code in steps if parts[code][0] in FIXED_ROLES]
    for code in fixed:
        if steps[code]:
            at_s, cents = steps[code][0]
            return (_told(f"{code}, which nobody can move, steps", at_s, cents),)
    if fixed or len(steps) < _PARTS:
        return ()
    first = next(iter(steps.values()))
    for at_s, cents in first:
        if all(
            any(abs(s - at_s) <= _TOGETHER_S and c * cents > 0 for s, c in own)
            for own in steps.values()
        ):
            return (_told("All parts step", at_s, cents),)
    return ()


def _told(who: str, at_s: float, cents: float) -> Finding:
    way = "up" if cents > 0 else "down"
    return Finding(
        severity="warning",
        what=f"{who} {way} by {amount(cents)}: the machine or the whole band, and no one part's "
        "tuning.",
        did="One A4 is used throughout, and no stretch of a part is mended for it.",
        advice="Plan the song in two files, split there, if it is meant to be mended.",
        at_s=at_s,
    )


def _steps(
    aimed: tuple[Aimed, ...], shift_s: float, tolerances: Tolerances
) -> list[tuple[float, float]]:
    """When a part steps, s on the session's clock, and by how many cents."""
    limits = tolerances.span_rule
    notes = tuple(
        Reading(
            start_s=a.measured.note.start_s,
            end_s=a.measured.note.end_s,
            error_cents=a.sustain_cents,
            midi=a.target.intended_midi,
        )
        for a in aimed
        if a.sustain_cents is not None
    )
    breaks = tuning_breaks(
        notes,
        least_notes=limits.notes,
        least_step_cents=limits.step_cents,
        least_gain_share=limits.gain_share,
    )
    error = np.array([n.error_cents for n in notes])
    ends = [0, *breaks, len(notes)]
    return [
        (
            notes[k].start_s + shift_s,
            float(np.median(error[k : ends[i + 2]]) - np.median(error[ends[i] : k])),
        )
        for i, k in enumerate(breaks)
    ]
