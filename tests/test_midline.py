"""Vibrato becomes its midline; steps and short lines are left alone."""

from __future__ import annotations

import numpy as np
import pytest

from planner.midline import vibrato_midline
from planner.model import Floats

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
