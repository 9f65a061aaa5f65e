"""How far a part creeps up or down over a stretch, and into which pieces that parts it."""

import math

import numpy as np

from planner.model import Floats
from planner.words.spread import spread_of

_SURE_ERRORS = 3.0  # chosen: chance makes so sure a slope in 3 of 1000 parts
_GROSS_SPREADS = 3.0  # chosen: what is further from the middle says nothing of a creep


def creep_cents(start_s: Floats, error_cents: Floats, least_notes: int) -> float | None:
    """Say how far errors move along a line from the first note to the last; None where not sure."""
    if len(error_cents) < least_notes:
        return None
    middle = float(np.median(error_cents))
    reach = _GROSS_SPREADS * max(spread_of(error_cents, middle), 1.0)
    keep = np.abs(error_cents - middle) <= reach
    time, error = start_s[keep], error_cents[keep]
    x = time - time.mean()
    power = float((x**2).sum())
    if len(x) < least_notes or power == 0.0:
        return None
    slope = float((x * error).sum()) / power
    left = error - error.mean() - slope * x
    doubt = (float((left**2).sum()) / (len(x) - 2) / power) ** 0.5
    return slope * float(time[-1] - time[0]) if abs(slope) >= _SURE_ERRORS * doubt else None


def parted(start_s: Floats, error_cents: Floats, least_notes: int, step_cents: float) -> list[int]:
    """Part a stretch that creeps by more than a step into pieces that each creep by less.

    One number for all of it would leave steps at its ends that nobody played.

    Returns the notes from which on each further piece goes (indices); none where nothing creeps, or
    where there are too few notes.
    """
    creep = creep_cents(start_s, error_cents, least_notes)
    if creep is None or round(abs(creep), 1) <= step_cents:
        return []
    pieces = min(math.ceil(abs(creep) / step_cents), len(start_s) // least_notes)
    ends_s = np.linspace(start_s[0], start_s[-1], pieces + 1)[1:-1]
    at = [int(k) for k in np.searchsorted(start_s, ends_s)]
    lengths = np.diff([0, *at, len(start_s)])
    return at if at and lengths.min() >= least_notes else []
