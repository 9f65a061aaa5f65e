"""How much sour time a session holds, and how much more or less of it a move would make."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from planner.clashes import (
    Bools,
    Ints,
    Meetings,
    SoundingNote,
    can_be_sore,
    find_meetings,
    nobodys,
    sounds_sour,
)
from planner.model import Floats
from planner.pitch import cents


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourMap:
    """Everything that can be sour: meetings of notes, and held notes; on pieces of time.

    A piece of time lies between two neighbouring starts or ends of notes, so whatever is sour
    covers whole pieces.
    """

    met: Meetings
    index: dict[str, int]  # note id -> index in ``met.notes``
    heard_hz: Floats  # (n,) as recorded
    error_cents: Floats  # (n,) against the target, as recorded
    limit_cents: Floats  # (n,) beyond this a held note is sour; inf where it never is
    piece_s: Floats  # (e,) lengths
    note_first: Ints  # (n,) first piece of each note
    note_end: Ints  # (n,) first piece after it
    met_first: Ints  # (m,)
    met_end: Ints
    meetings_of: tuple[Ints, ...]  # (n,) in which meetings each note can be sour, ascending
    beside: tuple[Ints, ...]  # (n,) each note and those it meets there
    # What one note's move would do, by all that this rests on. A search asks the same many times.
    known: dict[tuple[int, float, float, bytes, bytes], Change] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True, eq=False)
class Now:
    """Where the notes stand while moves are tried one after the other."""

    moved_cents: Floats  # (n,)
    heard_hz: Floats  # (n,)
    sore: Bools  # (m,)
    over: Bools  # (n,)
    count: Ints  # (e,) how many sour things lie over each piece of time


class Moving(Protocol):
    """Anything that moves some notes by some cents."""

    @property
    def notes(self) -> Ints: ...  # indices in a sour map, each once

    @property
    def add_cents(self) -> Floats: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """What some notes' move would do."""

    gain_s: float  # sour seconds less; every moment counts once
    shared_s: float  # less, every clash and every held note counted by itself
    notes: Ints
    add_cents: Floats
    meetings: Ints
    sore: Bools
    over: Bools


def sour_map(notes: Iterable[SoundingNote], limit_cents: Mapping[str, float]) -> SourMap:
    """Lay out all that can be sour among some notes as they were recorded.

    limit_cents: as of `limits_of`.
    """
    met = find_meetings(notes)
    n = len(met.notes)
    start_s = np.array([note.start_s for note in met.notes])
    end_s = np.array([note.end_s for note in met.notes])
    edges_s = np.unique(np.round(np.concatenate([start_s, end_s]), 6))
    note_first = np.searchsorted(edges_s, np.round(start_s, 6))
    note_end = np.searchsorted(edges_s, np.round(end_s, 6))
    met_first = np.maximum(note_first[met.low], note_first[met.high])
    met_end = np.minimum(note_end[met.low], note_end[met.high])
    # What is too faint is never sour, wherever the notes are moved; and what no move reaches is
    # told by itself, or it would lie over all that moves can clear.
    kept = np.flatnonzero(can_be_sore(met) & ~nobodys(met))
    both = np.concatenate([met.low[kept], met.high[kept]])
    order = np.argsort(both, kind="stable")
    bounds = np.searchsorted(both[order], np.arange(n + 1))
    which = np.tile(kept, 2)[order]
    heard = np.array([note.heard_hz for note in met.notes])
    meetings_of = tuple(np.sort(which[bounds[k] : bounds[k + 1]]) for k in range(n))
    return SourMap(
        met=met,
        index={note.id: k for k, note in enumerate(met.notes)},
        heard_hz=heard,
        error_cents=np.array([cents(note.heard_hz, note.target_hz) for note in met.notes]),
        limit_cents=limits_of(met, limit_cents),
        piece_s=np.round(np.diff(edges_s), 6),
        note_first=note_first,
        note_end=note_end,
        met_first=met_first,
        met_end=met_end,
        meetings_of=meetings_of,
        beside=tuple(
            np.unique(np.concatenate([[k], met.low[own], met.high[own]]))
            for k, own in enumerate(meetings_of)
        ),
    )


def limits_of(met: Meetings, limit_cents: Mapping[str, float]) -> Floats:
    """Give the limits of a sour map: beyond them a note is sour by itself; inf where it never is.

    limit_cents : mapping
        Note id -> tolerance, of the notes that are held long enough to be sour by themselves.
    """
    return np.array([limit_cents.get(note.id, np.inf) for note in met.notes])


def as_recorded(sour: SourMap) -> Now:
    """Give the state before any move."""
    n = len(sour.met.notes)
    now = Now(
        moved_cents=np.zeros(n),
        heard_hz=sour.heard_hz.copy(),
        sore=np.zeros(len(sour.met.low), dtype=bool),
        over=np.zeros(n, dtype=bool),
        count=np.zeros(len(sour.piece_s), dtype=np.int64),
    )
    if n:
        everyone = np.arange(n)
        apply(sour, now, change_of(sour, now, everyone, np.zeros(n)))
    return now


def with_made(sour: SourMap, moves: Iterable[Moving]) -> Now:
    """Give the state with some moves made, one after the other."""
    now = as_recorded(sour)
    for move in moves:
        apply(sour, now, change_of(sour, now, move.notes, move.add_cents))
    return now


def with_added(sour: SourMap, adds: Mapping[str, float]) -> Now:
    """Give the state with cents added to some notes, by id; who meets nobody is passed over."""
    now = as_recorded(sour)
    there = {sour.index[k]: add for k, add in adds.items() if k in sour.index}
    notes = np.array(sorted(there), dtype=np.int64)
    apply(sour, now, change_of(sour, now, notes, np.array([there[int(k)] for k in notes])))
    return now


def sour_now_s(sour: SourMap, now: Now) -> float:
    """Add up the sour seconds of a state; moments with several at once count once."""
    return round(float(sour.piece_s[now.count > 0].sum()), 4)


def change_of(sour: SourMap, now: Now, notes: Ints, add_cents: Floats) -> Change:
    """Say what moving some notes by some cents would do, beyond where they stand now.

    notes : (k,) indices, each once
    add_cents : array (k,)
    """
    if len(notes) != 1:
        return _change_of(sour, now, notes, add_cents)
    k = int(notes[0])
    asked = (
        k,
        float(add_cents[0]),
        float(sour.limit_cents[k]),
        now.moved_cents[sour.beside[k]].tobytes(),
        now.count[sour.note_first[k] : sour.note_end[k]].tobytes(),
    )
    change = sour.known.get(asked)
    if change is None:
        change = sour.known[asked] = _change_of(sour, now, notes, add_cents)
    return change


def _change_of(sour: SourMap, now: Now, notes: Ints, add_cents: Floats) -> Change:
    which, sore, over = _sounding(sour, now, notes, add_cents)
    first, end, more = _turns(sour, now, notes, which, sore, over)
    gain_s = shared_s = 0.0
    if len(first):
        a, b = int(first.min()), int(end.max())
        added = _over_pieces(first - a, end - a, more, b - a)
        count, piece_s = now.count[a:b], sour.piece_s[a:b]
        gain_s = float(((count > 0).astype(float) - (count + added > 0)) @ piece_s)
        shared_s = -float(added @ piece_s)
    return Change(
        gain_s=round(gain_s, 4), shared_s=round(shared_s, 4), notes=notes, add_cents=add_cents,
        meetings=which, sore=sore, over=over,
    )  # fmt: skip


def turned_by(sour: SourMap, now: Now, notes: Ints, add_cents: Floats) -> Change:
    """Say what a move would turn sour or clean, as `change_of`, without weighing it in seconds."""
    which, sore, over = _sounding(sour, now, notes, add_cents)
    return Change(
        gain_s=0.0, shared_s=0.0, notes=notes, add_cents=add_cents, meetings=which, sore=sore,
        over=over,
    )  # fmt: skip


def _sounding(sour: SourMap, now: Now, notes: Ints, add_cents: Floats) -> tuple[Ints, Bools, Bools]:
    """The meetings of some notes, which of them would be sour, and which notes by themselves."""
    if len(notes) == 1:
        which = sour.meetings_of[notes[0]]
    else:
        own = [sour.meetings_of[k] for k in notes]
        which = np.unique(np.concatenate(own)) if own else np.zeros(0, dtype=np.int64)
    kept = now.moved_cents[notes]
    heard = now.heard_hz[notes]
    now.heard_hz[notes] = sour.heard_hz[notes] * 2.0 ** ((kept + add_cents) / 1200.0)
    sore = sounds_sour(sour.met, now.heard_hz, which)
    now.heard_hz[notes] = heard  # put back: a copy of all pitches a try would be the slowest step
    error = np.round(np.abs(sour.error_cents[notes] + kept + add_cents), 1)
    return which, sore, error > sour.limit_cents[notes]


def apply(sour: SourMap, now: Now, change: Change) -> None:
    """Carry a change out on a state, in place."""
    notes, which = change.notes, change.meetings
    now.moved_cents[notes] += change.add_cents
    now.heard_hz[notes] = sour.heard_hz[notes] * 2.0 ** (now.moved_cents[notes] / 1200.0)
    first, end, more = _turns(sour, now, notes, which, change.sore, change.over)
    now.count += _over_pieces(first, end, more, len(now.count))
    now.sore[which] = change.sore
    now.over[notes] = change.over


def pieces_turned(sour: SourMap, now: Now, change: Change) -> tuple[Ints, Ints]:
    """Say which pieces of time a change would make sour, and which it would clear (indices)."""
    notes, which = change.notes, change.meetings
    first, end, more = _turns(sour, now, notes, which, change.sore, change.over)
    if not len(first):
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing
    a, b = int(first.min()), int(end.max())
    before = now.count[a:b]
    after = before + _over_pieces(first - a, end - a, more, b - a)
    soured, freed = (before == 0) & (after > 0), (before > 0) & (after == 0)
    return a + np.flatnonzero(soured), a + np.flatnonzero(freed)


def soured_with(sour: SourMap, now: Now, change: Change) -> str:
    """Name the note that a change would put most beating against: its id, or nothing."""
    fresh = change.meetings[change.sore & ~now.sore[change.meetings]]
    return _longest_with(sour, fresh, change.notes)


def soured_by(sour: SourMap, now: Now, change: Change) -> frozenset[str]:
    """Name the moved notes that a change would put beating, or beyond their tolerance (ids)."""
    fresh = change.meetings[change.sore & ~now.sore[change.meetings]]
    met = np.concatenate([sour.met.low[fresh], sour.met.high[fresh]])
    over = change.notes[change.over & ~now.over[change.notes]]
    found = np.concatenate([np.intersect1d(met, change.notes), over])
    return frozenset(sour.met.notes[k].id for k in found)


def beats_with(sour: SourMap, now: Now, notes: Ints) -> str:
    """Name the note that some notes beat with longest as they stand: its id, or nothing."""
    met = np.concatenate([np.zeros(0, dtype=np.int64), *(sour.meetings_of[k] for k in notes)])
    return _longest_with(sour, met[now.sore[met]], notes)


def _longest_with(sour: SourMap, meetings: Ints, notes: Ints) -> str:
    """Of some meetings of some notes, the id of the other note that lasts longest in all."""
    moving = set(notes.tolist())
    lasts: dict[str, float] = {}
    for k in meetings:
        low, high = int(sour.met.low[k]), int(sour.met.high[k])
        other = high if low in moving else low
        name = sour.met.notes[other].id
        lasts[name] = lasts.get(name, 0.0) + float(sour.met.overlap_s[k])
    return min(lasts, key=lambda name: (-round(lasts[name], 4), name)) if lasts else ""


def _turns(
    sour: SourMap, now: Now, notes: Ints, which: Ints, sore: Bools, over: Bools
) -> tuple[Ints, Ints, Ints]:
    """First and end piece of everything that turns sour (1) or clean (-1)."""
    met = np.flatnonzero(sore != now.sore[which])
    held = np.flatnonzero(over != now.over[notes])
    first, end = sour.met_first[which[met]], sour.met_end[which[met]]
    more = np.where(sore[met], 1, -1)
    if len(held):
        first = np.concatenate([first, sour.note_first[notes[held]]])
        end = np.concatenate([end, sour.note_end[notes[held]]])
        more = np.concatenate([more, np.where(over[held], 1, -1)])
    return first, end, more


def _over_pieces(first: Ints, end: Ints, more: Ints, pieces: int) -> Ints:
    steps = np.zeros(pieces + 1, dtype=np.int64)
    np.add.at(steps, first, more)
    np.subtract.at(steps, end, more)
    return np.asarray(np.cumsum(steps)[:-1])
