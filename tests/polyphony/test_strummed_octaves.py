"""Octaves inside strummed chords: heard where a string doubles another, and nowhere else.

The strings are plucked ones made here (`test_chords.struck`); shapes of open chords are common
practice, no source.
"""

from __future__ import annotations

import numpy as np

from planner.chords import find_chord_notes
from planner.pitch import hz_to_midi, midi_to_hz
from planner.polyphony.chord_partials import typical_b
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
