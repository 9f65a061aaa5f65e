"""What the review page plays: stretches of stems, their gain, and a note's curves as tones.

Pure. `planner.edges.writing` reads the samples; the page itself makes the tones, so that the plan
is heard beside a recording that nobody touched.

Conventions
-----------
- An excerpt is a short copy for listening, inside the page alone: one channel, 16 bit, one gain
  for all of it, soft edges. Nothing else is done to it.
- Curves are tenths of a cent off the target, evenly spaced, so that a plain oscillator plays them.
"""

import io
import math
import wave
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import soxr

from planner.model import AudioFacts, Floats
from planner.review.page_lines import Line
from planner.words.plan_model import Judged
from planner.write.note_curves import heard_curve, planned_add_cents

# Chosen: the ear needs a little of the music before a note to judge it.
LEAD_IN_S, LEAD_OUT_S = 1.0, 0.5
# 11 kHz of band is more than the partials that pitch is heard by (the ear's own limit for them is
# about 4 to 5 kHz: Moore, An Introduction to the Psychology of Hearing, ch. 6, from memory), at
# half the size of 44.1 kHz. WAV, because it needs no codec, and its bytes are ours to write.
PLAYED_SR = 22050
EDGE_S = 0.02  # chosen: as soft as the tones' start, and no click
NOTE_RMS = 0.1  # chosen: -20 dBFS, which leaves room for attacks 17 dB higher
PEAK_MOST = 10 ** (-3 / 20)  # chosen: an excerpt and its tone together stay under full scale
GAIN_MOST = 100.0  # chosen: 40 dB; what is fainter is not helped by its noise
CURVE_STEP_S = 0.01  # a 7 Hz vibrato of 50 cents keeps its crest within 1.2 cents: 50 (1 - cos)
HEADER_BYTES = 44


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of one stem to be heard, and where in it the note lies."""

    row_id: str
    stem: str
    start_s: float  # of the stem's own file
    end_s: float
    note_start_s: float  # also of the file; the note may go on behind the excerpt
    note_end_s: float
    whole: bool  # False where the note is longer than what is played of it
    mixed: bool = False  # heard in the rough mix as well

    @property
    def page_bytes(self) -> int:
        """Size on the page: 16 bits a sample, four characters for three bytes (RFC 4648)."""
        size = HEADER_BYTES + 2 * math.ceil((self.end_s - self.start_s) * PLAYED_SR)
        return 4 * math.ceil(size / 3) * (2 if self.mixed else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Excerpt:
    """A stretch as the page holds it."""

    span: Span
    wav: bytes
    note_rms: float  # of the note as played, full scale 1; the tones' level follows it
    mix: bytes = b""  # the same stretch of the rough mix, as loud


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """A note's measured and planned pitch as the page plays them."""

    step_s: float
    measured: tuple[int, ...]  # tenths of a cent off the target
    planned: tuple[int, ...]  # empty where nothing is planned


def spans_to_play(
    lines: Sequence[Line], *, most_s: float, at_most: int, mixed: bool = False
) -> tuple[Span, ...]:
    """Choose what is heard of each line: a second before its note, then the note up to ``most_s``.

    Of a longer note the beginning is heard, or the end where the end is what is moved. At most
    ``at_most`` questions are heard; offenders all are.
    """
    spans = []
    questions = 0
    for line in lines:
        if line.note is None:
            continue
        if line.offender is None:
            questions += 1
            if questions > at_most:
                break
        note = line.note.measured.note
        start_s, end_s = note.start_s, note.end_s
        if line.note.action == "hold-end":
            start_s = max(start_s, end_s - most_s)
        stop_s = min(end_s, start_s + most_s)
        spans.append(
            Span(
                row_id=line.row.id,
                stem=note.stem,
                start_s=max(0.0, start_s - LEAD_IN_S),
                end_s=stop_s + LEAD_OUT_S,
                note_start_s=start_s,
                note_end_s=stop_s,
                whole=start_s == note.start_s and stop_s == end_s,
                mixed=mixed,
            )
        )
    return tuple(spans)


def within(spans: Sequence[Span], most_bytes: float) -> tuple[Span, ...]:
    """Keep what fits on the page, first things first."""
    kept: list[Span] = []
    size = 0
    for span in spans:
        size += span.page_bytes
        if size > most_bytes:
            break
        kept.append(span)
    return tuple(kept)


def excerpt(span: Span, samples: Floats, facts: AudioFacts) -> Excerpt:
    """Make an excerpt of what was read for a span: gain and soft edges, nothing else.

    samples : (n, channels) from the span's start at the file's own rate; fewer where the file ends
    facts : says which side of the file was measured, and its rate
    """
    one = _side(samples, facts).astype(np.float64)
    played = soxr.resample(one, facts.sr, PLAYED_SR, quality="VHQ") if len(one) else one
    low, high = (
        round((at_s - span.start_s) * PLAYED_SR) for at_s in (span.note_start_s, span.note_end_s)
    )
    note = played[low:high]
    rms = float(np.sqrt(np.mean(note**2))) if len(note) else 0.0
    peak = float(np.abs(played).max(initial=0.0))
    gain = min(NOTE_RMS / rms if rms else 1.0, GAIN_MOST)
    gain = min(gain, PEAK_MOST / peak) if peak else gain
    played = played * gain * _edges(len(played))
    whole = np.round(np.clip(played, -1.0, 1.0) * 32767.0).astype("<i2")
    return Excerpt(span=span, wav=_wav(whole.tobytes()), note_rms=rms * gain)


def curves(judged: Judged, from_s: float, to_s: float) -> Curves | None:
    """Give a note's measured and planned pitch between two moments, evenly spaced.

    Moments of unknown pitch are bridged in a straight line, so that the tone does not break off.
    None where the pitch is not known at two moments at least.
    """
    heard = heard_curve(judged)
    if heard is None:
        return None
    times_s, hz = heard
    inside = np.isfinite(hz) & (times_s >= from_s) & (times_s <= to_s)
    times = times_s[inside]
    if len(times) < 2:
        return None
    off = 1200.0 * np.log2(hz[inside] / judged.target.target_hz)
    at_s = np.arange(times[0], times[-1], CURVE_STEP_S)
    if len(at_s) < 2:
        return None
    measured = np.interp(at_s, times, off)
    added = planned_add_cents(judged, at_s)
    return Curves(
        step_s=CURVE_STEP_S,
        measured=_tenths(measured),
        planned=_tenths(measured + added) if np.any(added) else (),
    )


def _tenths(off_cents: Floats) -> tuple[int, ...]:
    return tuple(round(value) for value in (10.0 * off_cents).tolist())


def _side(samples: Floats, facts: AudioFacts) -> Floats:
    if samples.ndim == 1 or samples.shape[1] == 1:
        return samples.reshape(-1)
    if facts.measured_side == "mid":
        return np.asarray(samples.mean(axis=1))
    return np.asarray(samples[:, 1 if facts.measured_side == "right" else 0])


def _edges(length: int) -> Floats:
    """Raised cosines over both edges, 1 between."""
    edge = min(round(EDGE_S * PLAYED_SR), length // 2)
    shape = np.ones(length)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / max(edge, 1))
    shape[:edge] = rise
    shape[length - edge :] = rise[::-1]
    return shape


def _wav(data: bytes) -> bytes:
    """Put 16-bit samples of one channel into a WAV file."""
    whole = io.BytesIO()
    with wave.Wave_write(whole) as file:
        file.setparams((1, 2, PLAYED_SR, 0, "NONE", ""))
        file.writeframes(data)
    return whole.getvalue()
