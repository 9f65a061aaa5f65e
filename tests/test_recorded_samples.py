"""The recorded test material promises exact intervals: checked on pure tones."""

import numpy as np
import pytest
from recorded_samples import recorded_sample, resampled_by_cents, two_part_note

SR = 44_100


def tone(f_hz: float, length_s: float = 2.0) -> np.ndarray:
    t = np.arange(round(length_s * SR)) / SR
    return np.sin(2 * np.pi * f_hz * t) * np.hanning(len(t))


def frequency(samples: np.ndarray) -> float:
    """Frequency of a pure tone from the slope of its phase (the analytic signal), Hz."""
    n = len(samples)
    spectrum = np.fft.fft(samples)
    spectrum[n // 2 :] = 0.0
    signal = np.fft.ifft(spectrum)
    phase = np.unwrap(np.angle(signal))
    middle = slice(n // 4, 3 * n // 4)
    t = np.arange(n)[middle] / SR
    return float(np.polyfit(t, phase[middle], 1)[0] / (2 * np.pi))


@pytest.mark.parametrize("asked", [-38.0, -3.9, 7.0, 21.0, 100.0])
def test_a_resampled_tone_has_the_promised_ratio(asked: float) -> None:
    """A pure tone moved by some cents lies exactly the told cents from where it was."""
    moved, exact = resampled_by_cents(tone(441.0), asked)
    assert exact == pytest.approx(asked, abs=0.001)
    assert 1200 * np.log2(frequency(moved) / 441.0) == pytest.approx(exact, abs=0.0005)


def test_resampling_keeps_the_level() -> None:
    """Moving a tone changes its pitch and not how loud it is."""
    moved, _ = resampled_by_cents(tone(441.0), -50.0)
    assert np.abs(moved).max() == pytest.approx(1.0, abs=1e-3)


def test_a_two_part_note_has_both_pitches() -> None:
    """Before the cut the note stands at one pitch, after it at the other."""
    steady = np.sin(2 * np.pi * 300.0 * np.arange(2 * SR) / SR)
    note, early, late = two_part_note(steady, SR, onset_cents=18.0, sustain_cents=-4.0, cut_s=0.5)
    first = note[round(0.05 * SR) : round(0.45 * SR)]
    second = note[round(0.55 * SR) : round(1.9 * SR)]
    assert 1200 * np.log2(frequency(first) / 300.0) == pytest.approx(early, abs=0.05)
    assert 1200 * np.log2(frequency(second) / 300.0) == pytest.approx(late, abs=0.05)


def test_the_blend_of_a_two_part_note_leaves_no_hole() -> None:
    """The two copies are joined in phase, so the level does not dip at the cut."""
    steady = np.sin(2 * np.pi * 300.0 * np.arange(2 * SR) / SR)
    note, _, _ = two_part_note(steady, SR, onset_cents=18.0, sustain_cents=-4.0, cut_s=0.5)
    around = note[round(0.48 * SR) : round(0.52 * SR)]
    assert np.sqrt(np.mean(around**2)) == pytest.approx(np.sqrt(0.5), abs=0.03)


@pytest.mark.outside
def test_a_recorded_flute_is_near_its_key() -> None:
    """TimGM6mb's FluteG6 sounds at the key its own header names (TimGM6mb.sf2, GPL-2)."""
    sample = recorded_sample("FluteG6")
    spectrum = np.abs(np.fft.rfft(sample.samples * np.hanning(len(sample.samples)), 1 << 18))
    peak_hz = float(np.argmax(spectrum)) * sample.sr / (1 << 18)
    key_hz = 440.0 * 2 ** ((sample.root_midi - sample.correction_cents / 100 - 69) / 12)
    assert abs(1200 * np.log2(peak_hz / key_hz)) < 50


def test_a_looped_sample_lasts_as_long_as_asked() -> None:
    """A short sample is played on through its loop."""
    sample = recorded_sample("Violin C4", lasting_s=1.5)
    assert len(sample.samples) == round(1.5 * sample.sr)
    assert np.abs(sample.samples[-2000:]).max() > 0.01


def test_an_unknown_sample_is_told() -> None:
    """A name that the soundfont has not is an error that names it."""
    with pytest.raises(KeyError, match="no sample named 'Nose Flute'"):
        recorded_sample("Nose Flute")
