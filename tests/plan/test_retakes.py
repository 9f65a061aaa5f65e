"""Where edits lie thick: another take of some bars, or a double left out, on either side."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from planner.model import MeasuredNote, Role
from planner.timeline import tempo_map_from_marks
from planner.words.plan_model import Row
from planner.words.session_model import TempoMark
from tests.deciding import line, made_of, note, plan, session, stem

MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)  # 2 s a bar
WANDER = [0, 2, 4, 5, 7, 4, 9, 5, 2, 11, 7, 0, 5, 9, 4]


def sung(
    code: str, errors: list[float], *, from_s: float = 0.0, every_s: float = 0.5, low: int = 62
) -> list[MeasuredNote]:
    """Notes of 0.45 s, none twice running on one pitch, so that no rule over a pitch takes them."""
    return [
        note(
            f"{code}-{k + 1:04d}", low + WANDER[k % len(WANDER)], e, start_s=from_s + k * every_s,
            length_s=every_s - 0.05,
        )
        for k, e in enumerate(errors)
    ]  # fmt: skip


def advised(rows: tuple[Row, ...], action: str) -> list[Row]:
    return [r for r in rows if r.kind == "advice" and r.action == action]


def out(n: int) -> list[float]:
    """So many errors of 33 cents on either side: nothing that one number mends."""
    return [33.0 if k % 2 else -33.0 for k in range(n)]


@pytest.mark.parametrize(("edits", "told"), [(12, False), (13, True)])
def test_edge_of_too_many_edits_in_four_bars(edits: int, told: bool) -> None:
    """Thirteen edits in four bars of a song are a retake of these bars, twelve are edits."""
    errors = [0.0] * 40 + out(edits) + [0.0] * 40
    made = plan(stem("TRB", "brass", sung("TRB", errors)), tempo_map=MAP)
    rows = advised(made.rows, "retake")
    assert len(rows) == told
    if told:
        (row,) = rows
        assert (row.scope, row.start_bar, row.end_bar) == ("passage", 11, 14)
        assert set(row.covers) == {f"TRB-{k + 1:04d}" for k in range(40, 53)}
        assert (
            "13 notes within a few bars ask for an edit of their own, 0 beside them" in row.reason
        )
        # It is advice: the edits stay in the list.
        assert sum(r.kind == "note" and r.stem == "TRB" for r in made.rows) == edits


def test_without_bars_eight_seconds_count() -> None:
    """Where no tempo is known, thirteen edits within 8 s are told, over 9 s they are not."""
    for every_s, told in ((0.5, True), (0.75, False)):
        errors = [0.0] * 40 + out(13) + [0.0] * 40
        made = plan(stem("TRB", "brass", sung("TRB", errors, every_s=every_s)))
        assert len(advised(made.rows, "retake")) == told


def test_two_passages_are_two_rows_and_one_that_goes_on_is_one() -> None:
    """Far apart they are two; twenty edits running are one passage."""
    apart = [0.0] * 30 + out(14) + [0.0] * 60 + out(14) + [0.0] * 30
    made = plan(stem("TRB", "brass", sung("TRB", apart)), tempo_map=MAP)
    rows = advised(made.rows, "retake")
    assert [r.notes_covered for r in rows] == [14, 14]
    assert [r.id for r in rows] == ["A-001", "A-002"]
    made = plan(stem("TRB", "brass", sung("TRB", [0.0] * 40 + out(20) + [0.0] * 40)), tempo_map=MAP)
    assert [r.notes_covered for r in advised(made.rows, "retake")] == [20]


def test_a_part_that_is_edits_throughout_is_told_once() -> None:
    """More than three tenths of all notes: the whole part, and no passage beside it."""
    made = plan(stem("TRB", "brass", sung("TRB", out(16))), tempo_map=MAP)
    assert [(r.scope, r.rule_name) for r in advised(made.rows, "retake")] == [
        ("part", "more edits than a take")
    ]


@pytest.mark.parametrize(("asked", "told"), [(13, True), (12, False)])
def test_notes_that_only_a_person_can_settle_count_toward_another_take(
    asked: int, told: bool
) -> None:
    """Of 40 notes scattered in tune, 13 lie between two notes: a third is a take, 12 are not."""
    rng = np.random.default_rng(3)
    errors = [(-1.0) ** k for k in range(40)]
    for k in rng.choice(40, asked, replace=False):
        errors[k] = float(rng.choice([-45.0, 45.0]))
    made = plan(stem("LV", "lead-voice", sung("LV", errors)), tempo_map=MAP)
    rows = advised(made.rows, "retake")
    assert bool(rows) == told
    for row in rows:
        assert row.reason.startswith("32 % of the measured notes ask for an edit of their own or")


def doubled(errors: list[float], role: Role = "voice-double", **lead: Any) -> tuple[Row, ...]:
    """A lead in tune and a double in bars 5 to 8 with these errors, in tune before and after."""
    own = [0.0] * 16 + errors + [0.0] * 16
    lead_notes = sung("LV", [0.0] * len(own), **lead)
    return plan(
        stem("LV", "lead-voice", lead_notes), stem("VD", role, sung("VD", own)), tempo_map=MAP
    ).rows


@pytest.mark.parametrize(("edits", "told"), [(6, True), (5, False)])
def test_a_double_that_is_mostly_edits_is_left_out(edits: int, told: bool) -> None:
    """Six edits of eight notes in a few bars; five are quicker made."""
    rows = advised(doubled([*out(edits), 0.0, 0.0]), "mute-part")
    assert len(rows) == told
    if told:
        (row,) = rows
        assert (row.stem, row.start_bar, row.add_cents) == ("VD", 5, None)
        assert row.reason.startswith("6 of 6 notes here ask for an edit of their own, 0 do not: LV")


def test_edge_of_half_of_a_double() -> None:
    """Of eleven notes six are most; of twelve six are half, and they are edits."""
    for between, told in ((5, True), (6, False)):
        mixed = [33.0, *[0.0] * between, -33.0, 33.0, -33.0, 33.0, -33.0]
        assert len(advised(doubled(mixed), "mute-part")) == told


def test_only_a_double_with_its_lead_beside_it_is_left_out() -> None:
    """A harmony is missed, and so is a double that sings alone there."""
    assert advised(doubled(out(8), role="voice-harmony"), "mute-part") == []
    assert advised(doubled(out(8), from_s=60.0), "mute-part") == []


def test_a_voice_named_as_its_lead_goes_before_other_leads() -> None:
    """The session says whom a double is sung with; what somebody else sings there counts not."""
    lead = stem("LV", "lead-voice", sung("LV", [0.0] * 40))
    other = stem("LV2", "lead-voice", line("LV2", [62, 64], [0.0, 0.0]))
    double = stem("VD", "voice-double", sung("VD", [0.0] * 16 + out(8) + [0.0] * 16))
    base = session(lead, other, double)
    for code, told in (("LV", True), ("LV2", False)):
        specs = tuple(replace(s, sung_with=code) if s.code == "VD" else s for s in base.stems)
        made = made_of(replace(base, stems=specs), (lead, other, double), tempo_map=MAP)
        assert len(advised(made.rows, "mute-part")) == told
