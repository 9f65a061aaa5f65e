"""How long a stretch of sound a pitch is read in: the lower, the longer."""

from dataclasses import dataclass

import numpy as np

LEVEL_S = 0.032  # of a track's level, and of the shortest window that a pitch is read in


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A window, and the pitches that are read in it."""

    window_s: float
    lowest_hz: float
    highest_hz: float
    offers: int  # candidates at the most
    oversampling: int = 1  # of the lags


# Windows hold 2.8 periods of 35 and of 56 Hz, 4.8 of 150 Hz: a note is read in hardly more than it
# takes, and twelve a second last 0.083 s. 2.5 kHz is 6.4 samples at 16 kHz, too few to find its
# peak between whole lags.
READINGS = (
    Reading(window_s=0.080, lowest_hz=0.0, highest_hz=56.0, offers=2),
    Reading(window_s=0.050, lowest_hz=54.5, highest_hz=150.0, offers=4),
    Reading(window_s=LEVEL_S, lowest_hz=145.5, highest_hz=np.inf, offers=5, oversampling=4),
)


def reading_window_s(pitch_hz: float) -> float:
    """How long the window is that a pitch is read in, s."""
    return next(r.window_s for r in READINGS if pitch_hz < r.highest_hz)
