"""A string that only gets louder is not struck again; one that is struck begins anew."""

import numpy as np
import pytest
from tones.exact import faded, found_notes, laid_out, moments, steady, stem_of, tone, with_floor

from planner.model import Floats
from planner.segment.sounds_on import _LEAST_COSINE, _LEAST_PARTIALS

SR = 48_000


def starts_of(samples: Floats) -> list[float]:
    floored = with_floor(samples, -70.0, np.random.default_rng(2))
    notes, _ = found_notes(stem_of(floored, SR, "fretted"))
    return [note.start_s for note in notes]


def pluck(f_hz: float, length_s: float, seed: int) -> Floats:
    rng = np.random.default_rng(seed)
    sagging = steady(f_hz, length_s, SR) * 2 ** (6.0 * np.exp(-moments(length_s, SR) / 0.1) / 1200)
    return faded(tone(sagging, SR, rng, b=2e-4, decay_s=1.2), SR, rise_s=0.003)


@pytest.mark.parametrize("rate_hz", [3.0, 4.0, 5.5])
@pytest.mark.parametrize("f_hz", [98.0, 220.0, 440.0])
def test_a_tremolo_strikes_nothing(rate_hz: float, f_hz: float) -> None:
    """An amplifier's tremolo of 14 dB over two plucked notes leaves two."""
    line = laid_out([(0.3, pluck(f_hz, 1.4, 1)), (1.7, pluck(f_hz * 1.5, 1.4, 2))], 3.4, SR)
    t = moments(3.4, SR)[: len(line)]
    swung = line * (0.6 + 0.4 * np.sin(2 * np.pi * rate_hz * t))
    assert starts_of(swung) == pytest.approx([0.3, 1.7], abs=0.03)


@pytest.mark.parametrize("f_hz", [82.4, 110.0, 196.0, 330.0, 660.0])
def test_a_string_struck_again_is_another_note(f_hz: float) -> None:
    """The same pitch four times, the string still ringing: four notes."""
    at_s = [0.3, 0.72, 1.11, 1.53]
    line = laid_out([(at, pluck(f_hz, 0.42, k)) for k, at in enumerate(at_s)], 2.3, SR)
    assert starts_of(line) == pytest.approx(at_s, abs=0.02)


def test_phases_at_random_seldom_agree() -> None:
    """How often a new stroke would pass for the old sound: one in 2000."""
    phases = np.random.default_rng(3).uniform(0.0, 2 * np.pi, (2_000_000, _LEAST_PARTIALS))
    assert 1 / 2500 < (np.cos(phases).mean(axis=1) > _LEAST_COSINE).mean() < 1 / 1500


def test_no_sound_to_look_at_is_no_tremolo() -> None:
    """A stroke at the very start or end of a file stays one."""
    assert len(starts_of(pluck(196.0, 0.3, 1))) == 1
