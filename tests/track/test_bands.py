"""Filters made of spectra are those that a signal library makes of differences."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfiltfilt

from planner.track import bands
from planner.track.bands import high_pass, low_pass, through

SR = 16_000


def noise(count: int) -> np.ndarray:
    """White noise."""
    return np.random.default_rng(8).standard_normal(count).astype(np.float32)


@pytest.mark.outside
@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize(("kind", "edge_hz"), [("lowpass", 1000.0), ("highpass", 150.0)])
def test_a_filter_is_the_librarys(kind: str, edge_hz: float, order: int) -> None:
    """Source: scipy.signal.butter and sosfilt on the same noise, single precision."""
    made = low_pass if kind == "lowpass" else high_pass
    ours = through(noise(40_000), SR, lambda f_hz: made(f_hz, edge_hz, order, SR))
    theirs = sosfilt(butter(order, edge_hz, kind, fs=SR, output="sos"), noise(40_000))
    np.testing.assert_allclose(ours, theirs, atol=3e-6)


@pytest.mark.outside
def test_through_and_back_delays_nothing() -> None:
    """Source: scipy.signal.sosfiltfilt; away from the ends, which it extends by mirroring."""
    ours = through(noise(40_000), SR, lambda f_hz: np.abs(high_pass(f_hz, 4000.0, 4, SR)) ** 2)
    theirs = sosfiltfilt(butter(4, 4000.0, "highpass", fs=SR, output="sos"), noise(40_000))
    np.testing.assert_allclose(ours[1000:-1000], theirs[1000:-1000], atol=3e-6)


def test_pieces_join(monkeypatch: pytest.MonkeyPatch) -> None:
    """Worked on by the piece it comes out as in one."""
    whole = through(noise(40_000), SR, lambda f_hz: low_pass(f_hz, 900.0, 4, SR))
    monkeypatch.setattr(bands, "_PIECE", 4096)
    pieces = through(noise(40_000), SR, lambda f_hz: low_pass(f_hz, 900.0, 4, SR))
    np.testing.assert_allclose(pieces, whole, atol=3e-6)


@pytest.mark.parametrize("count", [0, 1, 700])
def test_a_short_stem_keeps_its_length(count: int) -> None:
    """Nothing, one sample and less than a margin come back as long as they were."""
    assert len(through(noise(count), SR, lambda f_hz: low_pass(f_hz, 900.0, 4, SR))) == count
