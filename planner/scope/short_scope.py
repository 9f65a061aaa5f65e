"""Do runs of short notes begin off, so that they are heard off?"""

from collections.abc import Sequence

import numpy as np

from planner.decide.tolerances import Tolerances
from planner.model import STRUCK_ROLES, Role
from planner.scope.scope_rule import (
    GROSS_CENTS,
    HEARD_CENTS,
    PartGround,
    ScopeRule,
    gain_of_each,
    least_cents,
    scatter_cents,
    shrunk_cents,
)
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
        judged_by="onset",
        heard_cents=off,
        name="short notes off at the onset",
        reason=f"{count(len(run), 'short note')} in a run, {flat_or_sharp(bias)} at the "
        f"onset and heard {flat_or_sharp(off)}; held notes are fine; "
        f"the move stops {amount(left)} short, which is safer",
    )


# ---------------------------------------------------------------- runs of short notes

# A hard stroke starts sharp and settles lower. Under half a second the start is part of what is
# heard, and of a staccato most of it. So where the notes of a run start on one side of their
# target and settle on the other, their sustain is not what they are heard as: unless what is
# heard lies on its side, it says nothing of the part's tuning. All this is read off the notes as
# they stand, so it holds for a run that was moved by its onset as for one that was played so.

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
