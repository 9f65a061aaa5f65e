"""A4 and stretch fitted to the notes of one stem, whatever is made of them afterwards."""

from dataclasses import replace

import numpy as np
import pytest

from planner.target.a4_fit import FEWEST_NOTES, apart_cents, reading_of, stretch_of
from tests.test_a4 import stem

EQUAL = np.zeros(12)


def test_offset_is_that_of_a4() -> None:
    """A4 = 442 Hz is 1200 log2(442/440) = 7.85 cents off, known to a tenth and a half."""
    found = reading_of(stem(442.0).notes, EQUAL, 0.0)
    assert found is not None
    assert found.offset_cents == pytest.approx(7.85, abs=0.5)
    assert found.uncertainty_cents < 0.5


@pytest.mark.parametrize(("notes", "known"), [(FEWEST_NOTES, True), (FEWEST_NOTES - 1, False)])
def test_edge_of_few_notes(notes: int, known: bool) -> None:
    """Three notes say where an instrument stands, two do not."""
    assert (reading_of(stem(442.0).notes[:notes], EQUAL, 0.0) is not None) is known


def test_notes_without_a_common_a4_say_nothing() -> None:
    """Notes scattered over the whole semitone agree on no A4."""
    assert reading_of(stem(440.0, scatter=80.0).notes, EQUAL, 0.0) is None


@pytest.mark.parametrize(("one", "other", "apart"), [(49, -49, -2), (10, 3, 7), (-60, 20, 20)])
def test_apart_is_known_within_a_semitone(one: float, other: float, apart: float) -> None:
    """49 sharp and 49 flat are two cents apart."""
    assert apart_cents(one, other) == pytest.approx(apart)


def test_stretch_is_nothing_at_a4() -> None:
    """A treble that rises leaves A4 where it is and shows at its notes."""
    keys = [45, 57, 69, 81, 93, 105]
    found = reading_of(stem(440.0, keys=keys * 4, curve=12.0, scatter=0.3).notes, EQUAL, 0.0)
    assert found is not None
    curve = dict(stretch_of(found, 440.0))
    assert curve[69] == 0.0
    assert curve[105] == pytest.approx(12.0, abs=2.0)


@pytest.mark.parametrize(("under_db", "asked"), [(11.9, True), (12.1, False)])
def test_edge_of_faint_notes(under_db: float, asked: bool) -> None:
    """What is 12 dB under the loud notes may be another stem's and is not asked."""
    notes = stem(440.0).notes
    faint = tuple(
        replace(n, note=replace(n.note, level_db=-20.0 - (under_db if k % 4 == 0 else 0.0)))
        for k, n in enumerate(notes)
    )
    found = reading_of(faint, EQUAL, 0.0)
    assert found is not None
    assert (found.notes_used > 0.8 * len(notes)) is asked


def test_a_part_mostly_faint_is_asked_all_the_same() -> None:
    """Where most notes are far under a few loud ones, these are an accent and all are asked."""
    notes = stem(440.0).notes
    soft = tuple(
        replace(n, note=replace(n.note, level_db=-40.0 if k % 4 else -20.0))
        for k, n in enumerate(notes)
    )
    found = reading_of(soft, EQUAL, 0.0)
    assert found is not None
    assert found.notes_used > 0.8 * len(notes)
