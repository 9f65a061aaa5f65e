"""Which notes inside their tolerance are worth an edit for the beating that goes with them.

A moment with several beatings in it is clear only once all of them are gone, so no note alone
seems to gain anything there. So all that may move is moved, and then taken back: each time the
note that clears least, every moment shared among the notes that it takes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner.clashes import Ints
from planner.sour_time import Now, SourMap, apply, change_of, pieces_turned

# Chosen: an edit that the tolerance does not ask for must clear this much.
WORTH_AN_EDIT_S = 0.25


def worth_clearing(sour: SourMap, now: Now, adds: Mapping[str, float]) -> frozenset[str]:
    """Find the notes whose move clears enough sour time, each of its share.

    Parameters
    ----------
    now : Now
        Where everything else is left; moved along in place to the state with the notes found.
    adds : mapping
        Id of each note that may move -> cents to add.
    """
    # In the order of their ids: of notes that clear as little, the first goes first.
    ids = sorted(note_id for note_id in adds if note_id in sour.index)
    notes = np.array([sour.index[note_id] for note_id in ids], dtype=np.int64)
    add = np.array([adds[note_id] for note_id in ids])
    if not ids:
        return frozenset()
    apply(sour, now, change_of(sour, now, notes, add))
    first, end = sour.note_first[notes], sour.note_end[notes]
    soured = [np.zeros(0, dtype=np.int64)] * len(ids)  # pieces of time that each note takes
    freed_s = np.zeros(len(ids))  # what would be clearer without its move
    takers = np.zeros(len(sour.piece_s), dtype=np.int64)  # how many notes each piece takes
    worth_s = np.zeros(len(ids))  # inf for those taken back

    def look_again(which: Ints) -> None:
        for k in which:
            takers[soured[k]] -= 1
            back = change_of(sour, now, notes[k : k + 1], -add[k : k + 1])
            soured[k], freed = pieces_turned(sour, now, back)
            freed_s[k] = sour.piece_s[freed].sum()
            takers[soured[k]] += 1

    def weigh_again(which: Ints) -> None:
        for k in which:
            shares = sour.piece_s[soured[k]] / takers[soured[k]]
            worth_s[k] = round(float(shares.sum()) - freed_s[k], 4)

    everyone = np.arange(len(ids))
    look_again(everyone)
    weigh_again(everyone)
    while True:
        least = int(np.argmin(worth_s))
        if worth_s[least] >= WORTH_AN_EDIT_S:
            return frozenset(ids[k] for k in np.flatnonzero(np.isfinite(worth_s)))
        back = change_of(sour, now, notes[least : least + 1], -add[least : least + 1])
        apply(sour, now, back)
        takers[soured[least]] -= 1
        soured[least] = np.zeros(0, dtype=np.int64)
        worth_s[least] = np.inf
        here = np.isfinite(worth_s)
        beside = np.flatnonzero(here & (first < end[least]) & (end > first[least]))
        look_again(beside)
        # A moment is shared anew among all who take it.
        low = min(first[beside], default=first[least])
        high = max(end[beside], default=end[least])
        weigh_again(np.flatnonzero(here & (first < high) & (end > low)))
