from typing import Any

import pytest
from deciding import session, stem
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.clear.fewest_moves import Step, fewest_moves
from planner.clear.move_lines import Proposal
from planner.clear.sour_time import sour_map
from planner.ranking import (
    fault_of,
    place_points,
    rank,
    severity,
    total_of,
    with_clears,
    with_repeats,
)
from planner.words.plan_model import MOVING_ACTIONS, Offender, Row
from planner.words.session_model import Session


def row(row_id: str, severity: float, *, midi: int = 62, **fields: Any) -> Row:
    return Row(
        **{
            "id": row_id, "kind": "note", "stem": row_id.split("-")[0], "apply_to": ("x.wav",),
            "start_s": 1.0, "end_s": 2.0, "intended": "D4", "intended_midi": midi,
            "heard_cents": 20.0, "action": "raise-lower", "add_cents": -15.0,
            "in_words": "lower by 15", "severity": severity, **fields,
        }
    )  # fmt: skip


SESSION = session(stem("A", "bowed", []))


def steps_of(rows: list[Row], first_screen: int = 20) -> tuple[Step, ...]:
    """Their order where nothing sounds: by severity alone."""
    wanted = [
        Proposal(id=r.id, notes=(), severity=r.severity or 0.0, fault=fault_of(r), stem=r.stem)
        for r in rows
        if r.action in MOVING_ACTIONS
    ]
    return fewest_moves(sour_map([], {}), wanted, first_screen=first_screen).steps


def ranked(rows: list[Row], where: Session = SESSION, **beats: str) -> tuple[Offender, ...]:
    told, terms = with_repeats(rows, {r.id: () for r in rows})
    return rank(told, terms, where, steps_of(list(told), where.offenders_wanted), beats)


@pytest.mark.parametrize(("error", "over"), [(10, 0), (20, 17.5), (-20, 17.5), (30, 35), (50, 35)])
def test_over_grows_with_the_error(error: float, over: float) -> None:
    """Twice the tolerance counts 17.5, three times and more 35."""
    _, terms = severity(error_cents=error, tolerance_cents=10, length_s=1.0, confidence="firm")
    assert dict(terms)["over"] == over


def test_severity_is_the_sum_of_its_terms() -> None:
    """The terms add up to what is printed; an unsure reading and a rule are told as less."""
    everything: dict[str, Any] = {
        "error_cents": 20, "tolerance_cents": 10, "clash_points": 12.0, "over_rest_db": 0.0,
        "place_points": 10.0, "length_s": 1.0,
    }  # fmt: skip
    total, terms = severity(**everything, confidence="firm")
    assert dict(terms) == {
        "over": 17.5, "clash": 12.0, "exposure": 7.5, "place": 10.0, "length": 5.0,
        "confidence": 0.0, "covered": 0.0,
    }  # fmt: skip
    assert total == 52.0
    assert severity(**everything, confidence="fair")[0] == pytest.approx(41.6)
    total, terms = severity(**everything, confidence="fair", covered=True)
    assert dict(terms)["confidence"] == pytest.approx(-10.4)
    assert (total, dict(terms)["covered"]) == (20.8, -20.8)


@settings(max_examples=200, deadline=None)
@given(
    error=st.floats(-60, 60), tolerance=st.floats(4, 30), clash=st.floats(0, 25),
    over=st.none() | st.floats(-30, 30), length=st.floats(0.05, 12), down=st.booleans(),
    sure=st.sampled_from(["firm", "fair", "shaky", ""]), covered=st.booleans(),
    times=st.integers(1, 9),
)  # fmt: skip
def test_terms_always_add_up(
    error: float, tolerance: float, clash: float, over: float | None, length: float, down: bool,
    sure: Any, covered: bool, times: int,
) -> None:  # fmt: skip
    """Whatever the note: terms as printed, repeats included, are the severity as printed."""
    total, terms = severity(
        error_cents=error, tolerance_cents=tolerance, clash_points=clash, over_rest_db=over,
        place_points=4.0 * down, length_s=length, confidence=sure, covered=covered,
    )  # fmt: skip
    assert total == total_of(terms)
    rows = [row(f"A-{k}", total) for k in range(times)]
    told, found = with_repeats(rows, {r.id: terms for r in rows})
    for r in told:
        assert r.severity == total_of(found[r.id])
        assert 0.0 <= r.severity <= 100.0


def test_a_place_adds_up_and_the_last_held_note_counts_all() -> None:
    """A downbeat counts 4, a phrase's end 6, or 10 on the tonic, the title's word 3; 15 at most.

    As much counts the last held note.
    """
    where = {"on_downbeat": True, "ends_phrase": True, "on_title_word": False, "final_held": False}
    assert place_points(**where) == 10.0
    assert place_points(**{**where, "on_title_word": True}) == 13.0
    assert place_points(**where, on_tonic=True) == 14.0
    assert place_points(**{**where, "on_title_word": True}, on_tonic=True) == 15.0
    assert place_points(**{**where, "ends_phrase": False}, on_tonic=True) == 4.0
    assert place_points(**{**where, "final_held": True}) == 15.0


def test_worst_case_is_a_hundred() -> None:
    """Everything at its worst makes 100 and no more."""
    total, _ = severity(
        error_cents=90, tolerance_cents=10, clash_points=25, place_points=15, length_s=10,
        confidence="firm",
    )  # fmt: skip
    assert total == 100.0


def test_repeats_fold_into_one_line() -> None:
    """The same fault six times is one line with its count, told by the worst place."""
    rows = [row(f"A-{k}", 30.0 + k) for k in range(6)]
    (line,) = ranked(rows)
    assert (line.times, line.row_id, line.severity, line.edits) == (6, "A-5", 45.0, 6)
    assert ("repeats", 10.0) in line.terms
    assert line.minutes_so_far == 3.0


def test_list_and_rows_carry_the_same_severity() -> None:
    """What the edit list says of a row is what the list of offenders says of it."""
    rows = [row(f"A-{k}", 30.0 + k) for k in range(6)] + [row("B-1", 97.0), row("B-2", 97.0)]
    told, _ = with_repeats(rows, {})
    said = {r.id: r.severity for r in told}
    for line in ranked(rows):
        assert line.severity == said[line.row_id]
    assert said["B-1"] == 100.0


def test_flat_and_sharp_are_two_faults() -> None:
    """The same note once sharp and once flat are two lines."""
    assert len(ranked([row("A-1", 30), row("A-2", 30, add_cents=15.0)])) == 2


def test_questions_are_no_offenders() -> None:
    """Only edits are ranked."""
    assert ranked([row("A-1", 30, action="ask", kind="question", add_cents=None)]) == ()


def test_stop_line() -> None:
    """A line stands above the stop line while its edits fit in the editor's minutes."""
    limited = session(stem("A", "bowed", []), edit_minutes=1.0, seconds_per_edit=30.0)
    lines = ranked([row(f"A-{k}", 50 - k, midi=60 + k) for k in range(3)], limited)
    assert [line.above_stop_line for line in lines] == [True, True, False]
    assert [line.minutes_so_far for line in lines] == [0.5, 1.0, 1.5]


def test_stop_line_never_parts_what_goes_together() -> None:
    """Lines made together stand on one side of the stop line."""
    limited = session(stem("A", "bowed", []), edit_minutes=1.0, seconds_per_edit=30.0)
    rows = [row("A-1", 50), row("A-2", 40, midi=63), row("B-1", 30, midi=65)]
    steps = [
        Step(ids=(r.id,), together=t, clears_s=(0.0,), left_s=5.0)
        for r, t in zip(rows, (1, 2, 2), strict=True)
    ]
    lines = rank(rows, {}, limited, steps, {})
    assert [line.above_stop_line for line in lines] == [True, False, False]
    assert [line.shares_step for line in lines] == [False, True, True]


def test_what_a_row_clears_is_written_beside_it() -> None:
    """Each row of a line carries its own share; rows without a place carry none."""
    rows = [row("A-1", 50), row("A-2", 40), row("Q-001", 0, kind="question", action="ask")]
    step = Step(ids=("A-1", "A-2"), together=1, clears_s=(1.25, 0.5), left_s=3.0)
    assert [r.clears_s for r in with_clears(rows, [step])] == [1.2, 0.5, None]


def test_five_of_a_stem_on_the_first_screen() -> None:
    """A stem takes at most five of the first lines; its others follow after."""
    rows = [row(f"A-{k}", 90 - k, midi=50 + k) for k in range(8)]
    rows += [row(f"B-{k}", 20 - k, midi=50 + k) for k in range(3)]
    lines = ranked(rows, session(stem("A", "bowed", []), offenders_wanted=7))
    assert [line.stem for line in lines] == ["A"] * 5 + ["B"] * 2 + ["A"] * 3 + ["B"]
    assert [line.rank for line in lines] == list(range(1, 12))


def test_headline_says_what_one_hears() -> None:
    """The headline says note, side, partner and beating in words; without any, how long."""
    beating = {"A-1": "beats 7.0 times a second with PNO's D4 for 1.0 s (7 beats)"}
    (line,) = ranked([row("A-1", 30)], **beating)
    assert line.headline == (
        "D4 20 sharp, beats 7.0 times a second with PNO's D4 for 1.0 s (7 beats)"
    )
    (line,) = ranked([row("A-1", 30)])
    assert line.headline == "D4 20 sharp, for 1.0 s"
    (line,) = ranked([row("A-1", 30, action="hold-end", end_cents=-21.0)])
    assert line.headline == "the end 21 flat, in a note of 1.0 s"
