"""Rows as lines of the list: what each row moves, and which rows are made as one."""

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
    ids: tuple[str, ...]
    needs: frozenset[str]  # rows that must be made before
    notes: Ints
    add_cents: Floats
    pieces: frozenset[int]  # pieces of time that its notes sound in
    severity: float


def line_of(sour: SourMap, rows: tuple[Proposal, ...]) -> Line:
    """Make one line of some rows."""
    notes, add_cents = moved_by(sour, rows)
    ids = tuple(row.id for row in rows)
    return Line(
        rows=rows,
        ids=ids,
        needs=frozenset(need for row in rows for need in row.needs).difference(ids),
        notes=notes,
        add_cents=add_cents,
        pieces=frozenset(
            piece for k in notes for piece in range(sour.note_first[k], sour.note_end[k])
        ),
        severity=max(row.severity for row in rows),
    )


def moved_by(sour: SourMap, rows: Sequence[Proposal]) -> tuple[Ints, Floats]:
    """Say which notes some rows move together, as indices, and by how many cents each."""
    cents_of: dict[int, float] = {}
    for row in rows:
        for note_id, add in row.notes:
            k = sour.index.get(note_id)
            if k is not None:
                cents_of[k] = cents_of.get(k, 0.0) + add
    notes = np.array(sorted(cents_of), dtype=np.int64)
    return notes, np.array([cents_of[int(k)] for k in notes])


def lines_of(sour: SourMap, proposals: Sequence[Proposal]) -> list[Line]:
    """Make lines of all rows: those with the same fault are one."""
    faults: dict[tuple[object, ...], list[Proposal]] = {}
    for row in sorted(proposals, key=lambda p: (-p.severity, p.id)):
        faults.setdefault(row.fault or (row.id,), []).append(row)
    return [line_of(sour, tuple(rows)) for rows in faults.values()]
