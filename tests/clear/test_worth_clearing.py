"""Notes inside their tolerance: which of them are worth an edit, weighed together."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from deciding import note, plan, stem

from planner.clashes import SoundingNote
from planner.clear.sour_time import apply, as_recorded, change_of, sour_map, sour_now_s
from planner.clear.worth_clearing import worth_an_edit_s, worth_clearing
from planner.pitch import midi_to_hz, shift_hz

WORTH_AN_EDIT_S = 0.25


def sounding(
    note_id: str, cents: float, start_s: float, length_s: float, midi: int = 69
) -> SoundingNote:
    hz = midi_to_hz(midi)
    return SoundingNote(
        id=note_id, stem=note_id.split("-")[0], role="bowed", midi=midi, start_s=start_s,
        end_s=start_s + length_s, heard_hz=shift_hz(hz, cents), target_hz=hz, level_db=0.0,
    )  # fmt: skip


def found(notes: list[SoundingNote], may_move: list[str]) -> frozenset[str]:
    sour = sour_map(notes, {})
    off = dict(zip(sour.index, sour.error_cents, strict=True))
    adds = {k: -float(off[k]) for k in may_move}
    return worth_clearing(sour, as_recorded(sour), adds, dict.fromkeys(adds, WORTH_AN_EDIT_S))


def test_a_moment_with_two_beatings_is_cleared_by_both_or_by_nobody() -> None:
    """Each alone clears nothing; together a second, half of it each: both are worth their edit."""
    notes = [sounding("PNO-1", 0, 0, 1.0), sounding("A-1", 9, 0, 1.0), sounding("B-1", 18, 0, 1.0)]
    assert found(notes, ["A-1", "B-1"]) == {"A-1", "B-1"}
    assert found(notes, ["A-1"]) == frozenset()


@pytest.mark.parametrize(("length_s", "worth"), [(2 * WORTH_AN_EDIT_S, True), (0.48, False)])
def test_edge_of_what_an_edit_must_clear(length_s: float, worth: bool) -> None:
    """Two notes that share half a second clear a quarter each, which is enough; less is not."""
    notes = [
        sounding("PNO-1", 0, 0, length_s), sounding("A-1", 15, 0, length_s),
        sounding("B-1", -15, 0, length_s),
    ]  # fmt: skip
    assert bool(found(notes, ["A-1", "B-1"])) is worth


@pytest.mark.parametrize(
    ("off_cents", "length_s", "moved"),
    [(6.0, 1.1, True), (6.0, 0.9, False), (9.0, 0.6, True), (4.0, 2.0, False)],
)
def test_the_better_a_note_is_the_more_its_edit_must_clear(
    off_cents: float, length_s: float, moved: bool
) -> None:
    """Of a tolerance of 24: 1 s at 6 cents off, 0.44 s at 9 and 2.25 s at 4."""
    judged = plan(stem("TPT", "brass", [note("TPT-0001", 69, off_cents, length_s=1.9)])).judged[0]
    price_s = worth_an_edit_s(replace(judged, tolerance_cents=24.0))
    assert price_s == pytest.approx(0.25 * (12.0 / off_cents) ** 2)
    notes = [sounding("PNO-1", 0, 0, length_s), sounding("TPT-1", off_cents, 0, length_s)]
    sour = sour_map(notes, {})
    assert sour_now_s(sour, as_recorded(sour)) == length_s
    found = worth_clearing(sour, as_recorded(sour), {"TPT-1": -off_cents}, {"TPT-1": price_s})
    assert bool(found) is moved


def test_what_stays_sour_anyway_is_not_begun() -> None:
    """Where a note that may not move beats all along, moving the others clears nothing."""
    notes = [
        sounding("PNO-1", 0, 0, 2.0), sounding("A-1", 9, 0, 2.0), sounding("LV-1", 15, 0, 2.0),
        sounding("A-2", 9, 3.0, 2.0), sounding("PNO-2", 0, 3.0, 2.0),
    ]  # fmt: skip
    assert found(notes, ["A-1", "A-2"]) == {"A-2"}


@pytest.mark.parametrize("seed", range(8))
def test_beside_every_possible_choice(seed: int) -> None:
    """Of up to eight notes: nothing sour is added, and what is chosen pays for itself.

    Every choice is tried; none clears as much with fewer edits than the one that was made.
    """
    rng = np.random.default_rng(seed)
    notes = [sounding("PNO-1", 0.0, 0.0, 6.0)]
    notes += [
        sounding(f"{code}-{k}", float(rng.normal(0, 7)), 2.0 * k + float(rng.uniform(0, 0.3)), 1.6)
        for code in "ABCD"[: 2 + seed % 3]
        for k in range(2)
    ]
    ids = [n.id for n in notes[1:]]
    sour = sour_map(notes, {})
    before_s = sour_now_s(sour, as_recorded(sour))

    def left_s(moved: frozenset[str]) -> float:
        now = as_recorded(sour)
        if moved:
            which = np.array([sour.index[k] for k in sorted(moved)])
            apply(sour, now, change_of(sour, now, which, -sour.error_cents[which]))
        return sour_now_s(sour, now)

    chosen = found(notes, ids)
    gained = before_s - left_s(chosen)
    assert gained >= WORTH_AN_EDIT_S * len(chosen) - 1e-6
    for size in range(len(chosen)):
        for fewer in itertools.combinations(sorted(chosen), size):
            assert left_s(frozenset(fewer)) > left_s(chosen)


def test_two_voices_inside_their_tolerance_are_moved_off_a_held_piano() -> None:
    """4 and 7 cents off a held unison: within 8, beating, and moved together in the plan."""
    pno = stem("PNO", "tuning-reference", [note("PNO-0001", 69, 0, length_s=3.0)])
    one = stem("BV1", "voice-harmony", [note("BV1-0001", 69, 5, length_s=1.9)])
    two = stem("BV2", "voice-harmony", [note("BV2-0001", 69, -6, length_s=1.9)])
    made = plan(pno, one, two)
    assert {r.id: r.add_cents for r in made.rows} == {"BV1-0001": -5.0, "BV2-0001": 6.0}
    assert made.sour_after_s == 0.0
