"""What the review page plays: the right stretch, true to the stem but for gain and soft edges."""

import io
from dataclasses import replace

import librosa
import numpy as np
import pytest
import soundfile
from invented_plan import FACTS, judged, plan

from planner.model import Measurement
from planner.review.page_lines import Line, page_lines
from planner.review.page_sound import (
    EDGE_S,
    GAIN_MOST,
    NOTE_RMS,
    PEAK_MOST,
    PLAYED_SR,
    Span,
    curves,
    excerpt,
    spans_to_play,
    within,
)

SPAN = Span(
    row_id="LV-0147", stem="LV", start_s=9.0, end_s=12.0, note_start_s=10.0, note_end_s=11.5,
    whole=True,
)  # fmt: skip


def line(**changes: object) -> Line:
    """The invented offender with its note changed."""
    first = page_lines(plan())[0]
    return replace(first, note=judged(start_s=10.0, **changes))


def heard(wav: bytes) -> np.ndarray:
    """Decode an excerpt with a library that is not ours."""
    samples, rate = soundfile.read(io.BytesIO(wav), dtype="float64")
    assert rate == PLAYED_SR
    return np.asarray(samples)


def sine(hz: float, seconds: float = 3.0, level: float = 0.25, sr: int = 48000) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(round(seconds * sr)) / sr)[:, None]


def test_a_second_of_music_leads_in() -> None:
    """An excerpt begins 1 s before its note and ends half a second after it."""
    (span,) = spans_to_play([line()], most_s=4.0, at_most=12)
    assert (span.start_s, span.note_start_s, span.note_end_s, span.end_s) == (9.0, 10.0, 11.4, 11.9)
    assert span.whole


def test_a_note_at_the_very_start_has_less_lead_in() -> None:
    """No excerpt begins before its file does."""
    early = replace(page_lines(plan())[0], note=judged(start_s=0.3))
    (span,) = spans_to_play([early], most_s=4.0, at_most=12)
    assert span.start_s == 0.0
    assert span.note_start_s == 0.3


@pytest.mark.parametrize(
    ("action", "expected"), [("raise-lower", (10.0, 10.5)), ("hold-end", (10.9, 11.4))]
)
def test_of_a_long_note_the_part_in_question_is_heard(
    action: str, expected: tuple[float, float]
) -> None:
    """The beginning, or the end where the end is what is moved; the page says it is a part."""
    (span,) = spans_to_play([line(action=action)], most_s=0.5, at_most=12)
    assert (span.note_start_s, span.note_end_s) == expected
    assert not span.whole


def test_so_many_questions_are_heard_and_no_more() -> None:
    """Questions have a limit; offenders have theirs already."""
    asked = [replace(line(), offender=None)] * 3
    assert len(spans_to_play([line(), *asked], most_s=4.0, at_most=2)) == 3


def test_what_does_not_fit_is_left_out_from_the_end() -> None:
    """Sizes count in base64: 3 s of 16 bits at 22.05 kHz are 176 460 characters."""
    assert SPAN.page_bytes == 176_460
    assert within([SPAN, SPAN, SPAN], 2 * 176_460) == (SPAN, SPAN)
    assert within([SPAN], 176_459) == ()


def test_excerpt_keeps_the_pitch_and_gets_one_gain() -> None:
    """A sine comes back at the same pitch, at the agreed level, unchanged in the middle."""
    found = heard(excerpt(SPAN, sine(220.0), FACTS).wav)
    times = np.arange(len(found)) / PLAYED_SR
    middle = slice(PLAYED_SR // 2, 2 * PLAYED_SR)
    expected = NOTE_RMS * np.sqrt(2) * np.sin(2 * np.pi * 220.0 * times)
    # 16 bits: half a step is 1.5e-5; the rest is the resampler's.
    assert np.abs(found - expected)[middle].max() < 1e-4
    assert len(found) == 3 * PLAYED_SR


def test_loud_attacks_are_limited_by_gain_alone() -> None:
    """One loud click lowers the whole excerpt, and no sample is clipped."""
    samples = sine(220.0, level=0.01)
    samples[24000] = 0.9
    one = excerpt(SPAN, samples, FACTS)
    found = heard(one.wav)
    assert np.abs(found).max() == pytest.approx(PEAK_MOST, rel=0.01)
    assert one.note_rms < NOTE_RMS
    level = np.sqrt(np.mean(found[PLAYED_SR : round(2.5 * PLAYED_SR)] ** 2))
    assert level == pytest.approx(one.note_rms, rel=0.01)


def test_silence_stays_silence() -> None:
    """Faint noise is not blown up beyond 40 dB, and nothing is divided by zero."""
    assert np.abs(heard(excerpt(SPAN, np.zeros((144000, 1)), FACTS).wav)).max() == 0
    faint = excerpt(SPAN, sine(220.0, level=1e-5), FACTS)
    assert faint.note_rms == pytest.approx(GAIN_MOST * 1e-5 / np.sqrt(2), rel=0.01)
    assert len(excerpt(SPAN, np.zeros((0, 1)), FACTS).wav) == 44


def test_edges_are_soft() -> None:
    """An excerpt that begins and ends inside a loud sound does so without a click."""
    found = np.abs(heard(excerpt(SPAN, np.full((144000, 1), 0.5), FACTS).wav))
    edge = round(EDGE_S * PLAYED_SR)
    assert found[0] < 1e-3
    assert found[-1] < 1e-3
    assert found[edge // 2] == pytest.approx(NOTE_RMS / 2, rel=0.02)
    assert np.all(np.diff(found[5 : edge - 5]) >= -(2.0**-15))  # rises, but for one step of 16 bits


@pytest.mark.parametrize(
    ("side", "hz"), [("left", 220.0), ("right", 330.0), ("mid", 220.0)]
)  # fmt: skip
def test_the_side_that_was_measured_is_heard(side: str, hz: float) -> None:
    """Of two channels the measured one is heard, or their middle."""
    both = np.concatenate([sine(220.0), sine(330.0, level=0.05)], axis=1)
    facts = replace(FACTS, channels=2, measured_side=side)
    found = heard(excerpt(SPAN, both, facts).wav)
    spectrum = np.abs(np.fft.rfft(found * np.hanning(len(found))))
    assert np.argmax(spectrum) * PLAYED_SR / len(found) == pytest.approx(hz, abs=0.5)


def test_other_rates_come_to_the_same_pitch() -> None:
    """A stem at 44.1 kHz is played as high as it is; librosa's YIN says so."""
    facts = replace(FACTS, sr=44100)
    found = heard(excerpt(SPAN, sine(440.0, sr=44100), facts).wav)
    f0 = librosa.yin(found[PLAYED_SR : 2 * PLAYED_SR], fmin=200, fmax=900, sr=PLAYED_SR)
    assert 1200 * np.log2(np.median(f0) / 440.0) == pytest.approx(0.0, abs=2.0)  # YIN's own error


def test_curves_are_measured_and_planned_in_tenths() -> None:
    """The measured curve holds the trace, the planned one the edit on top; gaps are bridged."""
    found = curves(judged(start_s=10.0), 10.0, 11.4)
    assert found is not None
    assert found.measured[0] == -600
    assert found.measured[round(0.51 / found.step_s)] == pytest.approx(-205, abs=2)  # was unknown
    assert {b - a for a, b in zip(found.measured, found.planned, strict=True)} <= {159, 160, 161}
    assert (len(found.measured) - 1) * found.step_s == pytest.approx(1.4, abs=found.step_s)


def test_curves_keep_to_what_is_heard() -> None:
    """Of a long note the curve of the heard part is played."""
    found = curves(judged(start_s=10.0), 10.7, 11.4)
    assert found is not None
    assert found.measured[0] == pytest.approx(-220, abs=30)
    assert len(found.measured) * found.step_s < 0.72


def test_nothing_planned_gives_no_planned_curve() -> None:
    """Where nothing moves there is one curve only."""
    found = curves(judged(start_s=10.0, action="ask", add_cents=None), 10.0, 11.4)
    assert found is not None
    assert found.planned == ()


@pytest.mark.parametrize(
    "found",
    [
        Measurement(sustain_hz=580.0),
        Measurement(contour_s=np.arange(3.0) + 10, contour_hz=np.full(3, np.nan)),
        Measurement(contour_s=np.array([10.0, 10.005]), contour_hz=np.full(2, 580.0)),
    ],
)
def test_without_a_trace_there_is_no_curve(found: Measurement) -> None:
    """What was not followed cannot be played."""
    assert curves(judged(start_s=10.0, measurement=found), 10.0, 11.4) is None


def test_a_line_without_a_note_is_not_heard() -> None:
    """Nothing is played for a row whose note is unknown."""
    assert spans_to_play([replace(line(), note=None)], most_s=4.0, at_most=12) == ()
