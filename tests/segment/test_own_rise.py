"""A note that comes in under another one begins when its own partials do."""

import numpy as np
import pytest
from tones.exact import faded, found_notes, laid_out, moments, steady, stem_of, tone, with_snr

from planner.model import Floats, Stem
from planner.segment.own_rise import own_rise_s, rises, stroke_s

SR = 16_000
BEGINS_S = 0.8


def held(f_hz: float, length_s: float, *, rise_s: float = 0.02, fall_s: float = 0.02) -> Floats:
    """A driven tone that fades in and out."""
    rng = np.random.default_rng(round(f_hz))
    return faded(tone(steady(f_hz, length_s, SR), SR, rng), SR, rise_s=rise_s, fall_s=fall_s)


def released_into(old_hz: float, new_hz: float) -> Stem:
    """A tone whose release of 0.15 s lies over a new one that is 6 dB softer."""
    old = held(old_hz, 0.75, fall_s=0.15)
    return stem_of(laid_out([(0.2, old), (BEGINS_S, 0.5 * held(new_hz, 0.5))], 1.5, SR), SR)


@pytest.mark.parametrize(("old_hz", "new_hz"), [(294.0, 370.0), (370.0, 294.0), (440.0, 466.2)])
@pytest.mark.parametrize("late_s", [0.03, 0.06, 0.09])
def test_the_rise_is_found_from_where_the_track_reads_it(
    old_hz: float, new_hz: float, late_s: float
) -> None:
    """Third and semitone, from 30 to 90 ms too late: back to within 15 ms of the start."""
    stem = released_into(old_hz, new_hz)
    rise_s = own_rise_s(stem, BEGINS_S + late_s, new_hz, old_hz)
    assert rise_s == pytest.approx(BEGINS_S, abs=0.015)


@pytest.mark.parametrize(("old_hz", "new_hz"), [(294.0, 370.0), (440.0, 349.2), (523.3, 622.3)])
def test_a_note_under_a_release_starts_in_time(old_hz: float, new_hz: float) -> None:
    """The segmenter lists it within 20 ms of where it was made to begin."""
    notes, _ = found_notes(released_into(old_hz, new_hz))
    assert [round(12 * np.log2(n.pitch_hz / new_hz)) for n in notes][-1] == 0
    assert notes[-1].start_s == pytest.approx(BEGINS_S, abs=0.02)
    assert notes[-2].end_s <= notes[-1].start_s


def test_an_octave_above_has_no_partial_of_its_own() -> None:
    """All its partials are the old note's too: nothing is said."""
    stem = released_into(220.0, 440.0)
    assert own_rise_s(stem, 0.85, 440.0, 220.0) == 0.85


def test_partials_that_sounded_all_along_say_nothing() -> None:
    """A note asked about in its middle has not just begun."""
    stem = stem_of(held(330.0, 1.0), SR)
    assert own_rise_s(stem, 0.5, 330.0, 247.0) == 0.5
    assert not rises(stem, 0.5, 330.0, 247.0)


@pytest.mark.parametrize(("new_hz", "said"), [(370.0, True), (349.2, True), (588.0, False)])
def test_what_comes_in_under_a_release_rises(new_hz: float, said: bool) -> None:
    """By its own partials; an octave above has none."""
    assert rises(released_into(294.0, new_hz), BEGINS_S + 0.06, new_hz, 294.0) is said


@pytest.mark.parametrize("rise_s", [0.02, 0.06])
def test_what_leaks_from_the_note_before_is_no_rise(rise_s: float) -> None:
    """A ring at the new note's pitch comes from 14 to 11 dB under it, 60 ms before it begins."""
    moments_s = np.arange(round(1.1 * SR)) / SR
    level = np.interp(moments_s, [0.46, 0.54, 0.6, 0.6 + rise_s], [0.2, 0.27, 0.27, 1.0])
    stem = stem_of(
        laid_out([(0.2, held(294.0, 0.6)), (0.2, level * held(370.0, 1.1))], 1.5, SR), SR
    )
    found_s = own_rise_s(stem, BEGINS_S + 0.02, 370.0, 294.0)
    assert found_s == pytest.approx(BEGINS_S, abs=0.015)


@pytest.mark.parametrize(
    ("about_s", "f_hz", "before_hz"), [(0.05, 330.0, 247.0), (0.5, 45.0, 60.0)]
)
def test_nothing_is_said_too_near_the_edge_or_too_low(
    about_s: float, f_hz: float, before_hz: float
) -> None:
    """Six periods of 45 Hz are longer than the start must be known to."""
    stem = stem_of(held(330.0, 1.0), SR)
    assert own_rise_s(stem, about_s, f_hz, before_hz) == about_s


def test_what_hisses_between_two_notes_is_no_rise() -> None:
    """A dull note, a consonant of 80 ms that is louder than its upper partials, and another note.

    Only upper partials of notes a semitone apart are told apart.
    """

    def dull(f_hz: float, length_s: float) -> Floats:
        amplitudes = [n**-2.5 for n in range(1, 20)]
        rng = np.random.default_rng(round(f_hz))
        sound = tone(steady(f_hz, length_s, SR), SR, rng, amplitudes=amplitudes)
        return faded(sound, SR, rise_s=0.02, fall_s=0.02)

    hiss = 0.1 * np.random.default_rng(3).normal(size=round(0.08 * SR))
    pieces = [(0.2, dull(415.3, 0.52)), (0.72, hiss), (BEGINS_S, dull(440.0, 0.5))]
    stem = stem_of(laid_out(pieces, 1.5, SR), SR, "lead-voice")
    assert own_rise_s(stem, BEGINS_S + 0.005, 440.0, 415.3) > BEGINS_S - 0.02


STRUCK_S = 0.8037


def string(f_hz: float, length_s: float, seed: int) -> Floats:
    """Upper partials die away faster, as on every string."""
    rng = np.random.default_rng(seed)
    return tone(steady(f_hz, length_s, SR), SR, rng, decay_s=0.8, decay_tilt=0.5)


def struck_while_ringing(f_hz: float, ringing_hz: float) -> Stem:
    """A string struck 4 dB softer than what rings was, at `STRUCK_S`; noise 40 dB under."""
    pieces = [(0.2, string(ringing_hz, 1.2, 1)), (STRUCK_S, 0.6 * string(f_hz, 0.6, 2))]
    samples = with_snr(laid_out(pieces, 1.6, SR), 40.0, np.random.default_rng(3))
    return stem_of(samples, SR, "fretted")


@pytest.mark.parametrize("f_hz", [55.0, 110.0, 247.0, 660.0])
@pytest.mark.parametrize("ratio", [1.0, 1.5, 0.6667])
@pytest.mark.parametrize("late_s", [-0.01, 0.0, 0.01])
def test_a_stroke_on_what_rings_is_found_from_near_it(
    f_hz: float, ratio: float, late_s: float
) -> None:
    """The track shows an attack two frames before or after it."""
    stem = struck_while_ringing(f_hz, ratio * f_hz)
    assert stroke_s(stem, STRUCK_S + late_s, f_hz) == pytest.approx(STRUCK_S, abs=0.002)


@pytest.mark.parametrize("f_hz", [110.0, 247.0])
def test_what_another_begins_just_before_is_no_stroke_of_this_one(f_hz: float) -> None:
    """A cello that leaks in, 15 dB under and 12 ms earlier, had begun the note before."""
    rng = np.random.default_rng(5)
    bow = faded(tone(steady(1.26 * f_hz, 0.8, SR), SR, rng), SR, rise_s=0.03)
    pieces = [(0.6, string(f_hz, 0.4, 2)), (0.588, 0.18 * bow)]
    stem = stem_of(with_snr(laid_out(pieces, 1.6, SR), 40.0, rng), SR, "fretted")
    notes, _ = found_notes(stem)
    assert notes[0].start_s == pytest.approx(0.6, abs=0.002)


def test_where_nothing_is_struck_nothing_is_said() -> None:
    """A string that rings on, two that beat, a bow that swells, silence, and the file's ends."""
    rings = stem_of(laid_out([(0.2, string(196.0, 1.2, 1))], 1.6, SR), SR, "fretted")
    turns = 2 * np.pi * moments(1.2, SR)
    beats = np.sin(196.0 * turns) + 0.5 * np.sin(206.0 * turns)
    swells = faded(tone(steady(196.0, 1.2, SR), SR, np.random.default_rng(1)), SR, rise_s=0.5)
    for stem in (rings, stem_of(0.2 * beats, SR, "fretted"), stem_of(swells, SR, "fretted")):
        for about_s in np.arange(0.5, 1.1, 0.0173):
            assert stroke_s(stem, float(about_s), 196.0) is None
    assert stroke_s(stem_of(np.zeros(SR), SR, "fretted"), 0.5, 196.0) is None
    assert stroke_s(rings, 0.005, 196.0) is None
    assert stroke_s(rings, 1.599, 196.0) is None
