"""What of a plucked bass repeats with its string.

Below the note a thumb or a slap thumps; high up a stiff string's partials run ahead of the
multiples of its pitch (H. Fletcher, E. D. Blackham and R. Stratton, J. Acoust. Soc. Am. 34, 1962)
and pick and fret click. Neither repeats with the period, and a track of periods is clearer without
both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.bands import high_pass, low_pass, through
from planner.model import Floats

# With B = 3e-4 partial 12 lies a quarter of a period off after one (n^3 B / 2 = 1/4): 500 Hz of the
# lowest string, 1.2 kHz of an octave and a half above.
_TOP_HZ = 1000.0
# Second order: the body of a double bass thumps at the pitch of its lowest string, 10 dB and more
# over what the string sounds in the first 0.15 s, and is pressed down by 23 dB; a bass that is all
# first partial stays, being softer against its noise alone. Measured (`tests.bench.rendered`, heard
# starts, seeds 18 and 19, slow and fast): TimGM6mb's acoustic bass 0.59 and 0.33 with first order,
# 0.98 and 0.84 with second; FluidR3's slapped bass, fast, 0.90 and 0.93.
_BOTTOM_HZ = 150.0


def bass_band(samples: Floats, sr: int) -> NDArray[np.float32]:
    """Filter a stem to the band in which a bass string is periodic.

    Parameters
    ----------
    samples : (n,) at ``sr``

    Returns
    -------
    (n,) samples, later by a fraction of a millisecond
    """
    return through(
        samples,
        sr,
        lambda f_hz: low_pass(f_hz, _TOP_HZ, 4, sr) * high_pass(f_hz, _BOTTOM_HZ, 2, sr),
    )
