"""Chord symbols, held against another package's reading of them."""

from __future__ import annotations

import pytest

from planner.temperament import PITCH_CLASSES
from planner.words.chord_symbols import chord_symbol

# music21 writes a flat as "-" and knows fewer spellings: ours beside its own.
SPELLED = (
    ("C", "C"), ("Dm", "Dm"), ("F#m", "F#m"), ("Bb", "B-"), ("G7", "G7"), ("Cmaj7", "Cmaj7"),
    ("Am7", "Am7"), ("Bbmaj7", "B-maj7"), ("F6", "F6"), ("Dm6", "Dm6"), ("Gsus4", "Gsus4"),
    ("Asus2", "Asus2"), ("Bdim", "Bdim"), ("C#dim7", "C#dim7"), ("Eaug", "Eaug"), ("E+", "E+"),
    ("Bm7b5", "Bm7b5"), ("Bø7", "Bø7"), ("G9", "G9"), ("C/E", "C/E"), ("Bbmaj7/D", "B-maj7/D"),
    ("D5", "D5"), ("Cadd9", "Cadd9"), ("E7#9", "E7#9"), ("Am(maj7)", "AmM7"),
    ("Ab/Bb", "A-/B-"),
)  # fmt: skip


@pytest.mark.outside
@pytest.mark.parametrize(("ours", "theirs"), SPELLED)
def test_another_reader_finds_the_same_notes(ours: str, theirs: str) -> None:
    """music21.harmony (9.x) gives the same pitch classes for every common spelling."""
    harmony = pytest.importorskip("music21.harmony")
    symbol = harmony.ChordSymbol(theirs)
    assert chord_symbol(ours).tones == {int(p.pitchClass) for p in symbol.pitches}
    assert chord_symbol(ours).root == symbol.root().pitchClass


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("G7sus4", "C D F G"), ("Fm(maj7)", "F G# C E"), ("C6/9", "C D E G A"),
        ("A(add9)", "A B C# E"),
        ("D7(b9)", "D Eb F# A C"), ("Gno3", "G D"), ("E♭m7", "Eb F# Bb C#"), ("CΔ7", "C E G B"),
        ("Bo7", "B D F G#"), ("C-7", "C Eb G Bb"), ("FM7", "F A C E"), ("G13", "G B D F A E"),
        ("C7alt", None), ("H7", None), ("Dmin", "D F A"),
    ],
)  # fmt: skip
def test_other_spellings(text: str, names: str | None) -> None:
    """Spellings that lead sheets use as well; what is unknown is refused in words."""
    if names is None:
        with pytest.raises(ValueError, match=r"no part of a chord known here|begin with a note"):
            chord_symbol(text)
        return
    assert chord_symbol(text).tones == {PITCH_CLASSES.index(name) for name in names.split()}


@pytest.mark.parametrize(
    ("text", "quality"),
    [("C7", "major"), ("Cm7", "minor"), ("Csus4", "suspended"), ("C5", "suspended"),
     ("Cdim", "other"), ("C+", "other"), ("Cm7b5", "other"), ("C/G", "major")],
)  # fmt: skip
def test_quality(text: str, quality: str) -> None:
    """A pure third needs a major or minor one above the root, and a fifth that is one."""
    assert chord_symbol(text).quality == quality


def test_no_chord() -> None:
    """N.C. is the absence of one."""
    assert chord_symbol("N.C.").root is None
    assert chord_symbol("N.C.").tones == frozenset()
