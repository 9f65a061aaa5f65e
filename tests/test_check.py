"""Verdicts on rows, on both sides of their edges; notes found again; what moved unasked."""

from dataclasses import replace

import pytest

from planner.check import (
    Ghost,
    Moved,
    RowCheck,
    StemCheck,
    checked_rows,
    checked_stem,
    moved_unasked,
    verdict_of,
)
from planner.compare.check_words import (
    BounceCheck,
    changed_words,
    check_markdown,
    in_short,
    row_words,
    state_of,
)
from planner.compare.note_pairs import Pair, Reading, paired
from planner.compare.null_test import Changed, NullTest
from planner.compare.sour_check import FreshSour, SourCheck
from planner.pitch import shift_hz
from planner.words.plan_model import State
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
    assert verdict_of(14.0, 7.7, 3.4) == "done"  # 55 %, twice its doubt is less than half of it
    assert verdict_of(14.0, 7.7, 3.5) == "cannot tell"  # half of the move, as far as it is known
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
    # Where its end cannot be read, or there is no file, that is still what was asked.
    unread = Pair(then=then, now=replace(then, end_hz=None))
    for pairs, no_file, said in (
        ({"LV-0000": unread}, frozenset(), "cannot tell"),
        ({}, frozenset({"LV"}), "no file"),
    ):
        checks, _ = checked_rows((shaped,), pairs, no_file)
        assert row_words(checks[0]) == f"raise by 14: {said}"


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


@pytest.mark.parametrize("state", ["parked", "refused"])
def test_a_rule_left_out_and_made_all_the_same_is_told_once(state: State) -> None:
    """Thirty notes moved as one are one line; an edit on top is judged by what really moved."""
    ids = tuple(f"LV-{k:04d}" for k in range(30))
    rule = replace(
        RULE, id="R-001", stem="LV", covers=ids, onset_cents=None, state=state,
        action="leave" if state == "refused" else "whole-part",
        add_cents=None if state == "refused" else -8.0,
    )  # fmt: skip
    own = replace(
        row(id=ids[3]), add_cents=12.0, covers=ids[3:4], layers=(("R-001", -8.0),), points=()
    )

    def checked(by_rule: float, notes: int) -> tuple[list[str], BounceCheck]:
        by = [(by_rule if k < notes else 0.0) + (12.0 if k == 3 else 0.0) for k in range(30)]
        pairs = {n: Pair(then=reading(k), now=reading(k, by[k])) for k, n in enumerate(ids)}
        rows, done = checked_rows((rule, own), pairs, frozenset())
        check = BounceCheck(
            song="Song", plan="plan_01", rows=rows, moved=moved_unasked((rule, own), pairs, done),
            stems=(), changed_originals=(),
        )  # fmt: skip
        return [c.verdict for c in rows], check

    verdicts, made = checked(-8.0, 30)
    assert verdicts == ["done"]
    assert f"R-001 is {state}, and was made all the same: 30 notes moved 8 down." in in_short(made)
    said = check_markdown(made, (rule, own))
    assert f": 30 notes moved 8 down, and the rule is {state}" in said
    assert "LV-0005" not in said
    verdicts, left = checked(-8.0, 0)
    assert (verdicts, left.moved) == (["done"], ())
    verdicts, some = checked(-8.0, 10)
    assert [m.id for m in some.moved] == [n for k, n in enumerate(ids) if k < 10 and k != 3]


def test_a_stem_as_a_whole() -> None:
    """Delay, vibrato, level and notes that are gone, each on both sides of its limit."""
    then = [reading(k, vibrato_half_cents=20.0, level_db=-20.0) for k in range(10)]

    def said(now: list[Reading]) -> tuple[str, ...]:
        return checked_stem("LV", then, paired(then, now), ()).said

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


def checked(**more: object) -> BounceCheck:
    base = BounceCheck(
        song="Low Tide Ledger", plan="plan_01", rows=(), moved=(), stems=(), changed_originals=()
    )
    return replace(base, **more)


def test_what_changed_outside_the_edits_in_words() -> None:
    """Level, place, hole, click, another sound; a file rendered anew; polarity."""
    base = NullTest(stem="LV", file="lv_fix.wav", compared_s=40.0, null_db=-88.2)
    said = {
        Changed(start_s=4.0, end_s=6.5, how="level", level_db=2.0): "level changed: 2.0 dB louder",
        Changed(start_s=4.0, end_s=6.5, how="level", level_db=-5.9, steady=False):
            "level changed: 5.9 dB softer at most",
        Changed(start_s=4.0, end_s=6.5, how="later", later_s=-0.003):
            "moved in time: 3.00 ms earlier",
        Changed(start_s=4.0, end_s=6.5, how="silent"): "silent now",
        Changed(start_s=4.0, end_s=6.5, how="added"): "something sounds where there was silence",
        Changed(start_s=4.0, end_s=6.5, how="other", null_db=-12.3):
            "something else changed (null -12 dB)",
    }  # fmt: skip
    for one, words in said.items():
        whole = checked(nulls=(replace(base, changed=(one,)),))
        assert changed_words(one) == words
        assert not whole.passed
        assert (
            "LV: lv_fix.wav: 1 stretch outside the edits is not the same sound (2.5 s in all; "
            f"first at 4.00 s, {words})."
        ) in in_short(whole)
        assert f"- LV (lv_fix.wav), 4.00 to 6.50 s: {words}" in check_markdown(whole, ())
    anew = checked(nulls=(replace(base, rerendered=True),))
    assert not anew.passed
    assert "the whole file was rendered anew" in in_short(anew)[1]
    turned = checked(nulls=(replace(base, turned_over=True),))
    assert in_short(turned)[1] == "LV: lv_fix.wav: polarity is turned over."


def test_a_stretch_that_a_moved_note_fills_is_that_note() -> None:
    """It is not told twice as two things; what reaches past the note is another change as well."""
    note = Moved(
        id="CLA-0004", stem="CLA", start_s=13.3, end_s=14.45, moved_cents=12.0, rules=()
    )  # fmt: skip
    stretch = Changed(start_s=13.3, end_s=14.5, how="other", null_db=3.0)
    said = "CLA-0004 moved, and no row asks for it"
    whole = checked(
        moved=(note,),
        nulls=(NullTest(stem="CLA", file="c.wav", changed=(stretch,)),),
        stems=(StemCheck(code="CLA", notes=33, paired=33, late_s=0.0, said=()),),
    )
    assert f"first at 13.30 s, {said})." in in_short(whole)[-1]
    sheet = check_markdown(whole, ())
    assert f"13.30 to 14.50 s: {said}" in sheet
    assert "| CLA | 33 of 33 | 1 note, 1 stretch told above |" in sheet
    longer = replace(stretch, end_s=16.0)
    assert changed_words(longer, [note]) == "something else changed (null 3 dB)"
    silent = replace(stretch, how="silent")
    assert changed_words(silent, [note]) == "silent now"


def test_the_same_sound_in_words() -> None:
    """What was made up for stands beside what is left; a file not compared says why."""
    base = NullTest(stem="LV", file="lv_fix.wav", compared_s=40.0, null_db=-88.2)
    fine = replace(base, late_smp=512.0, late_s=512 / 48000, gain_db=-1.94, reaching=2, reach_s=0.3)
    whole = checked(nulls=(fine, replace(base, why_not="a rule moves the whole part")))
    assert whole.passed
    assert in_short(whole)[1] == (
        "All done as planned, and nothing else moved: outside the edits it is the same sound."
    )
    sheet = check_markdown(whole, ())
    assert (
        "| LV | lv_fix.wav | 40.0 s | 512.00 samples, -1.9 dB; null -88 dB | the same sound; "
        "2 edits past the note's own span, by 0.3 s at most |"
    ) in sheet
    assert "| LV | lv_fix.wav |  |  | not compared: a rule moves the whole part |" in sheet
    exact = check_markdown(checked(nulls=(replace(base, null_db=-200.0),)), ())
    assert "| nothing; null exact | the same sound |" in exact


def test_a_null_test_knows_delay_and_level_better() -> None:
    """To the sample instead of to some milliseconds; a delay of one sample is told."""
    notes = tuple(reading(k) for k in range(6))
    later = tuple(reading(k, late_s=0.0105) for k in range(6))
    null = NullTest(stem="LV", file="x.wav", late_smp=1.0, late_s=1 / 48000, gain_db=-1.5)
    told = checked_stem("LV", notes, paired(notes, later), (), null)
    assert told.said == (
        "1 sample (0.02 ms) late throughout: a delay was not made up for",
        "1.5 dB softer than the original",
    )
    for useless in (replace(null, why_not="a rule"), replace(null, rerendered=True), None):
        told = checked_stem("LV", notes, paired(notes, later), (), useless)
        assert told.said == ("10.5 ms late throughout: a delay was not made up for",)


def test_sour_seconds_and_ghosts_in_words() -> None:
    """Three figures, what is sour now, and where the old pitch is still heard."""
    fresh = (
        FreshSour(start_s=4.0, end_s=5.2, notes=("BV-0012", "PNO-0031"), planned=False),
        FreshSour(start_s=9.0, end_s=9.4, notes=("LV-0007",), planned=True),
    )
    sour = SourCheck(recorded_s=42.3, planned_s=16.1, measured_s=18.4, fresh=fresh, unread=1)
    ghost = Ghost(stem="LV", held_in="OH", notes=4, loudest_db=-18.2, most_cents=-21.0)
    whole = checked(sour=sour, ghosts=(ghost,))
    assert in_short(whole)[-2:] == [
        "Sour seconds: 42 as recorded, 16 as planned, 18 in the bounces; 1 moment sour there that "
        "the plan leaves clean.",
        "Corrected notes are still heard at their old pitch in OH, by bleed.",
    ]
    absent = tuple(
        StemCheck(code=code, notes=4, paired=0, late_s=0.0, said=(), unchecked_rows=2)
        for code in ("SAX", "CB")
    )
    assert in_short(checked(sour=sour, stems=absent))[-1].endswith(
        "leaves clean. Without a corrected file, SAX and CB counted as recorded."
    )
    sheet = check_markdown(whole, ())
    assert "- 4.00 to 5.20 s: BV-0012 against PNO-0031\n" in sheet
    assert "- 9.00 to 9.40 s: LV-0007 out of tune (as planned)\n" in sheet
    assert "1 note of the bounces could not be read again: counted as recorded." in sheet
    assert (
        "- OH holds 4 corrected notes of LV as recorded, at -18 dB the loudest; LV was lowered by "
        "up to 21."
    ) in sheet


def test_a_stem_of_which_nothing_was_done_is_one_line() -> None:
    """Twenty rows of one untouched file do not push the others off the sheet."""

    def one(stem: str, k: int, verdict: str) -> RowCheck:
        return RowCheck(
            id=f"{stem}-{k:04d}", stem=stem, start_s=1.0 * k, wanted_cents=9.0, got_cents=0.0,
            uncertainty_cents=0.5, verdict=verdict, notes=1,
        )  # fmt: skip

    rows = (*(one("AG", k, "not done") for k in range(30)), one("LV", 1, "not done"))
    sheet = check_markdown(checked(rows=rows), ())
    assert "| all 30 rows | AG |  | none of them was done |  |" in sheet
    assert "AG-0003" not in sheet
    assert "| LV-0001 | LV |  | raise by 9; found where it was: not done | 1 |" in sheet
    assert "more are in check.csv" not in sheet


def test_many_changed_vibratos_are_one_line() -> None:
    """Up to three by name, more as a number with the worst."""
    then = tuple(reading(k, vibrato_half_cents=30.0) for k in range(5))
    for k, said in ((3, "vibrato narrower by 30 % on LV-0001"), (5, "")):
        now = tuple(
            reading(i, vibrato_half_cents=30.0 * (0.8 - 0.1 * i) if i < k else 30.0)
            for i in range(5)
        )
        told = checked_stem("LV", then, paired(then, now), ())
        if said:
            assert said in told.said
            assert len(told.said) == 2
        else:
            assert told.said == (
                "vibrato changed on 4 notes, most of all LV-0004 narrower by 60 %",
            )


def test_a_rule_left_undone_is_no_doing_of_a_smaller_one() -> None:
    """Neither of two rules was made: the pitch under the part is not half done by that."""
    ids = tuple(f"LV-{k:04d}" for k in range(10))
    whole = replace(RULE, id="R-001", stem="LV", scope="part", covers=ids, add_cents=3.6,
                    onset_cents=None, state="new")  # fmt: skip
    pitch = replace(whole, id="R-002", scope="pitch", covers=ids[:4], add_cents=-9.6)
    nothing = {i: Pair(then=reading(k), now=reading(k)) for k, i in enumerate(ids)}
    rows, _ = checked_rows((pitch, whole), nothing, frozenset())
    assert [(r.id, r.verdict) for r in rows] == [("R-002", "not done"), ("R-001", "not done")]
    both = {
        i: Pair(then=reading(k), now=reading(k, 3.6 - (9.6 if k < 4 else 0.0)))
        for k, i in enumerate(ids)
    }
    rows, _ = checked_rows((pitch, whole), both, frozenset())
    assert [r.verdict for r in rows] == ["done", "done"]


def test_a_fade_is_said_once_and_kindly() -> None:
    """How far the level goes, what it may be, and that the sound is the same."""
    null = NullTest(
        stem="LV", file="lv_fix.wav", compared_s=40.0, null_db=None, ride_db=(-6.0, 0.0)
    )
    check = BounceCheck(
        song="Song", plan="plan_01", rows=(), moved=(), stems=(), changed_originals=(),
        nulls=(null,),
    )  # fmt: skip
    assert not check.passed
    assert (
        "LV: lv_fix.wav: its level moves along the file, from 6.0 dB softer to unchanged: a fade, "
        "or levels ridden by hand; otherwise it is the same sound. Bounce it without, or say so to "
        "whoever mixes."
    ) in in_short(check)
    assert "the same sound, its level moving from 6.0 dB softer to unchanged" in check_markdown(
        check, ()
    )


def test_many_stems_without_a_file_are_one_line() -> None:
    """Who bounces a few stems at a time is not told of each of the others."""

    def told(stems: int) -> list[str]:
        absent = tuple(
            StemCheck(
                code=f"GT{k}", notes=9, paired=0, late_s=0.0, unchecked_rows=2,
                said=(f"no corrected file for GT{k}: 2 rows cannot be checked",),
            )
            for k in range(1, stems + 1)
        )  # fmt: skip
        check = BounceCheck(
            song="Song", plan="plan_01", rows=(), moved=(), stems=absent, changed_originals=()
        )
        return in_short(check)[1:]

    assert len(told(3)) == 3
    assert told(4) == [
        "No corrected files for 4 stems (GT1, GT2, GT3, GT4): 8 rows cannot be checked."
    ]


def test_a_ridden_level_is_not_told_twice() -> None:
    """Where the level moves along the file, its middle is no figure of its own."""
    base = NullTest(stem="LV", file="x.wav", compared_s=40.0, gain_db=-1.5)
    pairs = paired([reading(k) for k in range(4)], [reading(k) for k in range(4)])
    then = [reading(k) for k in range(4)]
    assert checked_stem("LV", then, pairs, (), base).said == ("1.5 dB softer than the original",)
    ridden = replace(base, ride_db=(-3.0, 0.0))
    assert checked_stem("LV", then, pairs, (), ridden).said == ()
