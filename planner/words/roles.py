"""What a role means: the notes it can play, and whether several sound at once."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from planner.model import CHORD_ROLES, FIXED_ROLES, HARMONIC_ROLES, Role, StemNotes
from planner.pitch import midi_to_hz, parse_note, shift_hz
from planner.words.session_model import StemSpec

# The whole range of the tool. Chosen: below 35 Hz a note of half a second holds too few cycles for
# a figure in cents; above 2500 Hz too few partials are left under the usual 16 to 20 kHz to tell a
# note from a partial of another one.
TOOL_LOW_HZ = 35.0
TOOL_HIGH_HZ = 2500.0
# Keyboards have notes beyond, which would else be read as others: A0 as its octave. Where they
# cannot be measured, that is said of the note.
KEYS_HZ = (26.0, 4400.0)

# Chosen: a limit is written as a note, and a note may be played this far out of tune and still be
# that note. Just over a quarter tone, so that the lowest open string of an instrument tuned 50
# cents flat still lies inside.
EDGE_CENTS = 60.0

# Chosen: a string may be tuned down by a whole tone after the session file was written.
BELOW_LOWEST_STRING_SEMITONES = 2
# Two octaves above the open string: the 24th fret of the longest common fingerboards, and the
# natural harmonic at a quarter of the string. Common practice, no source.
ABOVE_HIGHEST_STRING_SEMITONES = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleFacts:
    """What the planner knows about every stem of one role before it hears it."""

    plain: str  # in a sentence: "the bass"
    low_midi: int  # notes below are octave errors or not this instrument
    high_midi: int  # notes above likewise
    seldom_below_midi: int = 0  # the usual instrument ends here: only a larger one goes on below


def _facts(plain: str, low: str, high: str, seldom_below: str = "") -> RoleFacts:
    return RoleFacts(
        plain=plain,
        low_midi=parse_note(low),
        high_midi=parse_note(high),
        seldom_below_midi=parse_note(seldom_below) if seldom_below else 0,
    )


# Ranges are common practice, no source.
_TABLE: dict[Role, RoleFacts] = {
    # The 88 keys of a piano.
    "tuning-reference": _facts("the tuning reference", "A0", "C8"),
    "fixed-pitch": _facts("the fixed-pitch instrument", "A0", "C8"),
    # A seventh string at B1, or the lowest of six let down to D2; 24 frets above E4.
    "fretted": _facts("the guitar line", "B1", "E6", seldom_below="D2"),
    "fretted-chords": _facts("the guitar chords", "D2", "E6"),
    # Five strings from B0; 24 frets above G2 end at G4.
    "bass-fretted": _facts("the bass", "B0", "G4"),
    "bass-fretless": _facts("the fretless bass", "B0", "G4"),
    # The lowest string of the double bass to the top of a violin part.
    "bowed": _facts("the bowed line", "E1", "E7", seldom_below="C2"),
    "bowed-group": _facts("the string group", "E1", "E7"),
    # The lowest note of the bassoon to the top of the flute.
    "woodwind": _facts("the woodwind", "Bb1", "C7"),
    # A low tuba to a trumpet's highest notes.
    "brass": _facts("the brass", "E1", "F6"),
    # A low bass to a high soprano, with a little to spare.
    "lead-voice": _facts("the lead voice", "D2", "F6"),
    "voice-double": _facts("the voice double", "D2", "F6"),
    "voice-harmony": _facts("the harmony voice", "D2", "F6"),
    # The tool's lower limit (35 Hz) to the highest small toms.
    "drum-tones": _facts("the tuned drum", "C#1", "C5"),
    "sampled": _facts("the sampled part", "A0", "C8"),
    # The whole range of the tool, since nothing is known about it.
    "exclude": _facts("the part left out", "C#1", "Eb7"),
}
ROLE_FACTS: Mapping[Role, RoleFacts] = MappingProxyType(_TABLE)


def is_chordal(stem: StemSpec | StemNotes) -> bool:
    """Say whether several notes sound at once in a stem, by its role or as somebody said."""
    return stem.role in CHORD_ROLES or stem.several_notes


def chords_written_as(role: Role) -> str:
    """Say how chords in a stem of a role are written in the session file."""
    if role in HARMONIC_ROLES:
        return "several_notes: true in its entry"
    return "fretted-chords or fixed-pitch as its role"


def role_range_midi(spec: StemSpec) -> tuple[int, int]:
    """Give the lowest and highest note a stem can be expected to play, as MIDI notes.

    What the session file says wins: its ``range``, else its open ``strings`` (a whole tone below
    the lowest, above the capo, to two octaves above the highest; a capo shortens the fingerboard
    from below and leaves its top where it is), else the role.
    """
    if spec.range_midi is not None:
        return spec.range_midi
    if spec.strings:
        low = min(spec.strings) - BELOW_LOWEST_STRING_SEMITONES + spec.capo
        return low, max(spec.strings) + ABOVE_HIGHEST_STRING_SEMITONES
    facts = ROLE_FACTS[spec.role]
    return facts.low_midi, facts.high_midi


def seldom_below_hz(spec: StemSpec) -> float:
    """Give the pitch below which a few notes are octave errors; 0 where the session says the range.

    A cello ends at C2, a guitar let down at D2; below, a double bass or a seventh string plays on,
    and then it does so for a good part of the song.
    """
    midi = ROLE_FACTS[spec.role].seldom_below_midi
    if not midi or spec.range_midi is not None or spec.strings:
        return 0.0
    return shift_hz(midi_to_hz(midi), -EDGE_CENTS)


def role_range_hz(spec: StemSpec) -> tuple[float, float]:
    """Give the range of a stem in Hz; a pitch outside is an octave error or another instrument.

    The notes of `role_range_midi`, widened by `EDGE_CENTS` at either end and clipped to the range
    of the tool.

    Raises ValueError if nothing of the stem's range is left inside the range of the tool.
    """
    low_midi, high_midi = role_range_midi(spec)
    keys = spec.role in FIXED_ROLES
    lowest_hz, highest_hz = KEYS_HZ if keys else (TOOL_LOW_HZ, TOOL_HIGH_HZ)
    low_hz = max(lowest_hz, shift_hz(midi_to_hz(low_midi), -EDGE_CENTS))
    high_hz = min(highest_hz, shift_hz(midi_to_hz(high_midi), EDGE_CENTS))
    if low_hz >= high_hz:
        raise ValueError(
            f"stem {spec.code}: the range MIDI {low_midi} to {high_midi} has no note between "
            f"{lowest_hz:g} and {highest_hz:g} Hz, which is all that can be measured"
        )
    return low_hz, high_hz
