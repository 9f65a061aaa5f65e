"""Which notes inside their tolerance are worth an edit for the beating that goes with them.

An edit has a price, the sour seconds that it must clear, and of all choices the one is made that
clears most beyond its price (`planner.priced`). Where too many notes sound at once for that, all
are moved and taken back, each time the note that clears least (`planner.taking_back`).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner.priced import worth_their_price
from planner.sour_time import Now, SourMap, apply, change_of
from planner.taking_back import Made, last_to_go

# Chosen: an edit that the tolerance does not ask for must clear this much.
WORTH_AN_EDIT_S = 0.25
# Where a session says how many notes may be touched, that is the limit, and not what each clears:
# then only what clears nothing that lasts is left. Chosen: of 0.12, 0.06 and 0.02 none is better.
WORTH_A_TOUCH_S = 0.02
_LESS_S = 1e-6  # what clears just so much is worth it


def worth_clearing(
    sour: SourMap, now: Now, adds: Mapping[str, float], worth_s: float = WORTH_AN_EDIT_S
) -> frozenset[str]:
    """Find the notes whose move clears enough sour time, each of its share.

    Parameters
    ----------
    now : Now
        Where everything else is left; moved along in place to the state with the notes found.
    adds : mapping
        Id of each note that may move -> cents to add.
    worth_s : float
        Sour seconds that an edit must clear.
    """
    # In the order of their ids: of notes that clear as little, the first goes first.
    ids = sorted(k for k in adds if k in sour.index and _beats(sour, now, sour.index[k]))
    moves = [
        Made(
            notes=np.array([sour.index[note_id]], dtype=np.int64),
            add_cents=np.array([adds[note_id]]),
        )
        for note_id in ids
    ]
    stay = worth_their_price(sour, now, moves, worth_s - _LESS_S)
    if stay is None:
        stay = last_to_go(sour, now, moves, lambda gained_s, _: gained_s >= worth_s)
    else:
        for k in stay:
            apply(sour, now, change_of(sour, now, moves[k].notes, moves[k].add_cents))
    return frozenset(ids[k] for k in stay)


def _beats(sour: SourMap, now: Now, note: int) -> bool:
    return bool(now.sore[sour.meetings_of[note]].any())
