"""Of all ways through the periods offered, the search takes the best."""

import itertools

import numpy as np
import pytest

from planner.model import Floats
from planner.track.pitch_search import best_path

# As the room has them, in units of strength.
DOWN, JUMP, CHANGE, UNPITCHED = 0.04, 0.35, 0.25, 0.55


def offers(frames: int, seed: int, k: int = 5) -> tuple[Floats, Floats, Floats]:
    """Periods, strengths and levels drawn without any sense."""
    rng = np.random.default_rng(seed)
    offered = rng.random((frames, k)) < 0.7
    f_hz = np.where(offered, rng.uniform(60.0, 900.0, (frames, k)), 0.0)
    return f_hz, rng.random((frames, k)) * offered, rng.normal(-30.0, 5.0, frames)


def worth(path: tuple[int, ...], f_hz: Floats, strength: Floats) -> float:
    """What a way is worth: each frame's fit, less what its changes cost."""
    total = 0.0
    for frame, state in enumerate(path):
        pitched = state < f_hz.shape[1]
        if pitched and f_hz[frame, state] == 0.0:
            return -np.inf
        total += (
            strength[frame, state] + DOWN * np.log2(f_hz[frame, state])
            if pitched
            else UNPITCHED + DOWN * np.log2(180.0)
        )
        if frame == 0:
            continue
        before = path[frame - 1]
        if pitched != (before < f_hz.shape[1]):
            total -= CHANGE
        elif pitched:
            octaves = abs(np.log2(f_hz[frame, state] / f_hz[frame - 1, before]))
            total -= JUMP * min(octaves, 1.0 + 0.2 * octaves)
    return total


@pytest.mark.parametrize("seed", range(5))
def test_no_way_is_better(seed: int) -> None:
    """Among all 6561 ways through eight frames of two candidates none is worth more."""
    f_hz, strength, level_db = offers(8, seed, k=2)
    ways = itertools.product(range(3), repeat=8)
    best = max(ways, key=lambda way: worth(way, f_hz, strength))
    assert tuple(best_path(f_hz, strength, level_db)) == best


@pytest.mark.parametrize("frames", [1, 63, 64, 65, 200, 4096, 4200])
def test_stretches_are_strung_together(frames: int) -> None:
    """However many stretches frames fill, each step of the way is the best from its neighbours."""
    f_hz, strength, level_db = offers(frames, frames)
    path = [int(state) for state in best_path(f_hz, strength, level_db)]
    assert len(path) == frames
    for frame in range(frames):
        near = slice(max(frame - 1, 0), frame + 2)
        own = frame - near.start
        here = [
            worth((*path[near][:own], state, *path[near][own + 1 :]), f_hz[near], strength[near])
            for state in range(f_hz.shape[1] + 1)
        ]
        assert here[path[frame]] >= max(here) - 1e-9


def test_a_way_goes_through_what_is_faint_between() -> None:
    """One pitch all along is kept through three frames where an octave fits a little better."""
    f_hz = np.tile([220.0, 440.0], (500, 1))
    strength = np.tile([0.9, 0.5], (500, 1))
    strength[250:253] = [0.7, 0.75]
    assert not best_path(f_hz, strength, np.full(500, -20.0)).any()


def test_no_frames_have_no_way() -> None:
    """A stem of no frames is nothing, and no error."""
    assert len(best_path(np.zeros((0, 5)), np.zeros((0, 5)), np.zeros(0))) == 0
