"""What a note does, on both sides of an edge; with the table around it in `test_rules`."""

from __future__ import annotations

from typing import Any

import pytest
from deciding import A4, PLAIN, TOLERANCES, note, session, stem

from planner import fits
from planner.cases import Case
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
    [(60.0, 1.2, True), (11.9, 4.0, False), (60.0, 0.9, False), (12.1, 1.2, False)],
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


@pytest.mark.parametrize(("sd", "unsure"), [(1.0, False), (15.0, True)])
def test_a_reading_that_cannot_tell(sd: float, unsure: bool) -> None:
    """What is off by more than its tolerance but known to 15 cents only says nothing."""
    assert fits.cannot_tell(case(34.0, uncertainty=sd)) is unsure
