"""The windows of a note lie where the trade has them, and end where its string is stopped."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from tones.exact import bent, cents_between, moments, steady, tone, with_floor, with_snr

from planner.measure.note_line import NoteLine, note_line
from planner.measure.note_span import NoteSpan
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
