"""Which notes to touch, where each touched note has a price in sour seconds: the best choice.

A moment is clear only once nothing beats in it any more, so notes are worth something together. But
whether it is clear rests on the notes that sound in it alone. So the session is gone through in
time, keeping for every choice among the notes that sound just now the best that could have been
made of all before (Bellman, Dynamic Programming, 1957): that is the best choice there is, not a
step-by-step one. The higher the price, the fewer are touched.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.clashes import Bools, Ints, can_be_sore, nobodys, sounds_sour
from planner.clear.sour_time import Now, SourMap
from planner.clear.taking_back import Made
from planner.model import Floats

# Chosen: 2^14 choices are kept for the busiest moment; denser sessions are left to the other way.
_MOST_AT_ONCE = 14
_HALVINGS = 24  # chosen: the price is then known to 2^-24 of the session's length
_AS_GOOD_S = 1e-9  # of choices worth the same, the one that leaves the note; less is rounding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moment:
    """One piece of time: which moves begin and end with it, and which choices leave it sour."""

    begin: tuple[int, ...]  # places of moves
    end: tuple[int, ...]  # axes of the choice, last first
    sour: Bools  # an axis of two, left and made, for each move that sounds in it
    lasts_s: float


def worth_their_price(
    sour: SourMap, now: Now, moves: Sequence[Made], price_s: float
) -> tuple[int, ...] | None:
    """Choose the moves that together clear most sour time beyond what they cost.

    now : where everything stands before any of the moves
    moves : each of one note, no note twice; what is pinned is made and costs nothing
    price_s : what a move must clear for one of its cost, in sour seconds

    Returns places of the moves; None where too many notes sound at once.
    """
    moments = _moments(sour, now, moves)
    return None if moments is None else _swept(moments, moves, price_s)


def best_of(
    sour: SourMap, now: Now, moves: Sequence[Made], most: int
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """Choose the best moves at the price that leaves about so many.

    now, moves
        As for `worth_their_price`.
    most : how many moves are allowed

    Returns places of the moves, of the best choice within ``most`` and of the next larger one, each
    the best of its number; None where too many notes sound at once.
    """
    moments = _moments(sour, now, moves)
    if moments is None:
        return None
    low, high = 0.0, float(sour.piece_s.sum()) + 1.0
    within, beyond = _swept(moments, moves, high), _swept(moments, moves, low)
    for _ in range(_HALVINGS):
        price_s = (low + high) / 2.0
        chosen = _swept(moments, moves, price_s)
        if len(chosen) <= most:
            within, high = chosen, price_s
        else:
            beyond, low = chosen, price_s
    return within, beyond


def _moments(sour: SourMap, now: Now, moves: Sequence[Made]) -> list[_Moment] | None:
    """Lay out the session in time; None where too many notes that may be touched sound at once."""
    add_of = {int(move.notes[0]): float(move.add_cents[0]) for move in moves if len(move.notes)}
    move_of = {int(move.notes[0]): k for k, move in enumerate(moves) if len(move.notes)}
    if _most_at_once(sour, list(move_of)) > _MOST_AT_ONCE:
        return None
    sore, over = _sore_if_made(sour, now, add_of), _over_if_made(sour, now, add_of)
    # What never beats, made or left, says nothing of the choice: that is most of what meets.
    starting = _by_piece(sour.note_first, np.arange(len(sour.note_first)))
    meeting = _by_piece(sour.met_first, np.flatnonzero(sore.any(axis=(0, 1))))
    beyond = over[0] | over[1]
    movable: list[int] = []  # notes that sound now and may be touched: the axes of the choice
    sounding: list[int] = []
    met: list[int] = []
    found = []
    for piece, lasts_s in enumerate(sour.piece_s):
        new = [note for note in starting.get(piece, ()) if note in move_of]
        movable += new
        began = (k for k in starting.get(piece, ()) if beyond[k])
        sounding = [k for k in (*sounding, *began) if sour.note_end[k] > piece]
        met = [k for k in (*met, *meeting.get(piece, ())) if sour.met_end[k] > piece]
        state = np.zeros((2,) * len(movable), dtype=bool)
        for k in met:
            pair = (int(sour.met.low[k]), int(sour.met.high[k]))
            state |= _spread(sore[:, :, k], pair, movable)
        for note in sounding:
            state |= _spread(over[:, note], (note,), movable)
        ending = [axis for axis, note in enumerate(movable) if sour.note_end[note] == piece + 1]
        found.append(
            _Moment(
                begin=tuple(move_of[note] for note in new),
                end=tuple(ending[::-1]),
                sour=state,
                lasts_s=float(lasts_s),
            )
        )
        movable = [note for axis, note in enumerate(movable) if axis not in ending]
    return found


def _most_at_once(sour: SourMap, notes: Sequence[int]) -> int:
    begun = np.searchsorted(np.sort(sour.note_first[notes]), sour.note_first[notes], side="right")
    ended = np.searchsorted(np.sort(sour.note_end[notes]), sour.note_first[notes], side="right")
    return int((begun - ended).max(initial=0))


def _by_piece(first: Ints, chosen: Ints) -> dict[int, list[int]]:
    """Some notes or meetings by the piece of time that they begin with."""
    found: dict[int, list[int]] = {}
    for k in chosen:
        found.setdefault(int(first[k]), []).append(int(k))
    return found


def _sore_if_made(sour: SourMap, now: Now, add_of: Mapping[int, float]) -> Bools:
    """Whether each meeting beats, with its lower note left or made and its upper one; (2, 2, m)."""
    n, met = len(sour.met.notes), sour.met
    made_hz = now.heard_hz.copy()
    for note, add in add_of.items():
        made_hz[note] *= 2.0 ** (add / 1200.0)
    twice = replace(
        met,
        unsure_cents=np.tile(met.unsure_cents, 2),
        vibrato_half_cents=np.tile(met.vibrato_half_cents, 2),
    )
    hz = np.concatenate([now.heard_hz, made_hz])
    everyone = np.arange(len(met.low))
    can = can_be_sore(met) & ~nobodys(met)

    def sore(a: int, b: int) -> Bools:
        placed = replace(twice, low=met.low + a, high=met.high + b)
        return can & sounds_sour(placed, hz, everyone)

    return np.array([[sore(a, b) for b in (0, n)] for a in (0, n)])


def _over_if_made(sour: SourMap, now: Now, add_of: Mapping[int, float]) -> Bools:
    """Whether each held note is beyond its tolerance, left and made; (2, n)."""
    add = np.zeros(len(sour.met.notes))
    add[list(add_of)] = list(add_of.values())
    left = sour.error_cents + now.moved_cents
    return np.round(np.abs([left, left + add]), 1) > sour.limit_cents


def _spread(table: Bools, notes: tuple[int, ...], movable: Sequence[int]) -> Bools:
    """A table over one or two notes as one over all that may be touched; others are left."""
    axes = []
    for axis, note in enumerate(notes):
        if note in movable:
            axes.append(movable.index(note))
        else:
            table = np.take(table, [0], axis=axis)
    shape = [1] * len(movable)
    for axis in axes:
        shape[axis] = 2
    turned = table.T if axes != sorted(axes) else table
    return turned.reshape(shape)


def _swept(moments: Sequence[_Moment], moves: Sequence[Made], price_s: float) -> tuple[int, ...]:
    """The best choice at one price: forward through time, then back along what was best."""
    value: Floats = np.zeros(())
    ended: list[list[tuple[int, Bools]]] = []
    for moment in moments:
        for k in moment.begin:
            pinned = moves[k].pinned
            left = np.full_like(value, -np.inf) if pinned else value
            made = value if pinned else value - moves[k].cost * price_s
            value = np.stack([left, made], axis=-1)
        value = np.where(moment.sour, value - moment.lasts_s, value)
        here = []
        for axis in moment.end:
            left, made = np.take(value, 0, axis=axis), np.take(value, 1, axis=axis)
            here.append((axis, made > left + _AS_GOOD_S))
            value = np.maximum(left, made)
        ended.append(here)
    chosen: list[int] = []
    state: list[int] = []  # of each note that sounds: 0 left, 1 made
    for moment, here in zip(moments[::-1], ended[::-1], strict=True):
        for axis, better in here[::-1]:
            state.insert(axis, int(better[tuple(state)]))
        chosen += [k for k in moment.begin[::-1] if state.pop()]
    return tuple(sorted(chosen))
