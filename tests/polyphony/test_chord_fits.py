"""From a short window to the whole: what a string that moves is read as."""

import numpy as np
import pytest

from planner.polyphony.chord_fits import Piece, refine
from planner.polyphony.chord_partials import CENTS_PER_NEPER

SR = 16000
F0_HZ = 196.0
MOVED_S = 0.15


def string(first_went: float, upper_sway: float, seed: int = 54470) -> np.ndarray:
    """A string whose first partial goes so many cents at 0.15 s and then stays; upper ones sway.

    upper_sway: cents up and down, seven times a second, from then on.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(round(0.7 * SR)) / SR
    sound = 1e-6 * rng.standard_normal(len(t))
    for n in range(1, 10):
        cents = np.where(t < MOVED_S, 0.0, first_went if n == 1 else 0.0)
        if n > 1:
            cents = cents + np.where(t < MOVED_S, 0.0, upper_sway * np.sin(2 * np.pi * 7 * t))
        turn = np.cumsum(2 * np.pi * n * F0_HZ * np.exp(cents / CENTS_PER_NEPER)) / SR
        sound += 0.05 / n * np.cos(turn + rng.uniform(0, 6.28))
    return sound


def refined_cents(sound: np.ndarray) -> tuple[float, float, float]:
    """What is read: the string's cents, how far it went, and its window in seconds."""
    piece = Piece(samples=sound, sr=SR, others_hz=np.zeros(0))
    ((read, _),) = refine(piece, [(F0_HZ, 0.0)], harmonic=False, longest_s=0.8)
    assert read is not None
    return CENTS_PER_NEPER * np.log(read.f1_hz / F0_HZ), read.went_cents, read.window_s


@pytest.mark.parametrize("went", [-6.0, 5.0])
def test_the_first_partial_says_where_a_string_went(went: float) -> None:
    """Its upper partials can be read in a window of 0.2 s only, its first one throughout."""
    cents, told, window_s = refined_cents(string(went, 150.0))
    assert window_s < 0.3
    assert cents == pytest.approx(0.0, abs=0.7)
    assert told == pytest.approx(went, abs=0.5)


def test_a_string_that_holds_still_went_nowhere() -> None:
    """The whole is read, and nothing is left to tell."""
    cents, told, window_s = refined_cents(string(0.0, 0.0))
    assert window_s > 0.6
    assert cents == pytest.approx(0.0, abs=0.2)
    assert told == 0.0
