"""What of a sound lies in a band: Butterworth's filters, worked out as spectra.

Loading a library's filters takes longer than filtering four minutes of a stem with them; as
products of spectra they come from a formula and a Fourier transform that is loaded anyway.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.frame_blocks import frame_blocks
from planner.track.transforms import spectra_of

Response = NDArray[np.complex128] | Floats
Filter = Callable[[Floats, float, int, float], NDArray[np.complex128]]  # `low_pass`, `high_pass`

# Samples, and pieces at a time: side by side they take two thirds of the time of one by one
# (measured), with memory flat in the stem's length.
_PIECE, _AT_ONCE = 16_384, 8
_MARGIN_S = 0.05  # by then a second order at 150 Hz has forgotten a cut: exp(-0.05 * 666) = -290 dB


def low_pass(f_hz: Floats, edge_hz: float, order: int, sr: float) -> NDArray[np.complex128]:
    """Response of a digital low-pass at some frequencies, -3 dB at its edge.

    Butterworth's poles (S. Butterworth, "On the theory of filter amplifiers", Experimental
    Wireless 7, 1930) taken to samples by the bilinear transform, its bend at the edge taken out.

    f_hz : (k,) from 0 to half of ``sr``
    edge_hz : below half of ``sr``
    order : poles
    """
    with np.errstate(divide="ignore"):  # at half the rate nothing passes
        bent = np.tan(np.pi * np.minimum(f_hz / sr, 0.5)) / np.tan(np.pi * edge_hz / sr)
    return _of_poles(1j * np.minimum(bent, 1e9), order)


def high_pass(f_hz: Floats, edge_hz: float, order: int, sr: float) -> NDArray[np.complex128]:
    """Response of a digital high-pass: the low-pass with frequencies turned over at the edge."""
    bent = np.tan(np.pi * edge_hz / sr) / np.maximum(np.tan(np.pi * f_hz / sr), 1e-9)
    return _of_poles(-1j * np.minimum(np.abs(bent), 1e9), order)


def _of_poles(s: NDArray[np.complex128], order: int) -> NDArray[np.complex128]:
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    response = np.ones_like(s)
    for pole in poles:
        response *= -pole / (s - pole)
    return response


def through(
    samples: Floats, sr: float, response: Callable[[Floats], Response]
) -> NDArray[np.float32]:
    """Give what a filter lets through of a stem, silence before and after it.

    samples : (n,) at ``sr``
    response : what it makes of frequencies in Hz; a real one delays nothing

    Returns (n,) samples.
    """
    margin = round(_MARGIN_S * sr)
    gain = response(np.fft.rfftfreq(_PIECE, 1.0 / sr)).astype(np.complex64)
    out = np.empty(len(samples), dtype=np.float32)
    step = _PIECE - 2 * margin
    pieces = -(-len(samples) // step)
    blocks = frame_blocks(samples, _PIECE, step, pieces, lead=margin, at_once=_AT_ONCE)
    for first, block in blocks:
        inner = np.fft.irfft(spectra_of(block) * gain)[:, margin : margin + step].ravel()
        here = out[first * step : (first + len(block)) * step]
        here[:] = inner[: len(here)]
    return out
