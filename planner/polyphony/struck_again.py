"""Whether a string that rings was struck again: its partials then turn from where they were.

A string that rings on keeps the phase of each of its partials, however loud others begin beside it.
Struck again it begins anew, and where it was as loud before nothing but the phases tell: a held
chord that is strummed once more, an inner voice under the pedal.
"""

import math

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.polyphony.chord_partials import HIGHEST_HZ, Note, first_partials, nearest_of
from planner.polyphony.chord_peaks import Notes
from planner.words.spread import middle_of

Array = NDArray[np.float64]

WINDOW_S = 0.15  # chosen: tells partials 13 Hz apart, and their frequency to a tenth of a Hz
CLEAR_S = 0.07  # to either side of an onset; chosen: a strum is over, and the stroke's noise
LOOKS_BACK_S = CLEAR_S + 2.0 * WINDOW_S  # a string must have rung so long to be told from
LOOKED_AT = 14  # partials
FEWEST = 3  # chosen: two lie alike by chance once in ten times
STANDS_OUT = 4.0  # over the median around it; chosen: clear of noise
# Cosines of what a phase turned: 1 of what rings on, and 0 in the mean of what begins anew.
KEPT = 0.7  # chosen: of partials that kept theirs before the onset, within an eighth of a turn
MOST = 0.5  # chosen: half-way


def struck_again(
    samples: Floats,
    sr: int,
    onset: int,
    note: Note,
    others: Notes,
    window_s: float = WINDOW_S,
    clear_s: float = CLEAR_S,
) -> bool:
    """Say whether a note that rang before an onset and after it began anew there.

    samples: (n,) at `sr`; onset: sample; others: what sounds beside it, before or after; a window
    may be as short as three periods of the note where it sounds alone. False where too few partials
    are free of those.
    """
    length, clear = round(window_s * sr), round(clear_s * sr)
    half_hz = 2.0 / window_s  # of a Hann window's lobe
    starts = onset - clear - 2 * length, onset - clear - length, onset + clear
    if starts[0] < 0 or starts[2] + length > len(samples):
        return False
    law = first_partials(note, LOOKED_AT)
    law = law[law < 0.9 * HIGHEST_HZ]
    law = law[nearest_of(law, others) > np.maximum(half_hz, 0.012 * law)]
    lines = [
        _lines(np.asarray(samples[at : at + length], float), sr, law, half_hz) for at in starts
    ]
    kept, now = (
        np.cos(after[1] - before[1] - np.pi * (before[0] + after[0]) * steps / sr)
        for before, after, steps in zip(lines, lines[1:], np.diff(starts), strict=False)
    )
    telling = kept > KEPT
    telling &= ~np.isnan(now)
    return bool(telling.sum() >= FEWEST and np.mean(now[telling]) < MOST)


def _lines(piece: Array, sr: int, law: Array, half_hz: float) -> tuple[Array, Array]:
    """Frequency (Hz) and phase in the middle of some partials; NaN of what does not stand out."""
    size = 4 << int(np.ceil(np.log2(len(piece))))
    tapered = piece * np.hanning(len(piece))
    t = (np.arange(len(piece)) - (len(piece) - 1) / 2.0) / sr
    spectrum = np.fft.rfft(tapered, size)
    power, step_hz = np.abs(spectrum), sr / size
    f_hz, phase = np.full(len(law), np.nan), np.full(len(law), np.nan)
    for i, hz in enumerate(law):
        reach = max(0.5 * half_hz, 0.006 * hz)
        low, high = int((hz - reach) / step_hz), int((hz + reach) / step_hz) + 1
        k = low + int(np.argmax(power[low:high]))
        around = power[
            max(int((hz - 8 * half_hz) / step_hz), 0) : int((hz + 8 * half_hz) / step_hz)
        ]
        if not low < k < high - 1 or power[k] < STANDS_OUT * middle_of(around):
            continue
        left, mid, right = power[k - 1 : k + 2]
        f_hz[i] = (k + 0.5 * (left - right) / (left - 2.0 * mid + right)) * step_hz
        angle = 2.0 * np.pi * f_hz[i] * t
        phase[i] = -math.atan2(np.sin(angle) @ tapered, np.cos(angle) @ tapered)
    return f_hz, phase
