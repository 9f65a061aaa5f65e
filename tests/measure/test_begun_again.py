"""Two notes of one pitch that were taken for one are not firm."""

import numpy as np
import pytest
from tones.exact import bent, moments, tone, with_snr

from planner.measure.begun_again import begun_again_cents
from planner.measure.contour import follow_partials
from planner.measure.partial_series import LN_CENTS
from planner.measure.vibrato import Vibrato
from planner.model import Floats

SR, F1_HZ, LENGTH_S = 16_000, 196.0, 1.0
AGAIN_S = 0.4


def doubt(cents: Floats, level: Floats) -> float:
    """What a note with this line and level may be off by because it begins again."""
    rng = np.random.default_rng(3)
    samples = with_snr(level * tone(bent(F1_HZ, cents), SR, rng), 50, rng)
    contour = follow_partials(samples, SR, np.full(len(samples), F1_HZ))
    assert contour is not None
    inside = (contour.t_s > 0.15) & (contour.t_s < 0.85)
    line = LN_CENTS * np.log(contour.f1_hz / F1_HZ)
    return begun_again_cents(contour, inside, line[inside])


def dipped(depth_db: float) -> Floats:
    """A level that dips for some 60 ms."""
    t = moments(LENGTH_S, SR)
    shape: Floats = 10.0 ** (-depth_db / 20.0 * np.exp(-(((t - AGAIN_S) / 0.02) ** 2)))
    return shape


def stepped(cents: float) -> Floats:
    """A line that steps where the level dips, and stands still on either side."""
    t = moments(LENGTH_S, SR)
    line: Floats = cents / (1.0 + np.exp(-(t - AGAIN_S) / 0.004))
    return line


@pytest.mark.parametrize("step_cents", [12.0, -20.0])
def test_a_dip_with_another_pitch_after_it(step_cents: float) -> None:
    """The doubt is how far the mean over both lies from the first: its share of the step."""
    share = (0.85 - AGAIN_S) / 0.70
    found = doubt(stepped(step_cents), dipped(8.0))
    assert found == pytest.approx(abs(step_cents) * share, rel=0.15)


def test_a_dip_on_one_pitch_costs_nothing() -> None:
    """Where the pitch goes on as it was, it does not matter whether the note began again."""
    assert doubt(stepped(0.0), dipped(8.0)) < 0.2


def test_without_a_dip_it_is_one_note() -> None:
    """A pitch that only steps is no second note here: the segmenter judges steps."""
    assert doubt(stepped(12.0), dipped(0.0)) == 0.0


def test_a_stroke_parts_the_partials() -> None:
    """A second stroke without any dip shows in partials that start anew, each in its own phase."""
    rng = np.random.default_rng(5)
    half = round(AGAIN_S * SR)
    t = moments(LENGTH_S, SR)
    first, second = (tone(bent(F1_HZ, np.full(len(t), c)), SR, rng) for c in (0.0, 15.0))
    samples = with_snr(np.concatenate([first[:half], second[half:]]), 50, rng)
    contour = follow_partials(samples, SR, np.full(len(samples), F1_HZ))
    assert contour is not None
    inside = (contour.t_s > 0.15) & (contour.t_s < 0.85)
    line = LN_CENTS * np.log(contour.f1_hz / F1_HZ)
    assert begun_again_cents(contour, inside, line[inside]) > 5.0


def test_a_step_whose_dip_a_room_fills() -> None:
    """Two notes that fade into each other without a dip: partials part a little where it steps."""
    rng = np.random.default_rng(6)
    t = moments(LENGTH_S, SR)
    first, second = (tone(bent(F1_HZ, np.full(len(t), c)), SR, rng) for c in (0.0, 12.0))
    share = np.clip((t - AGAIN_S) / 0.06 + 0.5, 0.0, 1.0)
    turned = tone(bent(F1_HZ, np.full(len(t), 12.0)), SR, np.random.default_rng(8))
    samples = np.sqrt(1.0 - share) * first + np.sqrt(share) * (0.5 * second + 0.5 * turned)
    contour = follow_partials(with_snr(samples, 50, rng), SR, np.full(len(t), F1_HZ))
    assert contour is not None
    inside = (contour.t_s > 0.15) & (contour.t_s < 0.85)
    line = LN_CENTS * np.log(contour.f1_hz / F1_HZ)
    assert begun_again_cents(contour, inside, line[inside]) > 4.0


def test_a_line_that_only_slopes_or_wavers_is_one_note() -> None:
    """Neither a slope nor slow wavering is a step."""
    t = moments(LENGTH_S, SR)
    for line in (20.0 * t, 6.0 * np.sin(2 * np.pi * 2.0 * t)):
        assert doubt(line, dipped(0.0)) == 0.0


def test_a_line_that_comes_to_its_pitch_is_one_note() -> None:
    """A trumpet note that rises by 25 cents in its first third, its partials apart as it begins."""
    t = moments(LENGTH_S, SR)
    line = 20.0 * t - 60.0 * np.exp(-t / 0.15)
    first, turned = (tone(bent(F1_HZ, line), SR, np.random.default_rng(k)) for k in (9, 10))
    share = 0.5 * np.exp(-t / 0.25)
    samples = with_snr((1.0 - share) * first + share * turned, 50, np.random.default_rng(11))
    contour = follow_partials(samples, SR, np.full(len(samples), F1_HZ))
    assert contour is not None
    inside = (contour.t_s > 0.15) & (contour.t_s < 0.85)
    found = LN_CENTS * np.log(contour.f1_hz[inside] / F1_HZ)
    assert begun_again_cents(contour, inside, found) == 0.0


def test_a_vibrato_that_stops_is_no_vibrato_of_the_whole() -> None:
    """A still note after one in vibrato leaves the swing in the line: what came first is doubt."""
    t = moments(LENGTH_S, SR)
    swinging = np.where(t < AGAIN_S, 20.0 * np.sin(2 * np.pi * 6.0 * t), 8.0)
    rng = np.random.default_rng(7)
    samples = with_snr(tone(bent(F1_HZ, swinging), SR, rng), 50, rng)
    contour = follow_partials(samples, SR, np.full(len(samples), F1_HZ))
    assert contour is not None
    inside = (contour.t_s > 0.15) & (contour.t_s < 0.85)
    line = LN_CENTS * np.log(contour.f1_hz[inside] / F1_HZ)
    found = Vibrato(
        rate_hz=6.0, half_cents=10.0, regularity=0.7, sine_cents=10.0, cosine_cents=0.0,
        sine_grows=0.0, cosine_grows=0.0, origin_s=0.0, reach_s=1.0, mean_cents=0.0,
        otherwise_cents=0.0,
    )  # fmt: skip
    still = line - found.at(contour.t_s[inside])
    assert begun_again_cents(contour, inside, still) == 0.0
    assert begun_again_cents(contour, inside, still, found) > 3.0
