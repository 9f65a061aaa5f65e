"""Where a new tuning begins: steps in a part's error from one note to the next.

A break is a step: retuned, a capo moved, a take from another hour joined on. It is told from what
creeps (a warming room, new strings that settle) by comparing a step with a straight line and with a
line that bends once, over the same notes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from planner.model import Floats
from planner.spread import spread_of

# Chosen: breaks are looked for in notes whose scatter is tamed to this many spreads around a
# running middle, so that a gross note makes no break; the middle of so many notes keeps steps.
_TAMED_TO = 3.0
_RUNNING_NOTES = 9
_LEAST_SPREAD_CENTS = 1.0  # chosen: no player is steadier from note to note
# A step must be this many standard errors: chosen so that of 1000 random parts none is split
# (``python -m tests.bench.tuning_breaks``); at a join of takes, where one place alone is looked at,
# 3 do (chance: 3 in 1000).
_SURE_ERRORS = 4.5
_SURE_ERRORS_AT_EDGE = 3.0
_EDGE_NEAR_S = 0.5  # chosen: a join lies this close to the seam between its notes
# Places nearly as likely as the best one: the break is put where takes are joined (likelihood at
# least e^-4 of the best: chosen, before listening a join is as likely as all other places of a
# phrase together), else at the longest rest (e^-2).
_AS_LIKELY = 2.0
_AS_LIKELY_AT_EDGE = 4.0
_SHARED_NOTES = 3.0  # chosen: six notes of one pitch on either side, or as much over several
_KNOTS = 24  # chosen: so many places of a bend are tried
_MOST_ROUNDS = 3  # chosen: levels and breaks are found again after each other


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One note as a break is looked for: when it sounds and how far out it is."""

    start_s: float
    end_s: float
    error_cents: float
    midi: int


def tuning_breaks(
    notes: tuple[Reading, ...],
    *,
    least_notes: int,
    least_step_cents: float,
    least_gain_share: float,
    edges_s: tuple[float, ...] = (),
    only_at_edges: bool = False,
) -> tuple[int, ...]:
    """Find the notes of a part at which a new tuning begins (indices, ascending).

    Parameters
    ----------
    notes : tuple of Reading
        In play order.
    least_notes : int
        On either side of a break.
    least_step_cents, least_gain_share : float
        How large a step is, and by how much the mean error of notes that were not used to find the
        two levels must fall, in cents and as a share.
    edges_s : tuple of float
        Where takes are joined, s on the file's clock: natural places for a break.
    only_at_edges : bool
        For voices, which have no tuning: another take may lie elsewhere, nothing else does.

    Notes
    -----
    Least squares with as many levels as pay for themselves (optimal partitioning: Jackson and
    others, IEEE Signal Processing Letters 12, 2005), on tamed errors; then every break is tried on
    its own against the notes up to its neighbours.
    """
    if len(notes) < 2 * least_notes:
        return ()
    error = np.array([n.error_cents for n in notes])
    tamed, spread = _tamed(error)
    at_edge = _edges(notes, edges_s)
    cost = _penalty(len(error), spread, at_edge, only_at_edges)
    breaks = _partition(tamed, least_notes, cost)
    for _ in range(_MOST_ROUNDS):
        placed = [_placed(k, breaks, tamed, spread, notes, at_edge, least_notes) for k in breaks]
        kept: list[int] = []
        for i, k in enumerate(placed):
            low = kept[-1] if kept else 0
            high = placed[i + 1] if i + 1 < len(placed) else len(notes)
            if min(k - low, high - k) >= least_notes and _proven(
                k, low, high, error, tamed, spread, notes, at_edge[k],
                least_step_cents, least_gain_share,
            ):  # fmt: skip
                kept += [k] if at_edge[k] or not only_at_edges else []
        if kept == breaks:
            break
        breaks = kept
    return tuple(breaks)


def _tamed(error: Floats) -> tuple[Floats, float]:
    """Errors with gross ones pulled in, and the scatter from note to note (robust), in cents."""
    half = _RUNNING_NOTES // 2
    padded = np.pad(error, half, mode="reflect")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, _RUNNING_NOTES), axis=1)
    # Differences of neighbours know nothing of steps and slopes.
    steps = np.abs(np.diff(error))
    spread = max(spread_of(steps, 0.0) / 2**0.5, _LEAST_SPREAD_CENTS)
    tame = np.clip(error - middle, -_TAMED_TO * spread, _TAMED_TO * spread)
    return middle + tame, spread


def _edges(notes: tuple[Reading, ...], edges_s: tuple[float, ...]) -> list[bool]:
    """Whether takes are joined just before each note."""
    return [False] + [
        any(
            min(a.end_s, b.start_s) - _EDGE_NEAR_S <= s <= max(a.end_s, b.start_s) + _EDGE_NEAR_S
            for s in edges_s
        )
        for a, b in pairwise(notes)
    ]


def _penalty(n: int, spread: float, at_edge: list[bool], only: bool) -> Floats:
    """What a break before each note costs, in squared cents."""
    free = float("inf") if only else 0.5 * _SURE_ERRORS**2 * spread**2
    edge = 0.5 * _SURE_ERRORS_AT_EDGE**2 * spread**2
    return np.array([edge if at_edge[k] else free for k in range(n)])


def _partition(values: Floats, least: int, cost: Floats) -> list[int]:
    """Split values into levels so that squares and the costs of the breaks are least."""
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    square = np.concatenate([[0.0], np.cumsum(values**2)])
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came = np.zeros(n + 1, dtype=int)
    for end in range(least, n + 1):
        start = np.arange(0, end - least + 1)
        length = end - start
        rest = square[end] - square[start] - (total[end] - total[start]) ** 2 / length
        pays = np.where(start == 0, 0.0, cost[np.minimum(start, n - 1)])
        whole = best[start] + rest + pays
        k = int(np.argmin(whole))
        best[end], came[end] = whole[k], start[k]
    breaks = []
    end = n
    while end > 0:
        end = int(came[end])
        if end > 0:
            breaks.append(end)
    return breaks[::-1]


def _placed(
    k: int,
    breaks: list[int],
    tamed: Floats,
    spread: float,
    notes: tuple[Reading, ...],
    at_edge: list[bool],
    least: int,
) -> int:
    """Move a break among places that are nearly as likely: to a join of takes, else to a rest."""
    i = breaks.index(k)
    low = breaks[i - 1] if i else 0
    high = breaks[i + 1] if i + 1 < len(breaks) else len(notes)
    places = np.arange(low + least, high - least + 1)
    if len(places) == 0:
        return k
    misfit = np.array([_rest(tamed[low:p]) + _rest(tamed[p:high]) for p in places])
    likely = [
        int(p)
        for p, m in zip(places, misfit, strict=True)
        if m - misfit.min() <= 2.0 * spread**2 * (_AS_LIKELY_AT_EDGE if at_edge[p] else _AS_LIKELY)
    ]
    best = int(places[np.argmin(misfit)])

    def order(p: int) -> tuple[bool, float, int]:
        rest_s = notes[p].start_s - notes[p - 1].end_s
        # Chosen: rests alike within a tenth of a second do not tell one place from another.
        return not at_edge[p], -round(rest_s, 1), abs(p - best)

    return min(likely, key=order)


def _rest(values: Floats) -> float:
    return float(((values - values.mean()) ** 2).sum()) if len(values) else 0.0


def _proven(
    k: int,
    low: int,
    high: int,
    error: Floats,
    tamed: Floats,
    spread: float,
    notes: tuple[Reading, ...],
    at_edge: bool,
    least_step: float,
    least_gain: float,
) -> bool:
    """Whether the step at note k is real, large, useful, and a step."""
    left, right = error[low:k], error[k:high]
    step = float(np.median(right) - np.median(left))
    # As seen around both levels, but never less than from note to note: players wander.
    around = np.concatenate(
        [tamed[low:k] - tamed[low:k].mean(), tamed[k:high] - tamed[k:high].mean()]
    )
    seen = max(spread, float(around.std(ddof=2)))
    # Notes that wander together are worth fewer: the long-run spread of a first-order process.
    along = float(np.clip(_likeness(around), 0.0, 0.8))
    seen_long = seen * ((1.0 + along) / (1.0 - along)) ** 0.5
    doubt = seen_long * (1.0 / len(left) + 1.0 / len(right)) ** 0.5
    mean_step = float(tamed[k:high].mean() - tamed[low:k].mean())
    start_s = np.array([n.start_s for n in notes[low:high]])
    return (
        round(abs(step), 1) >= least_step
        and abs(mean_step) >= (_SURE_ERRORS_AT_EDGE if at_edge else _SURE_ERRORS) * doubt
        and _gain(left, right) >= least_gain
        and _holds_per_pitch(notes[low:k], notes[k:high], step)
        and _is_a_step(k - low, tamed[low:high], seen, start_s, at_edge)
    )


def _holds_per_pitch(before: tuple[Reading, ...], after: tuple[Reading, ...], step: float) -> bool:
    """Whether the pitches that both sides share show at least half of the step.

    One sharp fret that a chorus needs and a verse does not is no new tuning. True where too few
    notes are shared to say.
    """
    shared = {n.midi for n in before} & {n.midi for n in after}
    weights, steps = [], []
    for midi in sorted(shared):
        one = [n.error_cents for n in before if n.midi == midi]
        two = [n.error_cents for n in after if n.midi == midi]
        weights.append(len(one) * len(two) / (len(one) + len(two)))
        steps.append(float(np.median(two) - np.median(one)))
    if sum(weights) < _SHARED_NOTES:
        return True
    mean = float(np.average(steps, weights=weights))
    return (mean if step > 0 else -mean) >= abs(step) / 2


def _likeness(around: Floats) -> float:
    """How alike neighbours are, -1 to 1 (autocorrelation one note apart)."""
    power = float((around**2).sum())
    return float((around[1:] * around[:-1]).sum()) / power if power > 0 else 0.0


def _gain(left: Floats, right: Floats) -> float:
    """How much the mean error falls with two levels against one, each half judged by the other."""
    before = after = 0.0
    for fit, held in ((0, 1), (1, 0)):
        one = float(np.median(np.concatenate([left[fit::2], right[fit::2]])))
        for side in (left, right):
            own = float(np.median(side[fit::2]))
            before += float(np.abs(side[held::2] - one).sum())
            after += float(np.abs(side[held::2] - own).sum())
    return 1.0 - after / before if before > 0 else 0.0


def _is_a_step(k: int, error: Floats, spread: float, start_s: Floats, known_place: bool) -> bool:
    """Whether a step before note k explains the notes better than what creeps.

    Squares against those of a straight line and of a line that bends once. The place of a step
    counts as one number more, unless takes are joined there (Schwarz, Annals of Statistics 6,
    1978). Elsewhere only one of the two more that a bend has counts against it: chosen, because
    a break that is none costs more than one that is missed.
    """
    number = spread**2 * float(np.log(len(error)))
    step = _rest(error[:k]) + _rest(error[k:]) + (0.0 if known_place else number)
    time = (start_s - start_s[0]) / max(float(start_s[-1] - start_s[0]), 1e-9)
    line = np.stack([np.ones_like(time), time], 1)
    if step >= _misfit(line, error):
        return False
    knots = np.quantile(time, np.linspace(0.05, 0.95, _KNOTS))
    bent = [_misfit(np.column_stack([line, np.maximum(time - knot, 0.0)]), error) for knot in knots]
    return step < min(bent) + (2.0 if known_place else 1.0) * number


def _misfit(basis: Floats, values: Floats) -> float:
    fitted = basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    return float(((values - fitted) ** 2).sum())
