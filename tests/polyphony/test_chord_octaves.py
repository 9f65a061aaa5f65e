"""Low strings whose first partial hardly sounds, told from their octave and their twelfth.

The strings are made here from the law of a stiff string (H. Fletcher, JASA 36, 1964, 203, from
memory) with its published usual stiffness (`typical_b`); how much a soundboard leaves of the first
partials is common practice, no source: "some tens of decibels".
"""

import numpy as np
import pytest
from numpy.typing import NDArray
from tones.exact import faded, laid_out, steady, stem_of, tone, with_floor

from planner.chords import find_chord_notes
from planner.pitch import hz_to_midi, midi_to_hz
from planner.polyphony.chord_partials import partial_hz, typical_b
from tests.test_chords import SR, as_stem

Array = NDArray[np.float64]


def string(midi: float, *, weak_db: float = 0.0, seconds: float = 2.0, seed: int = 1) -> Array:
    """A struck stiff string; partials below 100 Hz fall by `weak_db` an octave."""
    rng = np.random.default_rng(seed)
    f0_hz = midi_to_hz(midi)
    number = np.arange(1, 60, dtype=float)
    hz = partial_hz(f0_hz, typical_b(f0_hz), number)
    number, hz = number[hz < 3000.0], hz[hz < 3000.0]
    level_db = -6.0 * np.log2(number) / 2 + rng.normal(0.0, 3.0, len(number))
    level_db -= weak_db * np.clip(np.log2(100.0 / hz), 0.0, None)
    t = np.arange(int(seconds * SR)) / SR
    turn = 2 * np.pi * hz[:, None] * t + rng.uniform(0, 2 * np.pi, len(hz))[:, None]
    sound = (10 ** (level_db / 20))[:, None] * np.sin(turn) * np.exp(-t * number[:, None] / 8)
    return np.asarray(sound.sum(axis=0) * (1 - np.exp(-t / 0.002)))


def in_silence(sound: Array, peak: float = 0.3) -> Array:
    """A quarter of a second before it, noise at -80 dBFS, peak as asked."""
    rng = np.random.default_rng(0)
    whole = np.concatenate([np.zeros(SR // 4), peak * sound / np.abs(sound).max()])
    return np.asarray(whole + 1e-4 * peak * rng.standard_normal(len(whole)))


@pytest.mark.parametrize("weak_db", [0.0, 20.0, 40.0])
@pytest.mark.parametrize("midi", [21, 23, 26, 28, 31, 36])
def test_a_low_string_is_itself_however_weak_its_first_partials(midi: int, weak_db: float) -> None:
    """A0 to C2, the first partials up to 80 dB down: one note at its pitch, within 5 cents."""
    found = find_chord_notes(as_stem(in_silence(string(midi, weak_db=weak_db, seed=midi))))
    assert [round(hz_to_midi(note.pitch_hz)) for note, _ in found] == [midi]
    hz = midi_to_hz(midi)
    heard_hz = found[0][1].sustain_hz
    assert heard_hz is not None
    assert 1200 * np.log2(heard_hz / (hz * np.sqrt(1 + typical_b(hz)))) == pytest.approx(0, abs=5)


@pytest.mark.parametrize("keys", [(33, 40, 45), (36, 43, 48, 52), (40, 47, 52, 56), (45, 52, 60)])
def test_a_chord_of_higher_strings_has_no_note_below_it(keys: tuple[int, ...]) -> None:
    """Root, fifth, octave and tenth share a lower fundamental that nobody plays."""
    sound = sum((string(key, seed=key) for key in keys), np.zeros(2 * SR))
    found = find_chord_notes(as_stem(in_silence(np.asarray(sound))))
    assert min(round(hz_to_midi(note.pitch_hz)) for note, _ in found) == min(keys)


def test_an_octave_above_a_note_that_begins_with_it_is_not_firm() -> None:
    """What lies on the even partials of a lower note may be another octave: fair at most."""
    sound = string(45, seed=4) + 1.5 * string(57, seed=5)
    found = find_chord_notes(as_stem(in_silence(sound)))
    grades = {round(hz_to_midi(note.pitch_hz)): m.confidence for note, m in found}
    assert grades[45] == "firm"
    assert grades.get(57, "") != "firm"
    score = ((0.25, midi_to_hz(45)), (0.25, midi_to_hz(57)))
    with_score = find_chord_notes(as_stem(in_silence(sound)), lambda voices: score)
    assert 57 in {round(hz_to_midi(note.pitch_hz)) for note, _ in with_score}


def test_a_stem_recorded_low_says_the_same() -> None:
    """The same sound 30 dB lower: the same notes and cents, its level 30 dB lower."""
    loud = find_chord_notes(as_stem(in_silence(string(40), 0.25)))
    low = find_chord_notes(as_stem(in_silence(string(40), 0.25 * 10**-1.5)))
    assert len(loud) == len(low) == 1
    assert low[0][1].sustain_hz == pytest.approx(loud[0][1].sustain_hz, rel=1e-6)
    assert loud[0][0].level_db - low[0][0].level_db == pytest.approx(30.0, abs=0.1)


@pytest.mark.parametrize("pair", [(36, 48), (44, 56), (40, 44), (43, 52)])
def test_low_bowed_notes_are_themselves_beside_each_other(pair: tuple[int, int]) -> None:
    """Two bows, first partials 12 dB softer than the second ones: two notes, no partial of theirs.

    An octave as loud as the partials it hides may go unheard. That a cello softens its lowest
    first partials is common practice, no source.
    """
    rng = np.random.default_rng(7)
    amplitudes = [0.125, *(1.0 / n for n in range(2, 40))]
    pieces = []
    for midi in (pair[0] + 0.03, pair[1] - 0.04):
        played = tone(steady(midi_to_hz(midi), 0.9, SR), SR, rng, amplitudes=amplitudes)
        pieces.append((0.3, faded(played, SR, rise_s=0.05, fall_s=0.05)))
    stem = stem_of(with_floor(laid_out(pieces, 1.6, SR), -80.0, rng), SR, "bowed")
    found = [round(hz_to_midi(note.pitch_hz)) for note, _ in find_chord_notes(stem)]
    assert pair[0] in found
    assert set(found) == set(pair) or (pair[1] == pair[0] + 12 and found == [pair[0]])
