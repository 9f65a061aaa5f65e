"""A pitch line takes a step where another pitch stays; wild frames and unrest are none."""

import numpy as np
import pytest

from planner.model import Floats
from planner.segment.pitch_levels import level_pieces, potts_steps

HOP_S = 0.005
NO_MARKS = np.empty(0, dtype=np.intp)


def flat(*parts: tuple[float, float]) -> Floats:
    """Join flat pieces: (semitones, seconds) each."""
    return np.concatenate([np.full(round(s / HOP_S), midi) for midi, s in parts])


def test_a_flat_line_has_no_steps() -> None:
    """A line with the small unrest of a held note stays in one piece."""
    line = flat((60.0, 2.0)) + 0.05 * np.random.default_rng(1).standard_normal(400)
    assert potts_steps(line) == []


@pytest.mark.parametrize("semitones", [1.0, -2.0, 12.0])
def test_a_step_is_found_where_it_is(semitones: float) -> None:
    """A lasting step of a semitone or more is found to the frame."""
    line = flat((60.0, 0.5), (60.0 + semitones, 0.5))
    assert potts_steps(line) == [100]


def test_wild_frames_are_no_step() -> None:
    """Three frames an octave off are not worth two steps."""
    line = flat((60.0, 1.0))
    line[90:93] = 72.0
    assert potts_steps(line) == []


def test_the_cheapest_explanation_is_found() -> None:
    """Four notes through noise give the three borders, each within two frames."""
    made = flat((55.0, 0.3), (57.0, 0.25), (62.0, 0.4), (61.0, 0.3))
    line = made + 0.1 * np.random.default_rng(2).standard_normal(len(made))
    assert potts_steps(line) == pytest.approx([60, 110, 190], abs=2)


def pieces_of(line: Floats, *, sung: bool = False) -> list[tuple[int, int]]:
    return level_pieces(line, line, np.empty(0, dtype=np.intp), HOP_S, bends=not sung, sung=sung)


def test_a_thump_and_the_note_after_it_are_no_glide() -> None:
    """Thump, A2, B2, C3 in quavers: as a recorded guitar, whose A2 was drawn into the B2 once."""
    line = flat((38.0, 0.04), (45.0, 0.115), (47.0, 0.135), (48.0, 0.235))
    assert [round(float(np.median(line[a:b]))) for a, b in pieces_of(line)] == [45, 47, 48]


def test_a_smooth_way_is_a_glide() -> None:
    """A slide of a tenth of a second belongs to the note that it leads to."""
    line = np.concatenate([flat((45.0, 0.3)), np.linspace(45.0, 52.0, 20), flat((52.0, 0.3))])
    assert [round(float(np.median(line[a:b]))) for a, b in pieces_of(line)] == [45, 52]


def blown(line: Floats) -> list[int]:
    """The pitches of a line of a wind instrument."""
    pieces = level_pieces(line, line, np.empty(0, dtype=np.intp), HOP_S, bends=False, sung=False)
    return [round(float(np.median(line[a:b]))) for a, b in pieces]


def test_a_short_note_an_octave_below_the_next_is_a_note() -> None:
    """C sharp, G sharp, G sharp an octave up in semiquavers: nothing rings that shares a period."""
    assert blown(flat((61.0, 0.12), (56.0, 0.1), (68.0, 0.1), (56.0, 0.1))) == [61, 56, 68, 56]


@pytest.mark.parametrize("rings", [68.0, 63.0])
def test_a_moment_at_a_period_that_two_notes_share_is_a_mixture(rings: float) -> None:
    """A note still rings under the next: for a moment both repeat at a fraction of each."""
    assert blown(flat((rings, 0.3), (56.0 - 12.0, 0.06), (56.0, 0.3))) == [round(rings), 56]


def test_what_moves_away_is_no_glide_to_the_next() -> None:
    """A note that sags by a semitone before a step up: as a recorded trumpet."""
    line = np.concatenate([np.linspace(57.4, 55.4, 25), flat((57.0, 0.2))])
    assert len(blown(line)) == 2


def test_a_note_at_the_end_comes_to_rest() -> None:
    """A slurred last note of 0.15 s creeps up to its pitch; a fall goes on to its end."""
    creeps = 48.0 - 0.9 * np.exp(-np.arange(30) / 12.0)
    assert blown(np.concatenate([flat((46.0, 0.2)), creeps])) == [46, 48]
    falls = np.linspace(46.0, 42.0, 30)
    assert blown(np.concatenate([flat((46.0, 0.2)), falls])) == [46]


def way(from_: float, to: float, seconds: float) -> Floats:
    """Make an even movement from one pitch to another."""
    return np.linspace(from_, to, round(seconds / HOP_S))


@pytest.mark.parametrize("seconds", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("semitones", [3.0, 7.0, 12.0])
def test_a_long_scoop_belongs_to_its_note(semitones: float, seconds: float) -> None:
    """However far it comes and however long it takes: it stays nowhere on its way."""
    line = np.concatenate([way(60.0 - semitones, 60.0, seconds), flat((60.0, 0.4))])
    assert blown(line) == [60]
    assert pieces_of(line, sung=True) == [(0, len(line))]


@pytest.mark.parametrize("seconds", [0.2, 0.3, 0.4])
def test_a_long_slide_is_no_third_note(seconds: float) -> None:
    """From one note to another a fifth up, at an even speed."""
    line = np.concatenate([flat((55.0, 0.4)), way(55.0, 62.0, seconds), flat((62.0, 0.4))])
    assert blown(line) == [55, 62]


def test_a_long_fall_belongs_to_its_note() -> None:
    """It goes on to the end of the sound."""
    assert blown(np.concatenate([flat((60.0, 0.4)), way(60.0, 55.0, 0.3)])) == [60]


def test_a_scale_is_no_slide() -> None:
    """Each of its notes stays for a while, though the track's window rounds them all."""
    line = flat(*((60.0 + 2 * step, 0.1) for step in range(5)))
    rounded = np.convolve(np.pad(line, 4, mode="edge"), np.full(9, 1 / 9), "valid")
    assert blown(rounded) == [60, 62, 64, 66, 68]


def test_a_wild_moment_before_a_scoop_does_not_hide_it() -> None:
    """As a sung syllable of a recording: three frames an octave down, then up by seven."""
    line = np.concatenate([flat((46.2, 0.015)), way(58.0, 65.0, 0.25), flat((65.4, 0.2))])
    assert pieces_of(line, sung=True) == [(0, len(line))]


def test_a_note_whose_start_is_mixed_with_the_ring_is_as_long_as_both() -> None:
    """C, then G sharp for 0.11 s, of which the ring covers 35 ms, then F: as a flute."""
    line = np.concatenate(
        [flat((83.0, 0.2), (59.0, 0.035), (78.1, 0.05)), way(78.0, 76.8, 0.02), flat((75.0, 0.13))]
    )
    assert blown(line) == [83, 78, 75]


def test_a_note_that_creeps_up_is_none_of_the_way_to_the_next() -> None:
    """G up by 0.6 semitones in 0.09 s, then G sharp at once, as the track shows a sampled sax."""
    creeps = np.linspace(43.3, 43.9, 19)
    settles = np.array([44.4, 44.5, 44.6, 44.7, 44.8, 44.8])
    line = np.concatenate([flat((50.9, 0.1)), creeps, settles, flat((44.9, 0.06), (49.8, 0.1))])
    assert blown(line) == [51, 44, 45, 50]


def test_a_short_low_note_that_begins_a_sound_is_a_note() -> None:
    """Nothing rang before it that could share a period with the octave that follows."""
    assert blown(flat((45.0, 0.1), (57.0, 0.3))) == [45, 57]


def sung_pieces(line: Floats) -> list[tuple[int, int]]:
    return level_pieces(line, line, NO_MARKS, HOP_S, bends=False, sung=True)


def test_a_voice_that_comes_to_rest_past_its_pitch_sings_one_note() -> None:
    """After a leap it is nearly a semitone high, and there within 0.2 s; what stays is a note."""
    rests = 62.0 + 0.6 * np.clip(1.6 - np.arange(160) * HOP_S / 0.12, 0.0, 1.0)
    assert len(sung_pieces(np.concatenate([np.full(60, 55.0), rests]))) == 2
    assert len(sung_pieces(flat((55.0, 0.3), (62.9, 0.12), (62.0, 0.7)))) == 3


def test_a_voice_that_passes_by_sings_no_note() -> None:
    """What lasts 70 ms between two notes is none; at 110 ms, nine notes a second, it is."""
    for passes_s, notes in ((0.07, 2), (0.11, 3)):
        assert len(sung_pieces(flat((60.0, 0.3), (62.0, passes_s), (64.0, 0.4)))) == notes


def test_a_last_note_that_a_voice_sinks_to_is_no_fall() -> None:
    """0.15 s long it comes to rest five semitones down; a fall goes on as it began."""
    rests = 64.6 + 5.4 * np.exp(-np.arange(30) * HOP_S / 0.04)
    falls = np.linspace(70.0, 67.0, 24)
    assert len(sung_pieces(np.concatenate([np.full(60, 70.0), rests]))) == 2
    assert len(sung_pieces(np.concatenate([np.full(60, 70.0), falls]))) == 1
