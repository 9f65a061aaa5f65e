"""Chords by the notes that sound at once: what a chord track of a score plays, as symbols."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from types import MappingProxyType

from planner.temperament import PITCH_CLASSES
from planner.words.chord_symbols import ChordSymbol, chord_symbol

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
