"""Strings that ring on or begin anew, made here from the law of a stiff string."""

import numpy as np
import pytest

from planner.model import Floats
from planner.polyphony.chord_partials import partial_hz
from planner.polyphony.struck_again import struck_again

SR = 16000
ONSET = SR  # a second in
NOTE, OTHER = (196.0, 1e-4), (261.6, 1e-4)
RNG_SEED = 54460


def string(note: tuple[float, float], start_s: float, rng: np.random.Generator) -> Floats:
    """A string that dies away slowly, as loud at one moment as at another nearby."""
    t = np.arange(2 * SR) / SR - start_s
    sound = np.zeros(len(t))
    for n, f_hz in enumerate(partial_hz(*note, np.arange(1.0, 13.0)), 1):
        tone = np.cos(2 * np.pi * f_hz * t + rng.uniform(0, 2 * np.pi))
        sound += 0.1 / n * tone * np.exp(-0.3 * np.maximum(t, 0.0)) * (t >= 0.0)
    return sound


def changed(sound: Floats, again: Floats) -> Floats:
    """One sound up to the onset, another from there on."""
    return np.where(np.arange(len(sound)) < ONSET, sound, again)


@pytest.mark.parametrize("again", [False, True])
def test_a_string_that_begins_anew_turns_its_partials(again: bool) -> None:
    """Forty strings beside one that begins there, as loud as they, and noise 40 dB under."""
    rng = np.random.default_rng(RNG_SEED)
    told = 0
    for _ in range(40):
        old = string(NOTE, 0.1, rng)
        sound = changed(old, string(NOTE, 0.1, rng)) if again else old
        sound = sound + string(OTHER, 1.0, rng) + 1e-3 * rng.standard_normal(len(old))
        told += struck_again(sound, SR, ONSET, NOTE, [OTHER])
    assert (told >= 38) if again else (told == 0)


def test_what_beats_is_not_asked() -> None:
    """A neighbour 2 Hz away turns all partials by itself: none of them tells."""
    rng = np.random.default_rng(RNG_SEED + 1)
    told = 0
    for _ in range(20):
        beating = string(NOTE, 0.1, rng) + string((NOTE[0] * 1.012, NOTE[1]), 0.1, rng)
        told += struck_again(beating, SR, ONSET, NOTE, [])
    assert told <= 2


def test_nothing_is_said_where_too_little_is_heard() -> None:
    """Too soon after the start, too few partials free, silence."""
    rng = np.random.default_rng(RNG_SEED + 2)
    anew = changed(string(NOTE, 0.1, rng), string(NOTE, 0.1, rng))
    assert struck_again(anew, SR, ONSET, NOTE, [])
    assert not struck_again(anew, SR, SR // 5, NOTE, [])
    assert not struck_again(anew, SR, ONSET, NOTE, [(NOTE[0] / 2, NOTE[1] / 4)])
    assert not struck_again(np.zeros(2 * SR), SR, ONSET, NOTE, [])
