from __future__ import annotations

from typing import Any

import pytest
from deciding import session, stem

from planner.plan_model import Row
from planner.ranking import rank, severity


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


@pytest.mark.parametrize(("error", "over"), [(10, 0), (20, 17.5), (-20, 17.5), (30, 35), (50, 35)])
def test_over_grows_with_the_error(error: float, over: float) -> None:
    """Twice the tolerance counts 17.5, three times and more 35."""
    _, terms = severity(error_cents=error, tolerance_cents=10, length_s=1.0, confidence="firm")
    assert dict(terms)["over"] == over


def test_severity_is_the_sum_of_its_terms() -> None:
    """The terms are kept and add up, times the confidence, halved where a rule covers the note."""
    everything: dict[str, Any] = {
        "error_cents": 20, "tolerance_cents": 10, "clash_points": 12.0, "over_rest_db": 0.0,
        "on_downbeat": True, "ends_phrase": True, "length_s": 1.0,
    }  # fmt: skip
    total, terms = severity(**everything, confidence="firm")
    assert dict(terms) == {
        "over": 17.5, "clash": 12.0, "exposure": 7.5, "place": 10.0, "length": 5.0,
        "confidence": 1.0, "covered": 0.0,
    }  # fmt: skip
    assert total == 52.0
    assert severity(**everything, confidence="fair")[0] == pytest.approx(41.6)
    assert severity(**everything, confidence="firm", covered=True)[0] == 26.0


def test_worst_case_is_a_hundred() -> None:
    """Everything at its worst makes 100 and no more."""
    total, _ = severity(
        error_cents=90, tolerance_cents=10, clash_points=25, final_held=True, length_s=10,
        confidence="firm",
    )  # fmt: skip
    assert total == 100.0


def test_repeats_fold_into_one_line() -> None:
    """The same fault six times is one line with its count, told by the worst place."""
    rows = [row(f"A-{k}", 30.0 + k) for k in range(6)]
    (line,) = rank(rows, {}, SESSION)
    assert (line.times, line.row_id, line.severity) == (6, "A-5", 45.0)
    assert ("repeats", 10.0) in line.terms
    assert line.minutes_so_far == 3.0


def test_flat_and_sharp_are_two_faults() -> None:
    """The same note once sharp and once flat are two lines."""
    assert len(rank([row("A-1", 30), row("A-2", 30, add_cents=15.0)], {}, SESSION)) == 2


def test_questions_are_no_offenders() -> None:
    """Only edits are ranked."""
    assert rank([row("A-1", 30, action="ask", kind="question", add_cents=None)], {}, SESSION) == ()


def test_stop_line() -> None:
    """A line stands above the stop line while its edits fit in the editor's minutes."""
    limited = session(stem("A", "bowed", []), edit_minutes=1.0, seconds_per_edit=30.0)
    lines = rank([row(f"A-{k}", 50 - k, midi=60 + k) for k in range(3)], {}, limited)
    assert [line.above_stop_line for line in lines] == [True, True, False]
    assert [line.minutes_so_far for line in lines] == [0.5, 1.0, 1.5]


def test_five_of_a_stem_on_the_first_screen() -> None:
    """A stem takes at most five of the first lines; its others follow after."""
    rows = [row(f"A-{k}", 90 - k, midi=50 + k) for k in range(8)]
    rows += [row(f"B-{k}", 20 - k, midi=50 + k) for k in range(3)]
    lines = rank(rows, {}, session(stem("A", "bowed", []), offenders_wanted=7))
    assert [line.stem for line in lines] == ["A"] * 5 + ["B"] * 2 + ["A"] * 3 + ["B"]
    assert [line.rank for line in lines] == list(range(1, 12))


def test_headline_says_what_one_hears() -> None:
    """The headline says note, side, partner and beating in words."""
    (line,) = rank([row("A-1", 30, clash_with="PNO-0007", beating_hz=7.0)], {}, SESSION)
    assert line.headline == "D4 20 sharp, beating with PNO-0007 7.0 times a second, for 1.0 s"
