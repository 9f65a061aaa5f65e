"""Everything made, then taken back: each time what clears least, every moment shared among all.

A moment with several beatings in it is clear only once all of them are gone, so no move alone
seems to gain anything there. Looked at from the end, where all are made, each of them is seen to
keep the moment clear, and has its share of it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.clashes import Ints
from planner.clear.sour_time import Change, Now, SourMap, apply, pieces_turned, turned_by
from planner.model import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """One move that may be taken back."""

    notes: Ints  # indices in the sour map, each once
    add_cents: Floats
    cost: float = 1.0
    needs: tuple[int, ...] = ()  # moves (by their place) that must stay while this one does
    pinned: bool = False  # never taken back


def last_to_go(
    sour: SourMap, now: Now, moves: Sequence[Made], enough: Callable[[float, float], bool]
) -> tuple[int, ...]:
    """Take moves back until it is enough, the least worth for its cost first.

    now : where everything else is left; moved along in place to the state with what stays
    moves : of moves that are worth as little, the first goes first
    enough : of the least worth there is (sour seconds for one of cost) and what all that is left
        costs: whether to stop

    Returns places of the moves that stay.
    """
    count = len(moves)
    for move in moves:
        apply(sour, now, turned_by(sour, now, move.notes, move.add_cents))
    first = np.array([_first(sour, move) for move in moves], dtype=np.int64)
    end = np.array([_end(sour, move) for move in moves], dtype=np.int64)
    soured = [np.zeros(0, dtype=np.int64)] * count  # pieces of time that each move takes
    freed_s = np.zeros(count)  # what would be clearer without it
    takers = np.zeros(len(sour.piece_s), dtype=np.int64)  # how many moves each piece takes
    worth_s = np.zeros(count)
    stays = np.ones(count, dtype=bool)
    pinned = np.array([move.pinned for move in moves], dtype=bool)
    needed_by = np.zeros(count, dtype=np.int64)
    for move in moves:
        for k in move.needs:
            needed_by[k] += 1

    def undone(k: int) -> Change:
        return turned_by(sour, now, moves[k].notes, -moves[k].add_cents)

    def look_again(which: Ints) -> None:
        for k in which:
            takers[soured[k]] -= 1
            soured[k], freed = pieces_turned(sour, now, undone(int(k)))
            freed_s[k] = sour.piece_s[freed].sum()
            takers[soured[k]] += 1

    def weigh_again(which: Ints) -> None:
        for k in which:
            shares = sour.piece_s[soured[k]] / takers[soured[k]]
            worth_s[k] = round(float(shares.sum()) - freed_s[k], 4) / moves[k].cost

    left = sum(move.cost for move in moves)  # costs are whole numbers: sums are exact
    everyone = np.arange(count)
    look_again(everyone)
    weigh_again(everyone)
    while True:
        may_go = np.flatnonzero(stays & ~pinned & (needed_by == 0))
        if not len(may_go):
            break
        least = int(may_go[np.argmin(worth_s[may_go])])
        if enough(float(worth_s[least]), left):
            break
        apply(sour, now, undone(least))
        stays[least] = False
        left -= moves[least].cost
        for k in moves[least].needs:
            needed_by[k] -= 1
        takers[soured[least]] -= 1
        soured[least] = np.zeros(0, dtype=np.int64)
        beside = np.flatnonzero(stays & (first < end[least]) & (end > first[least]))
        look_again(beside)
        # A moment is shared anew among all who take it.
        low = min(first[beside], default=first[least])
        high = max(end[beside], default=end[least])
        weigh_again(np.flatnonzero(stays & (first < high) & (end > low)))
    return tuple(int(k) for k in np.flatnonzero(stays))


def _first(sour: SourMap, move: Made) -> int:
    return int(sour.note_first[move.notes].min()) if len(move.notes) else 0


def _end(sour: SourMap, move: Made) -> int:
    return int(sour.note_end[move.notes].max()) if len(move.notes) else 0
