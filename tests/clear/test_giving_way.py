"""Notes that are right to a few cents and beat: one of them gives way, within what edits leave."""

from __future__ import annotations

from typing import Any

import pytest
from deciding import note, plan, stem

from planner.clashes import SoundingNote
from planner.clear.giving_way import Leeway, giving_way
from planner.clear.sour_time import as_recorded, sour_map, sour_now_s
from planner.rules import IN_TOLERANCE
from planner.words.plan_model import Plan
from tests.clear.test_worth_clearing import sounding
from tests.sessions.records import make_records, plan_of


def found(
    notes: list[SoundingNote], may: list[str], **leeway: Any
) -> tuple[dict[str, float], float]:
    sour = sour_map(notes, {})
    now = as_recorded(sour)
    off = {k: round(float(sour.error_cents[sour.index[k]]), 1) for k in may}
    given = {"most_left_cents": 3.0, "least_move_cents": 3.0, "least_gain_s": 0.25, **leeway}
    leeways = {k: Leeway(rest_cents=off[k], **given) for k in may}
    return giving_way(sour, now, leeways), sour_now_s(sour, now)


def test_the_one_in_the_middle_of_more_clashes_gives_way() -> None:
    """A is 2 sharp of two that are 2 flat, one after the other: A moves, and both are clear."""
    notes = [
        sounding("A-1", 2, 0, 4.0, midi=81), sounding("B-1", -2, 0, 1.9, midi=81),
        sounding("C-1", -2, 2.0, 1.9, midi=81),
    ]  # fmt: skip
    places, left_s = found(notes, ["A-1", "B-1", "C-1"])
    # 4 cents are the least that is no trifle, and leave nothing between them.
    assert (places, left_s) == ({"A-1": -2.0}, 0.0)


@pytest.mark.parametrize(("cents", "gives"), [(-2.0, True), (-0.9, False)])
def test_a_move_is_no_trifle_and_ends_near_the_target(cents: float, gives: bool) -> None:
    """More than 3 cents of move and at most 3 of error: what lies nearer than 1 cent stays."""
    fixed = sounding("PNO-1", 3.0, 0, 3.0, midi=93)
    places, _ = found([fixed, sounding("A-1", cents, 0, 3.0, midi=93)], ["A-1"])
    assert bool(places) is gives
    assert all(abs(left) <= 3.0 and abs(left - cents) > 3.0 for left in places.values())


@pytest.mark.parametrize(("length_s", "gives"), [(0.5, True), (0.49, False)])
def test_edge_of_what_a_move_must_clear(length_s: float, gives: bool) -> None:
    """Half a second where half is asked is enough; less is not."""
    notes = [sounding("PNO-1", 3, 0, length_s, 93), sounding("A-1", -2, 0, length_s, 93)]
    places, _ = found(notes, ["A-1"], least_gain_s=0.5)
    assert bool(places) is gives


def test_a_place_that_would_beat_elsewhere_is_none() -> None:
    """Between two that beat with each side of it, a note has nowhere to go."""
    notes = [
        sounding("PNO-1", 3, 0, 2.0, 93), sounding("PNO-2", -3, 0, 2.0, 105),
        sounding("A-1", -2, 0, 2.0, 93),
    ]  # fmt: skip
    assert found(notes, ["A-1"])[0] == {}


def flute_over_piano(flute_cents: float, **fields: Any) -> Plan:
    piano = stem("PNO", "tuning-reference", [note("PNO-0001", 81, 2, length_s=1.8)])
    flute = stem("WW", "woodwind", [note("WW-0001", 81, flute_cents, length_s=1.8, **fields)])
    return plan(piano, flute)


def test_a_flute_meets_a_key_that_is_a_little_off() -> None:
    """2.5 flat of a piano that is 2 sharp beats 2.3 times a second: the flute goes to the key."""
    made = flute_over_piano(-2.5)
    (row,) = made.rows
    assert (row.id, row.action, row.remaining_cents) == ("WW-0001", "raise-lower", 1.5)
    assert (made.sour_before_s, made.sour_after_s) == (1.8, 0.0)
    assert row.reason == (
        "2.5 flat, within its tolerance, but it beats with PNO's A5: ends 1.5 sharp, where it "
        "beats least"
    )


def test_an_unsure_reading_gives_way_to_nobody() -> None:
    """Half of what a move makes must be more than the reading's doubt."""
    assert flute_over_piano(-2.5, uncertainty=1.0).rows
    assert flute_over_piano(-2.5, uncertainty=2.1).rows == ()


def test_what_a_mended_note_keeps_lies_where_it_beats_with_nobody() -> None:
    """A cello 30 flat meets a key 2 sharp: nothing left in would beat with it, so it ends there."""
    piano = stem("PNO", "tuning-reference", [note("PNO-0001", 93, 2.6, length_s=1.4)])
    cello = stem("CEL", "bowed", [note("CEL-0001", 93, -30, length_s=1.4, uncertainty=0.3)])
    made = plan(piano, cello)
    (row,) = made.rows
    assert row.remaining_cents is not None
    assert row.remaining_cents > 0
    assert made.sour_after_s == 0.0


@pytest.mark.parametrize("seed", [49203, 49214])
def test_no_good_note_ends_further_off_than_it_stood(seed: int) -> None:
    """Inside its tolerance a note is moved toward its target or past it to as near, never away.

    In both sessions one note would clear a quarter of a second 2.4 cents on its other side.
    """
    made = plan_of(make_records(seed, bars=6), edit_minutes=1e6)
    inside = [j for j in made.judged if j.rule_name == IN_TOLERANCE and j.action != "leave"]
    assert inside
    for j in inside:
        stood = (j.heard_cents or 0.0) + sum(cents for _, cents in j.layers)
        assert abs(j.remaining_cents or 0.0) <= abs(stood) + 0.05
