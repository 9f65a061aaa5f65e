"""Notes that sound at once, named as chords."""

from __future__ import annotations

import pytest

from planner.temperament import PITCH_CLASSES
from planner.words.chord_naming import _ENDINGS, chords_of_notes, named_by_notes
from planner.words.chord_symbols import chord_symbol

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
