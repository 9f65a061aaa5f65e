"""What a note does, on both sides of an edge; with the table around it in `test_rules`."""

from collections.abc import Callable
from typing import Any

import pytest
from deciding import A4, PLAIN, TOLERANCES, note, session, stem

from planner.decide import fits, moves
from planner.decide.cases import Case
from planner.model import Role
from planner.targets import aim, target_for


def case(cents: float, role: Role = "lead-voice", **fields: Any) -> Case:
    one = note("X-0001", 62, cents, **fields)
    target = target_for(one, role, session(stem("X", role, [one])), A4)
    return Case(aimed=aim(one, target), role=role, judging=PLAIN, tolerances=TOLERANCES)


@pytest.mark.parametrize(("cents", "beyond"), [(20.1, True), (20.0, False), (-20.1, True)])
def test_edge_of_beyond(cents: float, beyond: bool) -> None:
    """At a limit itself, a note is not beyond it."""
    assert fits.beyond(case(cents), 20.0) is beyond


@pytest.mark.parametrize(
    ("slope", "length_s", "leans"),
    [
        (60.0, 1.2, True),
        (12.1, 4.0, True),
        (11.9, 4.0, False),
        (60.0, 0.9, False),
        (12.1, 1.2, False),
    ],
)
def test_edges_of_a_lean(slope: float, length_s: float, leans: bool) -> None:
    """A lean is 12 cents a second and more, over a second and more, and reaches the tolerance."""
    one = case(0.0, role="bowed", length_s=length_s, slope_cents_per_s=slope)
    assert fits.leans(one) is leans


@pytest.mark.parametrize(("sd", "leans"), [(9.9, True), (10.1, False)])
def test_a_lean_is_more_than_twice_its_doubt(sd: float, leans: bool) -> None:
    """What leans by 20 cents a second leans where that is known to 10."""
    one = case(
        0.0, role="bowed", length_s=3.0,
        slope_cents_per_s=20.0, slope_uncertainty_cents_per_s=sd,
    )  # fmt: skip
    assert fits.leans(one) is leans


@pytest.mark.parametrize(
    ("slope", "length_s", "end", "off"),
    [
        (22.0, 2.0, 19.2, False),  # leans there: 19.25 by its slope
        (22.0, 2.0, 27.2, False), (22.0, 2.0, 27.4, True),  # 8 cents more are the end's own
        (22.0, 0.99, 18.7, True),  # too short to lean
        (12.0, 3.0, 16.5, True), (12.1, 3.0, 16.5, False),  # too little to be a lean
        (-22.0, 2.0, 18.7, True),  # the other way
    ],
)  # fmt: skip
def test_the_end_of_a_lean_is_no_end_that_runs_off(
    slope: float, length_s: float, end: float, off: bool
) -> None:
    """An end is off on its own where the note's even lean does not take it there."""
    one = case(0.0, role="bowed", length_s=length_s, end=end, slope_cents_per_s=slope)
    assert fits.ends_off(one) is off


@pytest.mark.parametrize(("sd", "unsure"), [(1.0, False), (15.0, True)])
def test_a_reading_that_cannot_tell(sd: float, unsure: bool) -> None:
    """What is off by more than its tolerance but known to 15 cents only says nothing."""
    assert fits.cannot_tell(case(34.0, uncertainty=sd)) is unsure


VOICE, HARMONY, PLUCKED = "lead-voice", "voice-harmony", "fretted"


@pytest.mark.parametrize(
    ("what", "role", "inside", "outside"),
    [
        # Start and rest within 8 cents are one move; a note under 0.3 s is not shaped.
        (fits.only_rest_off, VOICE, {"cents": -20, "onset": -11.9}, {"cents": -20, "onset": -12.0}),
        (fits.only_rest_off, VOICE, {"cents": -30, "onset": -20, "length_s": 0.3},
         {"cents": -30, "onset": -20, "length_s": 0.299}),
        # A scoop: as deep as 200 cents, within 0.3 of the note; told as a rise from 8 cents on.
        (fits.scoops, VOICE, {"cents": 0, "onset": -60, "settle_s": 0.15, "length_s": 0.5},
         {"cents": 0, "onset": -60, "settle_s": 0.151, "length_s": 0.5}),
        (fits.scoops, VOICE, {"cents": 0, "onset": -200, "settle_s": 0.1},
         {"cents": 0, "onset": -201, "settle_s": 0.1}),
        (fits.rises_plainly, VOICE, {"cents": 0, "onset": -8.0}, {"cents": 0, "onset": -7.9}),
        # Later than 0.35 s is late.
        (fits.arrives_late, VOICE, {"cents": 0, "onset": -60, "settle_s": 0.351, "length_s": 2.0},
         {"cents": 0, "onset": -60, "settle_s": 0.35, "length_s": 2.0}),
        # A pluck under half a second is heard by its start, a longer one where it stands out.
        (fits.starts_off, PLUCKED, {"cents": 0, "onset": 30, "length_s": 0.499},
         {"cents": 0, "onset": 30, "length_s": 0.5}),
        # An end runs off from 15 cents on.
        (fits.ends_off, HARMONY, {"cents": 0, "end": -15.1}, {"cents": 0, "end": -15.0}),
    ],
)  # fmt: skip
def test_each_edge_has_two_sides(
    what: Callable[[Case], bool], role: Role, inside: dict[str, Any], outside: dict[str, Any]
) -> None:
    """What is common practice, or chosen, holds up to its limit and not beyond."""
    assert what(case(role=role, **inside))
    assert not what(case(role=role, **outside))


@pytest.mark.parametrize(
    ("end", "leaves_s", "length_s", "sags"),
    [
        # Over 0.4 s and more: 8 flat at 0.704 s and 25 at 0.925, so on its way since 0.6.
        (-25.0, 0.704, 1.0, True), (-25.0, 0.705, 1.0, False),
        (-40.0, 3.2, 4.0, True), (-40.0, 3.201, 4.0, False),  # later it is a fall
        (-80.0, 2.0, 4.0, True), (-80.1, 2.0, 4.0, False),  # so is what is deeper
    ],
)  # fmt: skip
def test_edges_of_a_sag(
    end: float, leaves_s: float, length_s: float, sags: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sag lasts 0.4 s and more, begins before the last fifth, is no deeper than 80 cents."""
    monkeypatch.setattr(moves, "end_leaves_s", lambda *_: leaves_s)
    assert fits.sags(case(0.0, end=end, length_s=length_s)) is sags
