"""What rises at a stroke is read as the new note, and nothing else is touched."""

from __future__ import annotations

import numpy as np
import pytest
from tones.exact import bent, found_notes, laid_out, steady, stem_of, tone

from planner.attacks import attack_frames, pitched_level_db
from planner.model import Floats, PitchTrack, Stem
from planner.struck_pitch import with_struck_pitches
from planner.tracker import HOP_S, track

SR = 16_000
STRUCK_S = 0.8
LENGTH_S = 1.4


def pluck(f_hz: float, length_s: float, rng: np.random.Generator, decay_s: float = 0.6) -> Floats:
    """A string that is struck and decays."""
    sound = tone(steady(f_hz, length_s, SR), SR, rng, decay_s=decay_s)
    sound[:32] *= np.linspace(0.0, 1.0, 32)
    return sound


def ringing(old_hz: float, new_hz: float, new_gain: float = 0.8) -> Stem:
    """A pluck from 0.2 s that rings on under another from 0.8 s on."""
    rng = np.random.default_rng(5)
    old, new = pluck(old_hz, 1.2, rng, 1.5), new_gain * pluck(new_hz, 0.6, rng)
    return stem_of(laid_out([(0.2, old), (STRUCK_S, new)], LENGTH_S, SR), SR, "fretted")


def struck_of(heard: PitchTrack) -> np.ndarray:
    return attack_frames(heard, pitched_level_db(heard), struck=True)


@pytest.mark.parametrize("ratio", [1 / 3, 1 / 2, 2 / 3, 3 / 4, 5 / 4, 4 / 3, 3 / 2, 2.0, 3.0])
def test_a_pluck_over_a_ringing_one_is_read_at_its_pitch(ratio: float) -> None:
    """Octave, twelfth, fifth, fourth and third, both ways: the frames after the stroke are right.

    The stroke's frame is given: what is judged is the pitch.
    """
    new_hz = 330.0 * ratio
    stem = ringing(330.0, new_hz)
    struck = np.array([round(0.2 / HOP_S), round(STRUCK_S / HOP_S) + 1])
    mended = with_struck_pitches(stem, track(stem), struck)
    frames = slice(round((STRUCK_S + 0.03) / HOP_S), round((STRUCK_S + 0.3) / HOP_S))
    off = np.abs(1200 * np.log2(mended.f0_hz[frames] / new_hz))
    assert np.mean(off < 50.0) > 0.9
    assert np.median(mended.strength[frames]) > 0.8


@pytest.mark.parametrize("ratio", [1 / 2, 2 / 3, 3 / 4, 4 / 3, 3 / 2, 2.0])
def test_a_pluck_over_a_ringing_one_is_a_note_of_its_pitch(ratio: float) -> None:
    """The segmenter lists both notes, the second from its stroke."""
    new_hz = 330.0 * ratio
    notes, _ = found_notes(ringing(330.0, new_hz))
    second = [note for note in notes if abs(note.start_s - STRUCK_S) < 0.05]
    assert len(second) == 1
    assert abs(1200 * np.log2(second[0].pitch_hz / new_hz)) < 50.0


def unchanged(stem: Stem, struck: np.ndarray | None = None) -> bool:
    heard = track(stem)
    mended = with_struck_pitches(stem, heard, struck_of(heard) if struck is None else struck)
    return np.array_equal(heard.f0_hz, mended.f0_hz, equal_nan=True)


def test_one_string_after_silence_is_left_as_read() -> None:
    """Nothing rings, so the whole sound and what rose are one."""
    rng = np.random.default_rng(5)
    samples = laid_out([(0.3, pluck(196.0, 0.5, rng))], 1.0, SR)
    stem = stem_of(samples, SR, "fretted")
    assert len(struck_of(track(stem))) >= 1
    assert unchanged(stem)


def test_a_low_string_with_weak_odd_partials_keeps_its_octave() -> None:
    """Odd partials 20 dB down, each note after the last has gone: no octave is put up."""
    rng = np.random.default_rng(5)
    amplitudes = [(0.1 if n % 2 else 1.0) / n for n in range(1, 20)]
    lows = [
        (at, tone(steady(110.0, 0.4, SR), SR, rng, amplitudes=amplitudes, decay_s=0.15))
        for at in (0.2, 0.8, 1.4)
    ]
    stem = stem_of(laid_out(lows, 2.2, SR), SR, "bass-fretted", range_hz=(36.0, 600.0))
    assert unchanged(stem)


def test_a_string_pulled_after_its_stroke_is_left_as_read() -> None:
    """A bend of two semitones moves every partial; what the track reads firmly stays."""
    rng = np.random.default_rng(5)
    cents = np.interp(np.arange(round(0.8 * SR)) / SR, [0.0, 0.25, 0.45, 0.8], [0, 0, 200, 200])
    old = pluck(220.0, 1.2, rng, 1.5) * 0.2
    new = tone(bent(330.0, cents), SR, rng, decay_s=0.8)
    stem = stem_of(laid_out([(0.2, old), (STRUCK_S, new)], 1.8, SR), SR, "fretted")
    heard = track(stem)
    mended = with_struck_pitches(stem, heard, struck_of(heard))
    late = slice(round((STRUCK_S + 0.5) / HOP_S), round((STRUCK_S + 0.7) / HOP_S))
    assert np.array_equal(heard.f0_hz[late], mended.f0_hz[late])


def test_no_stroke_no_change() -> None:
    """Without strokes, and of an empty track, nothing is touched."""
    stem = ringing(330.0, 660.0)
    assert unchanged(stem, np.empty(0, dtype=np.intp))
