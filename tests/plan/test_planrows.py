import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml
from deciding import line, note, plan, stem

from planner.cli import main
from planner.model import Role
from planner.plan.planrows import stem_summary
from planner.scope.scope_rule import ScopeRule
from planner.scope.span_scope import BETWEEN_TUNINGS
from tests.sessions.random_session import make_session

QUIETER_DB = 6.0


@pytest.mark.parametrize(
    ("gap_s", "begins", "blend_ms"),
    [
        (0.0, "attack", 20.0),
        (0.029, "attack", 20.0),
        (0.031, "attack", 60.0),
        (0.0, "legato", 60.0),
        (0.0, "soft", 60.0),
    ],
)
def test_a_long_blend_never_lies_over_the_next_stroke(
    gap_s: float, begins: str, blend_ms: float
) -> None:
    """The seam at a note's end is blended as the next note begins, if half a blend reaches it."""
    notes = [
        note("GTR-0001", 50, 0),
        note("GTR-0002", 57, 30, start_s=2.0, begins="attack"),
        note("GTR-0003", 50, 0, start_s=3.0 + gap_s, begins=begins),
    ]
    (found,) = plan(stem("GTR", "fretted", notes)).rows
    assert (found.crossfade_in_ms, found.crossfade_out_ms) == (20.0, blend_ms)


@pytest.mark.parametrize(("name", "told"), [(BETWEEN_TUNINGS, True), ("whole part", False)])
def test_only_a_found_break_makes_one_suspect_a_retuning(name: str, told: bool) -> None:
    """A rule that a lock or a person's bars cut to a stretch says nothing about tuning breaks."""
    played = stem("GTR", "fretted", [note("GTR-0001", 50, 5), note("GTR-0002", 52, 5, start_s=2)])
    judged = {j.measured.id: j for j in plan(played).judged}
    rule = ScopeRule(
        stem="GTR", action="tuning-span", scope="span", covers=("GTR-0002",), bias_cents=5.0,
        add_cents=-5.0, uncertainty_cents=0.5, name=name, reason="off",
    )  # fmt: skip
    said = stem_summary(played, judged, [rule]).suspicions
    assert ("retuned, or crept on the way, or joined from unlike takes" in said) is told
    said = stem_summary(replace(played, role="lead-voice"), judged, [rule]).suspicions
    assert ("sank or rose on the way, or joined from unlike takes" in said) is told


@pytest.mark.parametrize(
    ("role", "bias", "cause"),
    [
        ("fretted", 8.0, "the fret, a heavy hand or the nut"),
        ("bass-fretted", -8.0, "the fret or its string"),
        ("bass-fretless", -8.0, "the fingering"),
        ("woodwind", 8.0, "the fingering"),
        ("lead-voice", -8.0, "how it lies for the voice"),
    ],
)
def test_a_pitch_off_everywhere_has_a_cause_that_can_be(
    role: Role, bias: float, cause: str
) -> None:
    """A string pressed hard goes sharp, never flat; what has no frets is not off for one."""
    played = stem("GTR", role, [note("GTR-0001", 50, bias)])
    judged = {j.measured.id: j for j in plan(played).judged}
    rule = ScopeRule(
        stem="GTR", action="every-same-pitch", scope="pitch", covers=("GTR-0001",),
        bias_cents=bias, add_cents=-bias, uncertainty_cents=0.5,
        intended_midi=50, name="every same pitch", reason="off",
    )  # fmt: skip
    assert stem_summary(played, judged, [rule]).suspicions == (f"every D3 off: {cause}",)


def test_a_row_tells_what_each_rule_above_it_adds() -> None:
    """A guitar 6 sharp whose A3 lies 12 sharper, and one note 30 more: two rules and its own move.

    Refusing either leaves the sum of the others.
    """
    midis = [50, 57, 59, 60, 62, 64] * 5
    off = [18.0 if m == 57 else 6.0 for m in midis]
    off[7] += 30.0
    made = plan(stem("GTR", "fretted", line("GTR", midis, off)))
    by_id = {row.id: row for row in made.rows}
    row = by_id["GTR-0008"]
    assert [by_id[rule].scope for rule, _ in row.layers] == ["part", "pitch"]
    assert [cents for _, cents in row.layers] == pytest.approx([-6.0, -12.0], abs=0.5)
    assert row.add_cents is not None
    assert row.remaining_cents is not None
    total = sum(cents for _, cents in row.layers) + row.add_cents
    assert 48.0 + total == pytest.approx(row.remaining_cents, abs=0.06)


def test_a_question_says_which_rule_it_comes_after() -> None:
    """Its figure is the one that the rule leaves."""
    off = [12.0] * 30
    off[7] = 43.0
    tune = line("LV", [60, 62, 64, 65, 67] * 6, off)
    tune[7] = note("LV-0008", 64, 43.0, start_s=tune[7].note.start_s, uncertainty=9.0)
    made = plan(stem("LV", "lead-voice", tune))
    (asked,) = [row for row in made.rows if row.kind == "question"]
    assert asked.reason == "after R-001: is it 31 sharp, give or take 9? listen to it"


def test_seams_lie_where_the_stem_is_quiet_or_notes_meet(tmp_path: Path) -> None:
    """On a random session, past each end of a moved note it is 6 dB softer, or a note adjoins."""
    make_session(50000, tmp_path)
    aside = ["--without", "CEL", "--without", "SHK", "--silent-page", "--quiet"]
    assert main(["plan", str(tmp_path / "session.yaml"), *aside]) in (0, 1)
    made = tmp_path / "plan_01"
    rows = yaml.safe_load((made / "edit_list.yaml").read_text(encoding="utf-8"))["rows"]
    with (made / "notes.csv").open(encoding="utf-8", newline="") as file:
        notes = list(csv.DictReader(file))
    seams = {"quiet": 0, "met": 0}
    for row in rows:
        if row["crossfade_in_ms"] is None:
            continue
        (path,) = row["apply_to"]
        sound, sr = soundfile.read(tmp_path / "audio" / path)
        others = [n for n in notes if n["stem"] == row["stem"] and n["id"] != row["id"]]
        sounding = [(float(n["start_s"]), float(n["end_s"])) for n in others]
        own_db = _db(sound, sr, row["start_s"], row["end_s"])
        half_in_s, half_out_s = row["crossfade_in_ms"] / 2000, row["crossfade_out_ms"] / 2000
        for first_s, last_s in (
            (row["start_s"] - half_in_s, row["start_s"]),
            (row["end_s"], row["end_s"] + half_out_s),
        ):
            if last_s == 0.0:
                continue  # the note begins with the file
            if any(a < last_s and b > first_s for a, b in sounding):
                seams["met"] += 1
                continue
            assert _db(sound, sr, first_s, last_s) < own_db - QUIETER_DB, row["id"]
            seams["quiet"] += 1
    assert min(seams.values()) >= 5, seams


def _db(sound: np.ndarray, sr: int, first_s: float, last_s: float) -> float:
    heard = sound[max(0, round(first_s * sr)) : round(last_s * sr)]
    return 10.0 * float(np.log10(np.mean(heard**2) + 1e-12))
