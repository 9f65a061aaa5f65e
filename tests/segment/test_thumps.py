"""One line under a note's partials is a thump; a note below has odd partials of its own."""

import numpy as np
import pytest
from tones.exact import laid_out, moments, steady, stem_of, tone

from planner.model import Floats, Stem
from planner.segment.thumps import without_thumps
from planner.tracker import HOP_S

SR = 16_000
LOW_HZ = 36.7


def read_low(sound: Floats) -> tuple[Stem, Floats]:
    """A stem with a sound from 0.3 s on, and a track that reads it at `LOW_HZ`."""
    stem = stem_of(laid_out([(0.3, sound)], 1.0, SR), SR, "bass-fretted")
    f0_hz = np.full(round(1.0 / HOP_S) + 1, np.nan)
    f0_hz[round(0.32 / HOP_S) : round(0.5 / HOP_S)] = LOW_HZ
    return stem, f0_hz


def string(f_hz: float, amplitudes: list[float] | None = None) -> Floats:
    return tone(
        steady(f_hz, 0.4, SR), SR, np.random.default_rng(7), amplitudes=amplitudes, decay_s=0.5
    )


@pytest.mark.parametrize("thump_hz", [36.7, 40.0])
def test_a_note_over_a_thump_is_read_an_octave_up(thump_hz: float) -> None:
    """A thump 8 dB under the note, at half its pitch and a little above, as on recorded basses."""
    t = moments(0.4, SR)
    stem, f0_hz = read_low(string(2 * LOW_HZ) + 0.4 * np.sin(2 * np.pi * thump_hz * t))
    mended = without_thumps(stem, f0_hz)
    np.testing.assert_allclose(mended, 2 * f0_hz)


@pytest.mark.parametrize("odd_db", [0.0, -10.0, -15.0])
def test_a_low_note_with_weak_odd_partials_stays(odd_db: float) -> None:
    """Odd partials down to 15 dB under their even neighbours are still those of a note."""
    odd = 10 ** (odd_db / 20)
    stem, f0_hz = read_low(string(LOW_HZ, [(odd if n % 2 else 1.0) / n for n in range(1, 16)]))
    np.testing.assert_array_equal(without_thumps(stem, f0_hz), f0_hz)


def test_too_short_a_stretch_stays() -> None:
    """Five periods are needed to tell odd partials from even ones: 3 ms of track show fewer."""
    stem, f0_hz = read_low(string(2 * LOW_HZ))
    f0_hz[:] = np.nan
    f0_hz[64:73] = LOW_HZ
    np.testing.assert_array_equal(without_thumps(stem, f0_hz), f0_hz)


@pytest.mark.parametrize("times", [2, 3])
@pytest.mark.parametrize("length_s", [0.12, 0.4])
def test_the_knock_of_a_body_lasts_no_longer_than_it_rings(times: int, length_s: float) -> None:
    """Read at a half or a third of A4 for 0.12 s, a knock; for 0.4 s, another string."""
    low_hz = 440.0 / times
    t = moments(0.5, SR)
    knock = 0.4 * np.sin(2 * np.pi * 0.96 * low_hz * t)
    note = tone(steady(440.0, 0.5, SR), SR, np.random.default_rng(7), decay_s=0.5)
    stem = stem_of(laid_out([(0.3, note + knock)], 1.2, SR), SR, "fretted")
    f0_hz = np.full(round(1.2 / HOP_S) + 1, np.nan)
    f0_hz[round(0.32 / HOP_S) : round((0.32 + length_s) / HOP_S)] = low_hz
    expected = times if length_s < 0.2 else 1
    np.testing.assert_allclose(without_thumps(stem, f0_hz), expected * f0_hz)


def test_faint_partials_where_they_belong_are_a_note() -> None:
    """Odd partials 22 dB under the even ones, but each in its place, as of a recorded string."""
    low_hz = 103.8
    amplitudes = [0.7, 1.0, *[(0.03 if n % 2 else 0.5) for n in range(3, 12)]]
    rng = np.random.default_rng(7)
    low = tone(steady(low_hz, 0.16, SR), SR, rng, amplitudes=amplitudes, decay_s=0.5)
    stem = stem_of(laid_out([(0.3, low)], 1.0, SR), SR, "fretted")
    f0_hz = np.full(round(1.0 / HOP_S) + 1, np.nan)
    f0_hz[round(0.32 / HOP_S) : round(0.44 / HOP_S)] = low_hz
    np.testing.assert_array_equal(without_thumps(stem, f0_hz), f0_hz)


def test_faint_odd_partials_that_lie_where_they_belong_are_a_notes() -> None:
    """A low guitar note, odd partials 26 and 20 dB down, the highest of them gone in the noise."""
    sound = string(LOW_HZ, [0.4, 1.0, 0.05, 0.06, 0.08, 0.1, 0.0, 0.04, 0.0])
    stem, f0_hz = read_low(sound)
    np.testing.assert_array_equal(without_thumps(stem, f0_hz), f0_hz)
