"""The strings of all notes of a stem, fitted together: what they share tells which partials belong.

Of a note in a chord a few partials are free, and one of them may be another note's. A stiff string
through all of them can then be anywhere: two wrong partials agree on a stiffness as well as two
right ones. But a stem's notes come from one instrument. How stiff its strings are, how far their
partials stray from the law, and how often a partial is not the note's own is the same for many of
them, and is learned here from all: each note says how likely each stiffness is to it, and the
stiffnesses that most notes can have are what each is then expected to have (a distribution found by
the steps of A. P. Dempster, N. M. Laird and D. B. Rubin, J. Royal Statistical Society B 39, 1977).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import (
    CENTS_PER_NEPER,
    MODEL_CENTS,
    PartialFits,
    StiffString,
    typical_bs,
)

Array = NDArray[np.float64]

# Natural logarithms of B over the typical one. Chosen: from what cannot be told from none, to the
# stiffest strings measured; between them each view finds its own.
LOG_B = np.arange(-6.0, 2.01, 0.5)
CELL = 0.5
ALONE, LEAST_SPREAD = 1.0, 0.03  # of a string like none; chosen: strings of one key differ by 3 %
# How much of what strings of one place scatter the steps allow for; chosen, the last for none.
WIDE = 0.5, 0.1, 0.0
GIVEN_OFF_HZ = 100.0  # chosen, as in `chord_octaves`: what lies below is weak, and says no pitch
REGISTER = 9  # semitones to either side; chosen: one set of strings
STRANGE_CENTS = 100.0  # chosen: a partial that is another's lies anywhere within half of this
ANYWHERE_CENTS = np.arange(0.5, STRANGE_CENTS / 2)
SHARE_ANYWHERE = np.full(len(ANYWHERE_CENTS), 1.0 / len(ANYWHERE_CENTS))
SQRT_2_PI = float(np.sqrt(2.0 * np.pi))
# Among which a stem's habits are looked for; chosen: each step changes weights by half or less.
TIMES = np.array([1.0, 1.5, 2.2, 3.3, 5.0, 7.5])
STRAYS_CENTS = np.array([0.0, *0.05 * 2.0 ** np.arange(0.0, 9.5, 0.5)])
LEAST_GAIN = 1.0  # as much as a figure more must gain (H. Akaike, 1974: see `chord_walk`)
BENDS_CENTS = np.array([0.0, *0.5 * 2.0 ** np.arange(0.0, 4.5, 0.5)])
FIRST_TIMES, FIRST_STRAY_CENTS, FIRST_STRANGE = 2.2, 0.8, 0.1  # a start only
ROUNDS, STEPS = 3, 12  # chosen: until nothing moves by a tenth of itself
LEARNED_FROM = 600  # notes; chosen: more change nothing, and an hour has thousands
AT_ONCE = 64  # notes
OWN_WEIGHT = 4.0  # partials; chosen: so much the stem's stray counts beside a note's own
# Chosen: fewer agree with any law, or with the one by which they were looked for. That of a tone
# without stiffness has one figure.
TELLING, TELLING_HARMONIC = 5, 2  # partials
ANY = 0.02  # chosen: one string in fifty is like none of the others


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Notes:
    """Notes with equally many partials; arrays are (m, k), `place` (m,) semitones and index."""

    index: NDArray[np.intp]
    place: NDArray[np.intp]
    usual_b: Array
    number: Array
    f_hz: Array
    sd_cents: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Habits:
    """What a stem's partials have in common.

    times, stray_cents: how far they lie from the law, in their own uncertainties and beside them;
    bend_cents: how much further the first, and the n-th by an n-th of it (what bodies, slow beats
    and difference tones of a driven amplifier do to low partials is alike in Hz): as far law and
    first partial disagree on a note's pitch; strange: how many of them are another note's, 0..1.
    By key and place of the grid, (128, grid):
    share, how likely strings about so stiff are, as a logarithm; log_b and spread, where they lie
    and how far they scatter, natural logarithms of B over the typical one.
    """

    times: float
    stray_cents: float
    bend_cents: float
    strange: float
    share: Array
    log_b: Array
    spread: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Views:
    """For each note, stiffness and partial in turn taken as right: f1 and how likely that is."""

    cents: Array  # (m, grid, k) f1 over the note's lowest reading
    log_b: Array  # (m, grid, k) over the typical one
    log_like: Array  # (m, grid, k)
    own: Array  # (m, grid, k, k) how likely each partial is the note's own
    off: Array  # (m, grid, k, k) cents from the law
    sd_cents: Array  # (m, grid, k)


def pooled_strings(
    fits: list[PartialFits], f0s_hz: list[float], *, harmonic: bool
) -> list[StiffString | None]:
    """Fit a string to each of a stem's notes, by what all of them have in common.

    fits: of each note; f0s_hz: about where it was found; harmonic: force B to 0. None where a note
    has no free partial.
    """
    grid = np.array([-np.inf]) if harmonic else LOG_B
    result: list[StiffString | None] = [None] * len(fits)
    habits = _learned(fits, f0s_hz, grid)
    for notes in _groups(fits, f0s_hz, range(len(fits))):
        views = _views(notes, habits)
        for row, string in zip(notes.index, _strings(notes, views, habits), strict=True):
            result[int(row)] = string
    return result


def _groups(fits: list[PartialFits], f0s_hz: list[float], wanted: range) -> Iterator[_Notes]:
    """Go through notes by the number of their partials, some hundred at a time."""
    count = np.array([len(fits[i].number) for i in wanted], dtype=int)
    places = np.array(list(wanted), dtype=int)
    for k in np.unique(count[count > 0]):
        same = places[count == k]
        for first in range(0, len(same), AT_ONCE):
            index = same[first : first + AT_ONCE]
            f0 = np.array([f0s_hz[i] for i in index])
            f_hz = np.stack([fits[i].f_hz for i in index])
            sd_hz = np.stack([fits[i].sd_hz for i in index])
            yield _Notes(
                index=index,
                place=np.clip(np.rint(69 + 12 * np.log2(f0 / 440.0)), 0, 127).astype(int),
                usual_b=typical_bs(f0),
                number=np.stack([fits[i].number for i in index]),
                f_hz=f_hz,
                sd_cents=np.hypot(CENTS_PER_NEPER * sd_hz / f_hz, MODEL_CENTS),
            )


def _learned(fits: list[PartialFits], f0s_hz: list[float], grid: Array) -> Habits:
    """Learn a stem's habits from its notes, or from as many spread over it as settle them."""
    every = max(1, len(fits) // LEARNED_FROM)
    groups = list(_groups(fits, f0s_hz, range(0, len(fits), every)))
    least = TELLING_HARMONIC if len(grid) == 1 else TELLING
    groups = [notes for notes in groups if notes.number.shape[1] >= least]
    habits = Habits(
        times=FIRST_TIMES, stray_cents=FIRST_STRAY_CENTS, bend_cents=0.0,
        strange=FIRST_STRANGE,
        share=np.full((128, len(grid)), -np.log(len(grid))), log_b=np.tile(grid, (128, 1)),
        spread=np.full((128, len(grid)), CELL),
    )  # fmt: skip
    for _ in range(ROUNDS if groups else 0):
        offs, sds, numbers, seen, place = [], [], [], [], []
        for notes in groups:
            views = _views(notes, habits)
            seen.append(_by_stiffness(views))
            place.append(notes.place)
            row, b, j = _best(views, notes, habits)
            own = views.own[row, b, j].sum(axis=1, keepdims=True)
            fitted = 1.0 if len(grid) == 1 else 2.0
            grown = np.sqrt(own / np.maximum(own - fitted, 1.0))
            offs.append((views.off[row, b, j] * grown).ravel())
            sds.append(notes.sd_cents.ravel())
            given_off = notes.f_hz > GIVEN_OFF_HZ
            numbers.append(np.where(given_off, notes.number, np.inf).ravel())
        told, log_b = (np.concatenate(each) for each in zip(*seen, strict=True))
        habits = _with_strings(habits, told, log_b, np.concatenate(place), grid)
        habits = _with_strays(habits, np.concatenate(offs), np.concatenate(sds))
    if groups and len(grid) > 1:
        off, sd_cents, number = (np.concatenate(each) for each in (offs, sds, numbers))
        habits = replace(habits, bend_cents=_bend_cents(habits, off, sd_cents, number))
    return habits


def _with_strays(habits: Habits, off: Array, sd_cents: Array) -> Habits:
    """Find how far partials stray, (k,) cents, that know themselves to sd_cents."""
    times, stray = (each.ravel() for each in np.meshgrid(TIMES, STRAYS_CENTS))
    sd = np.hypot(times[:, None] * sd_cents, stray[:, None])
    near = np.exp(-0.5 * (off / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)
    strange = habits.strange
    total = (1.0 - strange) * near + strange / STRANGE_CENTS
    best = int(np.log(total).sum(axis=1).argmax())
    strange = float(np.mean(strange / STRANGE_CENTS / total[best]))
    return replace(
        habits, times=float(times[best]), stray_cents=float(stray[best]),
        strange=min(max(strange, 0.01), 0.5),
    )  # fmt: skip


def _bend_cents(habits: Habits, off: Array, sd_cents: Array, number: Array) -> float:
    """Find how much further than others low partials lie from the law, cents of the first."""
    sd = np.hypot(habits.times * sd_cents, STRAYS_CENTS[:, None])
    told = []
    for bend_cents in BENDS_CENTS:
        _, total = _own(off, np.hypot(sd, bend_cents / number), habits)
        told.append(np.log(total).sum(axis=1).max() - (LEAST_GAIN if bend_cents else 0.0))
    return float(BENDS_CENTS[int(np.argmax(told))])


def _with_strings(
    habits: Habits, told: Array, log_b: Array, place: NDArray[np.intp], grid: Array
) -> Habits:
    """Find how likely each stiffness is around each key, and what B is about there.

    told, log_b: (n, grid) what each note says of each: how likely it is, and at which B; place:
    (n,) the notes' keys.
    """
    like = np.exp(told - told.max(axis=1, keepdims=True))
    key = np.arange(128)
    near = (np.abs(key[:, None] - key[None, :]) <= REGISTER).astype(float)
    share = np.exp(habits.share)
    for _ in range(STEPS):
        each = share[place] * like
        each /= each.sum(axis=1, keepdims=True)
        around = near @ _summed(each, place)
        share = (around + ANY) / (around.sum(axis=1, keepdims=True) + ANY * len(grid))
    if len(grid) == 1:
        return habits
    middle = (near @ _summed(each * log_b, place) + ALONE * grid) / (around + ALONE)
    square = near @ _summed(each * (log_b - middle[place]) ** 2, place)
    spread = np.sqrt((square + ALONE * CELL**2) / (around + ALONE))
    return replace(
        habits, share=np.log(share), log_b=middle, spread=np.maximum(spread, LEAST_SPREAD)
    )


def _summed(each: Array, place: NDArray[np.intp]) -> Array:
    result = np.zeros((128, each.shape[1]))
    np.add.at(result, place, each)
    return result


def _views(notes: _Notes, habits: Habits) -> _Views:
    """Find, from each partial and each stiffness, the string near there that most partials fit.

    A few steps of least squares over f1 and the logarithm of B, each partial weighing as likely as
    it is the note's own; the first allow for what lies between two stiffnesses.
    """
    # Partials come first while they are summed over: along a last axis so short that takes longer.
    n2, f_hz, sd = (
        each.T[:, :, None, None]
        for each in (notes.number**2, notes.f_hz / notes.number, _sd_cents(notes, habits))
    )
    said = CENTS_PER_NEPER * np.log(f_hz / f_hz.min(axis=0))
    start, spread_b = habits.log_b[notes.place][:, :, None], habits.spread[notes.place][:, :, None]
    start_b = notes.usual_b[:, None, None] * np.exp(start)
    off, slope = _off(said, n2, start_b)
    cents = np.moveaxis(off[..., 0], 0, -1).copy()  # as each partial in turn has it
    x = np.zeros_like(cents)  # of log B from its start
    for part in WIDE:
        wide = np.hypot(sd, part * spread_b * slope)
        rest = off - cents
        own, total = _own(rest, wide, habits)
        weight = own / wide**2
        of_slope = weight * slope
        one = weight.sum(axis=0) + 1.0 / STRANGE_CENTS**2
        two = of_slope.sum(axis=0)
        four = (of_slope * slope).sum(axis=0) + 1.0 / spread_b**2
        spread = one * four - two**2
        right = (weight * rest).sum(axis=0), (of_slope * rest).sum(axis=0) - x / spread_b**2
        moved = np.clip(x + (one * right[1] - two * right[0]) / spread, -CELL, CELL) - x
        cents += (right[0] - two * moved) / one
        x += moved
        off, slope = _off(said, n2, start_b * np.exp(x))
    rest = off - cents
    own, total = _own(rest, sd, habits)
    return _Views(
        cents=cents, log_b=start + x, own=np.moveaxis(own, 0, -1), off=np.moveaxis(rest, 0, -1),
        log_like=np.log(total).sum(axis=0) - 0.5 * (x / spread_b) ** 2
        - np.log(spread_b) - 0.5 * np.log(spread),
        sd_cents=np.sqrt(four / spread),
    )  # fmt: skip


def _off(said: Array, n2: Array, b: Array) -> tuple[Array, Array]:
    """What each partial says of f1 under some B, cents, and how fast the law moves with log B."""
    stiff = 1.0 + b * n2
    off = said - 0.5 * CENTS_PER_NEPER * np.log(stiff / (1.0 + b))
    return off, 0.5 * CENTS_PER_NEPER * (1.0 / (1.0 + b) - 1.0 / stiff)


def _own(off: Array, sd: Array, habits: Habits) -> tuple[Array, Array]:
    """How likely partials so far from the law are the note's own, and how likely that is at all."""
    own = (1.0 - habits.strange) / (np.sqrt(2 * np.pi) * sd) * np.exp(-0.5 * (off / sd) ** 2)
    total = own + habits.strange / STRANGE_CENTS
    return own / total, total


def _sd_cents(notes: _Notes, habits: Habits) -> Array:
    return np.hypot(habits.times * notes.sd_cents, habits.stray_cents)


def _chances(views: _Views) -> Array:
    """Log likelihood of each view, those that say the same counted once: (m, grid, k).

    Over f1 and B it is as high as the view fits and as wide as it is sure of them.
    """
    apart = views.cents[:, :, :, None] - views.cents[:, :, None, :]
    alike = np.exp(-0.5 * (apart / views.sd_cents[:, :, :, None]) ** 2).sum(axis=-1)
    return np.asarray(views.log_like - np.log(alike))


def _by_stiffness(views: _Views) -> tuple[Array, Array]:
    """Log likelihood of each stiffness, whatever f1 is, and B there: (m, grid)."""
    chances = _chances(views)
    top = chances.max(axis=-1)
    best = chances.argmax(axis=-1)[:, :, None]
    told = top + np.log(np.exp(chances - top[:, :, None]).sum(axis=-1))
    return np.asarray(told), np.take_along_axis(views.log_b, best, axis=-1)[:, :, 0]


def _best(
    views: _Views, notes: _Notes, habits: Habits
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    chances = _chances(views) + habits.share[notes.place][:, :, None]
    m, _, k = chances.shape
    b, j = np.divmod(chances.reshape(m, -1).argmax(axis=1), k)
    return np.arange(m), b, j


def _strings(notes: _Notes, views: _Views, habits: Habits) -> Iterator[StiffString]:
    """The likeliest string of each note, and how far the others that may be lie from it."""
    chances = _chances(views) + habits.share[notes.place][:, :, None]
    sd_cents, k = _sd_cents(notes, habits), notes.number.shape[1]
    # The first partial is heard somewhere between where the law has it and where it strays to.
    bend = habits.bend_cents / np.sqrt(3.0)
    for i in range(len(notes.index)):
        best = chances[i].max()
        chance = np.exp(chances[i] - best)
        # That none of its partials is the note's own, which then lies anywhere.
        strange = k * np.log(habits.strange / STRANGE_CENTS) + np.log(STRANGE_CENTS / SQRT_2_PI)
        none = float(np.exp(min(strange - best, 0.0)))
        none /= none + chance.sum()
        chance /= chance.sum()
        b, j = _middle(views.cents[i], views.sd_cents[i], chance)
        own, off = views.own[i, b, j], views.off[i, b, j]
        cents = float(views.cents[i, b, j])
        mean_b = float(notes.usual_b[i] * np.exp(views.log_b[i, b, j]))
        # How far this note's own partials stray, the stem's counting beside them.
        free = own.sum()
        spare = max(free - (1.0 if chances.shape[1] == 1 else 2.0), 1.0)
        pull = (own * (off / sd_cents[i]) ** 2).sum() * free / spare
        swell = np.sqrt((pull + OWN_WEIGHT) / (free + OWN_WEIGHT))
        sd = float(views.sd_cents[i, b, j] * swell)
        away = np.concatenate([np.abs(views.cents[i] - cents).ravel(), ANYWHERE_CENTS])
        every = np.concatenate([(1.0 - none) * chance.ravel(), none * SHARE_ANYWHERE])
        order = np.argsort(away)
        within = np.searchsorted(np.cumsum(every[order]), (0.683, 0.954))
        two_in_three, most = away[order][within]
        f1_hz = (notes.f_hz[i] / notes.number[i]).min() * np.exp(cents / CENTS_PER_NEPER)
        used = max(int((own > 0.5).sum()), 1)
        yield StiffString(
            f0_hz=float(f1_hz / np.sqrt(1.0 + mean_b)),
            b=mean_b,
            f1_cents_sd=float(np.sqrt(sd**2 + max(two_in_three, most / 2.0) ** 2 + bend**2)),
            used=used,
            scatter_cents=float(np.sqrt((own * off**2).sum() / spare)),
        )


def _middle(cents: Array, sd_cents: Array, chance: Array) -> tuple[int, int]:
    """The view that has half of the chances to either side; of those that agree the likeliest."""
    order = np.argsort(cents, axis=None)
    half = order[np.searchsorted(np.cumsum(chance.ravel()[order]), 0.5)]
    agree = np.abs(cents - cents.flat[half]) <= sd_cents.flat[half]
    b, j = divmod(int(np.where(agree, chance, -1.0).argmax()), cents.shape[1])
    return b, j
