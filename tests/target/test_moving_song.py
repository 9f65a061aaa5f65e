"""Targets move with the song where all stems do, and no part is mended for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from deciding import line, made_of, session, stem

from planner.model import MeasuredNote, StemNotes
from planner.pitch import shift_hz
from planner.words.plan_model import Plan
from planner.write.along_song import THE_SONG, along_song

STEP_CENTS, STEP_S = 8.0, 60.0


def stepped(part: StemNotes, by_cents: float) -> StemNotes:
    """The part, sharper from a moment on."""

    def up(note: MeasuredNote) -> MeasuredNote:
        if note.note.start_s < STEP_S:
            return note
        m = note.measurement

        def higher(hz: float | None) -> float | None:
            return None if hz is None else shift_hz(hz, by_cents)

        return replace(
            note,
            note=replace(note.note, pitch_hz=shift_hz(note.note.pitch_hz, by_cents)),
            measurement=replace(
                m, onset_hz=higher(m.onset_hz), sustain_hz=higher(m.sustain_hz),
                end_hz=higher(m.end_hz), heard_hz=higher(m.heard_hz),
            ),
        )  # fmt: skip

    return replace(part, notes=tuple(up(note) for note in part.notes))


def band() -> tuple[StemNotes, ...]:
    """A piano and three parts in tune, two minutes of notes of a second each."""
    rng = np.random.default_rng(3)
    roles = {"PNO": "tuning-reference", "BAS": "bass-fretted", "GTR": "fretted", "CEL": "bowed"}
    return tuple(
        stem(code, role, line(code, rng.integers(45, 70, 120).tolist(),
                              rng.normal(0.0, 0.3 if code == "PNO" else 1.5, 120).tolist()))
        for code, role in roles.items()
    )  # fmt: skip


def planned(*stems: StemNotes) -> Plan:
    return made_of(session(*stems), stems)


def questions(plan: Plan) -> list[str]:
    return [f.what for f in plan.findings if "all stems move together" in f.what]


def test_a_step_of_everybody_is_one_question_and_no_edit() -> None:
    """All 8 cents up from one minute on: it is asked about once; nobody is moved for it."""
    plan = planned(*(stepped(part, STEP_CENTS) for part in band()))
    (said,) = questions(plan)
    assert "the machine, or the whole band?" in said
    assert [r for r in plan.rows if r.kind == "rule"] == []
    assert all("where the song stands there" in j.target.target_from for j in plan.judged)
    # Before and after, the guitar is off its targets by the same.
    early, late = (
        np.median([j.heard_cents or 0.0 for j in plan.judged
                   if j.measured.id.startswith("GTR") and low < j.measured.note.start_s < high])
        for low, high in ((0.0, STEP_S - 10.0), (STEP_S + 10.0, 200.0))
    )  # fmt: skip
    assert early == pytest.approx(late, abs=1.0)
    # What all share stands by itself beside them, so that it can be seen and is nobody's error.
    song, *parts = along_song(plan).parts  # type: ignore[union-attr]
    first, last = song.at[0], song.at[-1]
    assert song.stem == THE_SONG
    assert first is not None
    assert last is not None
    assert last.cents - first.cents == pytest.approx(STEP_CENTS, abs=0.5)
    ends = [at for part in parts for at in (part.at[0], part.at[-1]) if at is not None]
    assert len(ends) == 8
    assert max(abs(at.cents) for at in ends) < STEP_CENTS / 2


def test_a_step_of_one_part_is_a_span_of_its_own() -> None:
    """The guitar alone is retuned: a rule for its second half, and no question about the song."""
    piano, bass, guitar, cello = band()
    plan = planned(piano, bass, stepped(guitar, STEP_CENTS), cello)
    assert questions(plan) == []
    (rule,) = [r for r in plan.rows if r.kind == "rule"]
    assert (rule.stem, rule.action, rule.scope) == ("GTR", "tuning-span", "span")
    assert rule.add_cents == pytest.approx(-STEP_CENTS, abs=1.0)
    # Along the song the step shows in the guitar's line alone, and the plan takes it out.
    steps = {}
    for part in along_song(plan).parts:  # type: ignore[union-attr]
        first, last = part.at[0], part.at[-1]
        assert first is not None
        assert last is not None
        steps[part.stem] = (last.cents - first.cents, last.left_cents - first.left_cents)
    recorded, left = steps.pop("GTR")
    assert recorded == pytest.approx(STEP_CENTS, abs=1.0)
    assert left == pytest.approx(0.0, abs=1.0)
    assert all(abs(one) < 1.5 for one, _ in steps.values())


def test_without_a_movement_targets_stand_still() -> None:
    """Nothing is said and nothing moves where nobody does."""
    plan = planned(*band())
    assert questions(plan) == []
    assert not any("where the song stands" in j.target.target_from for j in plan.judged)
