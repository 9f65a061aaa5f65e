"""What of a plucked stem repeats with its string.

Below a bass note a thumb or a slap thumps; high up a stiff string's partials run ahead of the
multiples of its pitch (H. Fletcher, E. D. Blackham and R. Stratton, J. Acoust. Soc. Am. 34, 1962)
and pick and fret click. The body of a guitar answers a pluck at resonances of its own. None of this
repeats with the period, and a track of periods is clearer without it.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.bands import Response, high_pass, low_pass, through

# With B = 3e-4 partial 12 lies a quarter of a period off after one (n^3 B / 2 = 1/4): 500 Hz of the
# lowest string, 1.2 kHz of an octave and a half above.
_BASS_TOP_HZ = 1000.0
# Second order: the body of a double bass thumps at the pitch of its lowest string, 10 dB and more
# over what the string sounds in the first 0.15 s, and is pressed down by 23 dB; a bass that is all
# first partial stays, being softer against its noise alone. Measured (`tests.bench.rendered`, heard
# starts, seeds 18 and 19, slow and fast): TimGM6mb's acoustic bass 0.59 and 0.33 with first order,
# 0.98 and 0.84 with second; FluidR3's slapped bass, fast, 0.90 and 0.93.
_BASS_BOTTOM_HZ = 150.0
# The main resonances of guitar bodies lie between 90 and 250 Hz (N. H. Fletcher and T. D. Rossing,
# "The Physics of Musical Instruments", 1998, chapter 9; from memory) and sound for a tenth of a
# second under the notes above. First order: the lowest strings keep their first partials. Measured
# (`tests.bench.sequenced`, seeds 1 to 4, fast, recorded nylon and steel strings): 0.955 and 0.989
# without, 0.984 and 0.997 with it; 0.978 and 0.983 with second order.
_GUITAR_BOTTOM_HZ = 300.0


# What folds down from over 4 kHz at half of 16 kHz lies 48 dB and more under what it was.
BASS_RATE_DIVISOR = 2


def bass_band(samples: Floats, sr: int) -> NDArray[np.float32]:
    """Filter a stem to the band in which a bass string is periodic.

    samples : (n,) at ``sr``

    Returns samples, one of `BASS_RATE_DIVISOR`, later by a fraction of a millisecond.
    """

    def response(f_hz: Floats) -> Response:
        return low_pass(f_hz, _BASS_TOP_HZ, 4, sr) * high_pass(f_hz, _BASS_BOTTOM_HZ, 2, sr)

    return through(samples, sr, response)[::BASS_RATE_DIVISOR]


def guitar_band(samples: Floats, sr: int) -> NDArray[np.float32]:
    """Press down the part of a stem in which the body of a guitar answers.

    samples : (n,) at ``sr``

    Returns (n,) samples.
    """
    return through(samples, sr, lambda f_hz: high_pass(f_hz, _GUITAR_BOTTOM_HZ, 1, sr))
