"""What rises at a stroke is read as the new note, and nothing else is touched."""

from dataclasses import replace

import numpy as np
import pytest
from tones.exact import faded, found_notes, laid_out, steady, stem_of, tone

from planner.model import Floats, PitchTrack, Stem
from planner.segment.attacks import attack_frames, pitched_level_db
from planner.segment.struck_pitch import with_struck_pitches
from planner.tracker import HOP_S, track

SR = 16_000
STRUCK_S = 0.8
LENGTH_S = 1.4
STRUCK = round(STRUCK_S / HOP_S) + 1  # the frame in which the attack curve peaks


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
    struck = np.array([round(0.2 / HOP_S), STRUCK])
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


def weak_odd(f_hz: float, odd: float, rng: np.random.Generator) -> Floats:
    """A pluck whose odd partials have this share of their usual amplitude."""
    amplitudes = [(odd if n % 2 else 1.0) / n for n in range(1, 20)]
    return tone(steady(f_hz, 0.6, SR), SR, rng, amplitudes=amplitudes, decay_s=0.6)


def told(stem: Stem, read_hz: float) -> PitchTrack:
    """The stem's track, made to read one pitch firmly from the stroke on."""
    heard = track(stem)
    f0_hz, strength = heard.f0_hz.copy(), heard.strength.copy()
    f0_hz[STRUCK:], strength[STRUCK:] = read_hz, 0.95
    return replace(heard, f0_hz=f0_hz, strength=strength)


def test_weak_odd_partials_with_nothing_ringing_keep_their_octave() -> None:
    """Odd partials 26 dB down fit an octave up as well: where nothing rang, the track is right."""
    samples = laid_out([(STRUCK_S, weak_odd(110.0, 0.05, np.random.default_rng(5)))], LENGTH_S, SR)
    stem = stem_of(samples, SR, "bass-fretted", range_hz=(36.0, 600.0))
    heard = told(stem, 110.0)
    mended = with_struck_pitches(stem, heard, np.array([STRUCK]))
    assert np.array_equal(heard.f0_hz, mended.f0_hz, equal_nan=True)


def test_a_reading_that_fits_what_rose_is_put_no_octave_down() -> None:
    """Over a ring, odd partials 14 dB down: a track that reads the upper octave keeps it."""
    rng = np.random.default_rng(5)
    ring = pluck(311.0, 1.2, rng, 1.5)
    new = weak_odd(110.0, 0.2, rng)
    stem = stem_of(laid_out([(0.2, ring), (STRUCK_S, new)], LENGTH_S, SR), SR, "bass-fretted")
    heard = told(stem, 220.0)
    mended = with_struck_pitches(stem, heard, np.array([STRUCK]))
    assert np.array_equal(heard.f0_hz, mended.f0_hz, equal_nan=True)


def test_a_firm_reading_later_in_the_note_stays() -> None:
    """The octave below at the stroke is put right, a pitch the track firmly moves on to is not."""
    stem = ringing(330.0, 660.0)
    heard = told(stem, 330.0)
    f0_hz = heard.f0_hz.copy()
    later = STRUCK + round(0.2 / HOP_S)
    f0_hz[later:] = 740.0
    mended = with_struck_pitches(stem, replace(heard, f0_hz=f0_hz), np.array([STRUCK]))
    first = mended.f0_hz[STRUCK + 6 : STRUCK + 20]
    assert np.abs(1200 * np.log2(first / 660.0)).max() < 50.0
    assert (mended.f0_hz[later:] == 740.0).all()


def test_no_stroke_no_change() -> None:
    """Without strokes, and of an empty track, nothing is touched."""
    stem = ringing(330.0, 660.0)
    assert unchanged(stem, np.empty(0, dtype=np.intp))


@pytest.mark.parametrize("old_hz", [523.3, 622.3])
@pytest.mark.parametrize("semitones", [-9, -7, -5, -4, 4, 5, 7, 9])
def test_a_blown_note_under_a_release_is_read_at_its_pitch(old_hz: float, semitones: int) -> None:
    """A release of 0.2 s over a short, softer note: without this an octave and more below."""
    new_hz = old_hz * 2 ** (semitones / 12)

    def blown(f_hz: float, length_s: float, fall_s: float = 0.02) -> Floats:
        rng = np.random.default_rng(round(f_hz))
        line = steady(f_hz, length_s, SR)
        return faded(tone(line, SR, rng), SR, rise_s=0.01, fall_s=fall_s)

    sounds = [
        (0.2, blown(old_hz, 0.78, fall_s=0.2)),
        (0.8, 0.5 * blown(new_hz, 0.15)),
        (0.95, 0.5 * blown(new_hz * 2 ** (2 / 12), 0.4)),
    ]
    notes, _ = found_notes(stem_of(laid_out(sounds, 1.6, SR), SR, "woodwind"))
    steps = [round(12 * np.log2(note.pitch_hz / new_hz)) for note in notes]
    assert steps == [-semitones, 0, 2]
    assert [n.start_s for n in notes] == pytest.approx([0.2, 0.8, 0.95], abs=0.03)


def test_a_high_note_without_its_first_partial_keeps_its_pitch() -> None:
    """Of partials 2 and 3 of 1700 Hz only one is looked at here: no other period fits better."""
    t = np.arange(round(1.0 * SR)) / SR
    new = 0.5 * np.sin(2 * np.pi * 3400.0 * t) + 0.33 * np.sin(2 * np.pi * 5100.0 * t)
    stem = stem_of(laid_out([(STRUCK_S, new)], LENGTH_S, SR), SR, "bowed")
    heard = told(stem, 1700.0)
    mended = with_struck_pitches(stem, heard, np.array([STRUCK]))
    assert np.array_equal(heard.f0_hz, mended.f0_hz, equal_nan=True)


@pytest.mark.parametrize("semitones", [5, 7, 12, 19])
def test_odd_partials_that_a_note_before_hid_are_its_own_where_they_last(semitones: int) -> None:
    """The note's loudest partial is the second, and its third sounded in the note before.

    Amplitudes of frequency modulation at index 1.84 (Bessel functions): 0, .68, .29, .11, .02.
    """
    rng = np.random.default_rng(7)
    new_hz = 330.0
    before = tone(steady(new_hz * 2 ** (semitones / 12), 0.3, SR), SR, rng)
    new = tone(steady(new_hz, 0.3, SR), SR, rng, amplitudes=[0.0, 0.68, 0.29, 0.11, 0.02])
    pieces = [(0.3, faded(before, SR)), (0.6, faded(new, SR))]
    notes, _ = found_notes(stem_of(laid_out(pieces, 1.2, SR), SR, "woodwind"))
    second = [note for note in notes if abs(note.start_s - 0.6) < 0.05]
    assert len(second) == 1
    assert abs(1200 * np.log2(second[0].pitch_hz / new_hz)) < 50.0


@pytest.mark.parametrize("seed", [0, 2, 3])
@pytest.mark.parametrize("times", [2, 3])
def test_a_string_struck_again_where_one_partial_rises_keeps_its_pitch(
    times: int, seed: int
) -> None:
    """Another place along the string gives off more of every second or third partial.

    All phases begin anew, as they do under a plectrum that stops the string first; by chance, one
    time in eight, too many come to lie as they would have.
    """
    rng = np.random.default_rng(seed)
    softly = [1.0 / n for n in range(1, 15)]
    brightly = [(6.0 if n % times == 0 else 0.8) / n for n in range(1, 15)]
    plucks = [
        tone(steady(220.0, STRUCK_S - 0.2, SR), SR, rng, amplitudes=gains, decay_s=1.5)
        for gains in (softly, brightly)
    ]
    stem = stem_of(laid_out([(0.2, plucks[0]), (STRUCK_S, plucks[1])], LENGTH_S, SR), SR, "fretted")
    struck = np.array([round(0.2 / HOP_S), STRUCK])
    mended = with_struck_pitches(stem, track(stem), struck)
    frames = slice(STRUCK, round((STRUCK_S + 0.3) / HOP_S))
    assert np.abs(1200 * np.log2(mended.f0_hz[frames] / 220.0)).max() < 50.0


@pytest.mark.parametrize("open_s", [0.13, 0.4])
def test_a_mouth_that_opens_after_a_hum_sings_no_octave(open_s: float) -> None:
    """On one pitch a vowel, a hum of 30 ms that is all first partial, and another vowel.

    The second partial of the last is the loudest, as where a vowel's first resonance lies near
    twice the pitch; common practice, no source.
    """
    f_hz, length_s = 230.0, 0.33 + open_s
    line, t = steady(f_hz, length_s, SR), np.arange(round(length_s * SR)) / SR
    first, hum, last = (
        tone(line, SR, np.random.default_rng(7), amplitudes=amplitudes)
        for amplitudes in ([0.9, 0.2, 0.4], [0.9, 0.02], [0.5, 1.2, 0.1, 0.5])
    )
    closes, opens = np.clip((t - 0.3) / 0.01, 0.0, 1.0), np.clip((t - 0.33) / 0.02, 0.0, 1.0)
    sung = (1.0 - closes) * first + closes * (1.0 - opens) * hum + opens * last
    stem = stem_of(laid_out([(0.3, faded(sung, SR))], 1.6, SR), SR, "lead-voice")
    for frame in (118, 120):
        mended = with_struck_pitches(stem, track(stem), np.array([frame]), lowest_hz=300.0)
        heard = mended.f0_hz[100 : round((0.6 + open_s) / HOP_S)]
        assert np.abs(12 * np.log2(heard / f_hz)).max() < 1.0
