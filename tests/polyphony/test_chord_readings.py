"""How sure a chord's notes are, by which of their partials were read."""

from dataclasses import replace

import numpy as np
import pytest

from planner.polyphony.chord_octaves import WEAK_FIRST_HZ
from planner.polyphony.chord_partials import CENTS_PER_NEPER, MODEL_CENTS, PartialFits, StiffString
from planner.polyphony.chord_readings import (
    FIRST_SDS,
    SWING_HZ,
    by_first_partials,
    confidence_of,
    first_in_doubt,
    less_sure_by_window,
    without_partials,
)
from planner.polyphony.chord_voices import Voice
from planner.polyphony.chord_walk import LONGEST_S

STRING = StiffString(f0_hz=200.0, b=0.0, f1_cents_sd=0.2, used=5, scatter_cents=0.5)


def voice(f0_hz: float, *numbers: float, known: bool = False) -> Voice:
    """A note of which these partials were read."""
    number = np.array(numbers)
    fits = PartialFits(
        number=number, f_hz=number * f0_hz, sd_hz=0.01 * number, amplitude=0.01 * number,
        unsteady=0.0 * number, collided=0,
    )  # fmt: skip
    return Voice(
        start_s=0.3, last_s=1.0, f0_hz=f0_hz, b=0.0, share=1.0, soft=False, reach_s=(0.0, 0.1),
        worth=np.ones(5),
        known=known, fits=fits,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("note", "doubtful"),
    [
        (voice(200.0, 1.0, 2.0, 3.0), False),
        (voice(200.0, 2.0, 3.0, 5.0), True),
        (voice(200.0, 2.0, 3.0, 5.0, known=True), False),
        (voice(WEAK_FIRST_HZ + 1.0, 2.0, 3.0, 5.0), True),
        (voice(WEAK_FIRST_HZ - 1.0, 2.0, 3.0, 5.0), False),
    ],
)
def test_a_first_partial_that_is_not_read_is_a_doubt(note: Voice, doubtful: bool) -> None:
    """Above what bodies give off weakly, and where no score has the note."""
    assert first_in_doubt(note) is doubtful


def test_a_note_in_doubt_is_not_firm() -> None:
    """The same reading, with and without a doubt about which note it is."""
    assert confidence_of(STRING, 1.0, in_doubt=False) == "firm"
    assert confidence_of(STRING, 1.0, in_doubt=True) == "fair"
    two = replace(STRING, used=2)
    assert confidence_of(two, 1.0, in_doubt=False) == "fair"
    assert confidence_of(two, 1.0, in_doubt=True) == "shaky"


@pytest.mark.parametrize(
    ("hz", "louder", "kept"),
    [(2 * 200.0 - 0.9 * SWING_HZ, 0.5, False), (2 * 200.0 - 0.9 * SWING_HZ, 3.0, True),
     (2 * 200.0 - 1.1 * SWING_HZ, 0.5, True)],
)  # fmt: skip
def test_a_fainter_side_band_of_a_swing_is_no_note(hz: float, louder: float, kept: bool) -> None:
    """Beside a second partial; a louder one, or one further off, may be another player's."""
    low, high = voice(200.0, 1.0, 2.0, 3.0), voice(hz, 1.0, 2.0)
    fits = high.fits
    assert fits is not None
    assert low.fits is not None
    amplitude = fits.amplitude / fits.amplitude[0] * low.fits.amplitude[1] * louder
    high = replace(high, fits=replace(fits, amplitude=amplitude))
    assert (len(without_partials([low, high])) == 2) is kept


def test_a_struck_note_read_in_a_short_window_is_less_sure() -> None:
    """By as much as the stem's notes usually go on in the doublings of the window that are left."""
    windows = (LONGEST_S, LONGEST_S / 2, LONGEST_S / 4)
    strings = [replace(STRING, window_s=window_s, wander_cents=1.5) for window_s in windows]
    told = less_sure_by_window([replace(voice(200.0, 1.0), string=s) for s in strings])
    sds = [v.string.f1_cents_sd for v in told if v.string]
    assert sds == pytest.approx(np.hypot(STRING.f1_cents_sd, [0.0, 1.5, 3.0]))


@pytest.mark.parametrize("went", [4.0, -6.0])
def test_a_string_is_where_its_first_partial_went(went: float) -> None:
    """Read in a short window, and heard where its first partial lies in a longer one."""
    read = replace(STRING, window_s=LONGEST_S / 4, went_cents=went)
    (told,) = less_sure_by_window([replace(voice(200.0, 1.0), string=read)])
    assert told.string is not None
    assert 1200 * np.log2(told.string.f0_hz / read.f0_hz) == pytest.approx(went)
    assert told.string.f1_cents_sd == pytest.approx(np.hypot(STRING.f1_cents_sd, abs(went) / 2))


@pytest.mark.parametrize("f0_hz", [200.0, 90.0])
def test_a_first_partial_that_disagrees_makes_a_note_less_sure(f0_hz: float) -> None:
    """By as much as it is off, if by more than three uncertainties; it stays the pitch."""
    read = voice(f0_hz, 1.0, 2.0, 4.0, 6.0)
    assert read.fits is not None
    fits = replace(read.fits, sd_hz=1e-6 * read.fits.number)
    for off_cents, doubt in ((0.64, 0.0), (0.66, 0.66), (-5.0, 5.0)):
        string = replace(STRING, f0_hz=f0_hz * 2 ** (-off_cents / 1200))
        (told,) = by_first_partials([replace(read, fits=fits, string=string)])
        assert told.string is not None
        assert told.string.f0_hz == pytest.approx(f0_hz)
        assert told.string.f1_cents_sd == pytest.approx(np.hypot(MODEL_CENTS, doubt), rel=1e-3)


@pytest.mark.parametrize(("sd_hz", "taken"), [(0.01, True), (0.02, False)])
def test_a_first_partial_is_taken_where_it_is_surer_than_its_string(
    sd_hz: float, taken: bool
) -> None:
    """It is what the pitch is; a body moves it from the law that the others keep."""
    off_cents = 0.3
    read = voice(200.0, 1.0, 2.0, 4.0, 6.0)
    assert read.fits is not None
    fits = replace(read.fits, sd_hz=sd_hz * read.fits.number)
    string = replace(STRING, f0_hz=200.0 * 2 ** (-off_cents / 1200))
    (told,) = by_first_partials([replace(read, fits=fits, string=string)])
    assert told.string is not None
    sd_cents = np.hypot(FIRST_SDS * CENTS_PER_NEPER * sd_hz / 200.0, MODEL_CENTS)
    assert bool(sd_cents < 0.2) is taken
    assert told.string.f0_hz == pytest.approx(200.0 if taken else string.f0_hz)
    assert told.string.f1_cents_sd == pytest.approx(sd_cents if taken else 0.2)


def test_a_note_without_its_first_partial_is_as_unsure_as_those_lie_off() -> None:
    """As two in three of the stem's, or half as far as nineteen in twenty; one alone is itself."""
    strings = [replace(STRING, f0_hz=200.0 * 2 ** (k / 1200)) for k in (-2.0, 2.0, 2.0)]
    voices = [replace(voice(200.0, 1.0, 2.0, 3.0), string=s) for s in strings]
    without = replace(voice(200.0, 2.0, 3.0, 5.0), string=STRING)
    alone = replace(voice(200.0, 1.0), string=replace(STRING, used=1))
    *_, told, first_only = by_first_partials([*voices, without, alone])
    assert told.string is not None
    assert first_only.string is not None
    assert told.string.f1_cents_sd == pytest.approx(np.hypot(0.2, 2.0))
    assert first_only.string.f1_cents_sd == pytest.approx(0.2)
