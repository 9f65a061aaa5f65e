"""Hz, cents, MIDI notes and note names; the sign rule lives here, once.

Sign rule: ``error = measured - target``, so plus is sharp. ``add_cents`` is what to *add* to a
note, so minus lowers it.

Note names follow the scientific octave numbers: C4 is middle C (MIDI 60), A4 is MIDI 69.
"""

from __future__ import annotations

import math
import re

A4_MIDI = 69
STANDARD_A4_HZ = 440.0  # ISO 16:1975, the standard tuning frequency

_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAME = re.compile(r"([A-Ga-g])(#{1,2}|b{1,2}|♯|♭)?(-?\d+)")


def cents(measured_hz: float, target_hz: float) -> float:
    """Say how far a measured frequency lies above its target, in cents (plus is sharp).

    ``1200 log2(measured / target)``: A. J. Ellis's definition (1885).

    Raises
    ------
    ValueError
        If either frequency is not above 0 Hz.
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

    Raises
    ------
    ValueError
        If the frequency is not above 0 Hz.
    """
    return A4_MIDI + cents(f_hz, a4_hz) / 100.0


def note_name(midi: int) -> str:
    """Name a MIDI note: 60 is C4, 61 is C#4, 70 is Bb4."""
    return f"{_NAMES[midi % 12]}{midi // 12 - 1}"


def parse_note(name: str) -> int:
    """Read a note name such as ``A4``, ``C#3``, ``Eb2`` or ``B-1`` into its MIDI number.

    Raises
    ------
    ValueError
        If the text is no note name.
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
