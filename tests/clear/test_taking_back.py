"""All moves made, then taken back: what stays, against every choice there is."""

import itertools

import numpy as np
import pytest

from planner.clashes import Ints
from planner.clear.move_lines import Proposal
from planner.clear.sour_time import SourMap, as_recorded, sour_now_s
from planner.clear.taking_back import Made, last_to_go
from planner.model import Floats
from tests.clear.test_fewest_moves import left_with, small_session


def made(sour: SourMap, moves: list[Proposal]) -> list[Made]:
    def one(move: Proposal) -> tuple[Ints, Floats]:
        ids = [sour.index[k] for k, _ in move.notes]
        return np.array(ids, dtype=np.int64), np.array([add for _, add in move.notes])

    return [Made(notes=notes, add_cents=add) for notes, add in map(one, moves)]


def test_so_many_of_ten_are_near_the_best_so_many() -> None:
    """Of ten moves, the k that stay clear nearly what the best k clear; the gap is stated here.

    Every choice of k is tried, 20 sessions, all k. Measured, as shares of all that can be cleared:
    the median gap is 0, the mean under 3 %.
    """
    gaps = []
    for seed in range(20):
        sour, moves = small_session(seed)
        everything = made(sour, moves)
        best = {
            k: min(left_with(sour, chosen) for chosen in itertools.combinations(moves, k))
            for k in range(len(moves) + 1)
        }
        most = left_with(sour, ()) - min(best.values())
        for k in range(1, len(moves)):
            now = as_recorded(sour)
            stay = last_to_go(sour, now, everything, lambda _, left, k=k: left <= k)  # type: ignore[misc]
            assert len(stay) == k
            left_s = left_with(sour, tuple(moves[i] for i in stay))
            assert sour_now_s(sour, now) == pytest.approx(left_s, abs=1e-3)
            gaps.append((left_s - best[k]) / most if most > 0 else 0.0)
    assert min(gaps) >= -1e-3
    assert float(np.median(gaps)) == pytest.approx(0.0, abs=1e-3)
    assert float(np.mean(gaps)) < 0.03


def test_what_others_need_and_what_is_pinned_stays() -> None:
    """A move goes after those that need it, a pinned one never, and costs are counted."""
    sour, moves = small_session(3)
    some = made(sour, moves[:4])
    held = [
        Made(notes=some[0].notes, add_cents=some[0].add_cents, cost=3.0),
        Made(notes=some[1].notes, add_cents=some[1].add_cents, needs=(0,)),
        Made(notes=some[2].notes, add_cents=some[2].add_cents, pinned=True),
        some[3],
    ]
    for most in range(6, -1, -1):
        stay = last_to_go(sour, as_recorded(sour), held, lambda _, left, k=most: left <= k)  # type: ignore[misc]
        assert 2 in stay
        assert 0 in stay or 1 not in stay
        assert sum(held[k].cost for k in stay) <= max(most, 1)


def test_nothing_to_take_back() -> None:
    """No moves: nothing stays, and nothing fails."""
    sour, _ = small_session(1)
    assert last_to_go(sour, as_recorded(sour), [], lambda *_: False) == ()
