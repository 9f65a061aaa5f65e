"""Rows as lines of the list: what each row moves, and which rows are made as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.clashes import Ints
from planner.clear.sour_time import SourMap
from planner.model import Floats

LEAST_S = 1e-3  # less is the rounding of times


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One row that a plan could have: what it adds to the notes that it moves."""

    id: str
    notes: tuple[tuple[str, float], ...]  # (note id, cents to add to what is heard)
    severity: float = 0.0
    fault: tuple[object, ...] = ()  # rows with the same fault are one line; empty: a line by itself
    stem: str = ""
    needs: frozenset[str] = frozenset()  # rows that must be made before


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """Rows that are made together, and what they move."""

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


def line_of(sour: SourMap, rows: tuple[Proposal, ...]) -> Line:
    """Make one line of some rows."""
    cents_of: dict[int, float] = {}
    for row in rows:
        for note_id, add in row.notes:
            k = sour.index.get(note_id)
            if k is not None:
                cents_of[k] = cents_of.get(k, 0.0) + add
    notes = np.array(sorted(cents_of), dtype=np.int64)
    return Line(
        rows=rows,
        notes=notes,
        add_cents=np.array([cents_of[int(k)] for k in notes]),
        pieces=_pieces(sour, notes),
        severity=max(row.severity for row in rows),
    )


def _pieces(sour: SourMap, notes: Ints) -> Ints:
    spans = [np.arange(sour.note_first[k], sour.note_end[k]) for k in notes]
    return np.unique(np.concatenate(spans)) if spans else np.zeros(0, dtype=np.int64)


def lines_of(sour: SourMap, proposals: Sequence[Proposal]) -> list[Line]:
    """Make lines of all rows: those with the same fault are one."""
    faults: dict[tuple[object, ...], list[Proposal]] = {}
    for row in sorted(proposals, key=lambda p: (-p.severity, p.id)):
        faults.setdefault(row.fault or (row.id,), []).append(row)
    return [line_of(sour, tuple(rows)) for rows in faults.values()]
