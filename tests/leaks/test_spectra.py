"""What is kept of a stem's sound: levels, phases and places of its partials."""

import numpy as np
import pytest

from planner.leaks.bleed_paths import path_between
from planner.leaks.spectra import HOP_S, coarse_spectra

SR = 16_000


def sine(f_hz: float, level_db: float, length_s: float = 2.0) -> np.ndarray:
    t = np.arange(round(length_s * SR)) / SR
    return 10.0 ** (level_db / 20.0) * np.cos(2.0 * np.pi * f_hz * t)


@pytest.mark.parametrize("level_db", [0.0, -60.0, -110.0])
def test_levels_are_kept_in_half_precision(level_db: float) -> None:
    """A sine stands at its own bin, at its level within 0.1 dB, loud or faint."""
    spectra = coarse_spectra(sine(500.0, level_db), SR)
    (place,) = spectra.bins_of(np.array([500.0]))
    frame = np.abs(spectra.at(np.array([10]))[0])
    assert int(frame.argmax()) == place
    loudest = coarse_spectra(sine(500.0, 0.0), SR).at(np.array([10]))[0, place]
    assert 20 * np.log10(frame[place] / abs(loudest)) == pytest.approx(level_db, abs=0.1)


def test_phases_follow_the_sound() -> None:
    """From frame to frame the phase of a sine turns by its frequency times the hop."""
    f_hz = 503.0
    spectra = coarse_spectra(sine(f_hz, -6.0), SR)
    (place,) = spectra.bins_of(np.array([f_hz]))
    line = spectra.at(slice(5, 15))[:, place]
    turns = np.angle(line[1:] * np.conj(line[:-1])) / (2.0 * np.pi)
    assert np.allclose((turns - f_hz * HOP_S + 0.5) % 1.0, 0.5, atol=0.002)


def test_partials_outside_are_left_out_and_memory_is_small() -> None:
    """Bins lie between 62.5 and 2000 Hz; a minute takes 0.6 MB, a third of its samples."""
    samples = np.zeros(60 * SR, dtype=np.float32)
    spectra = coarse_spectra(samples, SR)
    assert len(spectra.bins_of(np.array([40.0, 110.0, 1985.0, 2400.0]))) == 2
    assert spectra.parts.nbytes < 0.2 * samples.nbytes


def test_a_file_far_over_full_scale_stays_finite() -> None:
    """Float samples may stand at any level: at +104 dBFS nothing overflows, in spectra or paths."""
    sound = 10.0 ** (104 / 20) * np.random.default_rng(1).standard_normal(20 * SR)
    loud, soft = coarse_spectra(sound, SR), coarse_spectra(1e-6 * sound, SR)
    assert np.isfinite(loud.parts).all()
    assert np.isfinite(loud.level_dbfs()).all()
    gains, sure = path_between(soft, loud)
    assert np.isfinite([*gains, sure]).all()
