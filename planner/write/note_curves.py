"""A note moment by moment: the pitch that was heard, and what the plan adds to it."""

import math

import numpy as np

from planner.model import Floats
from planner.words.plan_model import MOVING_ACTIONS, Judged


def heard_curve(judged: Judged) -> tuple[Floats, Floats] | None:
    """Give a note's contour: s from the file's start, and Hz, NaN where the pitch is unknown.

    None where nothing of it is known.
    """
    found = judged.measured.measurement
    if found.contour_s is None or found.contour_hz is None:
        return None
    hz = np.where(found.contour_hz > 0, found.contour_hz, np.nan)
    return (found.contour_s, hz) if np.isfinite(hz).any() else None


def planned_add_cents(judged: Judged, times_s: Floats) -> Floats:
    """Say how many cents the plan adds at each time (s from the file's start).

    The rules' layers everywhere; then the note's own edit in the fullest form it has: points
    (straight lines in cents, level beyond the ends), two numbers around a cut, or one number.
    """
    add: Floats = np.full(len(times_s), math.fsum(cents for _, cents in judged.layers))
    if judged.action not in MOVING_ACTIONS:
        return add
    if judged.points:
        after_s = times_s - judged.measured.note.start_s
        add += np.interp(after_s, *np.transpose(judged.points))
    elif judged.cut_s is not None:
        before, after = judged.onset_add_cents or 0.0, judged.sustain_add_cents or 0.0
        add += np.where(times_s < judged.cut_s, before, after)
    else:
        add += judged.add_cents or 0.0
    return add
