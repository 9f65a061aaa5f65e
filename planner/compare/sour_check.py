"""Sour seconds three times: as recorded, as planned, and as the bounces really sound.

All three are counted over the notes of the plan, so that they differ by the moves alone: what a
note really moved by is the bounce's pitch against the original's.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.clashes import LEAST_OVERLAP_S, SoundingNote
from planner.clear.decided import SOUR_FROM_S
from planner.clear.sour_time import Now, SourMap, as_recorded, sour_map, sour_now_s, with_added
from planner.compare.note_pairs import Pair, Reading
from planner.model import Role
from planner.pitch import cents
from planner.plan.parts import loud_of
from planner.words.plan_model import EDIT_ACTIONS, Row

_ANOTHER_NOTE_CENTS = 100.0  # as `never_beyond_cents` of the tolerances
_READ_ALIKE_CENTS = 0.5  # two readings of one sound in two files agree no better


@dataclass(frozen=True, slots=True, kw_only=True)
class FreshSour:
    """A moment that is sour in the bounces and was not as recorded."""

    start_s: float  # on the session's clock
    end_s: float
    notes: tuple[str, ...]  # the two that beat, or the one beyond its tolerance
    planned: bool  # it would be sour too if every row had been done as planned


@dataclass(frozen=True, slots=True, kw_only=True)
class SourCheck:
    """Sour seconds before, as planned, and as measured."""

    recorded_s: float
    planned_s: float
    measured_s: float
    fresh: tuple[FreshSour, ...] = ()
    unread: int = 0  # notes of bounces that were not found again, taken as recorded


def sour_check(
    notes: Sequence[Reading],
    rows: Iterable[Row],
    pairs: Mapping[str, Pair],
    *,
    roles: Mapping[str, Role],
    shifts: Mapping[str, float],
    bounced: frozenset[str],
) -> SourCheck:
    """Count the sour seconds of a plan's notes as recorded, as planned and as measured.

    notes: of all stems, as the plan has them.
    pairs: note id -> the note in both files; those without one stand as recorded.
    roles, shifts: by stem code: role, and s from the file's clock to the session's.
    bounced: codes of the stems that have a bounce.
    """
    sounding, limits = _sounding(notes, roles, shifts)
    sour = sour_map(sounding, limits)
    apart = {k: cents(pair.now.pitch_hz, pair.then.pitch_hz) for k, pair in pairs.items()}
    moved = {k: c for k, c in apart.items() if round(abs(c), 1) > _READ_ALIKE_CENTS}
    before = as_recorded(sour)
    planned = with_added(sour, planned_moves(notes, rows))
    measured = with_added(sour, moved)
    return SourCheck(
        recorded_s=sour_now_s(sour, before),
        planned_s=sour_now_s(sour, planned),
        measured_s=sour_now_s(sour, measured),
        fresh=_fresh(sour, before, planned, measured),
        unread=sum(1 for n in sounding if n.stem in bounced and n.id not in pairs),
    )


def planned_moves(notes: Iterable[Reading], rows: Iterable[Row]) -> dict[str, float]:
    """Say what a plan moves every note's heard pitch by, rules and own edit together, in cents."""
    rows = [r for r in rows if r.action in EDIT_ACTIONS and r.state not in ("refused", "orphan")]
    adds: dict[str, float] = {}
    for row in rows:
        if row.kind == "rule":
            for note_id in row.covers:
                adds[note_id] = adds.get(note_id, 0.0) + (row.add_cents or 0.0)
    heard = {n.id: n.heard_cents for n in notes}
    for row in rows:
        off = heard.get(row.id)
        if row.kind == "note" and row.remaining_cents is not None and off is not None:
            adds[row.id] = row.remaining_cents - off
    return adds


def _sounding(
    notes: Sequence[Reading], roles: Mapping[str, Role], shifts: Mapping[str, float]
) -> tuple[tuple[SoundingNote, ...], dict[str, float]]:
    loud: dict[str, float] = {}
    for code in {n.stem for n in notes}:
        levels = [n.level_db for n in notes if n.stem == code and n.level_db is not None]
        loud[code] = loud_of(levels)
    told, limits = [], {}
    for n in notes:
        if roles.get(n.stem, "exclude") == "exclude" or n.target_hz is None:
            continue
        if n.heard_cents is None or abs(n.heard_cents) > _ANOTHER_NOTE_CENTS:
            continue
        shift_s = shifts.get(n.stem, 0.0)
        told.append(
            SoundingNote(
                id=n.id, stem=n.stem, role=roles[n.stem], midi=n.intended_midi,
                start_s=n.start_s + shift_s, end_s=n.end_s + shift_s, heard_hz=n.pitch_hz,
                target_hz=n.target_hz,
                level_db=-np.inf if n.level_db is None else n.level_db - loud[n.stem],
                uncertainty_cents=n.uncertainty_cents or n.onset_uncertainty_cents or 0.0,
                vibrato_half_cents=n.vibrato_half_cents or 0.0,
                upper_db=np.inf if n.upper_partials_db is None else n.upper_partials_db,
            )
        )  # fmt: skip
        if n.tolerance_cents is not None and n.end_s - n.start_s >= SOUR_FROM_S:
            limits[n.id] = n.tolerance_cents
    return tuple(told), limits


def _fresh(sour: SourMap, before: Now, planned: Now, measured: Now) -> tuple[FreshSour, ...]:
    """Find moments that are sour in the bounces and were clean as recorded, the longest first."""
    clean = before.count == 0
    edges = np.concatenate([[0.0], np.cumsum(sour.piece_s)])
    zero_s = min((n.start_s for n in sour.met.notes), default=0.0)
    found = []

    def tell(first: int, end: int, names: tuple[str, ...], as_planned: bool) -> None:
        pieces = np.arange(first, end)[clean[first:end]]
        lasts = float(sour.piece_s[pieces].sum())
        if round(lasts, 4) >= LEAST_OVERLAP_S:
            found.append(
                FreshSour(
                    start_s=zero_s + float(edges[pieces[0]]),
                    end_s=zero_s + float(edges[pieces[-1] + 1]),
                    notes=names,
                    planned=as_planned,
                )
            )

    names = [n.id for n in sour.met.notes]
    for k in np.flatnonzero(measured.sore & ~before.sore):
        low, high = int(sour.met.low[k]), int(sour.met.high[k])
        both = (names[low], names[high])
        tell(int(sour.met_first[k]), int(sour.met_end[k]), both, bool(planned.sore[k]))
    for k in np.flatnonzero(measured.over & ~before.over):
        first, end = int(sour.note_first[k]), int(sour.note_end[k])
        tell(first, end, (names[k],), bool(planned.over[k]))
    found.sort(key=lambda one: (-(one.end_s - one.start_s), one.start_s, one.notes))
    return tuple(found)
