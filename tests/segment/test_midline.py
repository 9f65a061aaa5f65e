"""Vibrato becomes its midline; steps and short lines are left alone."""

import numpy as np
import pytest

from planner.model import Floats
from planner.segment.midline import vibrato_midline

HOP_S = 0.005


def flat(*parts: tuple[float, float]) -> Floats:
    """Join flat pieces: (semitones, seconds) each."""
    return np.concatenate([np.full(round(s / HOP_S), midi) for midi, s in parts])


@pytest.mark.parametrize("half", [0.3, 0.7, 1.1])
@pytest.mark.parametrize("rate_hz", [4.5, 6.0, 7.5])
def test_vibrato_becomes_its_midline(rate_hz: float, half: float) -> None:
    """A vibrato of up to 110 cents leaves less than a sixth of itself, on its own centre."""
    line = flat((64.0, 1.5))
    swinging = line + half * np.sin(2 * np.pi * rate_hz * np.arange(len(line)) * HOP_S)
    midline = vibrato_midline(swinging, HOP_S)[20:-20]
    assert np.abs(midline - 64.0).max() < half / 6
    assert midline.mean() == pytest.approx(64.0, abs=0.02)


def test_a_step_of_notes_is_not_taken_for_vibrato() -> None:
    """Two notes, or a slow turn between two, keep their line."""
    line = flat((60.0, 0.4), (62.0, 0.4), (60.0, 0.4))
    assert vibrato_midline(line, HOP_S) == pytest.approx(line)


def test_a_short_line_is_left_alone() -> None:
    """A handful of frames cannot show a vibrato."""
    line = flat((60.0, 0.05))
    assert vibrato_midline(line, HOP_S) is line


def swung(half: float, from_s: float, length_s: float) -> Floats:
    """Semitones of a vibrato of 5.5 Hz that grows for 0.15 s out of a straight pitch, cut off."""
    u = np.arange(round(length_s / HOP_S)) * HOP_S - from_s
    return half * np.clip(u / 0.15, 0.0, 1.0) * np.sin(2 * np.pi * 5.5 * u)


@pytest.mark.parametrize("length_s", [0.36, 0.40, 0.44, 0.60, 0.63, 0.66, 0.69])
def test_a_vibrato_that_grows_is_followed_into_the_swing_that_its_end_cuts(length_s: float) -> None:
    """What is left of 70 cents lies nearer to the note's centre than a semitone's half."""
    line = np.concatenate([64.0 + swung(0.7, 0.12, length_s), flat((59.0, 0.4))])
    own = vibrato_midline(line, HOP_S)[: round(length_s / HOP_S) - 5]
    assert np.abs(own[-20:] - 64.0).max() < 0.35


@pytest.mark.parametrize("step", [-0.9, 0.9])
@pytest.mark.parametrize("length_s", [0.5, 0.55, 0.6, 0.65, 0.7])
def test_a_note_inside_the_swing_of_the_one_before_keeps_its_line(
    length_s: float, step: float
) -> None:
    """A step of 90 cents, a finger's, is no part of a vibrato of 80."""
    line = np.concatenate([64.0 + swung(0.8, 0.12, length_s), flat((64.0 + step, 0.5))])
    after = vibrato_midline(line, HOP_S)[round((length_s + 0.06) / HOP_S) :]
    assert after == pytest.approx(np.full(len(after), 64.0 + step))


def test_a_turn_of_semitones_is_notes() -> None:
    """Upper and lower neighbour of a held note, 0.09 s each, are not a vibrato that begins."""
    line = flat((64.0, 0.3), (65.0, 0.09), (63.0, 0.09), (64.0, 0.4))
    assert vibrato_midline(line, HOP_S) == pytest.approx(line)
