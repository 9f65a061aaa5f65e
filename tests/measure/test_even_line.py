"""A smooth line in noise is known as well as its noise allows; of others nothing is said."""

import numpy as np
import pytest
from tones.exact import bent, cents_between, moments, steady, tone, with_snr

from planner.measure.contour import contour_of, partial_phases
from planner.measure.even_line import EvenLine, even_line
from planner.model import Floats

SR, F1_HZ, SPAN_S = 16_000, 220.0, (0.15, 0.85)


def line_of(samples: Floats, *, b: float = 0.0, b_sd: float = 0.0) -> EvenLine | None:
    """The line through a second of sound, looked for where a coarse track would say."""
    wander = 4.0 + 2.0 * np.sin(10.0 * moments(1.0, SR))
    prior = F1_HZ * 2 ** (wander / 1200) / np.sqrt(1.0 + b)
    phases = partial_phases(samples, SR, prior, b=b)
    assert phases is not None
    return even_line(phases, contour_of(phases), SPAN_S, b_sd)


def found(samples: Floats, **how: float) -> EvenLine:
    line = line_of(samples, **how)
    assert line is not None
    return line


@pytest.mark.parametrize("snr_db", [30.0, 20.0, 10.0])
@pytest.mark.parametrize("decay_s", [None, 0.4])
def test_errors_are_as_large_as_stated(decay_s: float | None, snr_db: float) -> None:
    """Steady or dying away, high partials first: RMS error within 0.6 to 1.5 stated ones."""
    over = []
    for seed in range(24):
        rng = np.random.default_rng([seed, round(snr_db)])
        sound = tone(steady(F1_HZ, 1.0, SR), SR, rng, decay_s=decay_s, decay_tilt=0.25)
        line = line_of(with_snr(sound, snr_db, rng))
        if line is not None:
            over.append(cents_between(line.f1_hz, F1_HZ) / line.sd_cents)
    assert len(over) >= 22
    assert 0.6 < np.sqrt(np.mean(np.square(over))) < 1.5


def test_a_mean_is_that_of_the_stretch_in_cents() -> None:
    """Gliding by 30 cents a second, and sagging by 12: the mean over the stretch, and its slope."""
    t = moments(1.0, SR)
    inside = (t >= SPAN_S[0]) & (t < SPAN_S[1])
    for cents, slope in ((30.0 * (t - 0.5), 30.0), (12.0 * np.exp(-t / 0.3), None)):
        rng = np.random.default_rng(5)
        line = found(with_snr(tone(bent(F1_HZ, cents), SR, rng, decay_s=0.5), 30.0, rng))
        assert cents_between(line.f1_hz, F1_HZ) == pytest.approx(cents[inside].mean(), abs=0.03)
        if slope is not None:
            assert line.slope_cents_per_s == pytest.approx(slope, abs=0.1)


def test_a_glide_even_in_cents_is_even() -> None:
    """Twenty cents a second, 60 dB over noise: within 0.0005 cents, though it bends in phase."""
    cents = 20.0 * (moments(1.0, SR) - 0.5)
    for seed in range(3):
        rng = np.random.default_rng([12, seed])
        line = found(with_snr(tone(bent(F1_HZ, cents), SR, rng), 60.0, rng))
        assert cents_between(line.f1_hz, F1_HZ) == pytest.approx(0.0, abs=0.0005)
        assert line.slope_cents_per_s == pytest.approx(20.0, abs=4 * line.slope_sd_cents_per_s)


def test_slopes_are_as_far_off_as_stated() -> None:
    """Dying away 20 dB over noise: RMS error of the slope within 0.7 to 1.4 stated ones."""
    over = []
    for seed in range(24):
        rng = np.random.default_rng([13, seed])
        line = line_of(with_snr(tone(steady(F1_HZ, 1.0, SR), SR, rng, decay_s=0.4), 20.0, rng))
        if line is not None:
            over.append(line.slope_cents_per_s / line.slope_sd_cents_per_s)
    assert len(over) >= 22
    assert 0.7 < np.sqrt(np.mean(np.square(over))) < 1.4


def test_a_stiffness_known_roughly_is_made_better() -> None:
    """B is held 2 % too low, known to 3 %: the first partial is told within 0.02 cents."""
    rng = np.random.default_rng(6)
    sound = with_snr(tone(steady(F1_HZ, 1.0, SR), SR, rng, b=3e-4, decay_s=0.5), 30.0, rng)
    line = found(sound, b=2.94e-4, b_sd=1e-5)
    assert cents_between(line.f1_hz, F1_HZ) == pytest.approx(0.0, abs=0.02)


def test_what_is_not_smooth_is_left_to_the_contour() -> None:
    """A vibrato of 15 cents is no smooth line."""
    rng = np.random.default_rng(7)
    swing = 15.0 * np.sin(2 * np.pi * 6.0 * moments(1.0, SR))
    assert line_of(with_snr(tone(bent(F1_HZ, swing), SR, rng), 40.0, rng)) is None


def test_partials_that_drift_apart_are_left_to_the_contour() -> None:
    """A second note 3 cents away, 20 dB down, turns each partial another way."""
    rng = np.random.default_rng(8)
    one = tone(steady(F1_HZ, 1.0, SR), SR, rng)
    other = tone(steady(F1_HZ * 2 ** (3.0 / 1200), 1.0, SR), SR, rng)
    assert line_of(with_snr(one + 0.1 * other, 50.0, rng)) is None


@pytest.mark.parametrize("apart_cents", [4.0, 7.0, 12.0])
@pytest.mark.parametrize("snr_db", [40.0, 30.0])
def test_a_partial_that_turns_away_for_good_is_seen(apart_cents: float, snr_db: float) -> None:
    """Bodies and pickups draw the first partial of some strings by cents from the others' pitch.

    Over a second the second partial turns once and more against a line through the first: its phase
    then lies all round, and its power tells that it is there.
    """
    rng = np.random.default_rng(round(apart_cents))
    sound = tone(steady(F1_HZ, 1.0, SR), SR, rng, amplitudes=[1.0])
    others = F1_HZ * 2 ** (apart_cents / 1200)
    sound = sound + tone(steady(others, 1.0, SR), SR, rng, amplitudes=[0.0, 0.5, 0.05])
    assert line_of(with_snr(sound, snr_db, rng), b_sd=2e-4) is None


def test_a_stretch_of_few_frames_says_nothing() -> None:
    """Over 0.1 s a smooth line and one that does something of its own are the same."""
    rng = np.random.default_rng(9)
    phases = partial_phases(tone(steady(F1_HZ, 1.0, SR), SR, rng), SR, steady(F1_HZ, 1.0, SR))
    assert phases is not None
    assert even_line(phases, contour_of(phases), (0.2, 0.3), 0.0) is None


@pytest.mark.parametrize("f1_hz", [94.4, 220.0])
def test_a_prior_that_sags_leaves_nothing(f1_hz: float) -> None:
    """A stiff string 60 dB over noise, followed by its falling period: still 0.002 cents."""
    b, t = 1e-3, moments(1.0, SR)
    for seed in range(3):
        rng = np.random.default_rng([11, seed])
        sound = tone(steady(f1_hz, 1.0, SR), SR, rng, b=b, decay_s=0.5, decay_tilt=0.25)
        prior = f1_hz * 2 ** (20.0 * np.exp(-t / 0.2) / 1200) / np.sqrt(1.0 + b)
        phases = partial_phases(with_snr(sound, 60.0, rng), SR, prior, b=b)
        assert phases is not None
        line = even_line(phases, contour_of(phases), SPAN_S, 0.0)
        assert line is not None
        assert cents_between(line.f1_hz, f1_hz) == pytest.approx(0.0, abs=0.002)
