"""Fewest moves that clear the most sour seconds: which edit first, and which not to make at all.

Edits are taken one after the other, each time the one that clears most for its time (Nemhauser,
Wolsey and Fisher, Mathematical Programming 14, 1978: where gains only shrink, so taken the first k
clear at least 63 % of what any k could; here two parts that must move together break that law, so
the gap is measured in the tests). An edit that would add sour time waits; what still would in the
end, alone or together with another, is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.clashes import Ints
from planner.model import Floats
from planner.sour_time import (
    Change,
    Now,
    SourMap,
    apply,
    as_recorded,
    change_of,
    sour_now_s,
    soured_with,
)

# What one of several clashes at the same moment is worth although the moment stays sour: without
# it, moments with three clashes would never be begun. Chosen: measured with
# `python -m tests.sessions.records --seeds 1-24`, 0.1 to 0.5 lie within a point of each other.
_SHARED_WORTH = 0.25
_LEAST_S = 1e-3  # less is the rounding of times
_MOST_SWAPS = 12  # chosen: beyond it the first cut hardly betters


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One row that a plan could have: what it adds to the notes that it moves."""

    id: str
    notes: tuple[tuple[str, float], ...]  # (note id, cents to add to what is heard)
    severity: float = 0.0
    fault: tuple[object, ...] = ()  # rows with the same fault are one line; empty: a line by itself
    stem: str = ""
    needs: frozenset[str] = frozenset()  # rows that must be made before


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of the list in its place: rows that are made together."""

    ids: tuple[str, ...]
    together: int  # lines with the same number part the notes unless all of them are made
    clears_s: tuple[float, ...]  # sour seconds that go with each row, after all rows above
    left_s: float  # sour seconds left after the line


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A row that would add sour time."""

    id: str
    adds_s: float
    against: str  # id of the note it would beat with; empty where it would only leave its tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class Backbone:
    """The whole order: what to do first, what clears nothing, and what is left out."""

    before_s: float
    steps: tuple[Step, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def after_s(self) -> float:
        return self.steps[-1].left_s if self.steps else self.before_s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    rows: tuple[Proposal, ...]
    notes: Ints
    add_cents: Floats
    pieces: Ints  # pieces of time that its notes sound in
    severity: float

    @property
    def needs(self) -> frozenset[str]:
        own = {row.id for row in self.rows}
        return frozenset(need for row in self.rows for need in row.needs) - own

    @property
    def ids(self) -> tuple[str, ...]:
        return tuple(row.id for row in self.rows)


def fewest_moves(
    sour: SourMap,
    proposals: Sequence[Proposal],
    *,
    first_cut: int | None = None,
    first_screen: int = 0,
    of_a_stem: int = 5,
    later: frozenset[str] | None = None,
) -> Backbone:
    """Put rows in the order in which they clear most sour seconds for each edit.

    Parameters
    ----------
    proposals : sequence of Proposal
        Every row that may be made. In any order: ties go to the higher severity, then to the id.
    first_cut : int, optional
        How many rows the editor has time for. The lines within are then exchanged against those
        below while that clears more.
    first_screen, of_a_stem : int
        Among the first so many lines, at most so many of one stem.
    later : frozenset, optional
        The rows are two plans, one of the other's result: none is left out. Where the best order
        has no place for some, those of the later plan (these ids) come last, and where that does
        not help, all are one step.
    """
    lines = _lines(sour, proposals)
    now = as_recorded(sour)
    before_s = sour_now_s(sour, now)
    order = _Order(sour, now, first_screen, of_a_stem)
    left = order.take(lines)
    if later is not None and left:
        order = _Order(sour, as_recorded(sour), first_screen, of_a_stem)
        left = order.take(_lines(sour, [row for row in proposals if row.id not in later]))
        left = order.take([*left, *_lines(sour, [row for row in proposals if row.id in later])])
    if later is not None and left:
        order = _Order(sour, as_recorded(sour), first_screen, of_a_stem)
        left = order.take_whole(lines)
    left_out = [_left_out(sour, order.now, line) for line in left]
    kept = order.placed
    if later is None:
        kept, spoilers = _without_spoilers(sour, order)
        left_out += spoilers
    if first_cut is not None and not left_out:
        kept = _exchanged(sour, kept, first_cut, first_screen, of_a_stem)
    return Backbone(
        before_s=before_s,
        steps=_steps(kept, before_s),
        left_out=tuple(sorted(left_out, key=lambda out: out.id)),
    )


def change_if_made(sour: SourMap, now: Now, rows: Sequence[Proposal]) -> Change:
    """Say what making some rows would do to a state."""
    line = _line(sour, tuple(rows))
    return change_of(sour, now, line.notes, line.add_cents)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    line: _Line
    together: int
    gain_s: tuple[float, ...]  # of each row


class _Order:
    """The lines placed so far, and the state that they make."""

    def __init__(self, sour: SourMap, now: Now, first_screen: int, of_a_stem: int) -> None:
        self.sour, self.now = sour, now
        self.first_screen, self.of_a_stem = first_screen, of_a_stem
        self.placed: list[_Placed] = []
        self.done: set[str] = set()
        self.tried: dict[tuple[str, ...], tuple[_Line, Change]] = {}
        self.steps = 0

    def take(self, lines: Sequence[_Line]) -> list[_Line]:
        """Place all lines that can be placed without adding sour time; give back the others."""
        waiting = sorted(lines, key=lambda line: (-line.severity, line.ids))
        while waiting:
            best = self._best(waiting)
            if best is not None and min(self._row_gains(best)) < -_LEAST_S:
                # One of its rows would add sour time: each by itself, then.
                waiting = [line for line in waiting if line is not best]
                waiting += [_line(self.sour, (row,)) for row in best.rows]
                waiting.sort(key=lambda line: (-line.severity, line.ids))
                continue
            if best is not None:
                self._place([best])
                waiting = [line for line in waiting if line is not best]
                continue
            if any(len(line.rows) > 1 for line in waiting):
                # Together they would add sour time: perhaps not each by itself.
                waiting = [_line(self.sour, (r,)) for line in waiting for r in line.rows]
                waiting.sort(key=lambda line: (-line.severity, line.ids))
                continue
            group = self._pair(waiting) or self._all_but_spoilers(waiting)
            if not group:
                break
            self._place(group)
            waiting = [line for line in waiting if not any(line is one for one in group)]
        return waiting

    def take_whole(self, lines: Sequence[_Line]) -> list[_Line]:
        """Place all lines as one step; give them back where that would add sour time."""
        if self._joined(lines).gain_s < -_LEAST_S:
            return list(lines)
        needed = {need for line in lines for need in line.needs}
        self._place(sorted(lines, key=lambda line: not needed & set(line.ids)))
        return []

    def _change(self, line: _Line) -> Change:
        if line.ids not in self.tried:
            change = change_of(self.sour, self.now, line.notes, line.add_cents)
            self.tried[line.ids] = (line, change)
        return self.tried[line.ids][1]

    def _best(self, waiting: list[_Line]) -> _Line | None:
        ready = [line for line in waiting if line.needs <= self.done]
        if len(self.placed) < self.first_screen:
            of_stem: dict[str, int] = {}
            for one in self.placed:
                stem = one.line.rows[0].stem
                of_stem[stem] = of_stem.get(stem, 0) + 1
            few = [k for k in ready if of_stem.get(k.rows[0].stem, 0) < self.of_a_stem]
            return self._best_of(few) or self._best_of(ready)
        return self._best_of(ready)

    def _best_of(self, ready: list[_Line]) -> _Line | None:
        best, best_worth = None, -np.inf
        for line in ready:  # the first of equals wins: by severity, then by id
            change = self._change(line)
            if change.gain_s < -_LEAST_S:
                continue
            worth = (change.gain_s + _SHARED_WORTH * change.shared_s) / len(line.rows)
            if round(worth - best_worth, 3) > 0 if best else True:
                best, best_worth = line, worth
        return best

    def _joined(self, lines: Sequence[_Line]) -> Change:
        rows = tuple(row for line in lines for row in line.rows)
        return change_if_made(self.sour, self.now, rows)

    def _pair(self, waiting: list[_Line]) -> list[_Line]:
        """Two lines that only together add no sour time, and clear most."""
        best: list[_Line] = []
        best_gain = -_LEAST_S
        for k, one in enumerate(waiting):
            for other in waiting[k + 1 :]:
                open_needs = (one.needs | other.needs) - self.done - {*one.ids, *other.ids}
                if open_needs or not np.isin(one.pieces, other.pieces).any():
                    continue
                gain = self._joined([one, other]).gain_s
                if gain > best_gain if best else gain >= best_gain:
                    best, best_gain = [one, other], gain
        # What is needed goes first.
        return best[::-1] if best and best[0].needs & set(best[1].ids) else best

    def _all_but_spoilers(self, waiting: list[_Line]) -> list[_Line]:
        """As many lines as together add no sour time: what adds most goes first."""
        group = list(waiting)
        while group:
            if len(group) > 1 and self._joined(group).gain_s >= -_LEAST_S:
                # What is needed by others goes first.
                needed = {need for line in group for need in line.needs}
                return sorted(group, key=lambda line: not needed & set(line.ids))
            without = [_without(group, line) for line in group]
            gains = [self._joined(rest).gain_s if rest else -np.inf for rest in without]
            group = without[int(np.argmax(np.round(gains, 3)))]
        return []

    def _place(self, group: list[_Line]) -> None:
        self.steps += 1
        joined = self._joined(group).gain_s if len(group) > 1 else 0.0
        for line in group:
            gains = self._row_gains(line)
            if len(group) > 1:
                # They are one step: nothing is gained before the last of them is made.
                gains = (*(0.0 for _ in gains[1:]), joined if line is group[-1] else 0.0)
            apply(self.sour, self.now, self._change(line))
            self.placed.append(_Placed(line=line, together=self.steps, gain_s=gains))
            self.done |= set(line.ids)
            # Only what sounds at the same time can have changed its worth.
            touched = np.zeros(len(self.sour.piece_s), dtype=bool)
            touched[line.pieces] = True
            self.tried = {
                ids: tried
                for ids, tried in self.tried.items()
                if ids != line.ids and not touched[tried[0].pieces].any()
            }

    def _row_gains(self, line: _Line) -> tuple[float, ...]:
        """What each row of a line clears, one after the other."""
        if len(line.rows) == 1:
            return (self._change(line).gain_s,)
        gains, made = [], 0.0
        for k in range(len(line.rows)):
            so_far = change_if_made(self.sour, self.now, line.rows[: k + 1]).gain_s
            gains.append(round(so_far - made, 4))
            made = so_far
        return tuple(gains)


def _line(sour: SourMap, rows: tuple[Proposal, ...]) -> _Line:
    cents_of: dict[int, float] = {}
    for row in rows:
        for note_id, add in row.notes:
            k = sour.index.get(note_id)
            if k is not None:
                cents_of[k] = cents_of.get(k, 0.0) + add
    notes = np.array(sorted(cents_of), dtype=np.int64)
    return _Line(
        rows=rows,
        notes=notes,
        add_cents=np.array([cents_of[int(k)] for k in notes]),
        pieces=_pieces(sour, notes),
        severity=max(row.severity for row in rows),
    )


def _pieces(sour: SourMap, notes: Ints) -> Ints:
    spans = [np.arange(sour.note_first[k], sour.note_end[k]) for k in notes]
    return np.unique(np.concatenate(spans)) if spans else np.zeros(0, dtype=np.int64)


def _lines(sour: SourMap, proposals: Sequence[Proposal]) -> list[_Line]:
    faults: dict[tuple[object, ...], list[Proposal]] = {}
    for row in sorted(proposals, key=lambda p: (-p.severity, p.id)):
        faults.setdefault(row.fault or (row.id,), []).append(row)
    return [_line(sour, tuple(rows)) for rows in faults.values()]


def _without(group: list[_Line], gone: _Line) -> list[_Line]:
    """Some lines less one, and less what cannot be made without it."""
    return [one for one in group if one is not gone and not one.needs & set(gone.ids)]


def _left_out(sour: SourMap, now: Now, line: _Line) -> LeftOut:
    change = change_of(sour, now, line.notes, line.add_cents)
    return LeftOut(
        id=line.ids[0],
        adds_s=round(-change.gain_s, 1),
        against=soured_with(sour, now, change),
    )


def _without_spoilers(sour: SourMap, order: _Order) -> tuple[list[_Placed], list[LeftOut]]:
    """Take out rows without which the finished session would be less sour."""
    needed = {need for one in order.placed for need in one.line.needs}
    left_out = []
    for one in order.placed[::-1]:
        for row in one.line.rows:
            if row.id in needed:
                continue
            line = _line(sour, (row,))
            back = change_of(sour, order.now, line.notes, -line.add_cents)
            if back.gain_s > _LEAST_S:
                against = _beating_now(sour, order.now, line)
                apply(sour, order.now, back)
                left_out.append(LeftOut(id=row.id, adds_s=back.gain_s, against=against))
    gone = {out.id for out in left_out}
    kept = []
    for one in order.placed:
        rows = tuple(row for row in one.line.rows if row.id not in gone)
        if rows:
            kept.append(replace(one, line=_line(sour, rows)))
    return kept, left_out


def _beating_now(sour: SourMap, now: Now, line: _Line) -> str:
    lasts: dict[str, float] = {}
    for note in line.notes:
        for k in sour.meetings_of[note]:
            if now.sore[k]:
                other = sour.met.high[k] if sour.met.low[k] == note else sour.met.low[k]
                name = sour.met.notes[int(other)].id
                lasts[name] = lasts.get(name, 0.0) + float(sour.met.overlap_s[k])
    return min(lasts, key=lambda name: (-round(lasts[name], 4), name)) if lasts else ""


def _exchanged(
    sour: SourMap, placed: list[_Placed], first_cut: int, first_screen: int, of_a_stem: int
) -> list[_Placed]:
    """Exchange lines above the cut against lines below while that leaves fewer sour seconds."""
    above, rows = 0, 0
    for one in placed:
        if rows + len(one.line.rows) > first_cut:
            break
        above, rows = above + 1, rows + len(one.line.rows)
    lines = [one.line for one in placed]
    inside, outside = lines[:above], lines[above:]
    now = as_recorded(sour)
    for line in inside:
        apply(sour, now, change_of(sour, now, line.notes, line.add_cents))
    swapped = False
    for _ in range(_MOST_SWAPS):
        best = _best_swap(sour, now, inside, outside)
        if best is None:
            break
        gone, come = best
        apply(sour, now, change_of(sour, now, gone.notes, -gone.add_cents))
        apply(sour, now, change_of(sour, now, come.notes, come.add_cents))
        inside = [come if line is gone else line for line in inside]
        outside = [gone if line is come else line for line in outside]
        swapped = True
    if not swapped:
        return placed
    order = _Order(sour, as_recorded(sour), first_screen, of_a_stem)
    # What cannot be placed in this order without adding sour time on the way: keep the first one.
    if order.take(inside) or order.take(outside):
        return placed
    return order.placed


def _best_swap(
    sour: SourMap, now: Now, inside: list[_Line], outside: list[_Line]
) -> tuple[_Line, _Line] | None:
    done = {row_id for line in inside for row_id in line.ids}
    needed = {need for line in inside for need in line.needs}
    best, best_gain = None, _LEAST_S
    for gone in inside:
        if needed & set(gone.ids):
            continue
        back = change_of(sour, now, gone.notes, -gone.add_cents)
        again = Now(
            moved_cents=now.moved_cents.copy(),
            heard_hz=now.heard_hz.copy(),
            sore=now.sore.copy(),
            over=now.over.copy(),
            count=now.count.copy(),
        )
        apply(sour, again, back)
        for come in outside:
            if len(come.rows) > len(gone.rows) or not come.needs <= done - set(gone.ids):
                continue
            gain = change_of(sour, again, come.notes, come.add_cents).gain_s + back.gain_s
            if gain > best_gain:
                best, best_gain = (gone, come), gain
    return best


def _steps(placed: Sequence[_Placed], before_s: float) -> tuple[Step, ...]:
    steps, left_s = [], before_s
    for one in placed:
        # Less than the rounding of times is no sour time: it must not tip a printed tenth.
        gains_s = tuple(max(gain, 0.0) for gain in one.gain_s)
        left_s = round(left_s - sum(gains_s), 4)
        steps.append(
            Step(
                ids=one.line.ids,
                together=one.together,
                clears_s=gains_s,
                left_s=left_s,
            )
        )
    return tuple(steps)
