"""Strokes on strings that ring, and under others that sound, are placed to 2 ms."""

from __future__ import annotations

import numpy as np
import pytest
from tones.exact import faded, found_notes, laid_out, moments, steady, stem_of, tone, with_snr

from planner.model import Floats, Stem
from planner.segment.strokes import stroke_s

SR = 16_000
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
