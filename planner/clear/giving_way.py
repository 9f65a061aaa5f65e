"""Where within what edits leave in anyway a note beats with nobody: on which side, how many cents.

Two notes that are each right to a cent or two may beat, one sharp and one flat, or with a key that
is a little off. Neither gains by its own target. But an edit leaves some cents in anyhow, so where
those lie is free: one of the two gives way to the other, and stays as near to its target as any
mended note.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.clear.sour_time import Change, Now, SourMap, apply, change_of
from planner.model import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Leeway:
    """How far one note may give way."""

    rest_cents: float  # its error as everything is decided so far
    most_left_cents: float  # of error, on either side of its target
    least_move_cents: float  # a smaller move is none
    least_gain_s: float  # that the move must clear


def giving_way(sour: SourMap, now: Now, leeways: Mapping[str, Leeway]) -> dict[str, float]:
    """Find the notes that clear sour time by where near their target they stand.

    The one that clears most goes first; of places that clear alike, the one nearest to the target
    is taken, then the one that moves the note least.

    now : where everything is left so far; moved along in place to the state with the notes found
    leeways : note id -> how far it may give way

    Returns note id -> error to leave, in cents, plus is sharp.
    """
    found: dict[str, float] = {}
    rest = {k: one.rest_cents for k, one in leeways.items() if k in sour.index}
    best: dict[str, tuple[Change, float] | None] = {}
    while True:
        for note_id in sorted(rest.keys() - best.keys()):
            best[note_id] = _best_place(sour, now, note_id, rest[note_id], leeways[note_id])
        tries = [(place[0].gain_s, note_id) for note_id, place in best.items() if place]
        if not tries:
            return found
        _, note_id = max(tries, key=lambda one: (one[0], one[1]))
        place = best[note_id]
        assert place is not None
        change, left = place
        apply(sour, now, change)
        found[note_id] = left
        del rest[note_id], best[note_id]  # each gives way once, so this ends
        k = sour.index[note_id]
        first, end = sour.note_first[k], sour.note_end[k]
        for other in list(best):
            j = sour.index[other]
            if sour.note_first[j] < end and sour.note_end[j] > first:
                del best[other]  # what it clears may be another now


def _best_place(
    sour: SourMap, now: Now, note_id: str, rest_cents: float, leeway: Leeway
) -> tuple[Change, float] | None:
    k = sour.index[note_id]
    if not now.sore[sour.meetings_of[k]].any():
        return None
    one = np.array([k], dtype=np.int64)
    best: tuple[tuple[float, float, float], Change, float] | None = None
    for add in _moves(rest_cents, leeway):
        change = change_of(sour, now, one, np.array([add]))
        if change.gain_s < leeway.least_gain_s:
            continue
        left = round(rest_cents + float(add), 1)
        rank = (change.gain_s, -abs(left), -abs(float(add)))
        if best is None or rank > best[0]:
            best = (rank, change, left)
    return None if best is None else best[1:]


def _moves(rest_cents: float, leeway: Leeway) -> Floats:
    """Whole cents that leave the note near enough to its target and are no trifle."""
    reach = int(abs(rest_cents) + leeway.most_left_cents) + 1
    adds = np.arange(-reach, reach + 1, dtype=float)
    near = np.abs(np.round(rest_cents + adds, 1)) <= leeway.most_left_cents
    kept: Floats = adds[near & (np.abs(adds) > leeway.least_move_cents)]
    return kept
