"""Sour time as moves change it, against adding everything up anew."""

from dataclasses import replace

import numpy as np
import pytest

from planner.clashes import SoundingNote, find_clashes
from planner.clear.sour_time import (
    SourMap,
    apply,
    as_recorded,
    beats_with,
    change_of,
    pieces_turned,
    sour_map,
    sour_now_s,
    soured_with,
    with_made,
)
from planner.clear.taking_back import Made
from planner.pitch import shift_hz
from tests.sessions.records import sour_seconds
from tests.test_clashes import sounding


def some_notes(seed: int, n: int = 40) -> list[SoundingNote]:
    """Notes of four stems on a few chord tones, each some cents off."""
    rng = np.random.default_rng(seed)
    notes = []
    for k in range(n):
        start_s = float(rng.uniform(0, 10))
        notes.append(
            sounding(
                f"{'ABCD'[k % 4]}-{k}", int(rng.choice([57, 60, 64, 69])), float(rng.normal(0, 8)),
                start_s, start_s + float(rng.uniform(0.2, 2.0)),
            )
        )  # fmt: skip
    return notes


def limits(notes: list[SoundingNote]) -> dict[str, float]:
    return {n.id: 10.0 for n in notes if n.end_s - n.start_s >= 0.5}


def slowly(sour: SourMap, notes: list[SoundingNote], moved: dict[str, float]) -> float:
    """Sour seconds by finding every clash anew."""
    there = [
        SoundingNote(
            id=n.id, stem=n.stem, role=n.role, midi=n.midi, start_s=n.start_s, end_s=n.end_s,
            heard_hz=shift_hz(n.heard_hz, moved.get(n.id, 0.0)), target_hz=n.target_hz,
            level_db=n.level_db,
        )
        for n in notes
    ]  # fmt: skip
    beyond = frozenset(
        k
        for k, limit in limits(notes).items()
        if round(abs(float(sour.error_cents[sour.index[k]]) + moved.get(k, 0.0)), 1) > limit
    )
    return sour_seconds(there, find_clashes(there), beyond)


@pytest.mark.parametrize("seed", range(8))
def test_steps_add_up_to_what_is_found_anew(seed: int) -> None:
    """After every move the total is what all clashes, found anew, add up to."""
    notes = some_notes(seed)
    sour = sour_map(notes, limits(notes))
    now = as_recorded(sour)
    rng = np.random.default_rng(seed)
    moved: dict[str, float] = {}
    total_s = sour_now_s(sour, now)
    assert total_s == pytest.approx(slowly(sour, notes, {}), abs=1e-3)
    for _ in range(12):
        chosen = np.sort(rng.choice(len(notes), 3, replace=False))
        adds = rng.normal(0, 10, 3)
        change = change_of(sour, now, chosen, adds)
        apply(sour, now, change)
        for k, add in zip(chosen, adds, strict=True):
            name = sour.met.notes[int(k)].id
            moved[name] = moved.get(name, 0.0) + float(add)
        total_s -= change.gain_s
        assert sour_now_s(sour, now) == pytest.approx(total_s, abs=1e-3)
        assert total_s == pytest.approx(slowly(sour, notes, moved), abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_what_is_known_of_a_move_is_what_is_found_anew(seed: int) -> None:
    """Notes go to a few places and back, so that the same is asked again and again."""
    notes = some_notes(seed)
    sour = sour_map(notes, limits(notes))
    now = as_recorded(sour)
    rng = np.random.default_rng(seed + 80)
    asked = gained = 0
    for _ in range(400):
        one = np.array([rng.integers(len(notes))])
        add = rng.choice([-12.0, 0.0, 12.0]) - now.moved_cents[one]
        known, found = (
            change_of(which, now, one, add) for which in (sour, replace(sour, known={}))
        )
        assert (known.gain_s, known.shared_s) == (found.gain_s, found.shared_s)
        assert known.sore.tolist() == found.sore.tolist()
        assert known.over.tolist() == found.over.tolist()
        apply(sour, now, known)
        asked, gained = asked + 1, gained + (known.gain_s != 0.0)
    assert len(sour.known) < asked
    assert gained > 0


@pytest.mark.parametrize("seed", range(4))
def test_pieces_that_turn_are_those_that_are_sour_before_or_after(seed: int) -> None:
    """What a change sours and frees, against the pieces counted before it and after it."""
    notes = some_notes(seed)
    sour = sour_map(notes, limits(notes))
    now = as_recorded(sour)
    rng = np.random.default_rng(seed + 40)
    turned = 0
    for _ in range(30):
        few = np.sort(rng.choice(len(notes), 3, replace=False))
        change = change_of(sour, now, few, rng.normal(0, 12, 3))
        soured, freed = pieces_turned(sour, now, change)
        before = now.count > 0
        apply(sour, now, change)
        after = now.count > 0
        assert soured.tolist() == np.flatnonzero(after & ~before).tolist()
        assert freed.tolist() == np.flatnonzero(before & ~after).tolist()
        gain_s = sour.piece_s[freed].sum() - sour.piece_s[soured].sum()
        assert change.gain_s == pytest.approx(gain_s, abs=1e-3)
        turned += len(soured) + len(freed)
    assert turned > 0


def test_a_change_that_turns_nothing_has_no_pieces() -> None:
    """A note that sounds alone turns nothing."""
    sour = sour_map([sounding("A-1", 69, 0, 0, 2)], {})
    now = as_recorded(sour)
    change = change_of(sour, now, np.array([0]), np.array([9.0]))
    assert [len(k) for k in pieces_turned(sour, now, change)] == [0, 0]


def test_trying_a_change_leaves_no_trace() -> None:
    """What is only tried changes nothing."""
    notes = some_notes(3)
    sour = sour_map(notes, limits(notes))
    now = as_recorded(sour)
    before = (now.moved_cents.copy(), now.heard_hz.copy(), now.sore.copy(), now.count.copy())
    change_of(sour, now, np.arange(5), np.full(5, 9.0))
    for was, is_now in zip(
        before, (now.moved_cents, now.heard_hz, now.sore, now.count), strict=True
    ):
        np.testing.assert_array_equal(was, is_now)


def test_a_clash_is_worth_its_overlap_and_counts_once() -> None:
    """Two clashes at the same moment are one second of sour time, and two shared seconds."""
    notes = [sounding("A-1", 69, 12, 0, 2), sounding("B-1", 69, 0, 0, 2),
             sounding("C-1", 69, 0, 1, 3)]  # fmt: skip
    sour = sour_map(notes, {})
    now = as_recorded(sour)
    assert sour_now_s(sour, now) == 2.0
    change = change_of(sour, now, np.array([sour.index["A-1"]]), np.array([-12.0]))
    assert (change.gain_s, change.shared_s) == (2.0, 3.0)


def test_a_new_clash_names_the_note_it_is_with() -> None:
    """Moving one of two notes that are off together beats with the other."""
    notes = [sounding("A-1", 69, -11), sounding("B-1", 69, -11)]
    sour = sour_map(notes, {})
    now = as_recorded(sour)
    change = change_of(sour, now, np.array([sour.index["A-1"]]), np.array([11.0]))
    assert change.gain_s == -2.0
    assert soured_with(sour, now, change) == "B-1"


def test_a_note_is_named_after_what_it_beats_with_longest() -> None:
    """With one for a second and another for half of one; with nobody once it is moved."""
    notes = [sounding("A-1", 69, -11), sounding("B-1", 69, 0), sounding("C-1", 69, 0, 0, 0.5)]
    sour = sour_map(notes, {})
    one = np.array([sour.index["A-1"]])
    assert beats_with(sour, as_recorded(sour), one) == "B-1"
    made = with_made(sour, [Made(notes=one, add_cents=np.array([11.0]))])
    assert beats_with(sour, made, one) == ""


def test_moves_are_made_one_after_the_other() -> None:
    """Two moves of one note add up."""
    sour = sour_map([sounding("A-1", 69, -11), sounding("B-1", 69, 0)], {})
    one = np.array([sour.index["A-1"]])
    moves = [Made(notes=one, add_cents=np.array([add])) for add in (6.0, 5.0)]
    assert sour_now_s(sour, with_made(sour, moves[:1])) > 0.0
    assert sour_now_s(sour, with_made(sour, moves)) == 0.0


def test_nothing_sounds() -> None:
    """No notes, no sour time."""
    sour = sour_map([], {})
    assert sour_now_s(sour, as_recorded(sour)) == 0.0
