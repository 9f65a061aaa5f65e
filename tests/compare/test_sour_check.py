"""Sour seconds as recorded, as planned and as measured, against the plan's own count."""

from dataclasses import replace

import pytest

from planner.compare.note_pairs import Pair, Reading
from planner.compare.sour_check import SourCheck, planned_moves, sour_check
from planner.files.bounce_files import read_notes
from planner.files.tables import notes_csv
from planner.model import Role
from planner.pitch import shift_hz
from planner.words.plan_model import Plan, Row
from tests.sessions.records import make_records, plan_of

BARS = 8


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, tuple[Reading, ...]]:
    """A plan of a session without sound, and its notes as they are read back."""
    plan = plan_of(make_records(9313, bars=BARS))
    folder = tmp_path_factory.mktemp("plan_01")
    (folder / "notes.csv").write_bytes(notes_csv(plan))
    return plan, read_notes(folder)


def checked(plan: Plan, notes: tuple[Reading, ...], moves: dict[str, float]) -> SourCheck:
    """Check bounces in which notes moved by so many cents."""
    roles: dict[str, Role] = {s.code: s.role for s in plan.stems}
    pairs = {
        n.id: Pair(
            then=n, now=replace(n, id="x", pitch_hz=shift_hz(n.pitch_hz, moves.get(n.id, 0.0)))
        )
        for n in notes
    }
    return sour_check(
        notes, plan.rows, pairs, roles=roles, shifts={}, bounced=frozenset(roles)
    )  # fmt: skip


def test_the_plans_own_figures_come_back(made: tuple[Plan, tuple[Reading, ...]]) -> None:
    """Recorded and planned are what the plan said; bounces as planned are as planned."""
    plan, notes = made
    assert plan.sour_before_s
    found = checked(plan, notes, planned_moves(notes, plan.rows))
    assert found.recorded_s == pytest.approx(plan.sour_before_s, abs=0.11)
    assert found.planned_s == pytest.approx(plan.sour_after_s, abs=0.11)
    assert found.measured_s == pytest.approx(found.planned_s, abs=0.11)
    assert found.planned_s < found.recorded_s
    assert all(one.planned for one in found.fresh)
    assert found.unread == 0


def test_untouched_bounces_are_as_sour_as_before(made: tuple[Plan, tuple[Reading, ...]]) -> None:
    """Nothing moved, or by no more than two readings differ: as recorded, nothing fresh."""
    plan, notes = made
    for moves in ({}, {n.id: 0.4 for n in notes}):
        found = checked(plan, notes, moves)
        assert found.measured_s == found.recorded_s
        assert found.fresh == ()


def test_moves_the_wrong_way_make_fresh_sour_moments(
    made: tuple[Plan, tuple[Reading, ...]],
) -> None:
    """Every move twice, with its sign turned: more sour than before, and the moments are named."""
    plan, notes = made
    turned = {k: -2.0 * c for k, c in planned_moves(notes, plan.rows).items()}
    found = checked(plan, notes, turned)
    assert found.measured_s > found.recorded_s
    fresh = [one for one in found.fresh if not one.planned]
    assert fresh
    ids = {n.id for n in notes}
    length_s = max(n.end_s for n in notes)
    for one in fresh:
        assert set(one.notes) <= ids
        assert 0.0 <= one.start_s < one.end_s <= length_s + 0.001
        assert any(abs(turned.get(name, 0.0)) > 0.5 for name in one.notes)


def test_two_notes_that_are_known_to_beat() -> None:
    """A unison by hand: clean as recorded, 20 cents up it beats for its whole second."""
    low = Reading(
        id="A-0001", stem="A", start_s=0.0, end_s=1.0, pitch_hz=440.0, target_hz=440.0,
        intended_midi=69, heard_cents=0.0, level_db=-10.0, tolerance_cents=None,
        uncertainty_cents=0.1,
    )  # fmt: skip
    other = replace(low, id="B-0001", stem="B")
    # 20 cents at A4 are 5.1 beats a second between the two first partials.
    moved = replace(other, id="B.0", pitch_hz=shift_hz(440.0, 20.0))
    found = sour_check(
        (low, other), (), {"B-0001": Pair(then=other, now=moved)},
        roles={"A": "bowed", "B": "brass"}, shifts={"A": 0.0, "B": 0.0},
        bounced=frozenset({"A", "B"}),
    )  # fmt: skip
    assert (found.recorded_s, found.planned_s, found.measured_s) == (0.0, 0.0, 1.0)
    assert [(f.notes, f.start_s, f.end_s, f.planned) for f in found.fresh] == [
        (("A-0001", "B-0001"), 0.0, 1.0, False)
    ]
    assert found.unread == 1  # A has a bounce, and its note was not found again


def test_what_a_plan_moves(made: tuple[Plan, tuple[Reading, ...]]) -> None:
    """Rules add up, a note's own row says what is left, refused rows move nothing."""
    _, notes = made
    a, b = notes[0].id, notes[1].id
    both = (replace(notes[0], heard_cents=-9.0), replace(notes[1], heard_cents=-4.0))
    rule = Row(id="R-001", kind="rule", scope="part", stem="X", apply_to=(), action="whole-part",
               covers=(a, b), add_cents=4.0)  # fmt: skip
    own = Row(id=a, kind="note", stem="X", apply_to=(), action="raise-lower", covers=(a,),
              add_cents=3.0, remaining_cents=-2.0)  # fmt: skip
    assert planned_moves(both, (rule, own)) == {a: 7.0, b: 4.0}
    assert planned_moves(both, (replace(rule, state="refused"),)) == {}
