"""Where a bow turns: sawteeth that are mirrored there, and those that only get softer.

A mirrored sawtooth is the law (H. von Helmholtz, "On the Sensations of Tone", from memory); lines
on strings that sound as waves run along them are in `tests.tones.waveguides`.
"""

import numpy as np
import pytest
from bench.waveguides import scores
from tones.exact import measured_notes, stem_of, with_floor
from tones.waveguides import bowed_line

from planner.model import Floats, Stem
from planner.segment.bow_turns import bow_turns
from planner.tracker import HOP_S, track

SR, LENGTH_S, TURN_S = 16_000, 2.0, 1.0
T_S = np.arange(round(LENGTH_S * SR)) / SR


def bowed(
    f_hz: float, *, turned: bool, vibrato_cents: float = 0.0, dip_db: float = 4.0, seed: int = 1
) -> Stem:
    """A sawtooth whose level dips over a tenth of a second, mirrored in the dip or not."""
    rng = np.random.default_rng(seed)
    cents = vibrato_cents * np.sin(2 * np.pi * 5.5 * T_S + rng.uniform(0.0, 6.0))
    cycles = np.cumsum(f_hz * 2.0 ** (cents / 1200.0)) / SR
    body = rng.uniform(0.0, 2.0 * np.pi, 40)  # what a body does to each partial's phase
    samples = np.zeros(len(T_S))
    for n in range(1, int(6000.0 / f_hz)):
        samples += np.sin(2 * np.pi * n * cycles + body[n % 40]) / n
    if turned:
        samples = np.where(T_S < TURN_S, samples, -samples)
    dip: Floats = dip_db * np.exp(-(((T_S - TURN_S) / 0.06) ** 2))
    shape = np.clip(np.minimum(T_S, LENGTH_S - T_S) / 0.05, 0.0, 1.0)
    return stem_of(
        with_floor(0.2 * samples * shape * 10.0 ** (-dip / 20.0), -70.0, rng), SR, "bowed"
    )


@pytest.mark.parametrize("f_hz", [41.2, 98.0, 196.0, 440.0, 880.0])
@pytest.mark.parametrize("vibrato_cents", [0.0, 20.0])
def test_a_mirrored_sawtooth_is_a_turned_bow(f_hz: float, vibrato_cents: float) -> None:
    """It is placed within a period and a frame where the waves are mirrored, or it is none."""
    near = np.array([round(TURN_S / HOP_S) + 3])
    for turned in (True, False):
        stem = bowed(f_hz, turned=turned, vibrato_cents=vibrato_cents)
        at = int(bow_turns(stem, track(stem), near)[0])
        if turned:
            assert at * HOP_S == pytest.approx(TURN_S, abs=1.0 / f_hz + HOP_S)
        else:
            assert at == -1


@pytest.mark.parametrize("f_hz", [65.4, 220.0, 660.0])
def test_the_notes_of_two_bows_are_two(f_hz: float) -> None:
    """A dip too slow and too shallow to tell anything is a border if the waves are mirrored."""
    for turned in (True, False):
        found = [note for note, _ in measured_notes(bowed(f_hz, turned=turned))]
        assert len(found) == (2 if turned else 1)


def test_what_has_two_partials_says_nothing() -> None:
    """Of 1400 Hz two partials lie under 3 kHz: their one set may turn by chance."""
    stem = bowed(1400.0, turned=True)
    assert bow_turns(stem, track(stem), np.array([round(TURN_S / HOP_S)]))[0] == -1


def test_another_pitch_is_no_turned_bow() -> None:
    """Where the pitch steps, its own border says so."""
    low, high = bowed(196.0, turned=True), bowed(220.0, turned=True)
    half = len(low.samples) // 2
    joined = np.concatenate([low.samples[:half], high.samples[half:]]).astype(float)
    stem = stem_of(joined, SR, "bowed")
    assert bow_turns(stem, track(stem), np.array([round(TURN_S / HOP_S)]))[0] == -1


def test_repeats_under_turned_bows_are_found_on_a_string_that_waves_run_along() -> None:
    """Of 84 bowed notes of a double bass, a fifth of them repeats, most are found."""
    found = [scores(bowed_line("double bass", seed))[0] for seed in (101, 102, 103)]
    assert np.mean(found) >= 0.95
