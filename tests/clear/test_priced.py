"""Which notes to touch at a price: beside every possible choice."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from planner.clashes import SoundingNote
from planner.clear import priced
from planner.clear.priced import best_of, worth_their_price
from planner.clear.sour_time import SourMap, apply, as_recorded, change_of, sour_map, sour_now_s
from planner.clear.taking_back import Made
from tests.clear.test_wishes import sounding


def invented(seed: int, voices: int = 4) -> tuple[SourMap, list[Made]]:
    """A piano that holds one note, and voices that sing it two or three times, off by turns."""
    rng = np.random.default_rng(seed)
    notes: list[SoundingNote] = [sounding("PNO-1", 0.0, 0.0, 9.0)]
    for code in "ABCDEF"[:voices]:
        at_s = 0.0
        for k in range(2 + seed % 2):
            at_s += float(rng.uniform(0.0, 1.5))
            length_s = float(rng.uniform(0.3, 2.0))
            notes.append(sounding(f"{code}-{k}", float(rng.normal(0, 9)), at_s, length_s))
            at_s += length_s
    sour = sour_map(notes, {"A-0": 8.0, "B-1": 8.0})
    moves = [
        Made(
            notes=np.array([sour.index[n.id]]),
            add_cents=np.array([float(np.round(rng.normal(1.0, 0.3) * -sour.error_cents[k]))]),
        )
        for k, n in enumerate(sour.met.notes)
        if n.stem != "PNO"
    ]
    return sour, moves


def left_s(sour: SourMap, moves: list[Made], chosen: tuple[int, ...]) -> float:
    now = as_recorded(sour)
    for k in chosen:
        apply(sour, now, change_of(sour, now, moves[k].notes, moves[k].add_cents))
    return sour_now_s(sour, now)


def every_choice(moves: list[Made]) -> list[tuple[int, ...]]:
    places = range(len(moves))
    return [one for size in range(len(moves) + 1) for one in itertools.combinations(places, size)]


@pytest.mark.parametrize("seed", range(6))
def test_no_other_choice_is_better_at_the_price(seed: int) -> None:
    """Of up to twelve moves every choice is tried: none leaves less, with the price counted in."""
    sour, moves = invented(seed)
    chosen = worth_their_price(sour, as_recorded(sour), moves, 0.2)
    assert chosen is not None
    costs = {one: left_s(sour, moves, one) + 0.2 * len(one) for one in every_choice(moves)}
    assert costs[chosen] == pytest.approx(min(costs.values()), abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_each_is_the_best_of_its_number(seed: int) -> None:
    """Of as many moves none leaves less; the first choice keeps to the number."""
    sour, moves = invented(seed, voices=3)
    found = best_of(sour, as_recorded(sour), moves, 3)
    assert found is not None
    assert len(found[0]) <= 3
    choices = every_choice(moves)
    for one in found:
        best = min(left_s(sour, moves, other) for other in choices if len(other) <= len(one))
        assert left_s(sour, moves, one) == pytest.approx(best, abs=1e-6)


def test_what_is_pinned_is_made_and_costs_nothing() -> None:
    """A pinned move is in every choice, at any price."""
    sour, moves = invented(1)
    pinned = [replace(moves[0], pinned=True), *moves[1:]]
    assert worth_their_price(sour, as_recorded(sour), pinned, 100.0) == (0,)


def test_what_has_been_moved_already_counts() -> None:
    """From a state in which everything has been moved, nothing is worth a move any more."""
    notes = [sounding("PNO-1", 0, 0, 2.0), sounding("A-1", 15, 0, 2.0)]
    sour = sour_map(notes, {})
    move = Made(notes=np.array([sour.index["A-1"]]), add_cents=np.array([-15.0]))
    now = as_recorded(sour)
    assert worth_their_price(sour, now, [move], 0.25) == (0,)
    apply(sour, now, change_of(sour, now, move.notes, move.add_cents))
    assert worth_their_price(sour, now, [move], 0.25) == ()


@pytest.mark.parametrize(("most", "known"), [(4, True), (3, False)])
def test_edge_of_how_many_sound_at_once(
    monkeypatch: pytest.MonkeyPatch, most: int, known: bool
) -> None:
    """Four voices at once are four notes to choose from; beyond the most it is not tried."""
    monkeypatch.setattr(priced, "_MOST_AT_ONCE", most)
    notes = [sounding("PNO-1", 0, 0, 1.0), *(sounding(f"{c}-1", 15, 0, 1.0) for c in "ABCD")]
    sour = sour_map(notes, {})
    moves = [
        Made(notes=np.array([sour.index[f"{c}-1"]]), add_cents=np.array([-15.0])) for c in "ABCD"
    ]
    assert (worth_their_price(sour, as_recorded(sour), moves, 0.1) is not None) is known
    assert (best_of(sour, as_recorded(sour), moves, 4) is not None) is known
