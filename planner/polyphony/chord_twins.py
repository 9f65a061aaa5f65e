"""Two reeds to one key, tuned apart on purpose: the second is heard beside every partial.

An accordion's second reed lies 5 to 30 cents from its first (common practice). Its partials are no
other note's: they lie as far from the first reed's all along, as those of no other interval do.
"""

from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import CENTS_PER_NEPER, Note, first_partials
from planner.polyphony.chord_peaks import Peaks, partials_found

LOOKED_AT = 20  # partials; chosen: the first ones of two reeds are one peak
LEAST_CENTS, MOST_CENTS = 5.0, 35.0  # common practice: tremolo tuning, wet at the most
SAME_CENTS = 4.0  # chosen: as far as partials of a reed stray
LEAST_PARTIALS = 4  # chosen: by chance two or three peaks lie so beside others
SOFTER_DB = 15.0  # chosen: reeds of one key are about as loud


def without_twins(peaks: Peaks, notes: list[Note]) -> tuple[Peaks, dict[Note, float]]:
    """Leave out the peaks of second reeds; and of which notes they were, how far apart, cents.

    What is a partial of a note named earlier is no reed of one named later.
    notes: (f0_hz, B), the clearest first
    """
    apart: dict[Note, float] = {}
    if not len(peaks.f_hz):
        return peaks, apart
    taken = np.zeros(len(peaks.f_hz), dtype=bool)
    twins = np.zeros(len(peaks.f_hz), dtype=bool)
    for note in notes:
        hit, index = partials_found(peaks, note, LOOKED_AT)
        taken[index[hit]] = True
        own_db = np.where(hit, peaks.level_db[index], np.inf)
        twin, cents = _twin(peaks, note, own_db, ~taken & ~twins)
        twins |= twin
        if cents:
            apart[note] = cents
    kept = {f.name: getattr(peaks, f.name)[~twins] for f in fields(peaks) if f.name != "width_hz"}
    return replace(peaks, **kept), apart


def _twin(
    peaks: Peaks, note: Note, own_db: NDArray[np.float64], free: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float]:
    """Which free peaks lie equally far beside partials of a note, (peaks,), and how far, cents.

    None and 0 where too few do.
    own_db: (LOOKED_AT,) levels of its partials, infinite where none was found
    """
    law = first_partials(note, LOOKED_AT)
    right = np.clip(np.searchsorted(law, peaks.f_hz), 1, LOOKED_AT - 1)
    nearer = np.abs(law[right - 1] - peaks.f_hz) < np.abs(law[right] - peaks.f_hz)
    number = np.where(nearer, right - 1, right)
    cents = CENTS_PER_NEPER * np.log(peaks.f_hz / law[number])
    beside = free & (np.abs(cents) >= LEAST_CENTS) & (np.abs(cents) <= MOST_CENTS)
    beside &= peaks.level_db > own_db[number] - SOFTER_DB
    alike = np.abs(cents[:, None] - cents[None, :]) <= SAME_CENTS
    count = np.array([len(np.unique(number[row & beside])) for row in alike]) * beside
    best = int(np.argmax(count))
    if count[best] < LEAST_PARTIALS:
        return np.zeros(len(peaks.f_hz), dtype=bool), 0.0
    twin = alike[best] & beside
    return twin, float(np.median(cents[twin]))
