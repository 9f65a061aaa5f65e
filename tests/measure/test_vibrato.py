"""A vibrato is found with its rate, width and centre; what only wobbles is none."""

import numpy as np
import pytest
from tones.exact import bent, cents_between, faded, laid_out, measured_notes, moments, stem_of, tone

from planner.measure.vibrato import Vibrato, find_vibrato, usual_rate_hz
from planner.model import Floats

HOP_S = 0.005
WINDOW_S = 0.016


def contour(length_s: float) -> Floats:
    return np.arange(round(length_s / HOP_S)) * HOP_S


def swing(t_s: Floats, rate_hz: float, half_cents: float, turns: float) -> Floats:
    """A sine as a contour shows it: narrowed by the Hann window that each point is a mean over."""
    cycles = rate_hz * WINDOW_S
    left = np.sinc(cycles) / (1 - cycles**2)
    line: Floats = left * half_cents * np.sin(2 * np.pi * (rate_hz * t_s + turns))
    return line


def found(t_s: Floats, cents: Floats) -> Vibrato:
    vibrato = find_vibrato(t_s, cents, WINDOW_S)
    assert vibrato is not None
    return vibrato


def centre_cents(vibrato: Vibrato, t_s: Floats, cents: Floats) -> float:
    return float((cents - vibrato.at(t_s)).mean())


@pytest.mark.parametrize("turns", np.arange(0, 1, 0.125))
@pytest.mark.parametrize("length_s", [0.45, 0.80, 1.3])
def test_prames_singers(length_s: float, turns: float) -> None:
    """6.0 Hz and 71 cents (E. Prame, JASA 96, 1994 and 102, 1997), cut anywhere in its cycle."""
    t_s = contour(length_s)
    cents = swing(t_s, 6.0, 71.0, turns)
    vibrato = found(t_s, cents)
    assert vibrato.rate_hz == pytest.approx(6.0, abs=0.05)
    assert vibrato.half_cents == pytest.approx(71.0, rel=0.05)
    assert centre_cents(vibrato, t_s, cents) == pytest.approx(0.0, abs=0.5)
    assert vibrato.regularity > 0.95


@pytest.mark.parametrize("turns", [0.0, 0.2, 0.45, 0.7])
def test_the_note_in_vibrato_stands_on_its_centre(turns: float) -> None:
    """A note whose vibrato of 71 cents has its mean on A4 reads A4 within a cent, however cut."""
    sr = 48_000
    t = moments(1.04, sr)
    line = bent(440.0, 71 * np.sin(2 * np.pi * (6.0 * t + turns)))
    samples = laid_out([(0.2, faded(tone(line, sr, np.random.default_rng(1)), sr))], 1.5, sr)
    ((_, measured),) = measured_notes(stem_of(samples, sr, "lead-voice"))
    assert measured.sustain_hz is not None
    assert abs(cents_between(measured.sustain_hz, 440.0)) < 1.0
    assert measured.vibrato_hz == pytest.approx(6.0, abs=0.05)
    assert measured.vibrato_half_cents == pytest.approx(71.0, rel=0.05)
    assert measured.vibrato_regularity is not None
    assert measured.vibrato_regularity > 0.9


@pytest.mark.parametrize(("rate_hz", "half_cents"), [(4.5, 10.0), (5.1, 92.0), (7.5, 34.0)])
def test_other_rates_and_widths(rate_hz: float, half_cents: float) -> None:
    """From a cellist's narrow one to a choir's 5.1 Hz and 92 cents (Cuesta et al., ICMPC 2018)."""
    t_s = contour(1.2)
    vibrato = found(t_s, 4.0 * t_s + swing(t_s, rate_hz, half_cents, 0.3))
    assert vibrato.rate_hz == pytest.approx(rate_hz, abs=0.05)
    assert vibrato.half_cents == pytest.approx(half_cents, rel=0.05)


@pytest.mark.parametrize("turns", [0.0, 0.3, 0.6, 0.85])
@pytest.mark.parametrize("sets_in_s", [0.08, 0.2, 0.4])
@pytest.mark.parametrize("straight_s", [0.05, 0.25])
def test_a_vibrato_that_sets_in_on_a_straight_note(
    straight_s: float, sets_in_s: float, turns: float
) -> None:
    """Its rate and full width are told, and the line does not lean to its swing: as the trade has
    it, held straight first (common practice, no source). The line is 20 cents high.
    """
    t_s = contour(1.3)
    width = np.sin(np.clip((t_s - straight_s) / sets_in_s, 0.0, 1.0) * np.pi / 2) ** 2
    cents = 20.0 + width * swing(t_s, 5.5, 50.0, turns)
    vibrato = found(t_s, cents)
    assert vibrato.rate_hz == pytest.approx(5.5, abs=0.05)
    assert vibrato.half_cents == pytest.approx(50.0, rel=0.05)
    assert centre_cents(vibrato, t_s, cents) == pytest.approx(20.0, abs=0.3)


@pytest.mark.parametrize("turns", [0.0, 0.3, 0.6, 0.85])
def test_a_vibrato_that_grows_all_along_does_not_set_in(turns: float) -> None:
    """One that widens steadily is told by its middle width, and stands on its line as well."""
    t_s = contour(1.3)
    cents = (0.4 + t_s / 1.3) * swing(t_s, 5.5, 40.0, turns)
    vibrato = found(t_s, cents)
    assert vibrato.rate_hz == pytest.approx(5.5, abs=0.05)
    assert centre_cents(vibrato, t_s, cents) == pytest.approx(0.0, abs=0.3)
    assert vibrato.begins_s == -np.inf


def test_a_plain_mean_would_be_biased() -> None:
    """Over 2.5 cycles of 71 cents a mean is off by 2 e / (pi (2N + 1)) = 9.0 cents; ours is not."""
    t_s = contour(2.5 / 6.0)
    cents = swing(t_s, 6.0, 71.0, 0.0)
    assert cents.mean() == pytest.approx(2 * 71 / (np.pi * 5), abs=0.7)
    assert abs(centre_cents(found(t_s, cents), t_s, cents)) < 0.5


def test_the_swing_can_be_told_at_any_time() -> None:
    """The vibrato's own line is the swing that was put in, before the window narrowed it or not."""
    t_s = contour(1.0)
    cents = swing(t_s, 5.5, 40.0, 0.1)
    assert np.abs(found(t_s, cents + 12.0).at(t_s) - cents).max() < 1.5


@pytest.mark.parametrize("seed", range(6))
def test_a_steady_line_has_none(seed: int) -> None:
    """The small unrest of a steady tone is no vibrato."""
    t_s = contour(1.0)
    unrest = np.random.default_rng(seed).standard_normal(len(t_s))
    assert find_vibrato(t_s, unrest, WINDOW_S) is None


def test_a_glide_has_none() -> None:
    """A note that only bends has no vibrato."""
    t_s = contour(1.0)
    assert find_vibrato(t_s, 60 * t_s**2 - 30 * t_s, WINDOW_S) is None


@pytest.mark.parametrize("at_s", [0.25, 0.5, 0.75])
def test_a_lone_wobble_is_none(at_s: float) -> None:
    """One swing up and down in a long note is a wobble: it does not come back."""
    t_s = contour(1.0)
    wobble = 30 * np.sin(2 * np.pi * 6 * (t_s - at_s)) * (np.abs(t_s - at_s) < 1 / 12)
    assert find_vibrato(t_s, wobble, WINDOW_S) is None


@pytest.mark.parametrize("rate_hz", [1.5, 14.0])
def test_what_nobody_sings_is_none(rate_hz: float) -> None:
    """A slow sway or a fast flutter is no vibrato (4 to 8 Hz: Prame 1994, Timmers and Desain)."""
    t_s = contour(2.0)
    assert find_vibrato(t_s, swing(t_s, rate_hz, 20.0, 0.0), WINDOW_S) is None


def test_too_short_for_two_cycles_is_none() -> None:
    """A cycle and a half cannot show by itself that anything repeats."""
    t_s = contour(1.5 / 6.0)
    assert find_vibrato(t_s, swing(t_s, 6.0, 50.0, 0.0), WINDOW_S) is None


@pytest.mark.parametrize("turns", np.arange(0, 1, 0.125))
@pytest.mark.parametrize("cycles", [1.1, 1.5, 1.9])
def test_a_short_note_swings_at_the_usual_rate(cycles: float, turns: float) -> None:
    """Where the part's rate is known within a tenth, a cycle is enough to take the swing out.

    A plain mean over a cycle and a half of 50 cents is off by up to 2 e / (3 pi) = 11 cents.
    """
    t_s = contour(cycles / 6.0)
    cents = 7.0 + swing(t_s, 6.0, 50.0, turns)
    vibrato = find_vibrato(t_s, cents, WINDOW_S, usual_hz=5.6)
    assert vibrato is not None
    assert vibrato.rate_hz == pytest.approx(6.0, abs=0.1)
    assert centre_cents(vibrato, t_s, cents) == pytest.approx(7.0, abs=1.0)


@pytest.mark.parametrize("turns", np.arange(0, 1, 0.125))
@pytest.mark.parametrize("length_s", [0.35, 0.5, 0.9])
def test_a_growing_vibrato_keeps_its_centre(length_s: float, turns: float) -> None:
    """A swing that grows from nothing to 60 cents stands on its centre.

    The mean over whole cycles does not: while a sine's width grows by g a second, the mean of one
    of its cycles T is off by up to g T / (2 pi), here 3 to 5 cents (elementary integration).
    """
    t_s = contour(length_s)
    cents = swing(t_s, 6.0, 60.0, turns) * t_s / length_s
    assert centre_cents(found(t_s, cents), t_s, cents) == pytest.approx(0.0, abs=0.7)


def test_a_straight_note_does_not_swing_at_the_usual_rate() -> None:
    """A glide, and the unrest of a steady tone, are not taken for the part's vibrato."""
    t_s = contour(0.3)
    unrest = np.random.default_rng(3).standard_normal(len(t_s))
    for cents in (40.0 * t_s, unrest, 30.0 * t_s + unrest):
        assert find_vibrato(t_s, cents, WINDOW_S, usual_hz=5.5) is None


def test_the_usual_rate_is_the_middle_of_three_or_more() -> None:
    """One odd note does not move the part's rate; two notes are no habit."""
    t_s = contour(1.2)
    some = [found(t_s, swing(t_s, rate, 40.0, 0.2)) for rate in (5.4, 5.5, 7.9)]
    assert usual_rate_hz([*some, None]) == pytest.approx(5.5, abs=0.05)
    assert usual_rate_hz([*some[:2], None]) is None


def test_a_vibrato_says_what_taking_it_out_moves() -> None:
    """Two and a half cycles of 30 cents have a mean of 30 / 2.5 pi; a bend in their width is told.

    Cut anywhere in its cycle: of a steady one nothing would be otherwise.
    """
    t_s = contour(2.5 / 5.0)
    assert found(t_s, swing(t_s, 5.0, 30.0, 0.0)).mean_cents == pytest.approx(3.82, rel=0.1)
    bent_width = 1.0 - np.linspace(-1.0, 1.0, len(t_s)) ** 2
    for width, least, most in ((1.0, 0.0, 0.5), (bent_width, 0.5, 5.0)):
        lines = [width * swing(t_s, 5.0, 30.0, turns) for turns in (0.0, 0.2, 0.4, 0.6, 0.8)]
        assert least <= max(abs(found(t_s, line).otherwise_cents) for line in lines) < most
