"""What stays sour once every edit is made, and what stands against an edit that would clear it."""

from __future__ import annotations

import numpy as np

from planner.decided import Decided, once_made, sour_of
from planner.few_touched import FEW_TOUCHED
from planner.model import FIXED_ROLES
from planner.plan_model import EDIT_ACTIONS, Judged
from planner.rules import NEVER_SINGLE

_JUDGED_FINE = frozenset({"in tune", "within the uncertainty", "too little to gain", "would clash"})
# From the plainest reason on: of two notes that beat, and of all at one moment, the first counts.
ON_PURPOSE = "where a note is left on purpose"
ASKED = "where a question is open"
AS_A_WHOLE = "with {}, moved as a whole only"
FEW = "since no more notes may be touched"
WITHIN = "between notes within their tolerances"
NOBODYS = "between instruments that nobody can move"


def stays_sour(made: Decided) -> tuple[tuple[str, float], ...]:
    """Say why sour time stays, and how many s of it for each reason, most first.

    A moment with several reasons counts for one, so that they add up to what stays.
    """
    roles = {code: part.stem.role for code, part in made.parts.items()}
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    ids = [note.id for note in sour.met.notes]
    why = [_why(made.judged[k], roles[made.judged[k].measured.note.stem]) for k in ids]
    over = [(sour.note_first[k], sour.note_end[k], why[k]) for k in np.flatnonzero(now.over)]
    beating = [
        (sour.met_first[m], sour.met_end[m], min(why[sour.met.low[m]], why[sour.met.high[m]]))
        for m in np.flatnonzero(now.sore)
    ]
    left = sour.piece_s.copy()
    told: dict[str, float] = {}
    for first, end, (_, reason) in sorted([*over, *beating], key=lambda one: one[2]):
        told[reason] = told.get(reason, 0.0) + float(left[first:end].sum())
        left[first:end] = 0.0
    return tuple(sorted(told.items(), key=lambda one: (-one[1], one[0])))


def _why(j: Judged, role: str) -> tuple[int, str]:
    """Why a note is not moved, or no further; the first of two notes' reasons is the plainer."""
    if role in FIXED_ROLES:
        return 5, NOBODYS
    if role in NEVER_SINGLE:
        return 2, AS_A_WHOLE.format(j.measured.note.stem)
    if j.action in ("ask", "wrong-note"):
        return 1, ASKED
    if j.rule_name == FEW_TOUCHED:
        return 3, FEW
    if j.action in EDIT_ACTIONS or j.rule_name in _JUDGED_FINE:
        return 4, WITHIN
    return 0, ON_PURPOSE
