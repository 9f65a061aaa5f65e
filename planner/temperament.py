"""Temperaments: how far each of the twelve notes lies from equal temperament, in cents.

Tables are rebuilt from their definitions, never typed in. Most definitions are a chain of eleven
fifths from Eb up to G#, each narrower or wider than pure by a share of a comma; the twelfth fifth,
G#-Eb, takes what is left.

Two traps decide the shape of this module. Books print offsets with C = 0, but a session states its
A4 in Hz, so every table here is re-based to A = 0. And several names are used for two scales
("sixth-comma" may mean either comma, "Kirnberger III" exists twice), so each says which it is.

Shares are those of the Scala scale archive, whose files the tests compare with; chains after
J. M. Barbour, *Tuning and Temperament* (1951), from memory.
"""

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise
from types import MappingProxyType

PITCH_CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
# The chain of fifths that every table is built on; its last member closes on the first.
CHAIN = ("Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#", "G#")

PURE_FIFTH_CENTS = 1200.0 * math.log2(3 / 2)
SYNTONIC_COMMA_CENTS = 1200.0 * math.log2(81 / 80)  # four fifths less two octaves and a third 5/4
PYTHAGOREAN_COMMA_CENTS = 12 * PURE_FIFTH_CENTS - 7 * 1200.0  # twelve fifths less seven octaves
SCHISMA_CENTS = PYTHAGOREAN_COMMA_CENTS - SYNTONIC_COMMA_CENTS

_A = PITCH_CLASSES.index("A")


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperament:
    """One definition: either narrowed fifths or ratios above C."""

    # (chain of notes a fifth apart, cents by which each of its fifths is narrower than pure)
    narrowed: tuple[tuple[str, float], ...] = ()
    ratios: tuple[Fraction, ...] = ()  # twelve, above C; empty where fifths define the scale


def _meantone(narrow_cents: float) -> Temperament:
    return Temperament(narrowed=((" ".join(CHAIN), narrow_cents),))


_S = SYNTONIC_COMMA_CENTS
_P = PYTHAGOREAN_COMMA_CENTS
_JUST = "1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8"
_YOUNG_1_OUTER_CENTS = (_P - 4 * (3 / 16) * _S) / 4  # what closes the circle: about _P / 12

TEMPERAMENTS: Mapping[str, Temperament] = MappingProxyType(
    {
        "equal": _meantone(_P / 12),
        "pythagorean": _meantone(0.0),
        "quarter-comma-meantone": _meantone(_S / 4),  # pure major thirds
        "fifth-comma-meantone": _meantone(_S / 5),
        "sixth-comma-meantone": _meantone(_S / 6),  # of the syntonic comma
        "silbermann": _meantone(_P / 6),  # of the Pythagorean comma
        "werckmeister-3": Temperament(narrowed=(("C G D A", _P / 4), ("B F#", _P / 4))),
        # Kirnberger III has its schisma on F#-C#, or on G#-Eb, which closes the circle.
        "kirnberger-3": Temperament(narrowed=(("C G D A E", _S / 4), ("F# C#", SCHISMA_CENTS))),
        "kirnberger-3-gsharp-eb": Temperament(narrowed=(("C G D A E", _S / 4),)),
        "vallotti": Temperament(narrowed=(("F C G D A E B", _P / 6),)),
        "young-1": Temperament(
            narrowed=(
                ("C G D A E", 3 / 16 * _S),
                ("Bb F C", _YOUNG_1_OUTER_CENTS),
                ("E B F#", _YOUNG_1_OUTER_CENTS),
            )
        ),
        "young-2": Temperament(narrowed=(("C G D A E B F#", _P / 6),)),
        "kellner": Temperament(narrowed=(("C G D A E", _P / 5), ("B F#", _P / 5))),
        # Pure in C only; Bb is 9/5, not 16/9.
        "just-5-limit": Temperament(ratios=tuple(map(Fraction, _JUST.split()))),
    }
)


@cache
def temperament_cents(name: str) -> tuple[float, ...]:
    """Say how many cents each note lies from equal temperament when both share the same A.

    name : a key of `TEMPERAMENTS`

    Returns twelve offsets in cents, C first; A is 0, because A4 is what a session states in Hz.

    Raises ValueError if no temperament has that name; the message offers the nearest one.
    """
    definition = TEMPERAMENTS.get(name)
    if definition is None:
        near = difflib.get_close_matches(name.lower(), TEMPERAMENTS, n=1, cutoff=0.5)
        guess = f"did you mean {near[0]!r}? " if near else ""
        raise ValueError(
            f"{name!r} is no temperament known here; {guess}Known: {', '.join(TEMPERAMENTS)}."
        )
    if definition.ratios:
        above_c = [1200.0 * math.log2(ratio) for ratio in definition.ratios]
    else:
        above_c = _from_fifths(definition)
    # Twelve fifths leave dust of 1e-13 cents; a billionth is far below anything that can be heard.
    offsets = [round(cents - 100.0 * step, 9) for step, cents in enumerate(above_c)]
    return tuple(round(cents, 9) + 0.0 for cents in table_cents(offsets))  # + 0.0: no "-0.0"


def table_cents(values: Sequence[float]) -> tuple[float, ...]:
    """Re-base twelve offsets from equal temperament (cents, C first) so that A is 0.

    Raises ValueError if there are not twelve, or one of them is not a finite number within a
    semitone.
    """
    if len(values) != 12:
        raise ValueError(
            f"a temperament table needs 12 cents, C first, up to B; this one has {len(values)}"
        )
    for name, value in zip(PITCH_CLASSES, values, strict=True):
        # Beyond half a tone a value is no offset but, most likely, cents counted above C.
        if not (math.isfinite(value) and abs(value) <= 100.0):
            raise ValueError(
                f"{name} is {value} cents off equal temperament, not within a semitone; "
                "give offsets from equal (a few cents), not cents above C"
            )
    return tuple(value - values[_A] for value in values)


def _from_fifths(definition: Temperament) -> list[float]:
    """Walk the chain of fifths and fold every note into the octave above C; cents, C first."""
    narrow = dict.fromkeys(CHAIN, 0.0)  # by the lower note of each fifth
    for notes, cents in definition.narrowed:
        for lower in notes.split()[:-1]:
            narrow[lower] = cents
    height = {CHAIN[0]: 0.0}
    for lower, upper in pairwise(CHAIN):
        height[upper] = height[lower] + PURE_FIFTH_CENTS - narrow[lower]
    above_c = {note: (cents - height["C"]) % 1200.0 for note, cents in height.items()}
    above_c["C"] = 0.0
    return [above_c[note] for note in PITCH_CLASSES]
