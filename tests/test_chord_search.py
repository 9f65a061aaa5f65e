"""Which notes a stretch's peaks name, before they are weighed."""

from __future__ import annotations

import numpy as np

from planner.chord_peaks import Peaks
from planner.chord_search import find_new_notes

# B3, D#4 and F#4 of a sampled electric piano (TimGM6mb, program 4): Hz, and dBFS.
THREE_KEYS = (
    (247.0, -39), (311.5, -35), (370.6, -34), (494.6, -55), (623.3, -56), (741.9, -54),
    (934.0, -70), (987.0, -76), (1111.4, -67), (1236.0, -79), (1245.0, -79),
)  # fmt: skip


def test_what_several_notes_have_in_common_is_no_note_without_a_first_partial() -> None:
    """B2 would have the second partial of B3 and the third of F#4, but sounds nowhere itself."""
    f_hz, level_db = np.array(THREE_KEYS, dtype=float).T
    peaks = Peaks(
        f_hz=f_hz, level_db=level_db, above_db=level_db + 110.0,
        rise_db=level_db + 80.0, width_hz=1.7,
    )  # fmt: skip
    named = find_new_notes(peaks, [], (27.0, 4200.0))
    keys = {round(69 + 12 * np.log2(f0_hz / 440.0)) for f0_hz, _, _ in named}
    assert keys and keys <= {59, 63, 66}
