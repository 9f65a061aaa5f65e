"""Runs of short struck notes: what is heard of them, and plans that leave nothing for another."""

from typing import Any

import numpy as np
import pytest
from deciding import A4, TOLERANCES, carried_out, note, plan, session, stem
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.model import MeasuredNote, Role, StemNotes
from planner.scope.short_scope import in_runs, runs_of_short_notes, usual_onsets, without_unheard
from planner.targets import Aimed, aim, target_for

BASS: Role = "bass-fretted"


def short(k: int, onset: float, sustain: float, heard: float, **fields: Any) -> MeasuredNote:
    where = {"start_s": 0.5 * k, "length_s": 0.3, **fields}
    return note(f"BAS-{k:04d}", 40 + k % 3, sustain, onset=onset, heard=heard, **where)


def aimed(notes: list[MeasuredNote]) -> list[Aimed]:
    where = session(stem("BAS", BASS, notes))
    return [aim(n, target_for(n, BASS, where, A4)) for n in notes]


def kept(onset: float, sustain: float, heard: float) -> int:
    """How many of six short notes are judged by their sustain."""
    notes = aimed([short(k, onset, sustain, heard) for k in range(6)])
    return len(without_unheard([(a, sustain) for a in notes], notes))


def test_a_longer_note_or_a_rest_ends_a_run() -> None:
    """Half a second is long, a rest of more than 4 s ends a run; at the edge it goes on."""
    notes = [
        short(0, 9, 0, 6), short(1, 9, 0, 6, length_s=0.5), short(2, 9, 0, 6),
        short(3, 9, 0, 6, start_s=1.0 + 0.3 + 4.0), short(4, 9, 0, 6, start_s=5.3 + 0.3 + 4.01),
    ]  # fmt: skip
    runs = runs_of_short_notes(aimed(notes), 0.5)
    assert [[a.measured.id[-1] for a in run] for run in runs] == [["0"], ["2", "3"], ["4"]]


@pytest.mark.parametrize(("many", "role", "found"), [(6, BASS, 1), (5, BASS, 0), (6, "bowed", 0)])
def test_edges_of_a_run_judged_together(many: int, role: Role, found: int) -> None:
    """Six notes of a struck part; fewer, or of a bow, are judged one by one."""
    notes = aimed([short(k, 9, 0, 6) for k in range(many)])
    assert len(in_runs(notes, role, TOLERANCES)) == found
    assert bool(usual_onsets(notes, role, TOLERANCES)) is bool(found)


@pytest.mark.parametrize(
    ("onset", "sustain", "heard", "judged"),
    [
        (16, 3, 12, 6),  # both on one side: the sustain says what it says
        (8, -5, 3, 0),  # heard on the side of the onset
        (8, -5, -3.4, 0),  # heard on the other, but by no more than anyone hears
        (8, -5, -3.5, 6),  # heard where it is sustained
        (-8, 5, -3, 0),  # the other way round
    ],
)  # fmt: skip
def test_what_is_not_heard_says_nothing(
    onset: float, sustain: float, heard: float, judged: int
) -> None:
    """A sustain opposite to the onset counts only where it is what is heard."""
    assert kept(onset, sustain, heard) == judged


def test_others_are_left_in() -> None:
    """Only the notes of the run are left out of what a part is judged by."""
    notes = aimed([short(k, 8, -5, 3) for k in range(6)])
    held = aimed([note("BAS-0099", 43, -4.0, start_s=9.0, length_s=1.5)])
    fit = [(a, a.sustain_cents or 0.0) for a in [*notes, *held]]
    assert [a.measured.id for a, _ in without_unheard(fit, notes)] == ["BAS-0099"]
    assert without_unheard(fit[6:], notes) == fit[6:]


def test_a_start_off_like_all_of_its_run_is_left_alone() -> None:
    """Eight fretted notes that all start 22 sharp and are heard right: how they are struck."""
    alike = [short(k, 22.0, 0.0, 3.0, length_s=0.45) for k in range(8)]
    assert plan(stem("BAS", BASS, alike)).rows == ()
    # One that starts so among seven that do not is another matter; so are five of them.
    one = [short(k, 22.0 if k == 3 else 2.0, 0.0, 1.0, length_s=0.45) for k in range(8)]
    assert [(r.id, r.action) for r in plan(stem("BAS", BASS, one)).rows] == [
        ("BAS-0003", "start-only")
    ]
    five = plan(stem("BAS", BASS, alike[:5])).rows
    assert {r.action for r in five} == {"start-only"}


def played(seed: int) -> tuple[StemNotes, ...]:
    """A bass or guitar line in blocks of short and held notes, struck harder where they are short.

    Every other one has a piano beside it.
    """
    rng = np.random.default_rng([seed, 77])
    role: Role = ("bass-fretted", "fretted", "bass-fretless")[int(rng.integers(3))]  # type: ignore[assignment]
    low = 55 if role == "fretted" else 40
    attack, off = float(rng.uniform(0, 30)), float(rng.normal(0, 3))
    scatter = float(rng.uniform(0.3, 5))
    pitches = [low + int(k) for k in rng.choice(12, 4, replace=False)]
    fret = {p: float(rng.normal(0, 4)) * (rng.random() < 0.4) for p in pitches}
    notes: list[MeasuredNote] = []
    at_s = 0.0
    for _ in range(int(rng.integers(2, 5))):
        runs = rng.random() < 0.6
        length_s = float(rng.uniform(0.15, 0.49)) if runs else float(rng.uniform(0.6, 1.6))
        share = float(np.clip((0.5 - length_s) / 0.3, 0, 1))
        for _ in range(int(rng.integers(6, 20))):
            midi = int(rng.choice(pitches))
            sustain = off + fret[midi] + float(rng.normal(0, scatter))
            onset = sustain + attack * (1.0 if runs else 0.3) + float(rng.normal(0, scatter))
            notes.append(
                note(
                    f"BAS-{len(notes) + 1:04d}", midi, sustain, start_s=at_s, length_s=length_s,
                    onset=onset, heard=share * onset + (1 - share) * sustain,
                    short=length_s < 0.2, uncertainty=float(rng.uniform(0.3, 1.5)),
                )
            )  # fmt: skip
            at_s += length_s + 0.05
        at_s += float(rng.uniform(0, 6))
    stems = [stem("BAS", role, notes)]
    if rng.random() < 0.5:
        keys = [
            note(f"PNO-{k:04d}", int(rng.choice(pitches)) + 12, 0.3, start_s=1.0 * k, length_s=0.95)
            for k in range(int(at_s))
        ]
        stems.append(stem("PNO", "tuning-reference", keys))
    return tuple(stems)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 99999))
def test_a_plan_of_corrected_runs_has_nothing_left(seed: int) -> None:
    """Apply the planned moves and plan again: nothing to move, runs of short notes or not.

    A plan that does not come to rest says so, and is not asked.
    """
    stems = played(seed)
    made = plan(*stems)
    if any("once more" in f.what for f in made.findings):
        return
    again = plan(*carried_out(stems, made))
    assert [(r.id, r.action, r.add_cents) for r in again.rows if r.kind in ("rule", "note")] == []
