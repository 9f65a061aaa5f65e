"""Octaves inside strummed chords: heard where a string doubles another, and nowhere else.

The strings are plucked ones made here (`test_chords.struck`); shapes of open chords are common
practice, no source.
"""

import numpy as np
import pytest

from planner.chords import find_chord_notes
from planner.pitch import hz_to_midi, midi_to_hz
from planner.polyphony.chord_partials import typical_b
from planner.polyphony.chord_peaks import Peaks
from planner.polyphony.chord_timbre import BANDS, PARTIALS, Timbre
from planner.polyphony.strummed_octaves import (
    ASKED_EXCESS_DB,
    LEAST_EXCESS_DB,
    octaves_inside,
    with_octaves,
)
from tests.test_chords import SR, as_stem, struck


def heard(keys: tuple[int, ...], role: str, *, strum_s: float = 0.008) -> list[tuple[int, str]]:
    """Find the notes of one chord, struck from the lowest up: (MIDI, confidence) by pitch."""
    rng = np.random.default_rng(sum(keys))
    sound = np.zeros(int(2.0 * SR))
    for i, key in enumerate(keys):
        hz = midi_to_hz(key)
        note = struck(hz, 0.3 * typical_b(hz), 1.2, rng)
        first = int((0.3 + i * strum_s) * SR)
        sound[first : first + len(note)] += note[: len(sound) - first]
    sound = 0.3 * sound / np.abs(sound).max() + 1e-4 * rng.standard_normal(len(sound))
    found = find_chord_notes(as_stem(sound, role=role))  # type: ignore[arg-type]
    return sorted((round(hz_to_midi(n.pitch_hz)), m.confidence) for n, m in found)


ROOTS = range(40, 52)


def test_doubled_roots_are_heard_and_not_called_firm() -> None:
    """Root, fifth, root again, third: of the upper roots at least half are found, none is firm."""
    octaves = []
    for root in ROOTS:
        notes = dict(heard((root, root + 7, root + 12, root + 15), "fretted-chords"))
        assert {root, root + 7} <= set(notes)
        octaves.append(notes.get(root + 12))
    assert sum(grade is not None for grade in octaves) >= len(ROOTS) / 2
    assert "firm" not in octaves


def test_without_a_doubled_string_octaves_are_seldom_made_up() -> None:
    """Root, fifth and third: of 36 strings at most four are given an octave that nobody played."""
    made_up = 0
    for root in ROOTS:
        keys = (root, root + 7, root + 16)
        made_up += len({midi for midi, _ in heard(keys, "fretted-chords")} - set(keys))
    assert made_up <= 4


def test_between_keys_octaves_are_not_looked_for() -> None:
    """The same sound as a piano's: no more octaves than the search itself finds."""
    plucked = sum(root + 12 in dict(heard((root, root + 7, root + 12), "fretted-chords"))
                  for root in ROOTS)  # fmt: skip
    keyed = sum(root + 12 in dict(heard((root, root + 7, root + 12), "tuning-reference"))
                for root in ROOTS)  # fmt: skip
    assert keyed < plucked


@pytest.mark.parametrize(("raised_db", "asked", "unasked"), [(-2, 0, 0), (2, 1, 0), (6, 1, 1)])
def test_where_the_timbre_is_asked_besides_an_octave_need_only_stand_out_at_all(
    raised_db: float, asked: int, unasked: int
) -> None:
    """Even partials 2 dB over what the odd ones tell are an octave's there, and no one's else."""
    number = np.arange(1, 17)
    level_db = -30.0 - number + raised_db * (number % 2 == 0)
    peaks = Peaks(
        f_hz=110.0 * number, level_db=level_db, above_db=level_db + 95.0,
        rise_db=np.full(16, 40.0), width_hz=1.5,
    )  # fmt: skip
    struck_ones = [(110.0, 0.0, 1.0)]
    for least_db, count in ((ASKED_EXCESS_DB, asked), (LEAST_EXCESS_DB, unasked)):
        assert len(octaves_inside(peaks, struck_ones, 1400.0, least_db)) == count


def test_one_octave_may_rest_on_another_and_none_on_a_string_alone() -> None:
    """A2, E3, A3 and A4 of which the search found two; A2 that was picked alone keeps its one."""
    timbre = Timbre(
        by_number_db=-18.0 * np.log10(np.arange(1, PARTIALS + 1)), by_band_db=np.zeros(BANDS),
        spread_db=5.0,
    )  # fmt: skip

    def told(played: tuple[int, ...], found: tuple[int, ...]) -> set[int]:
        f_hz = np.unique([midi_to_hz(k) * n for k in played for n in range(1, 30)])
        f_hz = f_hz[np.concatenate([[True], np.diff(f_hz) > 0.01 * f_hz[1:]]) & (f_hz < 6000.0)]
        power = np.zeros(len(f_hz))
        for key in played:
            number = np.rint(f_hz / midi_to_hz(key)).astype(int)
            own = np.abs(f_hz / (np.maximum(number, 1) * midi_to_hz(key)) - 1.0) < 0.006
            power[own] += 10.0 ** (-3.0) * number[own] ** -1.8
        level_db = 10.0 * np.log10(power)
        peaks = Peaks(
            f_hz=f_hz, level_db=level_db, above_db=level_db + 95.0,
            rise_db=np.full(len(f_hz), 40.0), width_hz=1.5,
        )  # fmt: skip
        notes = with_octaves(peaks, [(midi_to_hz(k), 0.0, 1.0) for k in found], [], 1400.0, timbre)
        return {round(hz_to_midi(f0_hz)) for f0_hz, _, _ in notes}

    assert told((45, 52, 57, 69), (45, 52)) >= {45, 52, 57, 69}
    assert told((45, 52), (45, 52)) == {45, 52}
    assert told((45, 57), (45,)) == {45}
