"""Which stems still hold the old pitch of notes that were corrected where they were recorded?

A fix of one file does not reach what leaks from it into the others: there the note goes on sounding
as it was played. The leaks are those that the plan measured, down to -40 dB.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from planner.note_pairs import Pair

_MOVED_CENTS = 3.0  # as of a note that moved unasked


@dataclass(frozen=True, slots=True, kw_only=True)
class Ghost:
    """Corrected notes of one stem that another still holds at their old pitch."""

    stem: str
    held_in: str
    notes: int
    loudest_db: float  # against the notes themselves
    most_cents: float  # the largest move among them, cents added


def ghosts_left(pairs: Iterable[Pair]) -> tuple[Ghost, ...]:
    """Find, for each stem and each it leaks into, how many moved notes are still heard there.

    Returns
    -------
    tuple of Ghost
        The loudest first.
    """
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for pair in pairs:
        read = pair.moved("sustain") or pair.moved("onset")
        if read is None or round(abs(read[0]), 1) < max(_MOVED_CENTS, 2.0 * read[1]):
            continue
        for stem, db in pair.then.heard_in:
            found.setdefault((pair.then.stem, stem), []).append((db, read[0]))
    told = [
        Ghost(
            stem=stem,
            held_in=other,
            notes=len(notes),
            loudest_db=max(db for db, _ in notes),
            most_cents=round(_largest([c for _, c in notes]), 1),
        )
        for (stem, other), notes in found.items()
    ]
    return tuple(sorted(told, key=lambda g: (-g.loudest_db, g.stem, g.held_in)))


def _largest(moves: list[float]) -> float:
    return max(moves, key=abs)
