"""A constant offset in a recording, taken out before it is listened to.

A constant repeats with every period, so that a tracker would hear a note in each rest. It need not
stand through the file: a gate cuts it, and a sample of a sampler brings its own.
"""

from __future__ import annotations

import numpy as np

from planner.model import Floats

# Means over a tenth of a second, of means, of means: a tone at 30 Hz loses 0.01 %, and what stands
# for 0.3 s all.
_OVER_S, _TIMES = 0.1, 3
_BLOCK = 1 << 16


def take_out_offset(samples: Floats, sr: int) -> None:
    """Take what stands, or moves slowly, out of a signal.

    samples : (n,) at ``sr``, Hz; changed in place, as a long stem does not fit in memory twice
    """
    half = round(_OVER_S * sr / 2.0)
    reach, width = _TIMES * half, 2 * half + 1
    if len(samples) <= 2 * reach:
        samples -= samples.mean(dtype=np.float64)
        return
    last = len(samples) - reach
    before = samples[:reach].copy()
    for at in range(reach, last, _BLOCK):
        block = samples[at : min(at + _BLOCK, last)]
        after = samples[at + len(block) : at + len(block) + reach]
        around = np.concatenate([before, block, after], dtype=np.float64)
        before = around[len(block) : len(block) + reach].astype(samples.dtype)
        slow = around
        for _ in range(_TIMES):
            sums = np.cumsum(np.append(0.0, slow))
            slow = (sums[width:] - sums[:-width]) / width
        block -= slow.astype(samples.dtype)
        # What is nearer to an end has its offset.
        if at == reach:
            samples[:reach] -= np.float32(slow[0])
        if at + len(block) == last:
            samples[last:] -= np.float32(slow[-1])
