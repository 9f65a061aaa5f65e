"""A constant offset in a recording, taken out before it is listened to.

A constant repeats with every period, so that a tracker would hear a note in each rest. It need not
stand through the file: a gate cuts it, and a sample of a sampler brings its own.
"""

from __future__ import annotations

import numpy as np

from planner.model import Floats

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
