"""Verdicts on rows, on both sides of their edges; notes found again; what moved unasked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.check import (
    Pair,
    Reading,
    checked_rows,
    checked_stem,
    moved_unasked,
    paired,
    verdict_of,
)
from planner.check_words import BounceCheck, check_markdown, in_short, row_words, state_of
from planner.pitch import shift_hz
from tests.invented_plan import RULE, SHAPED, row


@pytest.mark.parametrize(
    ("wanted", "got", "verdict"),
    [
        # 70 % of the move and within 5 cents: common practice, no source.
        (16.0, 11.2, "done"), (16.0, 11.1, "half done"), (-16.0, -11.2, "done"),
        (16.0, 20.8, "done"), (16.0, 21.0, "overdone"), (16.0, 27.2, "done twice"),
        (16.0, 36.8, "done twice"), (16.0, 37.0, "overdone"),
        (16.0, 4.8, "half done"), (16.0, 4.6, "not done"), (16.0, 0.0, "not done"),
        (16.0, -4.7, "not done"), (16.0, -4.8, "wrong way"), (-9.0, 9.0, "wrong way"),
        (40.0, 46.0, "inexact"), (40.0, 45.0, "done"),
    ],
)  # fmt: skip
def test_verdicts(wanted: float, got: float, verdict: str) -> None:
    """What was got against what was planned."""
    assert verdict_of(wanted, got, 0.5) == verdict


def test_a_doubt_as_large_as_the_move_tells_nothing() -> None:
    """3.9 cents read give or take 2 can be anything; 3.9 give or take 0.2 is plain."""
    assert verdict_of(3.9, 0.0, 2.0) == "cannot tell"
    assert verdict_of(3.9, 0.0, 0.5) == "not done"
    assert verdict_of(10.0, 6.4, 1.9) == "done"  # 64 %, but nearer than twice its doubt
    assert verdict_of(3.9, -9.0, 2.0) == "wrong way"  # further than any doubt


def reading(k: int, off: float = 0.0, late_s: float = 0.0, **more: float) -> Reading:
    """Note k of a line, a second each, so many cents off."""
    hz = shift_hz(220.0 * 2 ** ((k % 5) / 6), off)
    given = Reading(
        id=f"LV-{k:04d}", stem="LV", start_s=k + late_s, end_s=k + 0.8 + late_s, pitch_hz=hz,
        onset_hz=hz, sustain_hz=hz, end_hz=hz, uncertainty_cents=0.3,
        onset_uncertainty_cents=0.3,
    )  # fmt: skip
    return replace(given, **more)


@pytest.mark.parametrize("late_s", [0.0, 0.0107, -0.05, 2.4, -7.3])
def test_notes_are_found_again_however_late_the_file(late_s: float) -> None:
    """One shift for the whole file; notes of other pitches are never taken."""
    then = [reading(k) for k in range(12)]
    now = [reading(k, 10.0, late_s) for k in range(12) if k != 5]
    pairs, found_s = paired(then, now)
    assert [p.then.id for p in pairs] == [r.id for r in then if r.id != "LV-0005"]
    assert found_s == pytest.approx(late_s)
    assert all(p.moved("sustain")[0] == pytest.approx(10.0) for p in pairs)  # type: ignore[index]
    assert paired(then, [])[0] == paired([], now)[0] == ()


def test_rules_and_notes_are_told_apart() -> None:
    """A rule undone under a note whose own edit was made: only the rule is not done."""
    rule = replace(
        RULE, id="R-001", stem="LV", add_cents=4.0, covers=tuple(f"LV-{k:04d}" for k in range(8)),
        onset_cents=None,
    )  # fmt: skip
    own = replace(
        row(id="LV-0003"), add_cents=12.0, covers=("LV-0003",), layers=(("R-001", 4.0),),
        points=(),
    )  # fmt: skip
    refused = replace(own, id="LV-0004", covers=("LV-0004",), state="refused")

    def checked(by_rule: float, by_note: float) -> dict[str, str]:
        pairs = {
            f"LV-{k:04d}": Pair(
                then=reading(k), now=reading(k, by_rule + (by_note if k == 3 else 0.0))
            )
            for k in range(8)
        }
        checks, _ = checked_rows((rule, own, refused), pairs, frozenset())
        return {c.id: c.verdict for c in checks}

    assert checked(4.0, 12.0) == {"R-001": "done", "LV-0003": "done"}
    assert checked(0.0, 12.0) == {"R-001": "not done", "LV-0003": "done"}
    assert checked(4.0, 0.0) == {"R-001": "done", "LV-0003": "not done"}
    checks, _ = checked_rows((own,), {}, frozenset({"LV"}))
    assert [c.verdict for c in checks] == ["no file"]
    checks, _ = checked_rows((own,), {}, frozenset())
    assert [c.verdict for c in checks] == ["cannot tell"]


def test_points_are_judged_where_they_move_most() -> None:
    """A held end: nothing at the sustain is asked, and its end decides."""
    shaped = replace(
        SHAPED, covers=("LV-0000",), layers=(), points=((0.0, 0.0), (0.5, 0.0), (0.8, 18.0))
    )
    then = reading(0)
    now = replace(then, end_hz=shift_hz(then.end_hz or 0.0, 14.0))
    checks, _ = checked_rows((shaped,), {"LV-0000": Pair(then=then, now=now)}, frozenset())
    assert (checks[0].verdict, checks[0].wanted_cents > 12.0) == ("done", True)
    still = Pair(then=then, now=then)
    assert checked_rows((shaped,), {"LV-0000": still}, frozenset())[0][0].verdict == "not done"


def test_what_moved_unasked() -> None:
    """From 3 cents on, or twice the doubt; a shaky reading says nothing; rules are taken off."""
    rule = replace(RULE, id="R-001", stem="LV", add_cents=4.0, covers=("LV-0000", "LV-0001"))

    def moved(k: int, by: float, **more: float) -> list[str]:
        pairs = {f"LV-{k:04d}": Pair(then=reading(k, **more), now=reading(k, by))}
        return [m.id for m in moved_unasked((rule,), pairs, {"R-001": 4.0})]

    assert moved(5, 3.0) == []
    assert moved(5, 3.1) == ["LV-0005"]
    assert moved(5, 3.1, uncertainty_cents=1.6) == []
    assert moved(5, 30.0, shaky=True) == []
    assert moved(0, 4.0) == moved(0, 9.0) == []
    assert moved(0, 9.1) == ["LV-0000"]


def test_a_stem_as_a_whole() -> None:
    """Delay, vibrato, level and notes that are gone, each on both sides of its limit."""
    then = [reading(k, vibrato_half_cents=20.0, level_db=-20.0) for k in range(10)]

    def said(now: list[Reading]) -> tuple[str, ...]:
        return checked_stem("LV", then, now, ())[0].said

    assert said(then) == ()
    assert said([replace(r, start_s=r.start_s + 0.0019) for r in then]) == ()
    assert said([replace(r, start_s=r.start_s + 0.0107) for r in then]) == (
        "10.7 ms late throughout: a delay was not made up for",
    )
    thin = [replace(then[0], vibrato_half_cents=12.0), *then[1:]]
    assert said(thin) == ("vibrato narrower by 40 % on LV-0000",)
    assert said([replace(then[0], vibrato_half_cents=16.0), *then[1:]]) == ()
    assert said([replace(r, level_db=-21.5) for r in then]) == ("1.5 dB softer than the original",)
    assert said(then[1:]) == ()
    assert said(then[2:]) == ("2 of 10 notes were not found again",)


def test_the_sheet_in_words() -> None:
    """An original that changed comes first; rows say what was planned and what was found."""
    own = replace(row(id="LV-0003"), add_cents=12.0, covers=("LV-0003",), points=(), layers=())
    pair = Pair(then=reading(3), now=reading(3, 18.0))
    checks, _ = checked_rows((own,), {"LV-0003": pair}, frozenset())
    assert row_words(checks[0]) == "raise by 12; found raised by 18: overdone"
    assert row_words(replace(checks[0], got_cents=0.1, verdict="not done")) == (
        "raise by 12; found where it was: not done"
    )
    assert row_words(replace(checks[0], got_cents=None, verdict="no file")) == (
        "raise by 12: no file"
    )
    whole = BounceCheck(
        song="Low Tide Ledger", plan="plan_01", rows=checks, moved=(), stems=(),
        changed_originals=("LV",),
    )  # fmt: skip
    assert in_short(whole)[0].startswith("AN ORIGINAL HAS CHANGED SINCE THE PLAN: LV.")
    assert not whole.passed
    assert "| LV-0003 | LV |" in check_markdown(whole, (own,))
    assert [state_of(v) for v in ("done", "overdone", "cannot tell", "no file")] == [
        "checked", "not-done", "new", "not-done",
    ]  # fmt: skip
