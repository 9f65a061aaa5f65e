"""Rules over the stretch of a part between two tunings."""

from dataclasses import replace

import numpy as np
import pytest
from deciding import A4, line, note, part_ground, plan, session, stem

from planner.model import MeasuredNote, Role
from planner.scopes import ScopeRule, find_rules
from planner.targets import aim, target_for
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import TempoMark


def part(n: int, k: int, low: float, high: float, spread: float = 2.0) -> list[MeasuredNote]:
    """Notes whose errors lie evenly around ``low`` up to note ``k``, around ``high`` from there."""
    away = np.random.default_rng(6).normal(0, spread, n // 2)
    errors = np.stack([away, -away], axis=1).ravel()
    errors[:k] += low
    errors[k:] += high
    return line("X", [52 + (5 * i) % 12 for i in range(n)], [float(e) for e in errors])


def rules_of(
    notes: list[MeasuredNote], role: Role, edges_s: tuple[float, ...] = (), factor: float = 1.0
) -> tuple[ScopeRule, ...]:
    where = session(stem("X", role, notes))
    aimed = tuple(aim(n, target_for(n, role, where, A4)) for n in notes)
    factors = {n.id: factor for n in notes}
    return find_rules(aimed, part_ground(role, edges_s=edges_s, factors=factors))


def test_one_stretch_is_one_rule() -> None:
    """In tune up to a place and 9 flat from there on: one rule, over the second stretch alone."""
    (rule,) = rules_of(part(90, 50, 0.0, -9.0), "fretted-chords")
    assert (rule.action, rule.scope, rule.applied) == ("tuning-span", "span", True)
    assert rule.covers == tuple(f"X-{k:04d}" for k in range(51, 91))
    assert rule.add_cents == pytest.approx(9.0, abs=0.3)
    assert rule.reason.startswith("from 45.0 s on the part sits 9 flat: one move for all of it th")


@pytest.mark.parametrize(("factor", "found"), [(2.5, 1), (2.7, 0)])
def test_a_stretch_is_judged_as_its_notes_are(factor: float, found: int) -> None:
    """9 off is a rule up to 3.5 times the factor of the notes in that stretch."""
    rules = rules_of(part(90, 50, 0.0, -9.0), "fretted-chords", factor=factor)
    assert [rule.scope for rule in rules] == ["span"] * found


def test_spans_take_the_place_of_the_whole_part() -> None:
    """Both stretches off by unlike amounts are two spans and no whole part; alike, one part."""
    first, second = rules_of(part(90, 50, 6.0, -7.0), "fretted")
    assert (first.scope, second.scope) == ("span", "span")
    assert (first.add_cents, second.add_cents) == (
        pytest.approx(-6, abs=0.3), pytest.approx(7, abs=0.3),
    )  # fmt: skip
    (whole,) = rules_of(part(90, 50, 7.0, 7.0), "fretted")
    assert whole.scope == "part"


def test_edge_of_a_span() -> None:
    """A stretch 3.5 off is moved, one 3.4 is left; a lead voice needs 6.5."""
    assert [r.covers[0] for r in rules_of(part(90, 50, 3.5, -9.0, 1.0), "fretted")] == [
        "X-0001", "X-0051",
    ]  # fmt: skip
    assert [r.covers[0] for r in rules_of(part(90, 50, 3.4, -9.0, 1.0), "fretted")] == ["X-0051"]
    for at in ((), (45.0,)):
        assert len(rules_of(part(90, 50, 0.0, -6.5, 1.0), "lead-voice", at)) == 1
        assert rules_of(part(90, 50, 0.0, -6.4, 1.0), "lead-voice", at) == ()


def test_expression_and_hands_off() -> None:
    """A stretch takes along what is off on purpose, and not what nobody may touch."""
    notes = part(90, 50, 0.0, -9.0)
    where = session(stem("X", "fretted", notes))
    aimed = tuple(aim(n, target_for(n, "fretted", where, A4)) for n in notes)
    keep = frozenset({"X-0060"})
    (rule,) = find_rules(aimed, part_ground("fretted", expression=keep))
    assert "X-0060" in rule.covers
    (rule,) = find_rules(aimed, part_ground("fretted", leave_alone=keep))
    assert "X-0060" not in rule.covers


def test_a_short_note_at_the_seam_goes_with_its_phrase() -> None:
    """A note too short to judge, after the rest in which the tuning changed, is in the new one."""
    notes = part(60, 30, 0.0, -9.0, 1.0)
    later = [
        replace(n, note=replace(n.note, start_s=n.note.start_s + 3, end_s=n.note.end_s + 3))
        for n in notes[30:]
    ]
    short = replace(
        notes[29],
        id="X-9999",
        note=replace(notes[29].note, start_s=29.75, end_s=29.9),
        measurement=replace(notes[29].measurement, sustain_hz=None),
    )
    (rule,) = rules_of([*notes[:30], short, *later], "fretted")
    assert rule.covers[0] == "X-9999"


def test_the_plan_has_a_row_for_the_stretch() -> None:
    """In a plan the stretch is a rule row with its bars, and nothing is left to move after it."""
    notes = part(90, 40, 0.0, -9.0)
    guitar = stem("X", "fretted-chords", notes)
    bars = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)
    made = plan(guitar, tempo_map=bars)
    (row,) = made.rows
    assert made.stems[0].suspicions == (
        "retuned, or crept on the way, or joined from unlike takes",
    )
    assert (row.kind, row.action, row.scope) == ("rule", "tuning-span", "span")
    assert (row.start_s, row.start_bar, row.start_beat) == (pytest.approx(36.0), 19, 1.0)
    assert row.in_words == "raise by 9, give or take 0.2"
    assert row.notes_covered == 50


@pytest.mark.parametrize(("starts", "found"), [(-1.0, ["span"]), (1.0, [])])
def test_a_run_that_goes_on_past_a_break_is_heard_in_each_tuning(
    starts: float, found: list[str]
) -> None:
    """Short notes start sharp and settle flat over both tunings together, in the second alone not.

    Where they start sharp in the second as well, their sustain is not what is heard of it.
    """
    away = [1.0, -1.0] * 15
    long = line("X", [52] * 30, away)
    run = [
        note(
            f"X-{k + 31:04d}", 52, sustain + away[k % 30], onset=onset, heard=heard,
            start_s=30.0 + 0.4 * k, length_s=0.3,
        )
        for k, (sustain, onset, heard) in enumerate(
            [(0.0, 6.0, 5.0)] * 30 + [(-9.0, starts, 4.0 * starts)] * 30
        )
    ]  # fmt: skip
    rules = rules_of([*long, *run], "fretted")
    assert [rule.scope for rule in rules if rule.scope == "span"] == found
    if found:
        assert rules[0].covers[0] == "X-0061"
        assert rules[0].add_cents == pytest.approx(9.0, abs=0.3)
