"""Few notes below an instrument's usual range are octave errors; many are a larger instrument."""

import numpy as np
import pytest
from tones.exact import faded, laid_out, steady, stem_of, tone

from planner.model import Stem
from planner.pitch import hz_to_midi
from planner.segment.single_line import find_notes

SR = 16_000
CELLO_HZ = 63.2  # C2 less 60 cents


def bowed(*notes: tuple[float, float, list[float] | None]) -> Stem:
    """Tones of pitch and length one after the other, for the whole range of bowed basses."""
    rng, pieces, at_s = np.random.default_rng(2), [], 0.3
    for f_hz, length_s, amplitudes in notes:
        sound = tone(steady(f_hz, length_s, SR), SR, rng, amplitudes=amplitudes)
        pieces.append((at_s, faded(sound, SR, rise_s=0.03, fall_s=0.03)))
        at_s += length_s + 0.1
    return stem_of(
        laid_out(pieces, at_s + 0.3, SR),
        SR,
        "bowed",
        range_hz=(40.0, 2700.0),
        seldom_below_hz=CELLO_HZ,
    )


def test_a_double_bass_is_heard_to_its_lowest_string() -> None:
    """Half of its time below a cello's range: all of it is found."""
    notes, _ = find_notes(bowed((49.0, 1.0, None), (98.0, 1.0, None), (55.0, 1.0, None)))
    assert [round(hz_to_midi(n.pitch_hz)) for n in notes] == [31, 43, 33]


@pytest.mark.parametrize(("length_s", "lowest_hz"), [(0.6, 110.0), (0.7, 49.0)])
def test_a_tenth_of_the_time_below_the_cello_is_a_larger_instrument(
    length_s: float, lowest_hz: float
) -> None:
    """Less beside six seconds of a cello is an octave error: it is heard in the cello's range."""
    longer = [(110.0, 1.0, None), (130.8, 1.0, None), (146.8, 1.0, None)]
    notes, track = find_notes(bowed(*longer, (49.0, length_s, None), *longer))
    assert min(n.pitch_hz for n in notes) == pytest.approx(lowest_hz, rel=0.002)
    assert (float(np.nanmin(track.f0_hz)) > CELLO_HZ) == (lowest_hz > CELLO_HZ)
