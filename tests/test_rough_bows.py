"""What a bow draws from a string before it speaks is no note of its own.

On a string that waves run along (`tests.tones.waveguides`) a bow whistles for up to a tenth of a
second, somewhere above an octave; here with exact lengths and pitches.
"""

import numpy as np
import pytest
from tones.exact import faded, laid_out, measured_notes, steady, stem_of, tone, with_floor

from planner.words.roles import Role

SR = 48_000
START_S, NOTE_HZ = 0.3, 110.0


def notes_after(role: Role, whistle_s: float, octaves: float) -> int:
    """How many notes are found where a tone of 0.5 s follows another at so many octaves above."""
    rng = np.random.default_rng(5)
    ahead = faded(tone(steady(NOTE_HZ * 2.0**octaves, whistle_s, SR), SR, rng), SR, fall_s=0.004)
    note = faded(tone(steady(NOTE_HZ, 0.5, SR), SR, rng), SR, rise_s=0.004, fall_s=0.04)
    line = laid_out([(START_S, 0.3 * ahead), (START_S + whistle_s - 0.004, note)], 1.2, SR)
    return len(measured_notes(stem_of(with_floor(line, -75.0, rng), SR, role)))


@pytest.mark.parametrize("octaves", [1.4, 2.05])
def test_a_whistle_is_no_note_of_its_own(octaves: float) -> None:
    """Seventy milliseconds lead to a bowed note; a reed may play them."""
    assert notes_after("bowed", 0.07, octaves) == 1
    assert notes_after("woodwind", 0.07, octaves) == 2


def test_a_leap_that_is_played_is_two_notes() -> None:
    """An octave however short, and a longer note further up."""
    assert notes_after("bowed", 0.08, 1.0) == 2
    assert notes_after("bowed", 0.20, 1.4) == 2
