"""Transforms of stretches of a stem, against another library's."""

import numpy as np
import pytest
from scipy import fft

from planner.track.transforms import quick_length, spectra_of


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [None, 640, 640 + 127])
def test_spectra_are_those_of_scipy(dtype: type, size: int | None) -> None:
    """Source: scipy.fft.rfft, in the precision given, of frames that overlap in memory too."""
    samples = np.random.default_rng(0).standard_normal(4000).astype(dtype)
    frames = np.lib.stride_tricks.sliding_window_view(samples, 600)[::80]
    found, right = spectra_of(frames, size), fft.rfft(frames, size, axis=1)
    assert found.dtype == right.dtype
    assert np.abs(found - right).max() < 40 * np.finfo(dtype).eps * np.abs(right).max()


def test_what_is_transformed_stays_as_it_was() -> None:
    """Frames are filled up, and spectra scaled, in arrays of their own."""
    samples = np.ones(64, dtype=np.float32)
    spectra_of(samples)
    spectra_of(samples, 128)
    assert (samples == 1.0).all()


def test_quick_lengths_hold_what_is_asked_with_few_odd_factors() -> None:
    """Never shorter, from 64 samples on less than a fifth longer; the odd part is 27 at most."""
    for least in range(1, 5000):
        length = quick_length(least)
        assert least <= length
        assert length // (length & -length) <= 27
        assert least < 64 or length < 1.2 * least
