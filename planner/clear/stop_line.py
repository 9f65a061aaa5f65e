"""Which lines stand above the stop line, where the editor's time ends before the list does.

The best beginning of a list is not always the best choice of so many lines: what only helps
together is begun late by an order that takes the best one next. So the choice is also made from the
other end, by taking back what clears least until the time is enough (`planner.clear.taking_back`);
both choices are bettered by exchanging lines, and the one that leaves fewer sour seconds is taken.
"""

from collections.abc import Sequence
from copy import deepcopy

from planner.clear.move_lines import LEAST_S, Line
from planner.clear.sour_time import (
    Now,
    SourMap,
    apply,
    as_recorded,
    change_of,
    sour_now_s,
    with_made,
)
from planner.clear.taking_back import Made, last_to_go

_MOST_SWAPS = 12  # chosen: beyond it the first cut hardly betters


def chosen_within(sour: SourMap, lines: Sequence[Line], first_cut: int) -> list[Line] | None:
    """Choose lines of at most ``first_cut`` rows; None where the first ones leave as little.

    lines : in their order so far; what a line needs stands before it
    """
    above, rows = 0, 0
    for line in lines:
        if rows + len(line.rows) > first_cut:
            break
        above, rows = above + 1, rows + len(line.rows)
    if above == len(lines):
        return None
    first = list(lines[:above])
    best: list[Line] | None = None
    best_s = sour_now_s(sour, with_made(sour, first))
    for start in (first, _from_the_other_end(sour, lines, first_cut)):
        inside = _exchanged(sour, start, lines)
        left_s = sour_now_s(sour, with_made(sour, inside))
        if left_s < best_s - LEAST_S:
            best, best_s = inside, left_s
    return best


def _from_the_other_end(sour: SourMap, lines: Sequence[Line], first_cut: int) -> list[Line]:
    """All lines less those that clear least for each of their rows, until the rest fits."""
    place = {row_id: k for k, line in enumerate(lines) for row_id in line.ids}
    moves = [
        Made(
            notes=line.notes,
            add_cents=line.add_cents,
            cost=len(line.rows),
            needs=tuple(sorted(place[need] for need in line.needs if need in place)),
        )
        for line in lines
    ]
    stay = last_to_go(sour, as_recorded(sour), moves, lambda _, rows: rows <= first_cut)
    return [lines[k] for k in stay]


def _exchanged(sour: SourMap, inside: list[Line], lines: Sequence[Line]) -> list[Line]:
    """Exchange lines inside against lines outside while that leaves fewer sour seconds."""
    outside = [line for line in lines if not any(line is one for one in inside)]
    now = with_made(sour, inside)
    for _ in range(_MOST_SWAPS):
        best = _best_swap(sour, now, inside, outside)
        if best is None:
            break
        gone, come = best
        apply(sour, now, change_of(sour, now, gone.notes, -gone.add_cents))
        apply(sour, now, change_of(sour, now, come.notes, come.add_cents))
        inside = [come if line is gone else line for line in inside]
        outside = [gone if line is come else line for line in outside]
    return inside


def _best_swap(
    sour: SourMap, now: Now, inside: list[Line], outside: list[Line]
) -> tuple[Line, Line] | None:
    done = {row_id for line in inside for row_id in line.ids}
    needed = {need for line in inside for need in line.needs}
    gains = [change_of(sour, now, come.notes, come.add_cents).gain_s for come in outside]
    best, best_gain = None, LEAST_S
    for gone in inside:
        if needed & set(gone.ids):
            continue
        back = change_of(sour, now, gone.notes, -gone.add_cents)
        again = deepcopy(now)
        apply(sour, again, back)
        for come, gain_s in zip(outside, gains, strict=True):
            if len(come.rows) > len(gone.rows) or not come.needs <= done - set(gone.ids):
                continue
            # What sounds at other times clears as much with the one as without it.
            if not come.pieces.isdisjoint(gone.pieces):
                gain_s = change_of(sour, again, come.notes, come.add_cents).gain_s
            if gain_s + back.gain_s > best_gain:
                best, best_gain = (gone, come), gain_s + back.gain_s
    return best
