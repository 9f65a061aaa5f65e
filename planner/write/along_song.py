"""Where does each part sit along the song, beside all the others?

What moves in all parts alike is the song's: a machine, or the whole band. What moves in one alone
is that part's own.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np

from planner.plan.parts import clock_shifts
from planner.timeline import TempoMap
from planner.words.plan_model import Judged, Plan
from planner.words.spread import doubt_of_middle, spread_of
from planner.write.tally import tells_tuning

STRETCHES = 8  # chosen: what a table and a phone have room for
NOTES_MIN = 3  # of a whole part, chosen: fewer have no scatter to speak of
THE_SONG = "the song"  # no stem's code: codes have no spaces


@dataclass(frozen=True, slots=True, kw_only=True)
class Sits:
    """The middle of a part's notes in one stretch, in cents off their targets."""

    cents: float  # as recorded
    uncertainty_cents: float
    left_cents: float  # once the plan is made


@dataclass(frozen=True, slots=True, kw_only=True)
class PartAlong:
    """One part in every stretch; None where it rests."""

    stem: str
    at: tuple[Sits | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlongSong:
    """All parts along the same stretches."""

    unit: str  # "bars", or "s" without a tempo map
    stretches: tuple[tuple[int, int], ...]  # first and last bar, or s from and to
    parts: tuple[PartAlong, ...]  # in the session's order; the song first, where it moves


def along_song(plan: Plan, tempo_map: TempoMap | None = None) -> AlongSong | None:
    """Lay all parts along eight stretches of the song; None where none has enough notes.

    Stretches are whole bars, or seconds without a tempo map, on the session's clock.
    """
    shifts = clock_shifts(plan.session, dict(plan.facts))
    starts_s: dict[str, float] = {}
    heard: defaultdict[str, list[Judged]] = defaultdict(list)
    for judged in plan.judged:
        if tells_tuning(judged):
            note = judged.measured.note
            starts_s[judged.measured.id] = note.start_s + shifts.get(note.stem, 0.0)
            heard[note.stem].append(judged)
    if not starts_s:
        return None
    counts = {i: _count(at_s, tempo_map) for i, at_s in starts_s.items()}
    first, last = min(counts.values()), max(counts.values())
    each = -(-(last - first + 1) // STRETCHES)
    begins = range(first, last + 1, each)
    stretches = tuple((b, min(b + each - 1, last) if tempo_map else b + each) for b in begins)
    parts = []
    for code in (stem.code for stem in plan.stems if len(heard[stem.code]) >= NOTES_MIN):
        scatter = spread_of(_errors(heard[code]))
        inside = ([j for j in heard[code] if b <= counts[j.measured.id] < b + each] for b in begins)
        parts.append(PartAlong(stem=code, at=tuple(_sits(notes, scatter) for notes in inside)))
    if not parts:
        return None
    song = _song(plan, stretches, counts, starts_s)
    unit = "bars" if tempo_map else "s"
    return AlongSong(unit=unit, stretches=stretches, parts=(*song, *parts))


def _count(at_s: float, tempo_map: TempoMap | None) -> int:
    """The bar a note is played in, or the second it begins in."""
    return int(at_s // 1) if tempo_map is None else tempo_map.played_at(at_s)[0]


def _errors(notes: Sequence[Judged]) -> list[float]:
    return [j.heard_cents for j in notes if j.heard_cents is not None]


def _sits(notes: Sequence[Judged], scatter: float) -> Sits | None:
    if not notes:
        return None
    return Sits(
        cents=median(_errors(notes)),
        # By the scatter of the whole part: two or three notes that agree may do so by chance.
        uncertainty_cents=doubt_of_middle(scatter, len(notes)),
        left_cents=median([j.left_cents for j in notes if j.left_cents is not None]),
    )


def _song(
    plan: Plan,
    stretches: Sequence[tuple[int, int]],
    counts: Mapping[str, int],
    starts_s: Mapping[str, float],
) -> tuple[PartAlong, ...]:
    """What all parts share: where the song stands at the notes of each stretch."""
    if not plan.movement:
        return ()
    knees_s, cents = zip(*plan.movement, strict=True)
    at: list[Sits | None] = []
    for (first, _), (after, _) in pairwise((*stretches, (max(counts.values()) + 1, 0))):
        inside = [at_s for i, at_s in starts_s.items() if first <= counts[i] < after]
        stands = float(np.median(np.interp(inside, knees_s, cents))) if inside else None
        at.append(
            None if stands is None else Sits(cents=stands, uncertainty_cents=0, left_cents=stands)
        )
    return (PartAlong(stem=THE_SONG, at=tuple(at)),)
