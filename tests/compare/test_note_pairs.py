"""Notes found again in another file, however late, and what they moved by."""

from dataclasses import replace

import pytest

from planner.compare.note_pairs import LEAST_DOUBT_CENTS, Pair, paired
from tests.test_check import reading


@pytest.mark.parametrize("late_s", [0.0, 0.0107, -0.05, 2.4, -7.3])
def test_notes_are_found_again_however_late_the_file(late_s: float) -> None:
    """One shift for the whole file; notes of other pitches are never taken."""
    then = [reading(k) for k in range(12)]
    now = [reading(k, 10.0, late_s) for k in range(12) if k != 5]
    found = paired(then, now)
    assert [p.then.id for p in found.pairs] == [r.id for r in then if r.id != "LV-0005"]
    assert found.late_s == pytest.approx(late_s)
    moves = [pair.moved("sustain") for pair in found.pairs]
    assert all(move is not None and move.cents == pytest.approx(10.0) for move in moves)
    assert paired(then, []).pairs == paired([], now).pairs == ()


@pytest.mark.parametrize(("early_s", "met"), [(0.07, True), (0.15, True), (0.4, False)])
def test_a_note_heard_from_another_moment_is_the_same_note(early_s: float, met: bool) -> None:
    """Moved alone, its soft start may be heard earlier; it lies over most of what it was."""
    then = [replace(reading(k), end_s=reading(k).start_s + 0.5) for k in range(0, 12, 2)]
    now = [replace(one, start_s=one.start_s - early_s * (k == 3)) for k, one in enumerate(then)]
    assert len(paired(then, now).pairs) == 5 + met
    # A short note before it that is heard as its beginning now does not take its place.
    before = replace(then[3], id="LV-0099", end_s=then[3].start_s, start_s=now[3].start_s)
    assert ("LV-0099" in {p.then.id for p in paired([*then, before], now).pairs}) is not met
    assert len(paired(then, [replace(one, pitch_hz=1.1 * one.pitch_hz) for one in now]).pairs) == 0


def test_what_a_note_moved_by_is_as_sure_as_both_readings() -> None:
    """Doubts add as squares, never below what two readings of one sound agree to."""
    then, now = reading(0), reading(0, 12.0)
    move = Pair(then=then, now=now).moved("sustain")
    assert move is not None
    assert (move.cents, move.uncertainty_cents) == pytest.approx((12.0, LEAST_DOUBT_CENTS))
    unsure = replace(now, uncertainty_cents=4.0)
    move = Pair(then=replace(then, uncertainty_cents=3.0), now=unsure).moved("end")
    assert move is not None
    assert move.uncertainty_cents == pytest.approx(5.0)
    assert Pair(then=then, now=replace(now, onset_hz=None)).moved("onset") is None


def test_a_note_moved_by_the_first_part_that_both_files_have() -> None:
    """The sustain says how a note moved as a whole; where it was not read, the onset does."""
    then, now = reading(0), replace(reading(0, 12.0), sustain_hz=None)
    assert Pair(then=then, now=now).moved() == Pair(then=then, now=now).moved("onset")
    assert Pair(then=then, now=reading(0, 12.0)).moved("end") is not None
    assert Pair(then=then, now=replace(now, onset_hz=None)).moved() is None
