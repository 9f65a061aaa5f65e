"""Where a part comes to stand elsewhere: steps in its error from one note to the next.

Retuned, a capo moved, a take from another hour joined on, a singer who sinks after the bridge. What
creeps instead is parted where that mends most: what two numbers mend, one does not.
"""

from dataclasses import dataclass
from itertools import compress, pairwise

import numpy as np

from planner.model import Floats
from planner.scope.scope_rule import share_gained
from planner.words.spread import away_from_others, spread_of

# Chosen: breaks are looked for in notes whose scatter is tamed to this many spreads around a
# running middle, so that a gross note makes no break; the middle of so many notes keeps steps.
_TAMED_TO = 3.0
_RUNNING_NOTES = 9
_LEAST_SPREAD_CENTS = 1.0  # chosen: no player is steadier from note to note
# A step must be this many standard errors: chosen so that of 1000 random parts none is split, and
# of 1000 whose players wander 5 are (``python -m tests.bench.tuning_breaks``); at a join of takes,
# where one place alone is looked at, 3 errors do (chance: 3 in 1000).
_SURE_ERRORS = 4.5
_SURE_ERRORS_AT_EDGE = 3.0
_EDGE_NEAR_S = 0.5  # chosen: a join lies this close to the seam between its notes
# Places nearly as likely as the best one: the break is put where takes are joined (likelihood at
# least e^-4 of the best: chosen, before listening a join is as likely as all other places of a
# phrase together), else at the longest rest (e^-2).
_AS_LIKELY = 2.0
_AS_LIKELY_AT_EDGE = 4.0
_SHARED_NOTES = 3.0  # chosen: six notes of one pitch on either side, or as much over several


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One note as a break is looked for: when it sounds and how far out it is."""

    start_s: float
    end_s: float
    error_cents: float
    midi: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """A step at one note, tried against the notes up to the breaks beside it."""

    cents: float
    errors: float  # how many standard errors it is
    gain_share: float
    on_each_pitch: bool


def tuning_breaks(
    notes: tuple[Reading, ...],
    *,
    least_notes: int,
    least_step_cents: float,
    least_gain_share: float,
    edges_s: tuple[float, ...] = (),
) -> tuple[int, ...]:
    """Find the notes of a part from which on it stands elsewhere (indices, ascending).

    notes : in play order
    least_notes : on either side of a break
    least_step_cents, least_gain_share : how large a step is, and by how much the mean error must
        fall with two levels against one, each note judged by the others, in cents and as a share
    edges_s : where takes are joined, s on the file's clock: natural places for a break

    Least squares with as many levels as pay for themselves (optimal partitioning: Jackson and
    others, IEEE Signal Processing Letters 12, 2005), on tamed errors; then every break is tried on
    its own against the notes up to its neighbours, and the least sure one that fails is dropped.
    """
    if len(notes) < 2 * least_notes:
        return ()
    error = np.array([n.error_cents for n in notes])
    tamed, spread = _tamed(error)
    at_edge = _edges(notes, edges_s)
    sure = np.where(at_edge, _SURE_ERRORS_AT_EDGE, _SURE_ERRORS)
    breaks = _partition(tamed, least_notes, sure**2 * spread**2)
    while breaks:
        edges = [0, *breaks, len(notes)]
        for i in range(1, len(edges) - 1):
            inner = range(edges[i - 1] + least_notes, edges[i + 1] - least_notes + 1)
            edges[i] = _placed(inner, edges[i - 1], edges[i + 1], tamed, spread, notes, at_edge)
        breaks = edges[1:-1]
        failed = []
        for low, k, high in zip(edges, breaks, edges[2:], strict=False):
            step = _step(k, low, high, error, tamed, spread, notes)
            if not (
                step.errors >= sure[k]
                and round(abs(step.cents), 1) >= least_step_cents
                and step.gain_share >= least_gain_share
                and step.on_each_pitch
            ):
                failed.append((step.errors - sure[k], k))
        if not failed:
            return tuple(breaks)
        breaks.remove(min(failed)[1])
    return ()


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
    inner: range,
    low: int,
    high: int,
    tamed: Floats,
    spread: float,
    notes: tuple[Reading, ...],
    at_edge: list[bool],
) -> int:
    """Put a break among places that are nearly as likely: at a join of takes, else at a rest."""
    places = np.array(inner)
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


def _step(
    k: int,
    low: int,
    high: int,
    error: Floats,
    tamed: Floats,
    spread: float,
    notes: tuple[Reading, ...],
) -> _Step:
    """What the notes from ``low`` to ``high`` say of a step at note ``k``."""
    left, right = error[low:k], error[k:high]
    middles = np.repeat([np.median(left), np.median(right)], [len(left), len(right)])
    step = float(middles[-1] - middles[0])
    # Of a pitch there may be one note on a side, so gross ones must not speak for it.
    near = np.abs(error[low:high] - middles) <= abs(step) + _TAMED_TO * spread
    before = list(compress(notes[low:k], near))
    after = list(compress(notes[k:high], near[k - low :]))
    # As seen around both levels, but never less than from note to note: players wander.
    around = np.concatenate(
        [tamed[low:k] - tamed[low:k].mean(), tamed[k:high] - tamed[k:high].mean()]
    )
    seen = max(spread, float(around.std(ddof=2)))
    # Notes that wander together are worth fewer: the long-run spread of a first-order process.
    along = float(np.clip(_likeness(around), 0.0, 0.8))
    seen_long = seen * ((1.0 + along) / (1.0 - along)) ** 0.5
    doubt = seen_long * (1.0 / len(left) + 1.0 / len(right)) ** 0.5
    return _Step(
        cents=step,
        errors=abs(float(tamed[k:high].mean() - tamed[low:k].mean())) / doubt,
        gain_share=_gain(left, right),
        on_each_pitch=_holds_per_pitch(before, after, step),
    )


def _holds_per_pitch(before: list[Reading], after: list[Reading], step: float) -> bool:
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
    """How alike neighbours are, -1 to 1: autocorrelation one note apart.

    Few notes seem less alike than they are (M. G. Kendall, Biometrika 41, 1954: by 1 + 3 rho in n).
    """
    power, n = float((around**2).sum()), len(around)
    seen = float((around[1:] * around[:-1]).sum()) / power if power > 0 else 0.0
    return (n * seen + 1.0) / (n - 3)


def _gain(left: Floats, right: Floats) -> float:
    """How much the mean error falls with two levels against one, each note judged by the others."""
    one = away_from_others(np.concatenate([left, right]))
    two = np.concatenate([away_from_others(left), away_from_others(right)])
    return share_gained(one, two)
