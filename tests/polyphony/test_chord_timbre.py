"""What is learned of an instrument from its own chords: levels by partial and by frequency.

The notes are made here from a known source and a known body, so the truth is exact.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.pitch import midi_to_hz
from planner.polyphony.chord_peaks import Peaks
from planner.polyphony.chord_timbre import (
    FEWEST_NOTES,
    FreePartials,
    Timbre,
    free_partials,
    learn_timbre,
    stray_share,
    usual_levels,
)

Array = NDArray[np.float64]
NUMBER = np.arange(1, 21)


def source_db(number: Array) -> Array:
    """A string plucked at a quarter of its length: every fourth partial weak."""
    return -18.0 * np.log10(number) - np.where(number % 4 == 0, 25.0, 0.0)


def body_db(f_hz: Array) -> Array:
    """A body that is 8 dB louder about 400 Hz, over an octave either side."""
    return 8.0 * np.exp(-0.5 * (np.log2(f_hz / 400.0) / 0.7) ** 2)


def notes(rng: np.random.Generator, count: int = 60, least_db: float = -80.0) -> list[FreePartials]:
    """Notes of any level; what falls below `least_db` is not heard."""
    made = []
    for midi in rng.integers(40, 76, count):
        f_hz = midi_to_hz(int(midi)) * NUMBER
        level_db = rng.uniform(-45.0, -20.0) + source_db(NUMBER) + body_db(f_hz)
        level_db = level_db + rng.normal(0.0, 3.0, len(NUMBER))
        heard = (level_db > least_db) & (f_hz < 6500.0)
        kept = f_hz < 6500.0
        made.append(
            FreePartials(
                number=NUMBER[kept], f_hz=f_hz[kept], heard=heard[kept],
                level_db=np.maximum(level_db, least_db)[kept],
            )
        )  # fmt: skip
    return made


def worst_db(timbre: Timbre | None) -> float:
    """How far the learned levels of a note at 196 Hz lie from the truth, but for its own level."""
    assert timbre is not None
    f_hz = 196.0 * NUMBER[:16]
    off = usual_levels(timbre, NUMBER[:16], f_hz) - source_db(NUMBER[:16]) - body_db(f_hz)
    return float(np.abs(off - np.median(off)).max())


def too_loud_db(timbre: Timbre | None) -> float:
    """By how much the partials 11 to 15 of a note at 196 Hz are learned too loud against 1 to 3."""
    assert timbre is not None
    number = np.array([1, 2, 3, 11, 13, 14, 15])
    off = usual_levels(timbre, number, 196.0 * number) - source_db(number) - body_db(196.0 * number)
    return float(off[3:].mean() - off[:3].mean())


def test_source_and_body_are_learned() -> None:
    """Weak fourth partials and a loud body come out within 3 dB, and the spread as it is made."""
    timbre = learn_timbre(notes(np.random.default_rng(1)))
    assert worst_db(timbre) < 3.0
    assert timbre is not None
    assert timbre.spread_db == pytest.approx(5.0)  # never less than what one string does


def test_partials_not_heard_count() -> None:
    """Where all below -60 dBFS is lost, what was lost keeps weak partials from seeming louder."""
    made = notes(np.random.default_rng(2), 120, -60.0)
    heard_alone = [
        FreePartials(
            number=note.number[note.heard], f_hz=note.f_hz[note.heard],
            level_db=note.level_db[note.heard], heard=note.heard[note.heard],
        )
        for note in made
    ]  # fmt: skip
    assert too_loud_db(learn_timbre(made)) < 0.5 * too_loud_db(learn_timbre(heard_alone))


def test_one_odd_note_in_ten_does_not_matter() -> None:
    """A tenth of the notes are octaves taken for the note: the levels stay within 4 dB."""
    made = notes(np.random.default_rng(3))
    odd = [
        FreePartials(
            number=note.number, f_hz=note.f_hz, heard=note.heard,
            level_db=note.level_db - np.where(note.number % 2 == 1, 25.0, 0.0),
        )
        for note in made[:6]
    ]  # fmt: skip
    assert worst_db(learn_timbre(odd + made[6:])) < 4.0


def test_of_few_notes_nothing_is_learned() -> None:
    """One note less than asked for: nothing; as many: something."""
    made = notes(np.random.default_rng(4), FEWEST_NOTES)
    assert learn_timbre(made[:-1]) is None
    assert learn_timbre(made) is not None


def test_covered_partials_are_left_out() -> None:
    """Of a note at 100 Hz beside its twelfth, every third partial is the other's as well."""
    f_hz = 100.0 * np.arange(1, 13)
    flat = np.full(12, -30.0)
    peaks = Peaks(f_hz=f_hz, level_db=flat, above_db=flat + 70.0, rise_db=flat + 60.0, width_hz=2.0)
    low, *high = free_partials(peaks, [(100.0, 0.0), (300.0, 0.0)], [])
    assert sorted(low.number[low.heard]) == [1, 2, 4, 5, 7, 8, 10, 11]
    assert high == []


def test_loud_peaks_that_no_note_explains_are_strays() -> None:
    """Of five that began within 30 dB of the loudest two; not what rang, or is faint."""
    peaks = Peaks(
        f_hz=np.array([200.0, 270.0, 400.0, 530.0, 600.0, 690.0, 730.0]),
        level_db=np.array([-20.0, -30.0, -25.0, -40.0, -30.0, -25.0, -60.0]),
        above_db=np.full(7, 40.0), rise_db=np.array([30.0, 30.0, 30.0, 30.0, 30.0, 0.0, 30.0]),
        width_hz=1.5,
    )  # fmt: skip
    assert stray_share(peaks, [(200.0, 0.0)]) == pytest.approx(2 / 5)
    assert stray_share(peaks, [(200.0, 0.0), (270.0, 0.0)]) == pytest.approx(1 / 5)
