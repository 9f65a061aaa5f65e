"""Held chords by name, and pure intervals by their published sizes."""

from dataclasses import replace
from typing import Any

import pytest

from planner.clashes import SoundingNote
from planner.files.configs import read_judging
from planner.target.held_chords import PURE_CENTS, PURE_SEVENTH_CENTS, chord_name, pure_places

PURE = read_judging("a-cappella")
HALF = read_judging("plain-band")
NONE = read_judging("live-loose")


def sung(
    stem: str, midi: int, start_s: float = 0.0, end_s: float = 2.0, role: Any = "voice-harmony"
) -> SoundingNote:
    return SoundingNote(
        id=f"{stem}-{midi}-{start_s:g}", stem=stem, role=role, midi=midi, start_s=start_s,
        end_s=end_s, heard_hz=220.0, target_hz=220.0, level_db=0.0,
    )  # fmt: skip


TRIAD = (sung("B1", 60), sung("B2", 64), sung("B3", 67))


@pytest.mark.outside
def test_sizes_are_those_of_the_books() -> None:
    """Pure intervals: 386.3, 315.6, 702.0 and 968.8 cents (Helmholtz, Sensations, Appendix XX)."""
    assert round(PURE_CENTS["major"][4], 1) == 386.3
    assert round(PURE_CENTS["minor"][3], 1) == 315.6
    assert round(PURE_CENTS["major"][7], 1) == round(PURE_CENTS["minor"][7], 1) == 702.0
    assert round(PURE_SEVENTH_CENTS, 1) == 968.8


def test_a_major_chord_of_voices() -> None:
    """Of C, E and G held by three voices E and G have pure places, C stays."""
    places = pure_places(TRIAD, PURE)
    assert set(places) == {"B2-64-0", "B3-67-0"}
    third = places["B2-64-0"]
    assert (third.semitones, third.share) == (4, 1.0)
    assert third.pure_cents == pytest.approx(386.314, abs=5e-4)
    assert third.said == "the pure third of the C major chord held with B1 and B3"


def test_a_minor_chord() -> None:
    """In A minor C belongs a pure minor third above A, in any octave."""
    notes = (sung("B1", 57), sung("B2", 72), sung("B3", 64))
    third = pure_places(notes, PURE)["B2-72-0"]
    assert third.pure_cents == pytest.approx(315.641, abs=5e-4)
    assert third.said == "the pure third of the A minor chord held with B1 and B3"


def test_halfway_and_not_at_all() -> None:
    """The judging says how far: halfway, or not at all; the pure place is known all the same."""
    assert pure_places(TRIAD, HALF)["B2-64-0"].share == 0.5
    assert pure_places(TRIAD, NONE)["B2-64-0"].share == 0.0


@pytest.mark.parametrize(("end_s", "found"), [(0.6, 2), (0.599, 0)])
def test_edge_of_held(end_s: float, found: int) -> None:
    """A chord of 0.6 s is held, a shorter one is not."""
    notes = tuple(replace(n, end_s=end_s) for n in TRIAD)
    assert len(pure_places(notes, PURE)) == found


def test_one_player_over_a_band_is_melody() -> None:
    """A third over a guitar is melody, unless a second one or the role makes the chord theirs."""
    guitar = [sung("GT", m, role="fretted-chords") for m in (48, 55)]
    alone = (*guitar, sung("B1", 64, role="woodwind"))
    assert pure_places(alone, PURE) == {}
    two = (*alone, sung("B2", 72, role="woodwind"))
    halfway = {"B1-64-0": 0.5}
    assert {note_id: p.share for note_id, p in pure_places(two, PURE).items()} == halfway
    harmony = (*guitar, sung("B1", 64))
    assert {note_id: p.share for note_id, p in pure_places(harmony, PURE).items()} == halfway


@pytest.mark.parametrize("role", ["tuning-reference", "fixed-pitch", "fretted", "sampled"])
def test_never_against_what_cannot_move(role: str) -> None:
    """A third that keys or frets sound as well stays; beside their root it goes halfway."""
    same = (*TRIAD, sung("PN", 76, 0.5, 0.9, role=role))
    assert "B2-64-0" not in pure_places(same, PURE)
    beside = (*TRIAD, sung("PN", 48, 0.5, 0.9, role=role))
    assert pure_places(beside, PURE)["B2-64-0"].share == 0.5
    later = (*TRIAD, sung("PN", 76, 2.5, 3.0, role=role))
    assert pure_places(later, PURE)["B2-64-0"].share == 1.0


def test_edge_of_sounding_together() -> None:
    """A key that touches the chord for less than 0.15 s does not hold the third back."""
    for length_s, found in ((0.15, False), (0.149, True)):
        notes = (*TRIAD, sung("PN", 76, 0.5, 0.5 + length_s, role="tuning-reference"))
        assert ("B2-64-0" in pure_places(notes, PURE)) == found


def test_melody_stays() -> None:
    """A lead on the third stays beside a band, and so does who sings the same; alone it moves."""
    notes = (*TRIAD, sung("LV", 76, role="lead-voice"))
    assert set(pure_places(notes, HALF)) == {"B3-67-0"}
    assert {"LV-76-0", "B2-64-0"} <= set(pure_places(notes, PURE))
    band = (*notes, sung("PN", 48, role="tuning-reference"))
    assert set(pure_places(band, PURE)) == {"B3-67-0"}


def test_sevenths_only_where_asked_for() -> None:
    """A low seventh moves to 7:4 only in close harmony."""
    notes = (*TRIAD, sung("B4", 70))
    assert "B4-70-0" not in pure_places(notes, PURE)
    close = replace(PURE, pure_sevenths=True)
    seventh = pure_places(notes, close)["B4-70-0"]
    assert seventh.pure_cents == pytest.approx(968.826, abs=5e-4)
    assert "pure seventh" in seventh.said


def test_a_chord_that_changes_under_a_note() -> None:
    """A note held over two chords of equal length belongs to neither; over one mostly, to it."""
    over = (
        sung("B1", 60, 0, 1), sung("B2", 64, 0, 2), sung("B3", 67, 0, 1),
        sung("B1", 57, 1, 2), sung("B3", 60, 1, 2),
    )  # fmt: skip
    assert "B2-64-0" not in pure_places(over, PURE)
    mostly = (
        sung("B1", 60, 0, 1.3), sung("B2", 64, 0, 2), sung("B3", 67, 0, 1.3),
        sung("B1", 57, 1.3, 2), sung("B3", 60, 1.3, 2),
    )  # fmt: skip
    assert pure_places(mostly, PURE)["B2-64-0"].said.startswith("the pure third of the C major")


def test_a_chord_taken_up_again_goes_on() -> None:
    """Notes of 0.4 s struck again at once hold a chord; with rests between they do not."""

    def struck(gap_s: float) -> tuple[SoundingNote, ...]:
        return tuple(
            sung(stem, midi, k * (0.4 + gap_s), k * (0.4 + gap_s) + 0.4)
            for k in range(3)
            for stem, midi in (("B1", 60), ("B2", 64), ("B3", 67))
        )

    assert len(pure_places(struck(0.1), PURE)) == 6
    assert pure_places(struck(0.11), PURE) == {}


@pytest.mark.parametrize(
    ("midis", "tonic", "named"),
    [
        ((60, 64, 67), None, (0, "major")),
        ((64, 67, 72), None, (0, "major")),
        ((60, 63, 67), None, (0, "minor")),
        ((60, 64), None, None),
        ((60, 64, 68), None, None),
        ((60, 65, 67), None, None),
        ((60, 64, 67, 62), None, (0, "major")),
        ((60, 64, 67, 62, 65), None, None),
        ((60, 64, 67, 69), None, (0, "major")),
        ((57, 60, 64, 67), None, (9, "minor")),
        ((64, 67, 69, 72), None, None),
        ((64, 67, 69, 72), 0, (0, "major")),
        ((64, 67, 69, 72), 9, (9, "minor")),
        ((), None, None),
    ],
)
def test_names_of_chords(
    midis: tuple[int, ...], tonic: int | None, named: tuple[int, str] | None
) -> None:
    """Root, third and fifth name a chord; of C6 and Am7 the lowest note or the key decides."""
    assert chord_name(midis, tonic) == named
