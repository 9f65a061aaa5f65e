"""What would be better otherwise, once all that was decided is made: found from what beats then."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

import numpy as np

from planner.clear.decided import Decided, once_made, sour_of
from planner.clear.giving_way import Leeway, giving_way
from planner.clear.kept import Kept
from planner.clear.move_lines import LEAST_S
from planner.clear.sour_time import Change, Now, SourMap, apply, change_of, soured_with
from planner.clear.worth_clearing import worth_clearing
from planner.decide.tolerances import Limits
from planner.model import Floats
from planner.words.plan_model import Judged

_LEFT_WORTH_TAKING_CENTS = 1.0  # chosen: less than that is the rounding of an edit


def wishes(made: Decided, kept: Kept, limits: Limits, price_s: Callable[[Judged], float]) -> Kept:
    """Add to what is kept: edits with nothing left in, and notes to move for the beating alone.

    price_s : sour seconds that a move of a note must clear that its tolerance does not ask for
    """
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    # What a person has set is nobody else's to change.
    own = {
        k: j
        for k, j in made.judged.items()
        if (j.action, j.remaining_cents) == (made.tool[k].action, made.tool[k].remaining_cents)
    }
    worth_s = {k: price_s(j) for k, j in own.items()}
    before_cents = now.moved_cents.copy()
    nothing_left = _better_with_nothing_left(sour, now, own)
    worth = _worth_clearing(sour, now, own, kept, worth_s)
    part_way = _part_way(sour, now, own, kept, worth_s)
    gives_way = giving_way(sour, now, _leeways(sour, now, own, kept, limits, worth_s))
    return replace(
        kept,
        nothing_left=kept.nothing_left | nothing_left,
        worth_clearing=kept.worth_clearing | worth,
        part_way=part_way | kept.part_way,
        gives_way=gives_way | kept.gives_way,
        moved_for=_moved_for(sour, now, worth | gives_way.keys(), before_cents) | kept.moved_for,
    )


def _moved_for(
    sour: SourMap, now: Now, notes: Collection[str], before_cents: Floats
) -> dict[str, str]:
    """Whom notes beat with as all else is left, by id: as recorded it may be another's fault."""
    back = {k: before_cents[sour.index[k]] - now.moved_cents[sour.index[k]] for k in notes}
    return {k: soured_with(sour, now, _moved(sour, now, k, float(back[k]))) for k in sorted(back)}


def _better_with_nothing_left(
    sour: SourMap, now: Now, judged: Mapping[str, Judged]
) -> frozenset[str]:
    """Notes moved by one number whose rest beats: with nothing left in it would not."""
    better = set()
    for note_id in sorted(judged):
        j = judged[note_id]
        rest = j.remaining_cents or 0.0
        if j.action != "raise-lower" or abs(rest) < _LEFT_WORTH_TAKING_CENTS:
            continue
        change = _moved(sour, now, note_id, -float(round(rest)))
        if change.gain_s > 0 or (change.gain_s == 0 and change.shared_s > 0):
            apply(sour, now, change)
            better.add(note_id)
    return frozenset(better)


def _worth_clearing(
    sour: SourMap,
    now: Now,
    judged: Mapping[str, Judged],
    kept: Kept,
    worth_s: Mapping[str, float],
) -> frozenset[str]:
    """Notes inside their tolerance that are worth an edit."""
    waiting = {
        note_id: -float(round(j.remaining_cents or 0.0))
        for note_id, j in judged.items()
        if j.clearable and note_id not in kept.beats_if_moved
    }
    return worth_clearing(sour, now, waiting, worth_s)


def _part_way(
    sour: SourMap,
    now: Now,
    judged: Mapping[str, Judged],
    kept: Kept,
    worth_s: Mapping[str, float],
) -> dict[str, float]:
    """Notes left because their move would clash, and where on the way to their target they clear.

    Of all whole cents the ones that clear most, and of these the furthest; what the tolerances
    take for too small a move is none.
    """
    found = {}
    for note_id in sorted(kept.beats_if_moved):
        j = judged.get(note_id)
        if j is None or j.rule_name != "would clash" or note_id not in sour.index:
            continue
        error = j.remaining_cents or 0.0
        tries = [
            (_moved(sour, now, note_id, -float(np.sign(error)) * add), add)
            for add in range(1, round(abs(error)))
        ]
        best, add = max(
            tries, key=lambda one: (one[0].gain_s, one[0].shared_s, one[1]), default=(None, 0)
        )
        if best is not None and best.gain_s >= worth_s[note_id]:
            apply(sour, now, best)
            found[note_id] = round(abs(error) - add, 1)
    return found


def _leeways(
    sour: SourMap,
    now: Now,
    judged: Mapping[str, Judged],
    kept: Kept,
    limits: Limits,
    worth_s: Mapping[str, float],
) -> dict[str, Leeway]:
    """How far each note may give way to one it beats with."""
    found = {}
    for note_id, j in judged.items():
        least = j.gives_way_from_cents
        if least is None or note_id not in sour.index or note_id in kept.beats_if_moved:
            continue
        k = sour.index[note_id]
        rest = round(float(sour.error_cents[k] + now.moved_cents[k]), 1)
        if abs(rest - (j.remaining_cents or 0.0)) > 0.1:
            continue  # it has just been found to be better off elsewhere
        # What is moved anyhow costs no edit more; what is right is never made less so.
        good = j.action == "leave"
        most_left = limits.smallest_left_cents
        found[note_id] = Leeway(
            rest_cents=rest,
            most_left_cents=min(most_left, abs(rest)) if good else most_left,
            least_move_cents=least,
            least_gain_s=worth_s[note_id] if good else LEAST_S,
        )
    return found


def _moved(sour: SourMap, now: Now, note_id: str, add_cents: float) -> Change:
    one = np.array([sour.index[note_id]], dtype=np.int64)
    return change_of(sour, now, one, np.array([add_cents]))
