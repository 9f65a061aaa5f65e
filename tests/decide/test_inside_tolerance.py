"""Which notes inside their tolerance may be moved, each edge on both sides."""

from typing import Any

import pytest
from deciding import A4, PLAIN, TOLERANCES, contour, note, session, stem

from planner.decide.cases import Case
from planner.decide.inside_tolerance import can_clear, clears, gives_way_from
from planner.model import Role
from planner.targets import aim, target_for


def case(cents: float, role: Role = "bowed", *, u: float = 1.0, **fields: Any) -> Case:
    length_s = fields.pop("length_s", 1.5)
    wavers = fields.pop("wavers", None)  # s from the start -> cents off
    along = contour(0.0, length_s, 62, wavers) if wavers else {}
    n = note("X-0001", 62, cents, length_s=length_s, uncertainty=u, **along)
    aimed = aim(n, target_for(n, role, session(stem("X", role, [n])), A4))
    return Case(aimed=aimed, role=role, judging=PLAIN, tolerances=TOLERANCES, **fields)


@pytest.mark.parametrize(
    ("cents", "u", "may"),
    [(3.1, 1.0, True), (3.0, 1.0, False), (5.1, 2.5, True), (5.0, 2.5, False)],
)
def test_a_move_is_certain_and_more_than_is_left_in(cents: float, u: float, may: bool) -> None:
    """More than 3 cents, and more than twice the reading's uncertainty."""
    assert can_clear(case(cents, u=u)) is may
    assert can_clear(case(-cents, u=u)) is may


@pytest.mark.parametrize("role", ["lead-voice", "voice-harmony", "voice-double"])
def test_a_voice_is_not_moved_for_a_trifle(role: Role) -> None:
    """Less than 5 cents inside its tolerance is no edit, to its target or to give way."""
    assert not can_clear(case(4.9, role, beats=True))
    assert can_clear(case(5.0, role, beats=True))
    assert gives_way_from(case(2.0, "voice-harmony"), in_tune=True, whole=False) == 4.9
    assert not clears(case(-2.0, "voice-harmony", gives_way_cents=2.9))


def test_beyond_its_tolerance_it_is_another_matter() -> None:
    """15.1 of a cello's 15 is judged by the table itself."""
    assert can_clear(case(15.0))
    assert not can_clear(case(15.1))


@pytest.mark.parametrize(
    ("cents", "fields", "may"),
    [
        (9.0, {"beats": True, "length_s": 0.6}, True),
        (9.0, {"beats": True, "length_s": 0.599}, False),
        (10.0, {"beats": True, "length_s": 0.599}, False),
        (-10.0, {"beats": True, "length_s": 0.3}, False),
        (10.1, {"beats": True, "length_s": 0.599}, True),
        (-10.1, {"beats": True, "length_s": 0.3}, True),
        (12.0, {"beats": False}, False),
        (12.0, {"beats": True, "sits_so": True}, False),
    ],
)
def test_a_lead_is_forgiven_unless_it_beats_with_what_stays(
    cents: float, fields: dict[str, Any], may: bool
) -> None:
    """Held from 0.6 s on at any size; in passing beyond 10 cents (Hill and Summers 2007)."""
    assert can_clear(case(cents, "lead-voice", **fields)) is may
    assert (
        gives_way_from(case(cents, "lead-voice", **fields), in_tune=True, whole=False) is None
    ) is (not may)


@pytest.mark.parametrize(
    ("role", "forgiven"),
    [("bowed", True), ("woodwind", True), ("brass", True), ("voice-harmony", False)],
)
def test_a_step_of_a_melody_is_heard_to_ten_cents(role: Role, forgiven: bool) -> None:
    """In passing up to 10 cents are let pass in what bears a melody; held, nothing is."""
    assert can_clear(case(7.9, role, length_s=0.599)) is not forgiven
    assert can_clear(case(7.9, role, length_s=0.6))


@pytest.mark.parametrize(("cents", "may"), [(10.0, False), (10.1, True)])
def test_edge_of_a_step_of_a_melody(cents: float, may: bool) -> None:
    """A cello note of half a second, 10 cents off and a tenth more."""
    assert can_clear(case(cents, length_s=0.5)) is may


def test_a_double_keeps_its_spread() -> None:
    """3 cents are kept from the lead: what lies beyond counts, and it gives way to nobody."""
    assert not can_clear(case(7.9, "voice-double", spread_cents=3.0))
    assert can_clear(case(8.0, "voice-double", spread_cents=3.0))
    spread = case(8.0, "voice-double", spread_cents=3.0)
    assert gives_way_from(spread, in_tune=True, whole=False) is None


def test_how_far_a_note_must_move_to_give_way() -> None:
    """In tune, more than is left in anyway; moved as a whole, anything; else it does not."""
    assert gives_way_from(case(2.0), in_tune=True, whole=False) == 3.0
    assert gives_way_from(case(2.0, u=2.0), in_tune=True, whole=False) == 4.0
    assert gives_way_from(case(30.0), in_tune=False, whole=True) == 0.0
    assert gives_way_from(case(30.0), in_tune=False, whole=False) is None
    assert gives_way_from(case(30.0, part_way_cents=9.0), in_tune=False, whole=True) is None


@pytest.mark.parametrize(
    ("fields", "is_moved"),
    [
        ({"worth_clearing": True}, True),
        ({}, False),
        ({"gives_way_cents": 1.9}, True),  # 3.9 - 1.9 is no move; but -2 - 1.9 is
        ({"gives_way_cents": 1.0}, False),
    ],
)
def test_what_is_moved(fields: dict[str, Any], is_moved: bool) -> None:
    """Only what the search has found to be worth it, by a move that is still one."""
    cents = -2.0 if "gives_way_cents" in fields else 8.0
    assert clears(case(cents, **fields)) is is_moved


@pytest.mark.parametrize(("until_s", "may"), [(0.4, True), (0.6, False)])
def test_one_number_may_not_put_out_what_wavers(until_s: float, may: bool) -> None:
    """Eight sharp and 32 flat at first: a quarter of what is looked at (0.2 to 1.7 s) may go out.

    Lowered it is further out there, raised it is nearer.
    """
    flat_first = {"length_s": 2.0, "wavers": lambda t: -32.0 if t < until_s else 8.0}
    assert can_clear(case(8.0, **flat_first)) is may
    assert can_clear(case(-8.0, length_s=2.0, wavers=lambda t: -48.0 if t < until_s else -8.0))
    assert clears(case(2.0, gives_way_cents=-2.0, **flat_first)) is may
    assert clears(case(-2.0, gives_way_cents=2.0, **flat_first))
    assert (gives_way_from(case(2.0, **flat_first), in_tune=True, whole=False) == 3.0) is may
    assert gives_way_from(case(-2.0, **flat_first), in_tune=True, whole=False) == 3.0
