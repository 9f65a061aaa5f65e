"""What adds up over an audio file: levels, stereo situation, flat tops; offsets, taken out."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats

# Chosen: a side 60 dB below the other carries nothing, two sides that differ by less are one.
_NOTHING = 1e-6
_CANCELS = 1e-2  # chosen: mid 20 dB below the difference would be measured from remnants
_LONGEST_RUN = 1 << 16  # samples; chosen: a longer run is counted as it stands


def finite(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """Put 0 in the place of samples that are not a number or infinite, in the array itself."""
    return np.nan_to_num(block, copy=False, nan=0.0, posinf=0.0, neginf=0.0)


@dataclass
class Sums:
    """What one pass over the blocks adds up to."""

    channels: int
    frames: int = 0
    bad: int = 0
    first_bad: int | None = None
    mid: float = 0.0  # energy of left + right
    difference: float = 0.0  # energy of left - right
    peaks: NDArray[np.float64] = field(init=False)
    power: NDArray[np.float64] = field(init=False)
    total: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        self.peaks = np.zeros(self.channels)
        self.power = np.zeros(self.channels)
        self.total = np.zeros(self.channels)

    def add(self, block: NDArray[np.float32]) -> None:
        """Take the next block, (n, channels)."""
        good = np.isfinite(block)
        if not good.all():
            rows = np.flatnonzero(~good.all(axis=1))
            if self.first_bad is None:
                self.first_bad = self.frames + int(rows[0])
            self.bad += len(rows)
            block = finite(block)
        # Along a row numpy sums at once, over the rows of a block pair by pair: ten times as long.
        wide = np.ascontiguousarray(block.T, dtype=np.float64)
        self.peaks = np.maximum(self.peaks, np.abs(wide).max(axis=1))
        self.power += np.einsum("ij,ij->i", wide, wide)
        self.total += wide.sum(axis=1)
        if self.channels == 2:
            left, right = wide
            self.mid += float(((left + right) ** 2).sum())
            self.difference += float(((left - right) ** 2).sum())
        self.frames += len(block)

    def offset(self) -> float:
        """Largest constant part of a channel."""
        return float(np.abs(self.total).max()) / self.frames

    def rms(self) -> float:
        """Root mean square of the loudest channel."""
        return math.sqrt(float(self.power.max()) / self.frames)

    def sides(self, side: str) -> tuple[Any, Any]:
        """Name the stereo situation and the side to measure."""
        if self.channels == 1:
            return "mono", "mono"
        left, right = self.power
        if right <= _NOTHING * left and left > 0:
            found = "left-only", "left"
        elif left <= _NOTHING * right and right > 0:
            found = "right-only", "right"
        elif self.difference <= _NOTHING * self.mid:
            found = "dual-mono", "left"
        elif self.mid <= _CANCELS * self.difference:
            found = "opposite-polarity", "left"
        else:
            found = "stereo", "mid"
        return found if side == "auto" else (found[0], side)


class FlatTops:
    """Counts runs of three or more samples stuck at the peak, block by block.

    A slow, smooth top is rounded to equal samples too. Of a parabola whose top n samples round to
    one value, the next sample lies at most ((n + 1) / (n - 1))^2 <= 4 steps lower, and rounding
    adds one: only a run with a steeper edge than that was cut off.
    """

    def __init__(self, peak: float, step: float) -> None:
        self.peak, self.step = peak, max(step, peak * 2.0**-23)
        self.count = 0
        self._tail: NDArray[np.float32] = np.zeros(0, np.float32)

    def add(self, block: NDArray[np.float32]) -> None:
        """Take the next block, (n,) samples."""
        highest = max(float(block.max(initial=0.0)), -float(block.min(initial=0.0)))
        if len(block) and len(self._tail) < 2 and highest < self.peak - 1.5 * self.step:
            self._tail = block[-1:]  # no sample of it is stuck
            return
        x = np.concatenate([self._tail, block])
        # Keep an unfinished run, with the sample before it, for the next block; a run longer than
        # a block is counted as it stands.
        stuck = self._stuck(x)
        free = np.flatnonzero(~stuck)
        keep = len(x) - (int(free[-1]) if len(free) else 0)
        self._tail = x[-keep:] if keep <= _LONGEST_RUN else x[-1:]
        self.count += self._runs(x[: len(x) - keep + 1] if keep <= _LONGEST_RUN else x)

    def finish(self) -> int:
        """Give the count once every block has been taken."""
        return self.count + self._runs(self._tail)

    def _stuck(self, x: NDArray[np.float32]) -> NDArray[np.bool_]:
        # One step of room: positive full scale of integers is one step short of negative.
        return (np.abs(x) >= self.peak - 1.5 * self.step) & (self.peak > 0)

    def _runs(self, x: NDArray[np.float32]) -> int:
        stuck = np.concatenate([[False], self._stuck(x), [False]])
        edges = np.flatnonzero(np.diff(stuck.astype(np.int8)))
        found = 0
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if end - start >= 3 and x[start] == x[start + 1] == x[start + 2]:
                outside = [abs(float(x[i])) for i in (start - 1, end) if 0 <= i < len(x)]
                found += any(self.peak - value > 5 * self.step for value in outside)
        return found


# ---------------------------------------------------------------- a constant offset

# A constant repeats with every period, so that a tracker would hear a note in each rest. It need
# not stand through the file: a gate cuts it, and a sample of a sampler brings its own.

# Means over a tenth of a second, of means, of means: a tone at 30 Hz loses 0.01 %, and what stands
# for 0.3 s all. Of what came before: were it from both sides, a note that brings an offset would
# seem to swell in before its stroke.
_OVER_S, _TIMES = 0.1, 3
_BLOCK = 1 << 16


def take_out_offset(samples: Floats, sr: int) -> None:
    """Take what stands, or moves slowly, out of a signal.

    samples : (n,) at ``sr``, Hz; changed in place, as a long stem does not fit in memory twice
    """
    width = 2 * round(_OVER_S * sr / 2.0) + 1
    reach = _TIMES * (width - 1)
    if len(samples) <= reach:
        samples -= samples.mean(dtype=np.float64)
        return
    before = samples[:reach].copy()
    for at in range(reach, len(samples), _BLOCK):
        block = samples[at : at + _BLOCK]
        slow = np.concatenate([before, block], dtype=np.float64)
        before = slow[-reach:].astype(samples.dtype)
        for _ in range(_TIMES):
            sums = np.cumsum(np.append(0.0, slow))
            slow = (sums[width:] - sums[:-width]) / width
        block -= slow.astype(samples.dtype)
        if at == reach:  # nothing came before
            samples[:reach] -= np.float32(slow[0])
