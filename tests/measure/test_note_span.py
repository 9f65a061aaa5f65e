"""A note's samples at the rate it is measured at, and the prior pitch along them."""

import numpy as np
import pytest
from tones.exact import bent, faded, laid_out, moments, steady, stem_of, tone

from planner.measure.note_span import lower_rates, note_span, parabola_law, smooth_law
from planner.model import Note, PitchTrack
from planner.tracker import HOP_S, track

SR = 16_000


def note(pitch_hz: float, start_s: float, end_s: float) -> Note:
    return Note(
        stem="X",
        start_s=start_s,
        end_s=end_s,
        start_smp=round(start_s * SR),
        end_smp=round(end_s * SR),
        pitch_hz=pitch_hz,
        strength=0.95,
        pitched_share=1.0,
        level_db=-15.0,
        begins="attack",
    )


def drawn(f0_hz: list[float]) -> PitchTrack:
    """A track with a given pitch line; nothing else in it matters here."""
    filler = np.ones(len(f0_hz))
    return PitchTrack(
        hop_s=HOP_S, f0_hz=np.array(f0_hz), strength=filler, level_db=-filler, attack=filler
    )


def test_low_notes_are_measured_at_lower_rates() -> None:
    """A low note gets a quarter of the rate, a high one all of it, and ten partials fit always."""
    samples = 0.3 * tone(steady(55.0, 1.0, SR), SR, np.random.default_rng(1))
    rates = lower_rates(stem_of(samples, SR), (note(55.0, 0, 1), note(880.0, 0, 1)))
    assert max(rates) == SR
    pitch_track = track(stem_of(samples, SR))
    for f1_hz in (41.2, 110.0, 220.0, 440.0, 660.0):
        span = note_span("bowed", rates, pitch_track, note(f1_hz, 0.1, 0.9))
        assert span.sr in rates
        assert 10 * f1_hz < span.sr / 2
    assert note_span("bowed", rates, pitch_track, note(41.2, 0.1, 0.9)).sr == SR // 4
    assert note_span("bowed", rates, pitch_track, note(880.0, 0.1, 0.9)).sr == SR


def test_no_rate_is_made_that_no_note_needs() -> None:
    """A stem of high notes is not resampled."""
    stem = stem_of(np.zeros(SR), SR)
    assert list(lower_rates(stem, (note(1500.0, 0, 1),))) == [SR]
    assert list(lower_rates(stem, ())) == [SR]


def test_a_lower_rate_holds_the_same_sound() -> None:
    """At a quarter of the rate a tone has the same level and begins at the same time."""
    low = faded(tone(steady(55.0, 0.6, SR), SR, np.random.default_rng(2)), SR, rise_s=0.002)
    stem = stem_of(laid_out([(0.3, low)], 1.2, SR), SR)
    quarter = lower_rates(stem, (note(55.0, 0.3, 0.9),))[SR // 4][:]
    assert len(quarter) == len(stem.samples) // 4
    assert np.abs(quarter[: round(0.29 * SR / 4)]).max() < 1e-3
    held, short = stem.samples[6400:12800], quarter[1600:3200]
    assert np.sqrt(np.mean(short**2)) == pytest.approx(np.sqrt(np.mean(held**2)), rel=0.05)


def test_the_span_is_the_note_and_its_prior_runs_along_it() -> None:
    """Samples are cut at the note's own borders, and the prior follows the track between them."""
    t = moments(1.0, SR)
    line = bent(220.0, 150 * t)
    stem = stem_of(
        laid_out([(0.2, faded(tone(line, SR, np.random.default_rng(3)), SR))], 1.4, SR), SR
    )
    span = note_span("bowed", {SR: stem.samples}, track(stem), note(230.0, 0.3, 1.1))
    assert span.samples == pytest.approx(stem.samples[round(0.3 * SR) : round(1.1 * SR)])
    assert len(span.prior_hz) == len(span.samples)
    assert 1200 * np.log2(span.prior_hz / line[1600:14_400]) == pytest.approx(0.0, abs=5.0)


def test_frames_of_other_notes_do_not_pull_the_prior() -> None:
    """Frames an octave off, or with no pitch, are bridged by those that are the note's."""
    f0 = [220.0] * 100
    f0[20:24] = [73.3] * 4
    f0[50:60] = [float("nan")] * 10
    span = note_span("bowed", {SR: np.zeros(8000)}, drawn(f0), note(220.0, 0.0, 0.49))
    assert 1200 * np.log2(span.prior_hz / 220.0) == pytest.approx(0.0, abs=0.01)


def test_without_any_frame_the_prior_is_the_coarse_pitch() -> None:
    """A note whose frames are all unpitched is looked for at its coarse pitch."""
    span = note_span(
        "bowed", {SR: np.zeros(8000)}, drawn([float("nan")] * 100), note(220.0, 0, 0.4)
    )
    assert span.prior_hz == pytest.approx(220.0)


def test_bow_breath_and_voice_swell() -> None:
    """Driven roles begin softly; plucked and struck ones are loudest at their start."""
    spans = {
        role: note_span(
            role, {SR: np.zeros(8000)}, drawn([220.0] * 100), note(220.0, 0, 0.4)
        ).swells
        for role in ("bowed", "lead-voice", "brass", "fretted", "bass-fretless", "drum-tones")
    }
    assert [role for role, swells in spans.items() if swells] == ["bowed", "lead-voice", "brass"]


def test_a_law_is_a_straight_line_in_cents() -> None:
    """Flutter goes, the glide stays: a line through the cents, by least squares."""
    t = np.linspace(-1, 1, 801)
    flutter = 10 * np.sin(40 * t)
    law = smooth_law(330.0 * 2 ** ((30 * t + flutter) / 1200))
    cents = 1200 * np.log2(law / 330.0)
    assert np.abs(np.diff(cents, 2)).max() < 1e-9
    assert np.polyfit(t, cents, 1) == pytest.approx(np.polyfit(t, 30 * t + flutter, 1), abs=1e-6)


def test_a_parabola_follows_what_is_known() -> None:
    """A moment known a hundred times worse, an octave off, moves a parabola by a cent at most."""
    t_s = np.linspace(0.0, 0.1, 20)
    true_hz = 330.0 * 2 ** ((40 * t_s - 300 * t_s**2) / 1200)
    read_hz, sd_cents = true_hz.copy(), np.full(20, 2.0)
    read_hz[0] *= 2.0
    sd_cents[0] = 200.0
    cents = 1200 * np.log2(parabola_law(t_s, read_hz, t_s, sd_cents) / true_hz)
    assert np.abs(cents).max() < 1.0
    assert np.abs(1200 * np.log2(parabola_law(t_s, read_hz, t_s) / true_hz)).max() > 100.0


@pytest.mark.parametrize("late_smp", [0, 1, 5, 7])
def test_the_first_sample_says_how_late_it_is(late_smp: int) -> None:
    """A note that begins between two samples of a lower rate: its first lies half of one away."""
    rates = {SR: np.zeros(SR), SR // 4: np.arange(SR // 4, dtype=float)}
    begun = note(110.0, 0.1 + late_smp / SR, 0.9)
    span = note_span("bowed", rates, drawn([110.0] * 200), begun)
    assert span.sr == SR // 4
    assert abs(span.late_s) <= 0.5 / span.sr
    assert (begun.start_s + span.late_s) * span.sr == pytest.approx(span.samples[0], abs=1e-6)
