"""A chord stem from onset to onset: what a score is asked, and what is looked at again.

The chords are struck strings made here (`test_chords.struck`), so their notes are known.
"""

import numpy as np
import pytest
from bench.waveguides import scores
from numpy.typing import NDArray
from tones.waveguides import picked_chords

from planner.chords import find_chord_notes
from planner.pitch import hz_to_midi, midi_to_hz
from planner.polyphony import chord_walk
from planner.polyphony.chord_partials import typical_b
from planner.polyphony.chord_voices import Voice, f1_of
from planner.polyphony.chord_walk import find_voices
from tests.test_chords import SR, as_stem, struck

Array = NDArray[np.float64]
CHORDS = ((48, 55, 64), (53, 60, 69), (50, 57, 65), (52, 59, 67))


def four_chords() -> Array:
    """One a second, from 0.3 s on."""
    rng = np.random.default_rng(5)
    sound = 1e-4 * rng.standard_normal(5 * SR)
    for k, keys in enumerate(CHORDS):
        for key in keys:
            note = struck(midi_to_hz(key), typical_b(midi_to_hz(key)), 0.9, rng)
            first = int((0.3 + k) * SR)
            sound[first : first + len(note)] += note[: len(sound) - first]
    return sound


def test_a_score_is_asked_twice_with_all_that_was_heard() -> None:
    """First of what is heard without it, then of what is heard with it, starts within 30 ms."""
    asked: list[list[Voice]] = []
    written = tuple((0.3 + k, midi_to_hz(key)) for k, keys in enumerate(CHORDS) for key in keys)

    def lead(voices: list[Voice]) -> tuple[tuple[float, float], ...]:
        asked.append(voices)
        return written

    voices, *_ = find_voices(four_chords(), as_stem(four_chords()), lead)
    assert [any(voice.known for voice in heard) for heard in asked] == [False, True]
    for heard in asked:
        off_s = [abs(voice.start_s - 0.3 - round(voice.start_s - 0.3)) for voice in heard]
        assert max(off_s) < 0.03
    found = sorted((round(v.start_s - 0.3), round(hz_to_midi(f1_of(v)))) for v in voices)
    assert found == sorted((k, key) for k, keys in enumerate(CHORDS) for key in keys)


def test_a_score_that_does_not_fit_changes_nothing() -> None:
    """It is asked once, names nothing, and the notes are those found without it."""
    sound, calls = four_chords(), []

    def lead(voices: list[Voice]) -> tuple[tuple[float, float], ...]:
        calls.append(len(voices))
        return ()

    led, *_ = find_voices(sound, as_stem(sound), lead)
    alone, *_ = find_voices(sound, as_stem(sound))
    assert len(calls) == 1
    assert [(v.start_s, v.f0_hz) for v in led] == [(v.start_s, v.f0_hz) for v in alone]


def test_every_stretch_is_looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three walks of a stem with its score take no more spectra than one without."""
    sound, looked = four_chords(), [0, 0]
    plain = chord_walk.find_peaks_in
    written = tuple((0.3 + k, midi_to_hz(key)) for k, keys in enumerate(CHORDS) for key in keys)
    for k, lead in enumerate((None, lambda voices: written)):

        def counted(*args: object, k: int = k) -> object:
            looked[k] += 1
            return plain(*args)  # type: ignore[arg-type]

        monkeypatch.setattr(chord_walk, "find_peaks_in", counted)
        find_voices(sound, as_stem(sound), lead)
    assert 0 < looked[1] <= looked[0]


def test_a_tine_rings_on_when_only_its_two_low_partials_are_left() -> None:
    """Its third fades within half a second; with five to show, two would be too few."""
    t = np.arange(int(2.0 * SR)) / SR
    turn = 2 * np.pi * midi_to_hz(57) * t
    tine = np.exp(-t / 2.0) * (np.sin(turn) + 0.3 * np.sin(2 * turn))
    tine += 0.1 * np.exp(-t / 0.1) * np.sin(3 * turn)
    sound = 1e-4 * np.random.default_rng(3).standard_normal(int(3.0 * SR))
    sound[SR // 2 : SR // 2 + len(t)] += 0.2 * tine * np.minimum(t / 0.004, 1.0)
    (voice,), *_ = find_voices(sound, as_stem(sound, "fixed-pitch"))
    assert round(hz_to_midi(f1_of(voice))) == 57
    assert voice.last_s > 2.4


@pytest.mark.parametrize("seed", [102, 104, 105])
def test_a_string_that_rings_under_the_next_is_not_struck_again(seed: int) -> None:
    """Six picked chords of a guitar, a string every 0.18 s: hardly more notes than are picked.

    On strings that waves run along, whose partials lie as they do on none of our own sums.
    """
    melody = picked_chords(seed)
    found = find_chord_notes(melody.stem())
    assert len(found) <= 1.1 * len(melody.notes)
    assert scores(melody, several=True)[0] >= 0.85


def test_what_sank_and_swells_again_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pipes that beat: named again at every look between onsets, and yet they begin but once."""
    chord = [(midi_to_hz(key), 0.0, 1.0) for key in (48, 52, 55)]
    monkeypatch.setattr(chord_walk, "_rings", lambda peaks, voice: False)
    monkeypatch.setattr(chord_walk, "_new_notes", lambda *asked: chord)
    at = np.arange(4 * SR) / SR
    inside = np.clip((at - 0.3) / 0.02, 0.0, 1.0)
    sound = 1e-5 * np.random.default_rng(6).standard_normal(len(at))
    sound += 0.1 * inside * sum(np.sin(2 * np.pi * f0_hz * at) for f0_hz, _, _ in chord)
    voices, *_ = find_voices(sound, as_stem(sound, role="fixed-pitch"))
    begun = [v for v in voices if v.start_s > 0.2]
    assert [v.f0_hz for v in begun] == [f0_hz for f0_hz, _, _ in chord]
    assert all(v.last_s > 3.0 for v in begun)


def section(rng: np.random.Generator) -> tuple[Array, list[float]]:
    """Play ten chords of eight bows a note, cents apart, 0.12 s in coming; give the starts."""
    sound = 1e-4 * rng.standard_normal(13 * SR)
    starts_s = []
    for k in range(10):
        starts_s.append(0.4 + 1.2 * k)
        at = np.arange(round(1.4 * SR)) / SR  # into the next one
        shape = np.clip(at / 0.12, 0.0, 1.0) * np.clip((1.4 - at) / 0.2, 0.0, 1.0)
        root = int(rng.integers(50, 60))
        chord = np.zeros(len(at))
        for key in (root, root + 4, root + 7):
            for _ in range(8):
                hz = midi_to_hz(key + 0.15 * rng.standard_normal())
                for number in range(1, 11):
                    turn = 2 * np.pi * (number * hz * at + rng.random())
                    chord += 0.006 / number * np.sin(turn)
        first = round(starts_s[-1] * SR)
        sound[first : first + len(at)] += shape * chord
    return sound, starts_s


def test_a_section_begins_where_all_of_it_swells_in() -> None:
    """Of its notes, whose partials beat, 19 in 20 begin within 50 ms."""
    sound, starts_s = section(np.random.default_rng(8))
    pairs = find_chord_notes(as_stem(sound, role="bowed-group"))
    off_s = [min(abs(n.start_s - start_s) for start_s in starts_s) for n, _ in pairs]
    assert len(off_s) > 20
    assert np.mean(np.array(off_s) < 0.05) > 0.95
