"""What each role means."""

import pytest

from planner.model import FIXED_ROLES, ROLES
from planner.pitch import cents, midi_to_hz
from planner.words.roles import (
    KEYS_HZ,
    ROLE_FACTS,
    TOOL_HIGH_HZ,
    TOOL_LOW_HZ,
    role_range_hz,
    role_range_midi,
    seldom_below_hz,
)
from planner.words.session_model import StemSpec


def spec(**fields: object) -> StemSpec:
    return StemSpec(**{"code": "X", "file": "x.wav", "role": "bass-fretted", **fields})  # type: ignore[arg-type]


def test_every_role_has_its_facts_and_no_other():
    """Each role of the model has one record."""
    assert tuple(ROLE_FACTS) == ROLES


@pytest.mark.parametrize("role", ROLES)
def test_every_range_lies_in_the_tool(role):
    """A range runs upward, and is clipped to the tool."""
    facts = ROLE_FACTS[role]
    assert facts.low_midi < facts.high_midi
    assert facts.plain.startswith("the ")
    low_hz, high_hz = role_range_hz(spec(role=role))
    lowest_hz, highest_hz = KEYS_HZ if role in FIXED_ROLES else (TOOL_LOW_HZ, TOOL_HIGH_HZ)
    assert lowest_hz <= low_hz < high_hz <= highest_hz


# A0 = 27.5 Hz, C8 = 4186.0 Hz: ISO 16:1975 with 2**(n/12).
@pytest.mark.parametrize("role", sorted(FIXED_ROLES))
def test_keyboards_have_all_their_keys(role):
    """From A0 to C8: a key outside the range would be read as its octave."""
    low_hz, high_hz = role_range_hz(spec(role=role))
    assert low_hz < 27.5
    assert high_hz > 4186.0


def test_excluded_stems_get_the_whole_range():
    """A stem that is left out is not narrowed down to anything."""
    assert role_range_hz(spec(role="exclude")) == (35.0, 2500.0)


# Frequencies of equal temperament at A4 = 440 Hz: ISO 16:1975 with 2**(n/12); G4 = 391.995 Hz,
# D2 = 73.416 Hz, F6 = 1396.913 Hz are the usual printed values.
def test_role_range_is_sixty_cents_wider_than_its_notes():
    """The lead voice reaches 60 cents below D2 and 60 cents above F6."""
    low_hz, high_hz = role_range_hz(spec(role="lead-voice"))
    assert cents(low_hz, 73.416) == pytest.approx(-60.0, abs=0.01)
    assert cents(high_hz, 1396.913) == pytest.approx(60.0, abs=0.01)


def test_the_lowest_bass_string_is_clipped_to_the_tool():
    """B0 of a five-string bass (30.87 Hz) lies below the tool, so its range begins at 35 Hz."""
    low_hz, high_hz = role_range_hz(spec())
    assert low_hz == 35.0
    assert cents(high_hz, 391.995) == pytest.approx(60.0, abs=0.01)


def test_written_range_wins_over_strings_and_role():
    """A range in the session file is taken as it is."""
    assert role_range_midi(spec(range_midi=(57, 77), strings=(28, 33, 38, 43))) == (57, 77)


def test_strings_win_over_the_role():
    """Open strings E1 to G2 give D1 to G4: a whole tone below, two octaves above."""
    assert role_range_midi(spec(strings=(28, 33, 38, 43))) == (26, 67)


def test_a_capo_raises_the_low_end_only():
    """A capo at the second fret takes the lowest two semitones away and leaves the top."""
    strings = (40, 45, 50, 55, 59, 64)
    assert role_range_midi(spec(role="fretted", strings=strings)) == (38, 88)
    assert role_range_midi(spec(role="fretted", strings=strings, capo=2)) == (40, 88)


# C2 = 65.406 Hz at A4 = 440 Hz: ISO 16:1975 with 2**(n/12).
def test_below_a_cello_only_a_larger_instrument_plays_on():
    """Bowed lines reach E1, and seldom lie below C2; what the session file says is always meant."""
    assert cents(seldom_below_hz(spec(role="bowed")), 65.4064) == pytest.approx(-60.0, abs=0.01)
    assert seldom_below_hz(spec(role="bowed", range_midi=(28, 60))) == 0.0
    assert seldom_below_hz(spec(role="fretted", strings=(28, 33, 38, 43))) == 0.0
    assert seldom_below_hz(spec(role="lead-voice")) == 0.0


def test_a_range_outside_the_tool_is_refused():
    """A range that begins above 2500 Hz is told with its stem and notes."""
    assert midi_to_hz(105) > TOOL_HIGH_HZ * 1.4
    with pytest.raises(
        ValueError, match=r"stem X: the range MIDI 105 to 108 has no note between 35 and 2500 Hz"
    ):
        role_range_hz(spec(range_midi=(105, 108)))
