"""The order that clears most for each edit, against trying every choice there is."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.clashes import SoundingNote
from planner.clear.fewest_moves import Backbone, change_if_made, fewest_moves
from planner.clear.move_lines import Proposal
from planner.clear.sour_time import SourMap, as_recorded, sour_map, sour_now_s
from tests.test_clashes import sounding

MOVES = 10


def small_session(seed: int) -> tuple[SourMap, list[Proposal]]:
    """A right piano under ten notes of four parts, some of them together, each some cents off."""
    rng = np.random.default_rng([seed, 7])
    notes: list[SoundingNote] = []
    for bar in range(4):
        notes.append(sounding(f"PNO-{bar}", 57, 0.0, 2.0 * bar, 2.0 * bar + 1.9))
    proposals = []
    for k in range(MOVES):
        start_s = float(rng.uniform(0, 7))
        off = float(rng.normal(0, 12))
        name = f"{'ABCD'[k % 4]}-{k}"
        midi = int(rng.choice([57, 57, 64, 69]))
        notes.append(sounding(name, midi, off, start_s, start_s + float(rng.uniform(0.3, 2.0))))
        proposals.append(
            Proposal(
                id=name, notes=((name, -off),), stem=name[0], severity=float(rng.integers(9, 90))
            )
        )
    held = {n.id: 10.0 for n in notes if n.end_s - n.start_s >= 0.5}
    return sour_map(notes, held), proposals


def left_with(sour: SourMap, chosen: tuple[Proposal, ...]) -> float:
    now = as_recorded(sour)
    if not chosen:
        return sour_now_s(sour, now)
    return sour_now_s(sour, now) - change_if_made(sour, now, chosen).gain_s


def left_after(found: Backbone, k: int) -> float:
    """Sour seconds after the first k edits."""
    left_s, rows = found.before_s, 0
    for step in found.steps:
        rows += len(step.ids)
        if rows > k:
            break
        left_s = step.left_s
    return left_s


def test_greedy_order_is_near_the_best_choice_of_every_size() -> None:
    """Of ten moves, the first k clear nearly what the best k clear; the gap is stated here.

    Every choice of k is tried (1023 a session, 30 sessions, all k): that is the truth. Measured, as
    shares of all that can be cleared: cut where the editor's time ends, the median gap is 0, the
    mean 0.6 %; a prefix of the one order at any k costs 1.9 % on average; the worst is 23 %, with
    one or two edits where several clashes lie over the same moments.
    """
    cut_gaps, prefix_gaps = [], []
    for seed in range(30):
        sour, moves = small_session(seed)
        whole = fewest_moves(sour, moves)
        best_of = {
            k: min(left_with(sour, chosen) for chosen in combinations(moves, k))
            for k in range(MOVES + 1)
        }
        most = whole.before_s - min(best_of.values())
        if most <= 0:
            continue
        for k in range(1, MOVES):
            best = min(best_of[j] for j in range(k + 1))
            prefix_gaps.append((left_after(whole, k) - best) / most)
            cut = fewest_moves(sour, moves, first_cut=k)
            cut_gaps.append((left_after(cut, k) - best) / most)
    assert min(cut_gaps) >= -1e-3  # times are rounded to 0.1 ms
    assert float(np.median(cut_gaps)) == pytest.approx(0.0, abs=1e-3)
    assert float(np.mean(cut_gaps)) <= 0.01
    assert float(np.mean(prefix_gaps)) <= 0.025
    assert max(*cut_gaps, *prefix_gaps) <= 0.25


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 99999))
def test_no_step_adds_sour_time_and_order_given_decides_nothing(seed: int) -> None:
    """Down the order sour time never rises; the same moves in another order give the same."""
    sour, moves = small_session(seed)
    found = fewest_moves(sour, moves, first_cut=4)
    left_s = found.before_s
    for step in found.steps:
        assert step.left_s <= left_s + 1e-6
        assert min(step.clears_s) >= -1e-6
        left_s = step.left_s
    assert fewest_moves(sour, moves[::-1], first_cut=4) == found
    made = {row_id for step in found.steps for row_id in step.ids}
    assert made | {out.id for out in found.left_out} == {m.id for m in moves}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 99999))
def test_no_move_of_the_finished_order_is_better_undone(seed: int) -> None:
    """Taking any single move back out of the finished session leaves no fewer sour seconds."""
    sour, moves = small_session(seed)
    found = fewest_moves(sour, moves)
    if found.left_out:
        moves = [m for m in moves if m.id not in {out.id for out in found.left_out}]
        found = fewest_moves(sour, moves)
    for move in moves:
        others = tuple(m for m in moves if m is not move)
        assert left_with(sour, others) >= left_with(sour, tuple(moves)) - 1e-3


def test_the_one_that_clears_most_goes_first() -> None:
    """One bass note under three others is moved before the three would be."""
    low = sounding("BAS-1", 45, 14, 0, 6)
    high = [sounding(f"GTR-{k}", 57, 0, 2.0 * k, 2.0 * k + 1.9) for k in range(3)]
    sour = sour_map([low, *high], {})
    moves = [Proposal(id="BAS-1", notes=(("BAS-1", -14.0),), stem="BAS", severity=1.0)]
    moves += [Proposal(id=n.id, notes=((n.id, 14.0),), stem="GTR", severity=90.0) for n in high]
    found = fewest_moves(sour, moves)
    assert found.steps[0].ids == ("BAS-1",)
    assert (found.before_s, found.steps[0].left_s) == (pytest.approx(5.7), 0.0)
    # Each guitar note would beat with the bass again: left out, and the partner named.
    assert [(out.id, out.against) for out in found.left_out] == [
        (f"GTR-{k}", "BAS-1") for k in range(3)
    ]


def test_what_needs_a_rule_comes_after_it() -> None:
    """A note's own edit stands after the rule it was decided on, whatever it clears."""
    notes = [sounding("PNO-1", 69, 0, 0, 2), sounding("GTR-1", 69, -20, 0, 2)]
    sour = sour_map(notes, {})
    moves = [
        Proposal(id="GTR-1", notes=(("GTR-1", 14.0),), needs=frozenset({"R-001"}), severity=80.0),
        Proposal(id="R-001", notes=(("GTR-1", 6.0),), severity=10.0),
    ]
    found = fewest_moves(sour, moves)
    assert [step.ids for step in found.steps] == [("R-001",), ("GTR-1",)]
    assert found.after_s == 0.0


def test_two_that_only_help_together_are_one_step() -> None:
    """Two notes that are off alike are moved together, and gain nothing before the second."""
    notes = [sounding("A-1", 69, -20, 0, 0.4), sounding("B-1", 69, -20, 0, 0.4)]
    sour = sour_map(notes, {})
    moves = [Proposal(id=n.id, notes=((n.id, 20.0),), stem=n.stem) for n in notes]
    found = fewest_moves(sour, moves)
    assert [(s.ids, s.together, s.left_s) for s in found.steps] == [
        (("A-1",), 1, 0.0), (("B-1",), 1, 0.0),
    ]  # fmt: skip
    assert found.left_out == ()


def test_three_that_only_help_together_are_one_step() -> None:
    """Three notes that are off alike: no pair is enough, all three are."""
    notes = [sounding(f"{s}-1", 69, -20, 0, 0.4) for s in "ABC"]
    sour = sour_map(notes, {})
    moves = [Proposal(id=n.id, notes=((n.id, 20.0),), stem=n.stem) for n in notes]
    found = fewest_moves(sour, moves)
    assert {s.together for s in found.steps} == {1}
    assert len(found.steps) == 3


def test_alike_faults_are_one_line_unless_one_of_them_spoils() -> None:
    """Rows with one fault stand together; where one would add sour time they are taken apart."""
    partner = sounding("B-1", 69, -20, 4.0, 4.4)
    notes = [sounding("A-1", 69, -20, 0, 1), sounding("A-2", 69, -20, 2, 3)]
    third = sounding("A-3", 69, -20, 4.0, 4.4)

    def found(*sounds: SoundingNote) -> Backbone:
        mine = [n for n in sounds if n.stem == "A"]
        moves = [Proposal(id=n.id, notes=((n.id, 20.0),), fault=("A", 69)) for n in mine]
        return fewest_moves(sour_map(sounds, {n.id: 10.0 for n in mine[:2]}), moves)

    assert [s.ids for s in found(*notes).steps] == [("A-1", "A-2")]
    spoiled = found(*notes, third, partner)
    assert sorted(s.ids for s in spoiled.steps) == [("A-1",), ("A-2",)]
    assert [(out.id, out.against) for out in spoiled.left_out] == [("A-3", "B-1")]


def test_severity_decides_between_equals_then_the_id() -> None:
    """Where nothing sounds, the order is by severity, then by id."""
    moves = [Proposal(id=name, notes=(), severity=s) for name, s in (("b", 5), ("a", 5), ("c", 9))]
    assert [s.ids for s in fewest_moves(sour_map([], {}), moves).steps] == [("c",), ("a",), ("b",)]


# ---------------------------------------------------------------- two plans as one


def later_ids(found: Backbone) -> list[tuple[tuple[str, ...], int]]:
    return [(step.ids, step.together) for step in found.steps]


def test_rows_of_a_later_plan_come_last_where_no_other_order_has_a_place() -> None:
    """A-1 clears first against B-1, and its second move would sour before B-1 has moved too."""
    notes = [sounding("A-1", 81, -9, 0, 2), sounding("B-1", 81, 0, 0, 2)]
    sour = sour_map(notes, {})
    first = Proposal(id="A-1", notes=(("A-1", 9.0),), stem="A")
    more = [
        Proposal(id="A-1b", notes=(("A-1", 9.0),), stem="A", needs=frozenset({"A-1"})),
        Proposal(id="B-1", notes=(("B-1", 9.0),), stem="B"),
    ]
    plain = fewest_moves(sour, [first, *more], later=frozenset({"A-1b", "B-1"}))
    assert plain.left_out == ()
    assert later_ids(plain) == [(("A-1",), 1), (("A-1b",), 2), (("B-1",), 2)]
    assert plain.after_s == 0.0


def test_where_nothing_else_has_a_place_all_rows_are_one_step() -> None:
    """Rows that add sour time one by one, and by twos, are made at once where that adds none."""
    notes = [sounding(f"{s}-1", 81, 0, 0, 2) for s in "ABCD"]
    sour = sour_map(notes, {})
    moves = [Proposal(id=n.id, notes=((n.id, 12.0),), stem=n.stem) for n in notes]
    found = fewest_moves(sour, moves, later=frozenset({"D-1"}))
    assert found.left_out == ()
    assert {step.together for step in found.steps} == {1}
    assert found.after_s == 0.0


def test_what_would_add_sour_time_whole_is_left_out_all_the_same() -> None:
    """A later plan that makes the session worse, in any order and at once, is told."""
    notes = [sounding("A-1", 81, 0, 0, 2), sounding("B-1", 81, 0, 0, 2)]
    sour = sour_map(notes, {})
    moves = [Proposal(id="A-1", notes=(("A-1", 12.0),), stem="A")]
    found = fewest_moves(sour, moves, later=frozenset({"A-1"}))
    assert [out.id for out in found.left_out] == ["A-1"]


# ---------------------------------------------------------------- above the stop line


def test_what_stands_above_the_stop_line_is_chosen_from_both_ends() -> None:
    """Two that beat only together are worth two edits, though one alone gains nothing.

    A and B each beat with the piano for 3 s; C and D beat for 2 s each, alone. With two edits A and
    B clear more, but the best next edit is C, then D.
    """
    notes = [
        sounding("PNO-1", 69, 0, 0, 3), sounding("A-1", 69, 20, 0, 3),
        sounding("B-1", 69, -21, 0, 3),
        sounding("PNO-2", 69, 0, 5, 6.2), sounding("C-1", 69, 20, 5, 6.2),
        sounding("PNO-3", 69, 0, 8, 9.2), sounding("D-1", 69, 20, 8, 9.2),
    ]  # fmt: skip
    sour = sour_map(notes, {})
    adds = {"A-1": -20.0, "B-1": 21.0, "C-1": -20.0, "D-1": -20.0}
    moves = [Proposal(id=k, notes=((k, add),), stem=k[0]) for k, add in adds.items()]
    assert [s.ids[0] for s in fewest_moves(sour, moves).steps][:2] == ["C-1", "D-1"]
    cut = fewest_moves(sour, moves, first_cut=2)
    assert {s.ids[0] for s in cut.steps[:2]} == {"A-1", "B-1"}
    assert cut.steps[1].left_s == pytest.approx(2.4)
    assert cut.after_s == 0.0
