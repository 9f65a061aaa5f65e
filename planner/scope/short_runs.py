"""Runs of short struck notes: what is heard of them, and what they say of how a part is tuned.

A hard stroke starts sharp and settles lower. Under half a second the start is part of what is
heard, and of a staccato most of it. So where the notes of a run start on one side of their target
and settle on the other, their sustain is not what they are heard as: unless what is heard lies on
its side, it says nothing of the part's tuning. All this is read off the notes as they stand, so it
holds for a run that was moved by its onset as for one that was played so.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.decide.tolerances import Tolerances
from planner.model import STRUCK_ROLES, Role
from planner.scope.scope_rule import HEARD_CENTS
from planner.targets import Aimed

_RUN_GAP_S = 4.0  # chosen: a longer rest ends a run of short notes


def runs_of_short_notes(notes: Sequence[Aimed], shorter_than_s: float) -> list[list[Aimed]]:
    """Find the runs of notes shorter than a limit; a longer note or a rest ends one."""
    runs: list[list[Aimed]] = [[]]
    for aimed in notes:
        note = aimed.measured.note
        if note.length_s >= shorter_than_s:
            runs.append([])
            continue
        if runs[-1] and note.start_s - runs[-1][-1].measured.note.end_s > _RUN_GAP_S:
            runs.append([])
        runs[-1].append(aimed)
    return [run for run in runs if run]


def in_runs(notes: Sequence[Aimed], role: Role, tolerances: Tolerances) -> list[list[Aimed]]:
    """Find the runs long enough to be judged together; of struck parts alone."""
    if role not in STRUCK_ROLES:
        return []
    limits = tolerances.short_rule
    return [
        run
        for run in runs_of_short_notes(notes, limits.shorter_than_s)
        if sum(a.onset_cents is not None for a in run) >= limits.notes
    ]


def without_unheard(
    fit: list[tuple[Aimed, float]], run: Sequence[Aimed]
) -> list[tuple[Aimed, float]]:
    """Leave the notes of a run out of what others are judged by, where their sustain is not heard.

    fit : notes with the errors by which they are judged together
    run : short notes that are heard alike: those of one run, or of one pitch in such runs
    """
    ids = {a.measured.id for a in run}
    own = [
        (a.onset_cents, a.sustain_cents, a.heard_cents)
        for a, _ in fit
        if a.measured.id in ids
        and a.onset_cents is not None
        and a.sustain_cents is not None
        and a.heard_cents is not None
    ]
    if not own:
        return fit
    onset, sustain, heard = np.median(np.array(own), axis=0)
    either_side = onset * sustain <= 0
    if either_side and (onset * heard > 0 or round(abs(heard), 1) < HEARD_CENTS):
        return [(a, e) for a, e in fit if a.measured.id not in ids]
    return fit


def usual_onsets(notes: Sequence[Aimed], role: Role, tolerances: Tolerances) -> dict[str, float]:
    """Give the middle onset of its run, in cents, for each note that belongs to one."""
    usual: dict[str, float] = {}
    for run in in_runs(notes, role, tolerances):
        middle = float(np.median([a.onset_cents for a in run if a.onset_cents is not None]))
        usual |= {a.measured.id: middle for a in run}
    return usual
