"""What would be better otherwise, once all that was decided is made: found from what beats then."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from planner.clear.decided import Decided, once_made, sour_of
from planner.clear.kept import Kept
from planner.clear.move_lines import LEAST_S
from planner.clear.priced import worth_their_price
from planner.clear.sour_time import Change, Now, SourMap, apply, change_of, soured_with
from planner.clear.taking_back import Made, last_to_go
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
    waiting = {
        note_id: -float(round(j.remaining_cents or 0.0))
        for note_id, j in own.items()
        if j.clearable and note_id not in kept.beats_if_moved
    }
    worth = worth_clearing(sour, now, waiting, worth_s)
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


def _part_way(
    sour: SourMap, now: Now, judged: Mapping[str, Judged], kept: Kept, worth_s: Mapping[str, float]
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


# ---------------------------------------------------------------- worth an edit

# An edit has a price, the sour seconds that it must clear: the less a note is off, the more. Of all
# choices the one is made that clears most beyond its price (`planner.clear.priced`). Where too many
# notes sound at once for that, all are moved and taken back, each time the note that clears least
# (`planner.clear.taking_back`).

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


# ---------------------------------------------------------------- giving way

# Two notes that are each right to a cent or two may beat, one sharp and one flat, or with a key
# that is a little off. Neither gains by its own target. But an edit leaves some cents in anyhow,
# so where those lie is free: one of the two gives way to the other, and stays as near to its
# target as any mended note.


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
