"""Hz, cents, MIDI notes and note names; the sign rule lives here, once.

Sign rule: ``error = measured - target``, so plus is sharp. ``add_cents`` is what to *add* to a
note, so minus lowers it.

Spelling: flats in flat keys, sharps in sharp keys, and the raised sixth and seventh of minor keys
as sharps; without a key, and in keys without a signature, C# Eb F# G# Bb. White keys keep plain
names (F, not E#).

Note names follow the scientific octave numbers: C4 is middle C (MIDI 60), A4 is MIDI 69.
"""

import math
import re

A4_MIDI = 69
STANDARD_A4_HZ = 440.0  # ISO 16:1975, the standard tuning frequency

NoteNames = tuple[str, ...]  # of the twelve notes from C on
MIXED_NAMES: NoteNames = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
_SHARPS: NoteNames = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLATS: NoteNames = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
# Fifths by which the signature of a mode differs from that of the major key on the same tonic.
_MODES = {
    "major": 0, "ionian": 0, "minor": -3, "aeolian": -3, "dorian": -2, "phrygian": -4,
    "lydian": 1, "mixolydian": -1, "locrian": -5,
}  # fmt: skip
_MOST_FIFTHS = 7  # Standard MIDI File 1.0 knows seven flats to seven sharps
_NATURAL_MINOR = frozenset({0, 2, 3, 5, 7, 8, 10})
RAISED_IN_MINOR = (9, 11)  # semitones above the tonic: sixth and seventh of the melodic scale
# A black key's name with its octave, and no part of a longer word, a code or an id.
_BLACK_IN_TEXT = re.compile(r"(?<![\w#-])([A-G])(#|b)(-?\d)(?![\w-])")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAME = re.compile(r"([A-Ga-g])(#{1,2}|b{1,2}|♯|♭)?(-?\d+)")


def cents(measured_hz: float, target_hz: float) -> float:
    """Say how far a measured frequency lies above its target, in cents (plus is sharp).

    ``1200 log2(measured / target)``: A. J. Ellis's definition (1885).

    Raises ValueError if either frequency is not above 0 Hz.
    """
    if not (measured_hz > 0 and target_hz > 0):
        raise ValueError(f"cents needs frequencies above 0 Hz, got {measured_hz} and {target_hz}")
    return 1200.0 * math.log2(measured_hz / target_hz)


def shift_hz(f_hz: float, by_cents: float) -> float:
    """Move a frequency by some cents (plus raises)."""
    return float(f_hz * 2.0 ** (by_cents / 1200.0))


def midi_to_hz(midi: float, a4_hz: float = STANDARD_A4_HZ) -> float:
    """Give the equal-tempered frequency of a MIDI number, fractions allowed, for a given A4."""
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


def hz_to_midi(f_hz: float, a4_hz: float = STANDARD_A4_HZ) -> float:
    """Give the MIDI note number, with its fraction, of a frequency for a given A4.

    Raises ValueError if the frequency is not above 0 Hz.
    """
    return A4_MIDI + cents(f_hz, a4_hz) / 100.0


def note_name(midi: int, names: NoteNames = MIXED_NAMES) -> str:
    """Name a MIDI note: 60 is C4; 61 is C#4 or, by the names of a flat key, Db4."""
    return f"{names[midi % 12]}{midi // 12 - 1}"


def key_fifths(tonic: str, mode: str) -> int | None:
    """Give the sharps (plus) or flats (minus) of a key's signature; None where there is none.

    Church modes have the signature of their scale: D dorian is written without sharps and flats.
    """
    letter, accidentals = tonic[:1].upper(), tonic[1:].replace("♯", "#").replace("♭", "b")
    shift = _MODES.get(mode.lower())
    if letter not in _FIFTHS or shift is None or accidentals not in ("", "#", "b"):
        return None
    fifths = _FIFTHS[letter] + 7 * (accidentals.count("#") - accidentals.count("b")) + shift
    return fifths if abs(fifths) <= _MOST_FIFTHS else None


def key_of_fifths(fifths: int, mode: str) -> str:
    """Name the key of a mode by its signature, sharps plus and flats minus: "Eb major" for -3."""
    place = fifths - _MODES[mode.lower()] - _FIFTHS["F"]
    letter, accidentals = list(_FIFTHS)[place % 7], place // 7
    return f"{letter}{('#' if accidentals > 0 else 'b') * abs(accidentals)} {mode}"


def key_names(tonic: str, mode: str) -> NoteNames:
    """Give the names of the twelve notes in a key: see the head of this module."""
    fifths = key_fifths(tonic, mode)
    if not fifths:
        return MIXED_NAMES
    if fifths > 0:
        return _SHARPS
    names = list(_FLATS)
    if mode.lower() in ("minor", "aeolian"):
        home = parse_note(f"{tonic[0].upper()}{tonic[1:]}4")
        for above in RAISED_IN_MINOR:
            at = (home + above) % 12
            # What the signature has as a flat stays one: Bb is the third of G minor.
            if (at - home) % 12 not in _NATURAL_MINOR:
                names[at] = _SHARPS[at]
    return tuple(names)


def respelled(text: str, names: NoteNames) -> str:
    """Call the black keys in a sentence by these names: "beats with Eb4" becomes "... D#4"."""
    return _BLACK_IN_TEXT.sub(
        lambda found: note_name(parse_note("".join(found.groups())), names), text
    )


def parse_note(name: str) -> int:
    """Read a note name such as ``A4``, ``C#3``, ``Eb2`` or ``B-1`` into its MIDI number.

    Raises ValueError if the text is no note name.
    """
    match = _NAME.fullmatch(name.strip())
    if match is None:
        raise ValueError(
            f"{name!r} is no note name; write a letter, # or b, and the octave: A4, Eb2"
        )
    letter, accidental, octave = match.groups()
    alter = {None: 0, "♯": 1, "♭": -1}.get(accidental)
    if alter is None:
        alter = accidental.count("#") - accidental.count("b")
    return _STEPS[letter.upper()] + alter + 12 * (int(octave) + 1)
