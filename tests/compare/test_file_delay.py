"""How late one file is against another: whole samples, parts of one, either polarity."""

import numpy as np
import pytest

from planner.compare.file_delay import TAPS, earlier, find_delay

N = 8000


def low_noise(seed: int, length: int) -> np.ndarray:
    """Noise without its top tenth, so that a part of a sample is well defined."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(length))
    spectrum[int(0.8 * len(spectrum)) :] = 0.0
    return np.fft.irfft(spectrum, length)


def late(x: np.ndarray, by_smp: float) -> np.ndarray:
    """The same, late by so many samples, by the phases of its spectrum: exact, and circular."""
    f = np.arange(len(x) // 2 + 1) / len(x)
    return np.fft.irfft(np.fft.rfft(x) * np.exp(-2j * np.pi * f * by_smp), len(x))


@pytest.mark.parametrize("by_smp", [0.0, 1.0, -37.0, 0.25, -0.5 + 1e-3, 12.371])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_delay_that_was_made(by_smp: float, sign: float) -> None:
    """To two thousandths of a sample, whatever the polarity."""
    x = low_noise(1, N)
    y = sign * 0.3 * late(x, by_smp)
    found = find_delay([(x[k : k + 2000], y[k - 100 : k + 2100]) for k in (1000, 4000)])
    assert found is not None
    assert found.late_smp == pytest.approx(by_smp, abs=0.002)


def test_what_was_moved_does_not_shift_the_rest() -> None:
    """Of five seconds of a 50 Hz tone the loudest lies 8 samples later: the others lie at 0.

    All together are most alike three samples late.
    """
    t = np.arange(48000) / 48000
    tone = sum(np.sin(2 * np.pi * 50 * n * t + n) / n for n in range(1, 7))
    windows = [(tone[1000:9000], tone[900:9100])] * 4
    moved = (1.4 * tone[1000:9000], 1.4 * tone[892:9092])
    found = find_delay([*windows, moved])
    assert found is not None
    assert found.whole_smp == 0
    assert found.part_smp == pytest.approx(0.0, abs=0.01)


def test_a_louder_place_does_not_win() -> None:
    """The window's own place is found although what follows is ten times as loud."""
    x = low_noise(2, N)
    y = x.copy()
    y[3000:] *= 10.0
    found = find_delay([(x[2000:3000], y[1900:3400])])
    assert found is not None
    assert found.whole_smp == -150  # it lies 100 samples in; the middle of the search is 250
    again = find_delay([(x[2000:3000], y[1750:3250])])
    assert again is not None
    assert again.whole_smp == 0


def test_nothing_alike_has_no_delay() -> None:
    """Other noise, and silence."""
    assert find_delay([(low_noise(3, 2000), low_noise(4, 2200))]) is None
    assert find_delay([(np.zeros(2000), np.zeros(2200))]) is None


def test_a_part_of_a_sample_is_moved_back() -> None:
    """What was made late by 0.37 lies on the original again; inputs stay as they were."""
    x = low_noise(5, N)
    y = late(x, 0.37)[:, None]
    before = y.copy()
    moved = earlier(y[2000 - TAPS : 4000 + TAPS], 0.37, TAPS)[:, 0]
    rest = np.std(moved - x[2000:4000]) / np.std(x)
    assert 20 * np.log10(rest) < -75
    assert np.array_equal(y, before)
    assert np.array_equal(earlier(y[1950:4050], 0.0, 50), y[2000:4000])
