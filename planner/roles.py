"""What a role means: the notes it can play, how its partials lie, whether it may be edited."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from planner.model import CHORD_ROLES, FIXED_ROLES, HARMONIC_ROLES, Role
from planner.pitch import STANDARD_A4_HZ, midi_to_hz, parse_note, shift_hz
from planner.session_model import StemSpec

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

# "audio": its pitch can be planned; "at-source": retune the instrument or sample and print it
# again; "never": nobody can move it, or nobody should.
Editing = Literal["audio", "at-source", "never"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleFacts:
    """What the planner knows about every stem of one role before it hears it."""

    role: Role
    plain: str  # in a sentence: "the bass"
    low_midi: int  # notes below are octave errors or not this instrument
    high_midi: int  # notes above likewise
    range_source: str
    editing: Editing
    editing_source: str
    seldom_below_midi: int = 0  # the usual instrument ends here: only a larger one goes on below

    @property
    def chordal(self) -> bool:
        """Whether several notes sound at once as a matter of course."""
        return self.role in CHORD_ROLES

    @property
    def exact_partials(self) -> bool:
        """Whether partials are exact multiples of the first: bow, breath and voice drive them so.

        Source: periodic sound has a harmonic spectrum (Fourier); a string or bar left to itself
        after a stroke has not (Fletcher, Blackham and Stratton 1962 for piano strings).
        """
        return self.role in HARMONIC_ROLES

    @property
    def may_be_edited(self) -> bool:
        """Whether an edit of the audio may be planned for it."""
        return self.editing == "audio"


_PRACTICE = "common practice, no source"
_VOICE = "common practice, no source: a low bass to a high soprano, with a little to spare"
_KEYS = "the 88 keys of a piano, A0 to C8; the tool's own range is narrower at both ends"
_BASS = "common practice, no source: five strings from B0, 24 frets above G2 end at G4"
_GUITAR = (
    "common practice, no source: six strings with the lowest let down to D2, 24 frets above E4"
)
_LINE = "common practice, no source: a seventh string at B1, 24 frets above E4"


def _facts(
    role: Role,
    plain: str,
    low: str,
    high: str,
    range_source: str,
    editing: Editing = "audio",
    editing_source: str = _PRACTICE,
    seldom_below: str = "",
) -> RoleFacts:
    return RoleFacts(
        role=role,
        plain=plain,
        low_midi=parse_note(low),
        high_midi=parse_note(high),
        range_source=range_source,
        editing=editing,
        editing_source=editing_source,
        seldom_below_midi=parse_note(seldom_below) if seldom_below else 0,
    )


_FIXED = "its pitch cannot be moved afterwards: the others are judged by it"
_SOURCE = "common practice, no source: a wrong setting is put right where it was made"
_OUT = "left by role: its pitch is not planned"
_WHOLE = "the whole range of the tool, since nothing is known about it"

_TABLE = (
    _facts("tuning-reference", "the tuning reference", "A0", "C8", _KEYS, "never", _FIXED),
    _facts("fixed-pitch", "the fixed-pitch instrument", "A0", "C8", _KEYS, "never", _FIXED),
    _facts("fretted", "the guitar line", "B1", "E6", _LINE, seldom_below="D2"),
    _facts("fretted-chords", "the guitar chords", "D2", "E6", _GUITAR),
    _facts("bass-fretted", "the bass", "B0", "G4", _BASS),
    _facts("bass-fretless", "the fretless bass", "B0", "G4", _BASS),
    _facts(
        "bowed", "the bowed line", "E1", "E7",
        "common practice, no source: lowest string of the double bass to the top of a violin part",
        seldom_below="C2",
    ),
    _facts(
        "bowed-group", "the string group", "E1", "E7",
        "common practice, no source: lowest string of the double bass to the top of the violins",
    ),
    _facts(
        "woodwind", "the woodwind", "Bb1", "C7",
        "common practice, no source: lowest note of the bassoon to the top of the flute",
    ),
    _facts(
        "brass", "the brass", "E1", "F6",
        "common practice, no source: low tuba to a trumpet's highest notes",
    ),
    _facts("lead-voice", "the lead voice", "D2", "F6", _VOICE),
    _facts("voice-double", "the voice double", "D2", "F6", _VOICE),
    _facts("voice-harmony", "the harmony voice", "D2", "F6", _VOICE),
    _facts(
        "drum-tones", "the tuned drum", "C#1", "C5",
        "the tool's lower limit (35 Hz) to the highest small toms; common practice, no source",
    ),
    _facts("sampled", "the sampled part", "A0", "C8", _KEYS, "at-source", _SOURCE),
    _facts("exclude", "the part left out", "C#1", "Eb7", _WHOLE, "never", _OUT),
)  # fmt: skip

ROLE_FACTS: Mapping[str, RoleFacts] = MappingProxyType({facts.role: facts for facts in _TABLE})


def is_chordal(role: Role) -> bool:
    """Say whether several notes sound at once in this role as a matter of course."""
    return ROLE_FACTS[role].chordal


def has_exact_partials(role: Role) -> bool:
    """Say whether the partials of this role are exact multiples of the first."""
    return ROLE_FACTS[role].exact_partials


def may_be_edited(role: Role) -> bool:
    """Say whether an edit of the audio may be planned for this role."""
    return ROLE_FACTS[role].may_be_edited


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


def seldom_below_hz(spec: StemSpec, a4_hz: float = STANDARD_A4_HZ) -> float:
    """Give the pitch below which a few notes are octave errors; 0 where the session says the range.

    A cello ends at C2, a guitar let down at D2; below, a double bass or a seventh string plays on,
    and then it does so for a good part of the song.
    """
    midi = ROLE_FACTS[spec.role].seldom_below_midi
    if not midi or spec.range_midi is not None or spec.strings:
        return 0.0
    return shift_hz(midi_to_hz(midi, a4_hz), -EDGE_CENTS)


def role_range_hz(spec: StemSpec, a4_hz: float = STANDARD_A4_HZ) -> tuple[float, float]:
    """Give the range of a stem in Hz; a pitch outside is an octave error or another instrument.

    The notes of `role_range_midi`, widened by `EDGE_CENTS` at either end and clipped to the range
    of the tool.

    Raises
    ------
    ValueError
        If nothing of the stem's range is left inside the range of the tool.
    """
    low_midi, high_midi = role_range_midi(spec)
    keys = spec.role in FIXED_ROLES
    lowest_hz, highest_hz = KEYS_HZ if keys else (TOOL_LOW_HZ, TOOL_HIGH_HZ)
    low_hz = max(lowest_hz, shift_hz(midi_to_hz(low_midi, a4_hz), -EDGE_CENTS))
    high_hz = min(highest_hz, shift_hz(midi_to_hz(high_midi, a4_hz), EDGE_CENTS))
    if low_hz >= high_hz:
        raise ValueError(
            f"stem {spec.code}: the range MIDI {low_midi} to {high_midi} has no note between "
            f"{lowest_hz:g} and {highest_hz:g} Hz, which is all that can be measured"
        )
    return low_hz, high_hz
