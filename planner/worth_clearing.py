"""Which notes inside their tolerance are worth an edit for the beating that goes with them.

All that may move is moved, and then taken back: each time the note that clears least
(`planner.taking_back`).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner.sour_time import Now, SourMap
from planner.taking_back import Made, last_to_go

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
    moves = [
        Made(
            notes=np.array([sour.index[note_id]], dtype=np.int64),
            add_cents=np.array([adds[note_id]]),
        )
        for note_id in ids
    ]
    stay = last_to_go(sour, now, moves, lambda worth_s, _: worth_s >= WORTH_AN_EDIT_S)
    return frozenset(ids[k] for k in stay)
