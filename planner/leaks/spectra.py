"""A stem as spectra ten times a second: what is kept of its sound once its notes are found.

Whether one stem leaks into another is seen in the phase that both share, so the spectra are
complex; half precision (three digits) is enough for levels and phases. Five minutes take 3 MB.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.frame_blocks import frame_blocks
from planner.track.transforms import spectra_of

HOP_S = 0.1  # chosen: three frames in the shortest note that is judged
_WINDOW_S = 0.128  # chosen: 8 Hz apart, yet long beside the 30 ms that sound takes across a room
# Chosen: most of the power of notes lies here, and memory stays small.
_LOWEST_HZ, _HIGHEST_HZ = 62.5, 2000.0
_MOST = float(np.finfo(np.float16).max)  # a file of float samples may be louder: +42 dBFS and more
_SCALE = 1000.0  # half precision is coarse below 6e-5: full scale to -120 dB lie above


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectra:
    """Complex spectra of a stem; frame k is centred on k * HOP_S of its file."""

    bin_hz: float
    first_bin: int
    parts: NDArray[np.float16]  # (frames, bins, 2): real and imaginary

    def at(self, frames: NDArray[np.intp] | slice) -> NDArray[np.complex64]:
        """The spectra of some frames, (k, bins)."""
        pair = self.parts[frames].astype(np.float32)
        spectra: NDArray[np.complex64] = pair.view(np.complex64)[..., 0]
        return spectra

    def level_dbfs(self) -> Floats:
        """Peak level of a sine as loud as each frame, dBFS, -150 at the least."""
        power = np.square(self.parts, dtype=np.float32).sum(axis=(1, 2))
        # A tone on a bin has the power of a Hann window's three bins, 1 + 2 / 4.
        level_dbfs: Floats = 10.0 * np.log10(np.maximum(power / (1.5 * (_SCALE / 2.0) ** 2), 1e-15))
        return level_dbfs

    def bins_of(self, f_hz: Floats) -> NDArray[np.intp]:
        """The places of frequencies among the bins; those outside are left out."""
        place = np.rint(np.asarray(f_hz) / self.bin_hz).astype(np.intp) - self.first_bin
        inside: NDArray[np.intp] = place[(place >= 0) & (place < self.parts.shape[1])]
        return inside


def coarse_spectra(samples: Floats, sr: int) -> Spectra:
    """Take the spectra of a stem, Hann windows of 128 ms.

    samples : (n,)
    sr : Hz

    Returns spectra from 62.5 to 2000 Hz.
    """
    window, hop = round(_WINDOW_S * sr), round(HOP_S * sr)
    bin_hz = sr / window
    first, last = round(_LOWEST_HZ / bin_hz), round(_HIGHEST_HZ / bin_hz)
    frames = len(samples) // hop + 1
    taper = np.hanning(window).astype(np.float32) * np.float32(2.0 * _SCALE / window)
    parts = np.empty((frames, last - first, 2), dtype=np.float16)
    for start, block in frame_blocks(samples, window, hop, frames, lead=window // 2):
        spectra = spectra_of(block * taper)[:, first:last]
        parts[start : start + len(block), :, 0] = np.clip(spectra.real, -_MOST, _MOST)
        parts[start : start + len(block), :, 1] = np.clip(spectra.imag, -_MOST, _MOST)
    parts.setflags(write=False)
    return Spectra(bin_hz=bin_hz, first_bin=first, parts=parts)
