"""Fewest moves that clear the most sour seconds: which edit first, and which not to make at all.

Edits are taken one after the other, each time the one that clears most for its time (Nemhauser,
Wolsey and Fisher, Mathematical Programming 14, 1978: where gains only shrink, so taken the first k
clear at least 63 % of what any k could; here two parts that must move together break that law, so
the gap is measured in the tests). An edit that would add sour time waits; what still would in the
end, alone or together with another, is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.clear.move_lines import LEAST_S, Line, Proposal, line_of, lines_of, moved_by
from planner.clear.sour_time import (
    Change,
    Now,
    SourMap,
    apply,
    as_recorded,
    beats_with,
    change_of,
    sour_now_s,
    soured_by,
    soured_with,
)
from planner.clear.stop_line import chosen_within

# What one of several clashes at the same moment is worth although the moment stays sour: without
# it, moments with three clashes would never be begun. Chosen: measured with
# `python -m tests.sessions.records --seeds 1-24`, 0.1 to 0.5 lie within a point of each other.
_SHARED_WORTH = 0.25
_OF_A_STEM = 5  # lines on the first screen: chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of the list in its place: rows that are made together."""

    ids: tuple[str, ...]
    together: int  # lines with the same number part the notes unless all of them are made
    clears_s: tuple[float, ...]  # sour seconds that go with each row, after all rows above
    left_s: float  # sour seconds left after the line
    thins_s: tuple[float, ...] = ()  # beating that goes with each row, as of `with_thinning`


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A row that would add sour time."""

    id: str
    against: str  # id of the note it would beat with; empty where it would only leave its tolerance
    by: frozenset[str] = frozenset()  # ids of its notes that would


@dataclass(frozen=True, slots=True, kw_only=True)
class Backbone:
    """The whole order: what to do first, what clears nothing, and what is left out."""

    before_s: float
    steps: tuple[Step, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def after_s(self) -> float:
        return self.steps[-1].left_s if self.steps else self.before_s


def fewest_moves(
    sour: SourMap,
    proposals: Sequence[Proposal],
    *,
    first_cut: int | None = None,
    first_screen: int = 0,
    later: frozenset[str] | None = None,
) -> Backbone:
    """Put rows in the order in which they clear most sour seconds for each edit.

    proposals : sequence of Proposal
        Every row that may be made. In any order: ties go to the higher severity, then to the id.
    first_cut : how many rows the editor has time for. The lines within are then exchanged against
        those below while that clears more.
    first_screen : among the first so many lines, at most five of one stem
    later : the rows are two plans, one of the other's result: none is left out. Where the best
        order has no place for some, those of the later plan (these ids) come last, and where that
        does not help, all are one step.
    """
    lines = lines_of(sour, proposals)
    now = as_recorded(sour)
    before_s = sour_now_s(sour, now)
    order = _Order(sour, now, first_screen)
    left = order.take(lines)
    if later is not None and left:
        order = _Order(sour, as_recorded(sour), first_screen)
        left = order.take(lines_of(sour, [row for row in proposals if row.id not in later]))
        left = order.take([*left, *lines_of(sour, [row for row in proposals if row.id in later])])
    if later is not None and left:
        order = _Order(sour, as_recorded(sour), first_screen)
        left = order.take_whole(lines)
    left_out = [_left_out(sour, order.now, line) for line in left]
    kept = order.placed
    if later is None:
        kept, spoilers = _without_spoilers(sour, order)
        left_out += spoilers
    if first_cut is not None and not left_out:
        kept = _within_the_cut(sour, kept, first_cut, first_screen)
    return Backbone(
        before_s=before_s,
        steps=_steps(kept, before_s),
        left_out=tuple(sorted(left_out, key=lambda out: out.id)),
    )


def change_if_made(sour: SourMap, now: Now, rows: Sequence[Proposal]) -> Change:
    """Say what making some rows would do to a state."""
    return change_of(sour, now, *moved_by(sour, rows))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    line: Line
    together: int
    gain_s: tuple[float, ...]  # of each row


class _Order:
    """The lines placed so far, and the state that they make."""

    def __init__(self, sour: SourMap, now: Now, first_screen: int) -> None:
        self.sour, self.now = sour, now
        self.first_screen = first_screen
        self.placed: list[_Placed] = []
        self.done: set[str] = set()
        self.tried: dict[Line, tuple[Change, float]] = {}  # and what it is worth for each row
        self.steps = 0

    def take(self, lines: Sequence[Line]) -> list[Line]:
        """Place all lines that can be placed without adding sour time; give back the others."""
        waiting = sorted(lines, key=lambda line: (-line.severity, line.ids))
        while waiting:
            best = self._best(waiting)
            gains = () if best is None else self._row_gains(best)
            if best is not None and min(gains) < -LEAST_S:
                # One of its rows would add sour time: each by itself, then.
                waiting = [line for line in waiting if line is not best]
                waiting += [line_of(self.sour, (row,)) for row in best.rows]
                waiting.sort(key=lambda line: (-line.severity, line.ids))
                continue
            if best is not None:
                self._place([best], [gains])
                waiting = [line for line in waiting if line is not best]
                continue
            if any(len(line.rows) > 1 for line in waiting):
                # Together they would add sour time: perhaps not each by itself.
                waiting = [line_of(self.sour, (r,)) for line in waiting for r in line.rows]
                waiting.sort(key=lambda line: (-line.severity, line.ids))
                continue
            group = self._pair(waiting) or self._all_but_spoilers(waiting)
            if not group:
                break
            self._place_together(group)
            waiting = [line for line in waiting if not any(line is one for one in group)]
        return waiting

    def take_whole(self, lines: Sequence[Line]) -> list[Line]:
        """Place all lines as one step; give them back where that would add sour time."""
        if self._joined(lines).gain_s < -LEAST_S:
            return list(lines)
        needed = {need for line in lines for need in line.needs}
        self._place_together(sorted(lines, key=lambda line: not needed & set(line.ids)))
        return []

    def _try(self, line: Line) -> tuple[Change, float]:
        tried = self.tried.get(line)
        if tried is None:
            change = change_of(self.sour, self.now, line.notes, line.add_cents)
            worth = (change.gain_s + _SHARED_WORTH * change.shared_s) / len(line.rows)
            tried = self.tried[line] = change, worth
        return tried

    def _best(self, waiting: list[Line]) -> Line | None:
        ready = [line for line in waiting if line.needs <= self.done]
        if len(self.placed) < self.first_screen:
            of_stem: dict[str, int] = {}
            for one in self.placed:
                stem = one.line.rows[0].stem
                of_stem[stem] = of_stem.get(stem, 0) + 1
            few = [k for k in ready if of_stem.get(k.rows[0].stem, 0) < _OF_A_STEM]
            return self._best_of(few) or self._best_of(ready)
        return self._best_of(ready)

    def _best_of(self, ready: list[Line]) -> Line | None:
        best, best_worth = None, -np.inf
        for line in ready:  # the first of equals wins: by severity, then by id
            change, worth = self._try(line)
            if change.gain_s < -LEAST_S:
                continue
            if round(worth - best_worth, 3) > 0 if best else True:
                best, best_worth = line, worth
        return best

    def _joined(self, lines: Sequence[Line]) -> Change:
        rows = tuple(row for line in lines for row in line.rows)
        return change_if_made(self.sour, self.now, rows)

    def _pair(self, waiting: list[Line]) -> list[Line]:
        """Two lines that only together add no sour time, and clear most."""
        best: list[Line] = []
        best_gain = -LEAST_S
        for k, one in enumerate(waiting):
            for other in waiting[k + 1 :]:
                open_needs = (one.needs | other.needs) - self.done - {*one.ids, *other.ids}
                if open_needs or one.pieces.isdisjoint(other.pieces):
                    continue
                gain = self._joined([one, other]).gain_s
                if gain > best_gain if best else gain >= best_gain:
                    best, best_gain = [one, other], gain
        # What is needed goes first.
        return best[::-1] if best and best[0].needs & set(best[1].ids) else best

    def _all_but_spoilers(self, waiting: list[Line]) -> list[Line]:
        """As many lines as together add no sour time: what adds most goes first."""
        group = list(waiting)
        while group:
            if len(group) > 1 and self._joined(group).gain_s >= -LEAST_S:
                # What is needed by others goes first.
                needed = {need for line in group for need in line.needs}
                return sorted(group, key=lambda line: not needed & set(line.ids))
            without = [_without(group, line) for line in group]
            gains = [self._joined(rest).gain_s if rest else -np.inf for rest in without]
            group = without[int(np.argmax(np.round(gains, 3)))]
        return []

    def _place_together(self, group: list[Line]) -> None:
        """Place some lines as one step: nothing is gained before the last of them is made."""
        joined = self._joined(group).gain_s
        nothing = [tuple(0.0 for _ in line.rows) for line in group]
        self._place(group, [*nothing[:-1], (*nothing[-1][1:], joined)])

    def _place(self, group: list[Line], gains_s: list[tuple[float, ...]]) -> None:
        self.steps += 1
        for line, gain_s in zip(group, gains_s, strict=True):
            apply(self.sour, self.now, self._try(line)[0])
            self.placed.append(_Placed(line=line, together=self.steps, gain_s=gain_s))
            self.done |= set(line.ids)
            # Only what sounds at the same time can have changed its worth.
            self.tried = {
                other: tried
                for other, tried in self.tried.items()
                if other is not line and other.pieces.isdisjoint(line.pieces)
            }

    def _row_gains(self, line: Line) -> tuple[float, ...]:
        """What each row of a line clears, one after the other."""
        if len(line.rows) == 1:
            return (self._try(line)[0].gain_s,)
        gains, made = [], 0.0
        for k in range(len(line.rows)):
            so_far = change_if_made(self.sour, self.now, line.rows[: k + 1]).gain_s
            gains.append(round(so_far - made, 4))
            made = so_far
        return tuple(gains)


def _without(group: list[Line], gone: Line) -> list[Line]:
    """Some lines less one, and less what cannot be made without it."""
    return [one for one in group if one is not gone and not one.needs & set(gone.ids)]


def _left_out(sour: SourMap, now: Now, line: Line) -> LeftOut:
    change = change_of(sour, now, line.notes, line.add_cents)
    against, by = soured_with(sour, now, change), soured_by(sour, now, change)
    return LeftOut(id=line.ids[0], against=against, by=by)


def _without_spoilers(sour: SourMap, order: _Order) -> tuple[list[_Placed], list[LeftOut]]:
    """Take out rows without which the finished session would be less sour."""
    needed = {need for one in order.placed for need in one.line.needs}
    left_out = []
    for one in order.placed[::-1]:
        for row in one.line.rows:
            if row.id in needed:
                continue
            notes, add_cents = moved_by(sour, (row,))
            back = change_of(sour, order.now, notes, -add_cents)
            if back.gain_s > LEAST_S:
                against = beats_with(sour, order.now, notes)
                apply(sour, order.now, back)
                left_out.append(LeftOut(id=row.id, against=against))
    gone = {out.id for out in left_out}
    kept = []
    for one in order.placed:
        rows = tuple(row for row in one.line.rows if row.id not in gone)
        if len(rows) == len(one.line.rows):
            kept.append(one)
        elif rows:
            kept.append(replace(one, line=line_of(sour, rows)))
    return kept, left_out


def _within_the_cut(
    sour: SourMap, placed: list[_Placed], first_cut: int, first_screen: int
) -> list[_Placed]:
    """Exchange what stands above the cut for what leaves fewer sour seconds there."""
    lines = [one.line for one in placed]
    inside = chosen_within(sour, lines, first_cut)
    if inside is None:
        return placed
    outside = [line for line in lines if not any(line is one for one in inside)]
    order = _Order(sour, as_recorded(sour), first_screen)
    # What cannot be placed in this order without adding sour time on the way: keep the first one.
    if order.take(inside) or order.take(outside):
        return placed
    return order.placed


def _steps(placed: Sequence[_Placed], before_s: float) -> tuple[Step, ...]:
    steps, left_s = [], before_s
    for one in placed:
        # Less than the rounding of times is no sour time: it must not tip a printed tenth.
        gains_s = tuple(max(gain, 0.0) for gain in one.gain_s)
        left_s = round(left_s - sum(gains_s), 4)
        steps.append(Step(ids=one.line.ids, together=one.together, clears_s=gains_s, left_s=left_s))
    return tuple(steps)
