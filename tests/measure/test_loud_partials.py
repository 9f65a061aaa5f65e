"""The loud partials of a string driven through an amplifier say where its first one lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tones.exact import (
    cents_between,
    faded,
    laid_out,
    measured_notes,
    steady,
    stem_of,
    tone,
    with_floor,
)

from planner.measure.loud_partials import by_loud_ones
from planner.measure.partial_series import LN_CENTS, FoundPartials
from planner.model import Floats

SR = 44_100
# A string picked at 0.14 of its length over a pickup at 0.12 (Fletcher and Rossing, "The physics of
# musical instruments", 2.8 and 9.6).
NUMBERS = np.arange(1, 25)
AMPLITUDES = np.abs(np.sin(0.14 * np.pi * NUMBERS) * np.sin(0.12 * np.pi * NUMBERS)) / NUMBERS


def clipped(f1_hz: float, b: float, seed: int) -> Floats:
    """A stiff string into an amplifier that squares its loudest by half and more."""
    rng = np.random.default_rng(seed)
    line = steady(f1_hz, 1.0, SR)
    string = tone(line, SR, rng, b=b, amplitudes=list(AMPLITUDES), decay_s=0.9)
    driven = faded(np.tanh(15.0 * string / np.abs(string).max()), SR)
    return with_floor(laid_out([(0.2, driven)], 1.6, SR), -75.0, rng)


@pytest.mark.parametrize(
    ("f1_hz", "b", "seed"),
    [(123.0, 4e-4, 1), (165.0, 2.5e-4, 0), (207.6, 2.5e-4, 1), (207.6, 2.5e-4, 2)],
)
def test_a_clipped_string_is_not_read_sharp(f1_hz: float, b: float, seed: int) -> None:
    """Most of its partials are the amplifier's, and agree on 4 to 7 cents more than the first."""
    [(_, measured)] = measured_notes(stem_of(clipped(f1_hz, b, seed), SR, "fretted"))
    assert measured.sustain_hz is not None
    assert measured.uncertainty_cents is not None
    off = abs(cents_between(measured.sustain_hz, f1_hz))
    assert off < 1.0
    assert off < measured.uncertainty_cents


def test_a_stiffness_that_the_loud_ones_deny_is_doubt() -> None:
    """Where B was told from all partials, nothing is moved; two doubts cover the error."""
    [(_, measured)] = measured_notes(stem_of(clipped(98.0, 1.7e-4, 4), SR, "fretted"))
    assert measured.inharmonicity_b is not None
    assert measured.sustain_hz is not None
    assert measured.uncertainty_cents is not None
    off = abs(cents_between(measured.sustain_hz, 98.0))
    assert 1.0 < off < 2.0 * measured.uncertainty_cents


def partials(b: float, count: int, amplitude: float = 1.0) -> tuple[FoundPartials, Floats]:
    """Partials of a string whose first lies where it is asked for, against a string of B 0."""
    numbers = np.arange(1, count + 1)
    found = FoundPartials(
        numbers=numbers,
        f_hz=numbers * 100.0,
        variance=np.full(count, 1e-6),
        amplitudes=amplitude / numbers,
    )
    return found, LN_CENTS / 2.0 * np.log((1.0 + b * numbers**2) / (1.0 + b))


@pytest.mark.parametrize("b", [5e-5, 2e-4, 6e-4])
def test_what_the_loud_ones_agree_on_is_found(b: float) -> None:
    """Six partials of a stiff string, 5 cents lower than asked, and others that say nothing."""
    found, cents = partials(b, 16)
    off_cents = cents - 5.0
    off_cents[6:] = 0.0
    first_cents, b_off = by_loud_ones(found, off_cents, 0.0)
    assert first_cents == pytest.approx(-5.0, abs=0.1)
    assert b_off == pytest.approx(b, rel=0.02)


def test_scatter_moves_nothing() -> None:
    """Partials that lie off by chance, in a room: on the average far less than one of them does."""
    found, _ = partials(0.0, 8)
    rng = np.random.default_rng(5)
    moved = [
        by_loud_ones(found, rng.normal(0.0, 1.0, 8) / found.amplitudes, 0.0) for _ in range(400)
    ]
    assert np.median(np.abs([first for first, _ in moved])) < 0.5


def test_three_partials_cannot_tell() -> None:
    """Two unknowns want more than one that may contradict."""
    found, cents = partials(2e-4, 3)
    assert by_loud_ones(found, cents - 5.0, 0.0) == (0.0, 0.0)


def test_a_first_partial_that_noise_moves_moves_nothing() -> None:
    """The lowest notes of a sampled bass: the first 28 cents low, give or take 6, others agree."""
    found, _ = partials(0.0, 8)
    variance = (np.array([6.5, 0.9, 1.1, 0.1, 0.3, 0.5, 1.0, 0.2]) / LN_CENTS * found.f_hz) ** 2
    decibels = np.array([0, -3, -15, -8, -15, -10, -24, -22])
    found = replace(found, variance=variance, amplitudes=10.0 ** (decibels / 20.0))
    off_cents = np.array([-28.6, 2.7, -1.4, -1.4, -1.8, 3.6, 1.0, 1.2])
    assert abs(by_loud_ones(found, off_cents, 0.0)[0]) < 1.0


def test_no_string_bends_the_other_way() -> None:
    """Partials the flatter the higher they are, as no stiffness makes them."""
    found, cents = partials(4e-4, 8)
    assert by_loud_ones(found, -cents - 5.0, 0.0) == (0.0, 0.0)
