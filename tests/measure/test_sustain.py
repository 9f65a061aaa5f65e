"""A sustain is the mean of its line, as well known as what moves the line allows."""

from __future__ import annotations

import numpy as np
import pytest

from planner.measure.sustain import shares_of_frames


@pytest.mark.parametrize("frames", [4, 11, 12, 140])
def test_the_mean_of_a_line_is_its_mean(frames: int) -> None:
    """Still, sloped or bent, of a few frames or many: without noise the plain mean, no warning."""
    place = np.linspace(-1.0, 1.0, frames)
    for line in (0.0 * place + 3.0, 5.0 * place, 8.0 * np.exp(-3.0 * (place + 1.0))):
        assert float(shares_of_frames(line) @ line) == pytest.approx(float(line.mean()), abs=1e-6)


def test_noise_of_a_phase_averages_over_all_of_it() -> None:
    """Where only phase noise moves a line, its mean is known far better than from its two ends."""
    errors = []
    for seed in range(200):
        line = np.diff(np.random.default_rng(seed).normal(size=141))
        errors.append((float(shares_of_frames(line) @ line), float(line.mean())))
    fitted, plain = np.std(errors, axis=0)
    # White phase noise over n + 1 points: slope sqrt(12 / n^3) against sqrt(2) / n.
    assert plain == pytest.approx(np.sqrt(2) / 140, rel=0.2)
    assert fitted == pytest.approx(np.sqrt(12 / 140**3), rel=0.25)
