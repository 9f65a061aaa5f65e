"""The plan that moves few notes: what it keeps of rules, and what it puts back."""

from typing import Any

import pytest
from deciding import line, made_of, note, plan, session, stem
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.answer.answers import Entry
from planner.answer.ruled_rows import Recalled
from planner.answer.rulings import rulings_from
from planner.clear.few_touched import FEW_TOUCHED
from planner.model import StemNotes
from planner.words.plan_model import Plan
from planner.write.in_short import in_short
from planner.write.provenance import run_record
from tests.sessions.records import make_records, plan_of


def bass_under_piano(**fields: Any) -> Plan:
    """Forty bass notes 6 flat, of which the last eight sound with a piano."""
    midis = [45, 48, 52, 55] * 10
    bass = stem("BAS", "bass-fretless", line("BAS", midis, [-6.0, -6.4] * 20, length_s=0.9))
    piano = stem(
        "PNO", "tuning-reference",
        [
            note(f"PNO-{k:04d}", midis[k] + 12, 0, start_s=k * 1.0, length_s=0.9)
            for k in range(32, 40)
        ],
    )  # fmt: skip
    return plan(piano, bass, **fields)


def moved(made: Plan) -> set[str]:
    return {n for row in made.rows if row.kind in ("rule", "note") for n in row.covers}


def test_a_rule_is_made_on_the_notes_that_beat() -> None:
    """One number for the four of its forty notes that clear all that the whole rule clears."""
    whole = bass_under_piano()
    (rule,) = whole.rows
    assert (rule.action, rule.notes_covered) == ("whole-part", 40)
    few = bass_under_piano(touch_at_most=1 / 6)
    (row,) = few.rows
    assert (row.id, row.action, row.add_cents) == (rule.id, "whole-part", rule.add_cents)
    # The upper two of its pitches beat half a time a second and more; C3 and A2 do not.
    assert row.covers == tuple(f"BAS-{k:04d}" for k in (35, 36, 39, 40))
    assert row.reason == f"{rule.reason}; made on 4 of its 40 notes, those that clear most"
    assert few.sour_after_s == whole.sour_after_s == 0.0
    put_back = [j for j in few.judged if j.rule_name == FEW_TOUCHED]
    assert len(put_back) == 36
    assert {(j.action, j.layers, j.remaining_cents) for j in put_back} == {
        ("leave", (), -6.0), ("leave", (), -6.4),
    }  # fmt: skip
    assert put_back[0].reason == (
        "6 flat: put back, because few notes may be touched and others clear more"
    )


def test_summary_and_run_record_say_how_many_are_touched() -> None:
    """One edit that moves many notes is told as both; the share stands beside the run."""
    whole, few = bass_under_piano(), bass_under_piano(touch_at_most=1 / 6)
    assert in_short(whole)[0] == (
        "1 edit proposed, half a minute by hand; 1 of them is a rule that covers many notes at "
        "once, so 40 of 48 notes are moved in all."
    )
    assert ", so 4 of 48 notes are moved in all." in in_short(few)[0]
    assert run_record(few, {})["touch_at_most"] == 0.167
    assert "touch_at_most" not in run_record(whole, {})


@pytest.mark.parametrize(("share", "same"), [(40 / 48, True), (0.83, False)])
def test_edge_of_what_may_be_touched(share: float, same: bool) -> None:
    """Forty of 48 notes are 83.3 %: with so many all is as ever, with less a note is put back."""
    assert (bass_under_piano(touch_at_most=share).rows == bass_under_piano().rows) is same


def test_where_nothing_beats_the_worst_notes_stay() -> None:
    """Of notes that clear alike, the least severe are put back."""
    notes = line("LV", [60, 62, 64, 65], [30.0, -28.0, 34.0, -22.0], length_s=0.4)
    lead = stem("LV", "lead-voice", notes)
    made = plan(lead, touch_at_most=0.25)
    worst = max(plan(lead).rows, key=lambda row: row.severity or 0.0)
    assert moved(made) & {r.id for r in made.rows if r.kind == "note"} == {worst.id}


def test_what_a_person_has_said_stays() -> None:
    """A note that somebody approved is touched, whatever it clears."""
    notes = line("LV", [60, 62, 64, 65], [30.0, -28.0, 34.0, -22.0], length_s=0.4)
    lead = stem("LV", "lead-voice", notes)
    least = min(plan(lead).rows, key=lambda row: row.severity or 0.0)
    rulings, _ = rulings_from([Entry(id=least.id, state="approved", by="producer")])
    made = made_of(session(lead, touch_at_most=0.25), (lead,), recalled=Recalled(rulings=rulings))
    assert [r.id for r in made.rows if r.kind == "note"] == [least.id]


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 9999), share=st.sampled_from([0.05, 0.1, 0.2, 0.4]))
def test_no_more_is_touched_and_nothing_comes_out_worse(seed: int, share: float) -> None:
    """The share holds, sour time does not rise, and every row moves what it says."""
    stems: tuple[StemNotes, ...] = make_records(seed, bars=8)
    made = plan_of(stems, touch_at_most=share)
    assert len(moved(made)) <= share * sum(len(s.notes) for s in stems)
    assert made.sour_before_s is not None
    assert made.sour_after_s is not None
    assert made.sour_after_s <= made.sour_before_s
    covers = {r.id: set(r.covers) for r in made.rows if r.kind == "rule"}
    for j in made.judged:
        assert {k for k, notes in covers.items() if j.measured.id in notes} == {
            rule_id for rule_id, _ in j.layers
        }
