"""Which notes a stretch's peaks name, before they are weighed."""

import numpy as np

from planner.polyphony.chord_peaks import Peaks
from planner.polyphony.chord_search import find_new_notes

# B3, D#4 and F#4 of a sampled electric piano (TimGM6mb, program 4): Hz, dBFS, and rise in dB.
THREE_KEYS = (
    (247.5, -39, 41), (311.8, -35, 46), (371.0, -34, 48), (494.9, -55, 27), (623.5, -56, 24),
    (742.0, -54, 29), (934.5, -70, 11), (987.0, -76, 12), (1111.5, -67, 13), (1236.5, -79, -7),
    (1245.0, -79, 4), (2182.0, -67, 14), (2595.0, -68, 14),
)  # fmt: skip


def test_what_several_notes_have_in_common_is_no_note_without_a_first_partial() -> None:
    """B2 would have the second partial of B3 and the third of F#4, but sounds nowhere itself."""
    f_hz, level_db, rise_db = np.array(THREE_KEYS, dtype=float).T
    peaks = Peaks(
        f_hz=f_hz, level_db=level_db, above_db=level_db + 110.0, rise_db=rise_db, width_hz=1.7,
    )  # fmt: skip
    named = find_new_notes(peaks, [], (27.0, 4200.0))
    keys = {round(69 + 12 * np.log2(f0_hz / 440.0)) for f0_hz, _, _ in named}
    assert {59, 63} <= keys <= {59, 63, 66}
