"""Chord symbols, held against another package's reading of them."""

import pytest

from planner.temperament import PITCH_CLASSES
from planner.words.chord_symbols import _ENDINGS, chord_symbol, chords_of_notes, named_by_notes

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


mir_eval = pytest.importorskip("mir_eval")


def text(*midi: int) -> str | None:
    named = named_by_notes(midi)
    return None if named is None else named.text


@pytest.mark.parametrize("root", range(12))
@pytest.mark.parametrize("ending", _ENDINGS)
def test_every_chord_is_called_by_what_it_was_built_from(ending: str, root: int) -> None:
    """The tones of a symbol, its root lowest, lead back to the symbol's tones, root and quality."""
    symbol = chord_symbol(f"{PITCH_CLASSES[root]}{ending}")
    others = [60 + root + (tone - root) % 12 for tone in symbol.tones - {root}]
    named = named_by_notes([48 + root, *others])
    assert named is not None
    assert (named.root, named.tones, named.quality) == (root, symbol.tones, symbol.quality)


@pytest.mark.parametrize(
    ("label", "ending"),
    [
        ("C:maj", ""), ("C:min", "m"), ("C:7", "7"), ("C:min7", "m7"), ("C:maj7", "maj7"),
        ("C:sus4", "sus4"), ("C:sus2", "sus2"), ("C:dim", "dim"), ("C:aug", "aug"),
        ("C:dim7", "dim7"), ("C:hdim7", "ø7"), ("C:maj6", "6"), ("C:min6", "m6"),
    ],
)  # fmt: skip
def test_tones_beside_a_reference_library(label: str, ending: str) -> None:
    """The tones that mir_eval gives a chord (mir_eval.chord, Raffel et al., ISMIR 2014)."""
    _, tones, _ = mir_eval.chord.encode(label)
    assert text(36, *[60 + k for k, sounds in enumerate(tones) if sounds]) == f"C{ending}"


def test_the_lowest_note_is_the_root_where_it_can_be() -> None:
    """C E G A over C is C6, over A Am7; over E it is one of them over E."""
    assert text(48, 64, 67, 69) == "C6"
    assert text(45, 64, 67, 72) == "Am7"
    assert text(52, 60, 67) == "C/E"
    assert text(54, 60, 64, 67) == "C/F#"  # a bass note that is not in the chord


def test_what_makes_no_chord() -> None:
    """One note, an octave or a bare third name nothing; a fifth does; a cluster names its notes."""
    assert text(60) is None
    assert text(48, 60) is None
    assert text(60, 64) is None
    assert text(48, 55) == "C5"
    cluster = named_by_notes([60, 61, 62, 66])
    assert cluster is not None
    assert (cluster.text, cluster.root, cluster.quality) == ("C C# D F#", 0, "other")


def test_a_track_of_chords() -> None:
    """Spread by 30 ms it is one chord; a rest ends none; repeats and single notes are none."""
    played = [
        (0.0, 1.9, 48), (0.02, 1.9, 64), (0.03, 1.9, 67),
        (2.0, 2.5, 48), (2.0, 2.5, 64), (2.0, 2.5, 67),  # again
        (3.0, 3.4, 72),  # alone
        (4.0, 6.02, 53), (4.0, 6.02, 57), (4.0, 6.02, 60),
        (6.0, 8.0, 55), (6.0, 8.0, 59), (6.0, 8.0, 62),  # while the one before rings for 20 ms
    ]  # fmt: skip
    assert [(at_s, chord.text) for at_s, chord in chords_of_notes(played)] == [
        (0.0, "C"), (4.0, "F"), (6.0, "G"),
    ]  # fmt: skip
    assert chords_of_notes([]) == ()
