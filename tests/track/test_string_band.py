"""What no string repeats is pressed down before its periods are looked for."""

import numpy as np
import pytest
from tones.exact import faded, found_notes, laid_out, moments, steady, stem_of, tone

from planner.model import Floats
from planner.track.string_band import bass_band, guitar_band

SR = 16_000


def gain_db(f_hz: float) -> float:
    """What the band leaves of a sine."""
    sine = np.sin(2 * np.pi * f_hz * moments(1.0, SR))
    return float(20 * np.log10(np.std(bass_band(sine, SR)[SR // 4 :]) / np.std(sine[SR // 4 :])))


@pytest.mark.parametrize(
    ("f_hz", "expected_db"), [(37.5, -24.1), (75.0, -12.3), (300.0, -0.3), (1000.0, -3.0)]
)
def test_gains_are_those_of_the_filters(f_hz: float, expected_db: float) -> None:
    """Butterworth: order two from 150 Hz, f^2 / sqrt(f^4 + 150^4); order four at 1 kHz, -3 dB."""
    assert gain_db(f_hz) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize("f_hz", [4001.0, 5000.0, 7000.0])
def test_what_folds_down_at_half_the_rate_is_gone(f_hz: float) -> None:
    """One sample of two is kept: what lies over 4 kHz comes out 48 dB down."""
    assert len(bass_band(np.zeros(SR + 1), SR)) == SR // 2 + 1
    assert gain_db(f_hz) < -48.0


@pytest.mark.parametrize(("f_hz", "expected_db"), [(75.0, -12.3), (150.0, -7.0), (300.0, -3.0)])
def test_a_guitars_band_falls_by_first_order(f_hz: float, expected_db: float) -> None:
    """Butterworth of order one from 300 Hz: f / sqrt(f^2 + 300^2)."""
    sine = np.sin(2 * np.pi * f_hz * moments(1.0, SR))
    left = np.std(guitar_band(sine, SR)[SR // 4 :]) / np.std(sine[SR // 4 :])
    assert 20 * np.log10(left) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize("knock_hz", [150.0, 195.0, 220.0])
def test_a_short_note_over_the_knock_of_its_body_is_found(knock_hz: float) -> None:
    """Near half of A4, as loud as the string at first, as on a recorded nylon-strung guitar."""
    t = moments(0.12, SR)
    starts = [0.3 + 0.125 * k for k in range(6)]
    sounds = []
    for k, at_s in enumerate(starts):
        f_hz = 440.0 * 2 ** (k % 3 / 12)
        string = tone(steady(f_hz, 0.12, SR), SR, np.random.default_rng(k), decay_s=0.5)
        knock = 1.5 * np.std(string) * np.exp(-t / 0.04) * np.sin(2 * np.pi * knock_hz * t)
        sounds.append((at_s, faded(string + knock, SR, rise_s=0.002, fall_s=0.02)))
    notes, _ = found_notes(stem_of(laid_out(sounds, 1.6, SR), SR, "fretted"))
    assert [n.start_s for n in notes] == pytest.approx(starts, abs=0.02)
    midis = [round(69 + 12 * np.log2(n.pitch_hz / 440.0)) for n in notes]
    assert midis == [69, 70, 71, 69, 70, 71]


def slapped(f_hz: float, length_s: float, thump_hz: float) -> Floats:
    """A stiff, bright string under which something thumps."""
    rng = np.random.default_rng(round(f_hz))
    bright = [0.5, 1.0, 0.7, 0.4, 0.2, *[0.22] * 20]
    string = tone(steady(f_hz, length_s, SR), SR, rng, b=4e-4, amplitudes=bright, decay_s=0.8)
    t = moments(length_s, SR)
    thump = 0.8 * np.exp(-t / 0.12) * np.sin(2 * np.pi * thump_hz * t)
    sound = string + thump
    return faded(sound, SR, rise_s=0.002, fall_s=0.03)


@pytest.mark.parametrize(("f_hz", "thump_hz"), [(73.4, 39.9), (77.8, 42.5), (87.3, 56.0)])
def test_slapped_notes_with_a_thump_below_are_found(f_hz: float, thump_hz: float) -> None:
    """Pitches and thumps as on a recorded slapped bass (0.5 to 0.64 of the pitch)."""
    starts = (0.3, 0.8, 1.3)
    sounds = [(at, slapped(f_hz, 0.45, thump_hz)) for at in starts]
    notes, _ = found_notes(stem_of(laid_out(sounds, 2.0, SR), SR, "bass-fretted"))
    assert [round(12 * np.log2(n.pitch_hz / f_hz)) for n in notes] == [0, 0, 0]
    assert [n.start_s for n in notes] == pytest.approx(starts, abs=0.02)


def test_a_bass_of_its_first_partial_alone_is_found() -> None:
    """A soft thumb leaves little else: the lowest string, second partial 20 dB down."""
    rng = np.random.default_rng(4)
    soft = tone(steady(41.2, 0.8, SR), SR, rng, amplitudes=[1.0, 0.1], decay_s=1.0)
    soft = faded(soft, SR, rise_s=0.01)
    (note,), _ = found_notes(stem_of(laid_out([(0.3, soft)], 1.5, SR), SR, "bass-fretted"))
    assert abs(1200 * np.log2(note.pitch_hz / 41.2)) < 30


def test_short_low_notes_are_judged_by_their_middle() -> None:
    """Six notes of 0.11 s over a body's thump: the window of 80 ms looks past both their ends."""
    pitches_hz = (77.8, 92.5, 82.4, 69.3, 87.3, 73.4)
    bright = [0.5, 1.0, 0.7, 0.4, 0.2, *[0.22] * 20]
    t = moments(0.11, SR)
    thump = 4.0 * np.exp(-t / 0.06) * np.sin(2 * np.pi * 41.0 * t)
    sounds = []
    for k, f_hz in enumerate(pitches_hz):
        rng = np.random.default_rng(round(f_hz))
        string = tone(steady(f_hz, 0.11, SR), SR, rng, b=4e-4, amplitudes=bright, decay_s=0.8)
        sounds.append((0.3 + 0.115 * k, faded(string + thump, SR, rise_s=0.002, fall_s=0.02)))
    notes, _ = found_notes(stem_of(laid_out(sounds, 1.9, SR), SR, "bass-fretless"))
    assert [
        round(12 * np.log2(n.pitch_hz / f)) for n, f in zip(notes, pitches_hz, strict=True)
    ] == ([0] * 6)
