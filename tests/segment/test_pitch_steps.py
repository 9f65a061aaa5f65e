"""A pitch line steps from note to note; vibrato, scoops and slides do not count as steps."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.model import Floats
from planner.segment.midline import vibrato_midline
from planner.segment.pitch_steps import Step, split_run

HOP_S = 0.005
Frames = NDArray[np.integer]
NONE = np.empty(0, dtype=np.intp)


def flat(*parts: tuple[float, float]) -> Floats:
    """Join flat pieces: (semitones, seconds) each."""
    return np.concatenate([np.full(round(s / HOP_S), midi) for midi, s in parts])


def time_of(line: Floats) -> Floats:
    return np.arange(len(line)) * HOP_S


def split(line: Floats, struck: Frames | None = None, swells: Frames | None = None) -> list[Step]:
    """Split a line that starts at frame 100 of its stem."""
    frames = [NONE if at is None else np.asarray(at, dtype=np.intp) for at in (struck, swells)]
    midline = vibrato_midline(line, HOP_S)
    return split_run(line, midline, 100, frames[0], frames[1], HOP_S)


def borders(steps: list[Step]) -> list[int]:
    assert all(a.last == b.first for a, b in pairwise(steps))
    return [s.first - 100 for s in steps[1:]]


def test_legato_notes_are_split_at_the_step() -> None:
    """Notes that slide in 40 ms touch, and the border is on the slide."""
    slide = np.linspace(60.0, 63.0, 8)
    line = np.concatenate([flat((60.0, 0.4)), slide, flat((63.0, 0.4))])
    steps = split(line)
    assert [s.begins for s in steps] == ["soft", "legato"]
    assert borders(steps) == pytest.approx([84], abs=4)


@pytest.mark.parametrize("half", [0.3, 0.6])
def test_vibrato_does_not_split(half: float) -> None:
    """A swinging note is one note."""
    line = flat((64.0, 1.5))
    assert len(split(line + half * np.sin(2 * np.pi * 5.5 * time_of(line)))) == 1


@pytest.mark.parametrize("semitones", [-2.0, 1.0])
def test_a_scoop_belongs_to_the_note_it_leads_to(semitones: float) -> None:
    """A quick approach from elsewhere is the start of the note."""
    line = flat((64.0, 0.8))
    assert len(split(line + semitones * np.exp(-time_of(line) / 0.04))) == 1


@pytest.mark.parametrize(("marked", "notes"), [([], 1), ([129], 2)])
def test_no_glide_leads_across_something_that_begins(marked: list[int], notes: int) -> None:
    """A tone that creeps up for 0.14 s is a note where the next is tongued, else the way there."""
    line = np.concatenate([np.linspace(69.2, 71.4, 28), flat((72.0, 0.4))])
    at = np.array(marked, dtype=np.intp)
    steps = split_run(line, vibrato_midline(line, HOP_S), 100, NONE, NONE, HOP_S, marked=at)
    assert len(steps) == notes


@pytest.mark.parametrize(("below", "notes"), [(0.7, 1), (1.0, 2)])
def test_a_start_less_than_a_semitone_off_is_its_scoop(below: float, notes: int) -> None:
    """A tone that starts flat and creeps up for 0.12 s is one; a semitone off is a grace note.

    As recorded cellos and trombones start, 60 to 75 cents flat.
    """
    start = np.linspace(60.0 - below, 60.0 - below + 0.35, 24) if notes == 1 else np.full(24, 59.0)
    assert len(split(np.concatenate([start, np.full(160, 60.0)]))) == notes


def sung(line: Floats, struck: Frames = NONE) -> list[Step]:
    return split_run(line, line, 100, struck + 100, NONE, HOP_S, sung=True)


def test_a_syllable_comes_to_its_pitch_from_anywhere() -> None:
    """A tenth of a second at two semitones below is the way to a sung note, and a note of a flute.

    As of recorded syllables; what is as long as what follows is a note of its own.
    """
    line = flat((59.0, 0.09), (61.0, 0.5))
    assert len(split(line)) == 2
    (step,) = sung(line)
    assert (step.first, step.last) == (100, 100 + len(line))
    assert len(sung(flat((59.0, 0.09), (61.0, 0.1)))) == 2
    assert len(sung(flat((59.0, 0.2), (61.0, 0.5)))) == 2
    assert len(sung(flat((55.0, 0.09), (61.0, 0.5)))) == 2


def test_after_a_consonant_a_syllable_comes_to_its_pitch_again() -> None:
    """Within one breath: a note, a consonant, 0.08 s of scoop, a note."""
    line = flat((57.0, 0.4), (59.0, 0.08), (61.0, 0.5))
    steps = sung(line, np.array([80]))
    assert borders(steps) == [80]
    assert [s.begins for s in steps] == ["soft", "attack"]


def test_a_voice_that_wavers_sings_one_note() -> None:
    """A semitone away for a tenth of a second and back is a waver; of a wind it is a turn."""
    line = flat((60.0, 0.3), (61.0, 0.1), (60.1, 0.3))
    assert len(split(line)) == 3
    assert len(sung(line)) == 1
    assert len(sung(flat((60.0, 0.3), (62.0, 0.1), (60.1, 0.3)))) == 3
    assert len(sung(flat((60.0, 0.3), (61.0, 0.1), (62.0, 0.3)))) == 3


def test_a_consonant_begins_one_note() -> None:
    """Of two borders near a stroke the nearer is struck, and neither is moved to it."""
    line = flat((57.0, 0.4), (59.0, 0.2), (61.0, 0.5))
    (_, second, third) = sung(line, np.array([78]))
    assert (second.first, second.begins) == (180, "attack")
    assert (third.first, third.begins) == (220, "legato")


def test_a_stroke_splits_one_pitch() -> None:
    """Struck again at the same pitch is a new note, and said to be an attack."""
    steps = split(flat((60.0, 1.0)), struck=np.array([100, 200]))
    assert [s.begins for s in steps] == ["attack", "attack"]
    assert borders(steps) == [100]


def test_a_swell_splits_one_pitch() -> None:
    """A bow that turns on one pitch is a new note."""
    steps = split(flat((60.0, 1.0)), swells=np.array([200]))
    assert [s.begins for s in steps] == ["soft", "swell"]
    assert borders(steps) == [100]


def test_a_stroke_on_a_step_is_one_border() -> None:
    """Where a stroke and a change of pitch meet within some frames there is one border."""
    steps = split(flat((60.0, 0.5), (62.0, 0.5)), struck=np.array([205]))
    assert len(steps) == 2
    assert steps[1].begins == "attack"


def test_every_frame_belongs_to_one_step() -> None:
    """However a line is split, its steps cover it from end to end without overlap."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        parts = [(float(rng.integers(48, 72)), float(rng.uniform(0.06, 0.4))) for _ in range(6)]
        line = flat(*parts) + 0.1 * rng.standard_normal(len(flat(*parts)))
        struck = np.sort(rng.integers(100, 100 + len(line), 3))
        steps = split(line, struck=struck)
        assert steps[0].first == 100
        assert steps[-1].last == 100 + len(line)
        borders(steps)
        assert all(s.last > s.first for s in steps)


# ------------------------------------------------------------------------------ fast notes, bends


def stepped(levels: list[float], note_s: float, change_s: float) -> np.ndarray:
    """A semitone line of equally long notes, each reached within some time."""
    line = np.repeat(levels, round(note_s / HOP_S)).astype(float)
    width = round(change_s / HOP_S) | 1
    kernel = np.hanning(width + 2)[1:-1]
    return np.convolve(np.pad(line, width // 2, mode="edge"), kernel / kernel.sum(), "valid")


@pytest.mark.parametrize("levels", [[60, 62, 64, 65, 67, 69], [60, 62, 60, 62, 60, 62]])
def test_notes_of_a_tenth_of_a_second_are_notes(levels: list[float]) -> None:
    """A scale's notes move at both ends and are no glides; a trill's stand and are no vibrato."""
    line = stepped(levels, 0.12, 0.04)
    none = np.empty(0, dtype=np.intp)
    steps = split_run(line, vibrato_midline(line, HOP_S), 0, none, none, HOP_S)
    starts = [step.first for step in steps]
    assert len(starts) == len(levels)
    assert starts == pytest.approx([24 * k for k in range(len(levels))], abs=4)


def test_a_slow_glide_between_two_notes_is_no_third() -> None:
    """What moves all the time, 0.14 s from one note to the next, belongs to the second."""
    line = np.concatenate([np.full(60, 60.0), np.linspace(60.0, 65.0, 28), np.full(60, 65.0)])
    none = np.empty(0, dtype=np.intp)
    assert len(split_run(line, line, 0, none, none, HOP_S)) == 2


@pytest.mark.parametrize(("change_s", "notes"), [(0.010, 2), (0.15, 1)])
def test_a_bend_is_one_note_and_a_hammer_on_two(change_s: float, notes: int) -> None:
    """A string pulled up in 0.15 s stays one note; a finger that falls makes another."""
    line = stepped([60.0, 62.0], 0.4, change_s)
    none = np.empty(0, dtype=np.intp)
    assert len(split_run(line, line, 0, none, none, HOP_S, bends=True)) == notes
    assert len(split_run(line, line, 0, none, none, HOP_S)) == 2


@pytest.mark.parametrize(("semitones", "notes"), [(2.0, 1), (-3.0, 2), (3.0, 2)])
def test_a_hand_slides_on_where_no_string_is_pulled(semitones: float, notes: int) -> None:
    """In 0.15 s: strings are pulled by a whole tone (common practice), three frets are slid."""
    line = stepped([60.0, 60.0 + semitones], 0.3, 0.15)
    none = np.empty(0, dtype=np.intp)
    assert len(split_run(line, line, 0, none, none, HOP_S, bends=True)) == notes


@pytest.mark.parametrize(("bends", "notes"), [(False, 2), (True, 1)])
def test_no_glide_of_a_bow_leaps(bends: bool, notes: int) -> None:
    """A note that creeps up by 0.7 semitones in 0.1 s, then a finger: two notes.

    As on a recorded violin, and as a sampled trumpet starts, 0.8 semitones flat.
    A string pulled on its way up may leap where the track loses it for a moment.
    """
    line = np.concatenate([np.linspace(75.6, 76.3, 22), flat((78.0, 0.3))])
    steps = split_run(line, vibrato_midline(line, HOP_S), 100, NONE, NONE, HOP_S, bends=bends)
    assert len(steps) == notes


@pytest.mark.parametrize(("semitones", "notes"), [(2.0, 3), (0.3, 2)])
def test_a_short_note_that_ends_in_a_swell_keeps_its_start(semitones: float, notes: int) -> None:
    """80 ms at a pitch of its own are a note; at the pitch that follows, the scoop into it."""
    line = flat((60.0, 0.5), (63.0 + semitones, 0.08), (63.0, 0.5))
    assert len(split(line, swells=np.array([216]))) == notes


@pytest.mark.parametrize("swell", [202, 215])
def test_a_note_between_a_swell_and_a_border_is_one(swell: int) -> None:
    """Of three slurred notes the second is tongued: either end of it may be where it swells."""
    line = flat((60.0, 0.5), (62.0, 0.065), (64.0, 0.5))
    assert borders(split(line, swells=np.array([swell]))) == pytest.approx([100, 113], abs=3)
