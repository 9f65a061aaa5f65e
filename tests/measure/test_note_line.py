"""The windows of a note lie where the trade has them, and end where its string is stopped."""

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from tones.exact import (
    bent,
    cents_between,
    faded,
    laid_out,
    measured_notes,
    moments,
    steady,
    stem_of,
    tone,
    with_floor,
    with_snr,
)

from planner.measure.note_line import NoteLine, by_loud_ones, note_line
from planner.measure.note_span import NoteSpan
from planner.measure.partial_series import LN_CENTS, FoundPartials
from planner.measure.stiffness import NOT_STIFF, Stiffness
from planner.model import Floats, Note

SR, F1_HZ = 16_000, 110.0


def span_of(
    samples: Floats,
    prior_hz: Floats,
    pitch_hz: float,
    begins: Literal["attack", "soft"],
    *,
    swells: bool,
) -> NoteSpan:
    """A note that lasts as long as its samples."""
    note = Note(
        stem="X", start_s=0.0, end_s=len(samples) / SR, start_smp=0, end_smp=len(samples),
        pitch_hz=pitch_hz, strength=0.95, pitched_share=1.0, level_db=-15.0, begins=begins,
    )  # fmt: skip
    return NoteSpan(note=note, sr=SR, samples=samples, prior_hz=prior_hz, swells=swells)


def line_of(sounds_s: float, whole_s: float, *, swells: bool) -> NoteLine:
    """A string that decays and is stopped, after which a weak ring goes on to the note's end."""
    t = moments(whole_s, SR)
    rng = np.random.default_rng(2)
    stopped = np.where(t < sounds_s, 1.0, np.exp(-(t - sounds_s) / 0.012)) + 0.02
    samples = stopped * tone(steady(F1_HZ, whole_s, SR), SR, rng, decay_s=0.8)
    samples = with_floor(samples, -70.0, rng)
    span = span_of(samples, np.full(len(t), F1_HZ), F1_HZ, "attack", swells=swells)
    return note_line(span, NOT_STIFF)


@pytest.mark.parametrize("sounds_s", [0.4, 0.7])
def test_a_stopped_string_is_judged_up_to_there(sounds_s: float) -> None:
    """A note whose end is 150 ms late: the sustain still ends at 85 % of what sounded."""
    line = line_of(sounds_s, sounds_s + 0.15, swells=False)
    assert line.length_s == pytest.approx(sounds_s, abs=0.02)
    assert line.sustain_last_s == pytest.approx(0.85 * line.length_s)


def test_a_string_let_ring_and_what_is_driven_keep_their_length() -> None:
    """Without a stop, or where the segmenter looks for releases, the note's end is its end."""
    assert line_of(1.0, 0.6, swells=False).length_s == pytest.approx(0.6)
    assert line_of(0.4, 0.55, swells=True).length_s == pytest.approx(0.55)


def test_the_windows_of_a_long_note() -> None:
    """At 110 Hz: from 10 ms, 60 ms long; the sustain from 150 ms to 85 %."""
    line = line_of(2.0, 1.0, swells=False)
    assert (line.onset_first_s, line.onset_length_s) == pytest.approx((0.010, 0.060))
    assert (line.sustain_first_s, line.sustain_last_s) == pytest.approx((0.150, 0.850))


@pytest.mark.parametrize("way", ["scoop", "fall"])
def test_a_long_way_to_or_from_a_note_is_not_in_its_sustain(way: str) -> None:
    """A third in 0.3 s, evenly: the sustain begins, or ends, where the pitch stays."""
    moved = np.concatenate([np.linspace(-400.0, 0.0, round(0.3 * SR)), np.zeros(round(0.6 * SR))])
    cents = moved if way == "scoop" else moved[::-1]
    hz = bent(F1_HZ, cents)
    samples = with_floor(tone(hz, SR, np.random.default_rng(3)), -70.0, np.random.default_rng(4))
    line = note_line(span_of(samples, hz, F1_HZ, "soft", swells=True), NOT_STIFF)
    ends = (0.3, 0.765) if way == "scoop" else (0.15, 0.6)
    assert (line.sustain_first_s, line.sustain_last_s) == pytest.approx(ends, abs=0.04)
    assert np.abs(line.cents[line.in_sustain]).max() < 10.0


def test_a_stiff_string_is_followed_along_its_own_pitch() -> None:
    """Its period sags by 40 cents, its pitch does not: an even line, within 0.003 cents."""
    t, f1_hz, b = moments(1.0, SR), 82.4, 1e-3
    rng = np.random.default_rng(4)
    samples = tone(steady(f1_hz, 1.0, SR), SR, rng, b=b, decay_s=0.5, decay_tilt=0.25)
    sagging_hz = f1_hz * 2 ** (40.0 * np.exp(-t / 0.4) / 1200)
    span = span_of(with_snr(samples, 60.0, rng), sagging_hz, f1_hz, "attack", swells=False)
    line = note_line(span, Stiffness(b=b, b_sd=None, known_sd=1e-8))
    assert line.even is not None
    assert cents_between(line.even.f1_hz, f1_hz) == pytest.approx(0.0, abs=0.003)


def test_a_sustain_tells_how_far_off_a_guessed_stiffness_is() -> None:
    """A note whose partials are whole multiples, to the sixteenth, is no string of 2e-4."""
    t, f1_hz = moments(1.0, SR), 41.2
    rng = np.random.default_rng(5)
    samples = tone(steady(f1_hz, 1.0, SR), SR, rng, decay_s=0.8)
    samples, level_hz = with_snr(samples, 40.0, rng), np.full(len(t), f1_hz)
    span = span_of(samples, level_hz, f1_hz, "attack", swells=False)
    line = note_line(span, Stiffness(b=0.0, b_sd=None, known_sd=2e-4))
    assert line.b_doubt < 1e-5


STEM_SR = 44_100
# A string picked at 0.14 of its length over a pickup at 0.12 (Fletcher and Rossing, "The physics of
# musical instruments", 2.8 and 9.6).
NUMBERS = np.arange(1, 25)
AMPLITUDES = np.abs(np.sin(0.14 * np.pi * NUMBERS) * np.sin(0.12 * np.pi * NUMBERS)) / NUMBERS


def clipped(f1_hz: float, b: float, seed: int) -> Floats:
    """A stiff string into an amplifier that squares its loudest by half and more."""
    rng = np.random.default_rng(seed)
    line = steady(f1_hz, 1.0, STEM_SR)
    string = tone(line, STEM_SR, rng, b=b, amplitudes=list(AMPLITUDES), decay_s=0.9)
    driven = faded(np.tanh(15.0 * string / np.abs(string).max()), STEM_SR)
    return with_floor(laid_out([(0.2, driven)], 1.6, STEM_SR), -75.0, rng)


@pytest.mark.parametrize(
    ("f1_hz", "b", "seed"),
    [(123.0, 4e-4, 1), (165.0, 2.5e-4, 0), (207.6, 2.5e-4, 1), (207.6, 2.5e-4, 2)],
)
def test_a_clipped_string_is_not_read_sharp(f1_hz: float, b: float, seed: int) -> None:
    """Most of its partials are the amplifier's, and agree on 4 to 7 cents more than the first."""
    [(_, measured)] = measured_notes(stem_of(clipped(f1_hz, b, seed), STEM_SR, "fretted"))
    assert measured.sustain_hz is not None
    assert measured.uncertainty_cents is not None
    off = abs(cents_between(measured.sustain_hz, f1_hz))
    assert off < 1.0
    assert off < measured.uncertainty_cents


def test_a_stiffness_that_the_loud_ones_deny_is_doubt() -> None:
    """Where B was told from all partials, nothing is moved; two doubts cover the error."""
    [(_, measured)] = measured_notes(stem_of(clipped(98.0, 1.7e-4, 4), STEM_SR, "fretted"))
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
