"""Beside Praat's autocorrelation (P. Boersma, IFA Proc. 17, 1993), through parselmouth (GPL-3).

On harmonic tones both must agree; on stiff strings they must not, since one reads the period and
the other the partials.
"""

import numpy as np
import parselmouth
import pytest
from tones.exact import (
    bent,
    cents_between,
    faded,
    laid_out,
    measured_notes,
    moments,
    steady,
    stem_of,
    tone,
    with_snr,
)

from planner.model import Floats, Measurement, Role

pytestmark = pytest.mark.outside

SR = 48_000
START_S, LENGTH_S = 0.3, 1.0


def stem_samples(note: Floats, seed: int, snr_db: float = 60.0) -> Floats:
    rng = np.random.default_rng(seed)
    return laid_out([(START_S, with_snr(note, snr_db, rng))], 1.7, SR)


def ours(samples: Floats, role: Role) -> Measurement:
    ((_, measured),) = measured_notes(stem_of(samples, SR, role))
    return measured


def praat_cents(samples: Floats, about_hz: float, first_s: float, last_s: float) -> float:
    """Mean of Praat's frames in a part of the note, in cents over a frequency."""
    sound = parselmouth.Sound(samples, sampling_frequency=SR)
    pitch = sound.to_pitch_ac(
        time_step=0.005, pitch_floor=0.6 * about_hz, pitch_ceiling=1.7 * about_hz
    )
    hz, at_s = pitch.selected_array["frequency"], pitch.xs()
    inside = (hz > 0) & (at_s >= START_S + first_s) & (at_s <= START_S + last_s)
    assert inside.sum() >= 5
    return float(np.mean(1200 * np.log2(hz[inside] / about_hz)))


def our_cents(f_hz: float | None, about_hz: float) -> float:
    assert f_hz is not None
    return cents_between(f_hz, about_hz)


@pytest.mark.parametrize("f1_hz", [82.4, 146.8, 220.0, 392.0, 880.0])
def test_steady_harmonic_tones_agree(f1_hz: float) -> None:
    """At 60 dB both read a steady tone within 0.1 cents of each other."""
    note = faded(tone(steady(f1_hz, LENGTH_S, SR), SR, np.random.default_rng(1)), SR)
    samples = stem_samples(note, seed=2)
    theirs = praat_cents(samples, f1_hz, 0.15, 0.85)
    assert our_cents(ours(samples, "bowed").sustain_hz, f1_hz) == pytest.approx(theirs, abs=0.1)


@pytest.mark.parametrize("f1_hz", [196.0, 440.0])
def test_vibrato_centres_agree(f1_hz: float) -> None:
    """Over whole cycles of a vibrato of 30 cents both read the same centre within a cent."""
    t = moments(LENGTH_S, SR)
    line = bent(f1_hz, 30 * np.sin(2 * np.pi * 5.0 * t))
    samples = stem_samples(faded(tone(line, SR, np.random.default_rng(3)), SR), seed=4)
    theirs = praat_cents(samples, f1_hz, 0.2, 0.8)  # three cycles
    assert our_cents(ours(samples, "lead-voice").sustain_hz, f1_hz) == pytest.approx(
        theirs, abs=1.0
    )


def test_relaxing_plucks_agree_at_both_ends() -> None:
    """A harmonic pluck that starts 15 cents sharp starts and settles alike for both."""
    t = moments(LENGTH_S, SR)
    line = bent(196.0, 15 * np.exp(-t / 0.08))
    note = faded(tone(line, SR, np.random.default_rng(5), decay_s=0.8), SR, rise_s=0.002)
    samples = stem_samples(note, seed=6)
    measured = ours(samples, "fretted")
    assert our_cents(measured.onset_hz, 196.0) == pytest.approx(
        praat_cents(samples, 196.0, 0.012, 0.070), abs=1.5
    )
    assert our_cents(measured.sustain_hz, 196.0) == pytest.approx(
        praat_cents(samples, 196.0, 0.15, 0.85), abs=0.3
    )


@pytest.mark.parametrize("f1_hz", [82.4, 110.0, 196.0])
def test_on_a_stiff_string_they_must_differ(f1_hz: float) -> None:
    """B = 3e-4, one pitch: Praat's period falls as the high partials die, ours does not."""
    amplitudes = [n**-0.5 for n in range(1, 25)]
    line = steady(f1_hz, LENGTH_S, SR)
    note = tone(
        line, SR, np.random.default_rng(7), b=3e-4,
        amplitudes=amplitudes, decay_s=0.8, decay_tilt=0.25,
    )  # fmt: skip
    samples = stem_samples(faded(note, SR, rise_s=0.002), seed=8)
    measured = ours(samples, "fretted")
    onset, sustain = our_cents(measured.onset_hz, f1_hz), our_cents(measured.sustain_hz, f1_hz)
    their_onset = praat_cents(samples, f1_hz, 0.012, 0.110)
    their_sustain = praat_cents(samples, f1_hz, 0.15, 0.85)
    assert abs(onset - sustain) < 1.0
    assert abs(sustain) < 0.3
    assert their_onset - their_sustain > 3.0
    assert their_sustain > sustain + 1.0
