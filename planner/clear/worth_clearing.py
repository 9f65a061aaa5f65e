"""Which notes inside their tolerance are worth an edit for the beating that goes with them.

An edit has a price, the sour seconds that it must clear: the less a note is off, the more. Of all
choices the one is made that clears most beyond its price (`planner.clear.priced`). Where too many
notes sound at once for that, all are moved and taken back, each time the note that clears least
(`planner.clear.taking_back`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from planner.clear.priced import worth_their_price
from planner.clear.sour_time import Now, SourMap, apply, change_of
from planner.clear.taking_back import Made, last_to_go
from planner.words.plan_model import Judged

# Chosen: what an edit must clear that the tolerance does not ask for, of a note half-way to it.
_HALF_WAY_S = 0.25
# Where a session says how many notes may be touched, that is the limit, and not what each clears:
# then only what clears nothing that lasts is left. Chosen: of 0.12, 0.06 and 0.02 none is better.
_WORTH_A_TOUCH_S = 0.02
_LEAST_TOLD_CENTS = 0.1  # errors are rounded to it
_LESS = 1e-6  # what clears just its price is worth it, for the rounding of sums


def worth_an_edit_s(j: Judged) -> float:
    """Say what moving a note that its tolerance forgives must clear, in sour seconds.

    A note at its tolerance is all but worth an edit by itself, one on its target is right as it is
    played. Between them the price falls as the square of the error, which is how errors are
    usually weighed (least squares). Chosen, no source.
    """
    if j.tolerance_cents is None:
        return math.inf
    error = max(abs(j.remaining_cents or 0.0), _LEAST_TOLD_CENTS)
    return _HALF_WAY_S * max(1.0, j.tolerance_cents / error) ** 2 / 4.0


def worth_a_touch_s(_: Judged) -> float:
    """Say what moving a note must clear where the notes that may be touched are counted."""
    return _WORTH_A_TOUCH_S


def worth_clearing(
    sour: SourMap, now: Now, adds: Mapping[str, float], worth_s: Mapping[str, float]
) -> frozenset[str]:
    """Find the notes whose move clears enough sour time, each of its share.

    now : where everything else is left; moved along in place to the state with the notes found
    adds : id of each note that may move -> cents to add
    worth_s : id of each -> sour seconds that its edit must clear
    """
    # In the order of their ids: of notes that clear as little, the first goes first.
    ids = sorted(k for k in adds if k in sour.index and _beats(sour, now, sour.index[k]))
    moves = [
        Made(
            notes=np.array([sour.index[note_id]], dtype=np.int64),
            add_cents=np.array([adds[note_id]]),
            cost=worth_s[note_id],
        )
        for note_id in ids
    ]
    stay = worth_their_price(sour, now, moves, 1.0 - _LESS)
    if stay is None:
        stay = last_to_go(sour, now, moves, lambda gained, _: gained >= 1.0 - _LESS)
    else:
        for k in stay:
            apply(sour, now, change_of(sour, now, moves[k].notes, moves[k].add_cents))
    return frozenset(ids[k] for k in stay)


def _beats(sour: SourMap, now: Now, note: int) -> bool:
    return bool(now.sore[sour.meetings_of[note]].any())
