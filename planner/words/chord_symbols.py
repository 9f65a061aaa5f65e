"""Which notes a chord symbol names: ``D``, ``F#m7``, ``Gsus4``, ``Bbmaj7/D``, ``N.C.``.

The spellings are those of lead sheets (common practice; no standard exists): a root, then triad,
seventh or suspension, then tones added or altered, then a bass note.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Literal

from planner.temperament import PITCH_CLASSES

Quality = Literal["major", "minor", "suspended", "other"]

_PITCH_CLASS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTAL = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_ROOT = re.compile(r"([A-G])([#b♯♭]?)")
_NOTHING = frozenset({"N.C.", "NC", "N.C", "none"})

# Spelling -> (third, fifth, further tones) in semitones above the root; None leaves it as it was.
_PARTS: dict[str, tuple[int | None, int | None, tuple[int, ...]]] = {
    "maj13": (4, None, (11, 2, 9)), "maj11": (4, None, (11, 2, 5)), "maj9": (4, None, (11, 2)),
    "maj7": (None, None, (11,)), "maj": (4, None, ()),
    "min": (3, None, ()), "mi": (3, None, ()), "m": (3, None, ()), "-": (3, None, ()),
    "M13": (4, None, (11, 2, 9)), "M9": (4, None, (11, 2)), "M7": (None, None, (11,)),
    "M": (4, None, ()), "Δ7": (None, None, (11,)), "Δ": (None, None, (11,)),
    "dim7": (3, 6, (9,)), "dim": (3, 6, ()), "°7": (3, 6, (9,)), "°": (3, 6, ()),
    "o7": (3, 6, (9,)), "o": (3, 6, ()), "ø7": (3, 6, (10,)), "ø": (3, 6, (10,)),
    "aug": (4, 8, ()), "+": (4, 8, ()),
    "add13": (None, None, (9,)), "add11": (None, None, (5,)), "add9": (None, None, (2,)),
    "add6": (None, None, (9,)), "add4": (None, None, (5,)), "add2": (None, None, (2,)),
    "6/9": (None, None, (9, 2)), "69": (None, None, (9, 2)),
    "13": (None, None, (10, 2, 9)), "11": (None, None, (10, 2, 5)), "9": (None, None, (10, 2)),
    "7": (None, None, (10,)), "6": (None, None, (9,)),
    "b5": (None, 6, ()), "#5": (None, 8, ()),
    "b9": (None, None, (1,)), "#9": (None, None, (3,)), "#11": (None, None, (6,)),
    "b13": (None, None, (8,)),
}  # fmt: skip
_SUSPENDED = {"sus4": 5, "sus2": 2, "sus": 5}
_LEFT_OUT = ("no3", "no5", "omit3", "omit5")
_TOKEN = re.compile(
    "|".join(
        re.escape(part)
        for part in sorted((*_PARTS, *_SUSPENDED, *_LEFT_OUT, "5"), key=lambda p: (-len(p), p))
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordSymbol:
    """What a chord symbol names; tones are pitch classes, C is 0."""

    text: str  # as it was written
    root: int | None  # None: nobody plays a chord
    quality: Quality  # by its third and fifth
    tones: frozenset[int]  # with the bass note


def chord_symbol(text: str) -> ChordSymbol:
    """Read a chord symbol.

    Raises ValueError if it names no chord known here; the text says which part of it.
    """
    written = text.strip()
    if written in _NOTHING:
        return ChordSymbol(text=written, root=None, quality="other", tones=frozenset())
    root, rest = _note(written)
    if root is None:
        raise ValueError(f"{written!r} does not begin with a note")
    bass = None
    head, slash, tail = rest.rpartition("/")
    if slash:
        found, over = _note(tail)
        if found is not None and not over:
            bass, rest = found, head
    third, fifth, more = _tones(rest, written)
    tones = {root} | {(root + step) % 12 for step in (third, fifth, *more) if step is not None}
    quality: Quality = "other"
    if fifth in (7, None):
        quality = {4: "major", 3: "minor", 5: "suspended", 2: "suspended"}.get(third or 0, "other")  # type: ignore[assignment]
        if third is None:
            quality = "suspended"  # a root and its fifth: nothing says which third
    return ChordSymbol(
        text=written,
        root=root,
        quality=quality,
        tones=frozenset(tones | ({bass} if bass is not None else set())),
    )


def _note(text: str) -> tuple[int | None, str]:
    """The pitch class that a text begins with, and the rest of it."""
    match = _ROOT.match(text)
    if match is None:
        return None, text
    return (_PITCH_CLASS[match[1]] + _ACCIDENTAL[match[2]]) % 12, text[match.end() :]


def _tones(rest: str, written: str) -> tuple[int | None, int | None, tuple[int, ...]]:
    """Semitones above the root: third, fifth, the others."""
    third: int | None = 4
    fifth: int | None = 7
    more: list[int] = []
    rest = re.sub(r"[(), ]", "", rest).replace("♭", "b").replace("♯", "#")
    if rest == "5":
        return None, 7, ()
    while rest:
        match = _TOKEN.match(rest)
        token = match[0] if match else ""
        if token in _PARTS:
            new_third, new_fifth, added = _PARTS[token]
            third = third if new_third is None else new_third
            fifth = fifth if new_fifth is None else new_fifth
            more += added
        elif token in _SUSPENDED:
            third = _SUSPENDED[token]
        elif token in ("no3", "omit3"):
            third = None
        elif token in ("no5", "omit5"):
            fifth = None
        else:
            raise ValueError(f"{rest!r} in {written!r} is no part of a chord known here")
        rest = rest[len(token) :]
    return third, fifth, tuple(more)


# ---------------------------------------------------------------- from notes

_STRUCK_TOGETHER_S = 0.05  # chosen: a chord played by hand or spread a little is one
# What is looked for above each root, the plainest first: of C E G A over C that is C6, over A Am7.
_ENDINGS = (
    "", "m", "5", "7", "m7", "maj7", "sus4", "sus2", "dim", "aug", "6", "m6", "dim7", "ø7", "9",
    "m9", "maj9", "add9", "7sus4", "6/9", "7b9", "13",
)  # fmt: skip


def named_by_notes(midi: Iterable[int]) -> ChordSymbol | None:
    """Name the chord of some notes that sound at once; None of one note, or of two that are none.

    The lowest note is taken for the root where it can be; else it is written as the bass note.
    Notes that make no chord known here are a chord by themselves, called by their names: a note is
    in it or not, and nothing about it is pure.
    """
    notes = sorted(midi)
    tones = frozenset(note % 12 for note in notes)
    if len(tones) < 2:
        return None
    bass = notes[0] % 12
    known = _known()
    for root in (bass, *sorted(tones - {bass})):
        ending = known.get(frozenset((tone - root) % 12 for tone in tones))
        if ending is not None:
            over = "" if root == bass else f"/{PITCH_CLASSES[bass]}"
            return chord_symbol(f"{PITCH_CLASSES[root]}{ending}{over}")
    for root in sorted(tones - {bass}):
        ending = known.get(frozenset((tone - root) % 12 for tone in tones - {bass}))
        if ending is not None and len(tones) > 3:
            return chord_symbol(f"{PITCH_CLASSES[root]}{ending}/{PITCH_CLASSES[bass]}")
    if len(tones) < 3:
        return None
    text = " ".join(PITCH_CLASSES[tone] for tone in sorted(tones, key=lambda t: (t - bass) % 12))
    return ChordSymbol(text=text, root=bass, quality="other", tones=tones)


def chords_of_notes(
    notes: Sequence[tuple[float, float, int]],
) -> tuple[tuple[float, ChordSymbol], ...]:
    """Name the chords of a track: (s from where it begins to sound, chord), without repeats.

    A chord lasts until another one is played: a rest ends none, and what is no chord is passed
    over.

    notes : sequence of (start_s, end_s, midi)
    """
    found: list[tuple[float, ChordSymbol]] = []
    begun: float | None = None
    for start_s in sorted({start for start, _, _ in notes}):
        if begun is not None and start_s - begun <= _STRUCK_TOGETHER_S:
            continue
        begun = start_s
        until_s = start_s + _STRUCK_TOGETHER_S
        # What rings on into the chord by less than its being struck belongs to the one before.
        sound = [midi for start, end, midi in notes if start <= until_s and end > until_s]
        chord = named_by_notes(sound)
        if chord is not None and (not found or found[-1][1].text != chord.text):
            found.append((start_s, chord))
    return tuple(found)


@cache
def _known() -> MappingProxyType[frozenset[int], str]:
    """Which tones above a root are called by which ending."""
    table: dict[frozenset[int], str] = {}
    for ending in _ENDINGS:
        table.setdefault(chord_symbol(f"C{ending}").tones, ending)
    return MappingProxyType(table)
