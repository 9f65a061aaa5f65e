"""What is the pitch of a note at its onset, before it has settled?

The window starts max(10 ms, one period) after the note, lasts max(60 ms, five periods), at most
35 % of the note, and is measured without a look outside it. What the note before rings on in it
turns each partial another way, so how far they lie apart says how far the onset may be off; where
that is too far, or where the note before is all that is heard, the onset is left blank.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.contour import Contour
from planner.harmonics import fit_partials
from planner.model import Floats, Note
from planner.note_span import NoteSpan, smooth_law
from planner.stiffness import Stiffness
from planner.vibrato import Vibrato

_ONSET_LAW_AFTER_S = 0.03
_EXPECTED_FRAMES = 3  # of a contour, to tell where partials are to be looked for
LOW_NOTE_HZ = 110.0  # below A2 the ear follows partials 2 to 6 (common practice, no source)
_TOUCHES_S = 0.02  # a gap between notes shorter than this is none
_SAME_PITCH_SEMITONES = 1.2  # a scoop's size and a half; nearer, a note is the same one again
_VIBRATO_LEFT = 0.03
_COARSE_SEMITONES = 0.5  # the track is nearer than this to what it follows
_LEAST_KNOWN_CENTS = 25.0  # common practice, no source: a figure known worse helps nobody
_MOST_SLIDE_CENTS = 100.0  # Chosen: over a semitone it is the slide, and no note
_RINGS_S = 0.4  # longer after its end a note is 20 dB down in most rooms: RT60 of 1.2 s
_AT_THE_NOTE_BEFORE = 0.25  # of the way from its pitch to this one's; a slide's middle is half way
_RINGING = "previous note still ringing, onset not measured"
_ON_ITS_WAY = "the pitch is still on its way from the note before, onset not measured"
_NOTE_BEFORE_SEMITONES = 0.7  # nearer, it is another note of the same pitch, or a scoop's size


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weights:
    """How well the start of a note is known, and how much each cause of doubt weighs."""

    start_s: float  # on a gliding start this is cents
    fit: float  # of what the fit itself says, which takes what it leaves for white noise
    apart: float  # of how far whole partials lie apart
    floor_cents: float  # what no term explains


# Most likely ones for errors of Student's t with six degrees, on 7342 onsets of random sessions,
# dry and in rooms; checked on others (`tests/bench/calibration.py`, `tests/bench/rooms.py`). A
# stroke says itself when it was; plans tell tenths of a cent, so half of one is the least. A start
# after a pause is seen; so is a new bow or breath on another pitch. A slide has no one moment, nor
# has a consonant on a slide. Where one pitch is begun again its start lies up to 25 ms before the
# dip between the two, and a scoop there is missed.
_STRUCK = _Weights(start_s=0.0012, fit=1.3, apart=1.25, floor_cents=0.05)
_DRIVEN = _Weights(start_s=0.005, fit=1.5, apart=0.9, floor_cents=0.25)
_SLIDE = _Weights(start_s=0.010, fit=1.2, apart=1.2, floor_cents=0.2)
_SAME_PITCH_AGAIN = _Weights(start_s=0.013, fit=1.5, apart=1.1, floor_cents=0.65)


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """The pitch of a note's first partial at its onset."""

    hz: float
    sd_cents: float  # one standard deviation
    partials_sd_cents: float  # the part of it that comes of noise and of partials that disagree
    slide_cents: float  # how far the pitch moves while it lasts


def measure_onset(
    span: NoteSpan,
    prior: Floats,
    stiffness: Stiffness,
    contour: Contour | None,
    first_s: float,
    length_s: float,
    previous: Note | None,
) -> Onset | None:
    """Measure one note's onset; None where the window holds no steady partials.

    Parameters
    ----------
    span : the note's samples
    prior, stiffness : coarse pitch of f0 along the samples, Hz, and how stiff the string is
    contour : the note's line, which a swelling start is extrapolated along
    first_s, length_s : the window, from the note's start
    previous : the note before in the same stem, None before the first
    """
    sr, b = span.sr, stiffness.b
    window = slice(round(first_s * sr), round((first_s + length_s) * sr))
    samples = span.samples[window]
    if len(samples) == 0:
        return None
    law = _onset_law(contour, b, sr, window, len(samples)) if span.swells else None
    if law is None:
        law = smooth_law(prior[window])
    expected_hz = _expected_hz(contour, b, first_s, length_s)
    coarse_hz = float(np.exp(np.log(prior[window]).mean()))
    if expected_hz and abs(12.0 * np.log2(expected_hz / coarse_hz)) > _COARSE_SEMITONES:
        expected_hz = None  # a thump under the string, which carries a contour's phase along
    fit = fit_partials(
        samples,
        sr,
        expected_hz or float(np.exp(np.log(law).mean())),
        b=b,
        b_sd=stiffness.known_sd,
        pitch_law=law,
        followed=expected_hz is not None,
    )
    if fit is None:
        return None
    glide = 1200 * np.log2(law[-1] / law[0]) / length_s  # cents per second
    weights = _weights(span, previous)
    fit_sd = float(np.hypot(weights.fit * fit.sd_cents, weights.apart * fit.apart_sd_cents))
    sd_cents = float(np.hypot(np.hypot(fit_sd, glide * weights.start_s), weights.floor_cents))
    return Onset(
        hz=fit.f1_hz,
        sd_cents=sd_cents,
        partials_sd_cents=fit_sd,
        slide_cents=abs(glide) * length_s,
    )


def _weights(span: NoteSpan, previous: Note | None) -> _Weights:
    note = span.note
    if not span.swells:
        return _STRUCK
    if note.begins == "legato":
        return _SLIDE
    if previous is None or note.start_s - previous.end_s > _TOUCHES_S:
        return _DRIVEN
    if abs(12.0 * np.log2(note.pitch_hz / previous.pitch_hz)) < _SAME_PITCH_SEMITONES:
        return _SAME_PITCH_AGAIN
    return _SLIDE if note.begins == "attack" else _DRIVEN


def why_blank(onset: Onset, note: Note, previous: Note | None) -> str:
    """Say why an onset is better left blank, or nothing where it is a figure to work with.

    ``previous`` is the note before in the same stem, None before the first.
    """
    rings = previous is not None and note.start_s - previous.end_s < _RINGS_S
    if previous is not None and rings:
        step = 12.0 * np.log2(note.pitch_hz / previous.pitch_hz)
        way = 12.0 * np.log2(onset.hz / previous.pitch_hz)
        if abs(step) > _NOTE_BEFORE_SEMITONES and abs(way) < _AT_THE_NOTE_BEFORE * abs(step):
            return _ON_ITS_WAY if note.begins == "legato" else _RINGING
    if onset.slide_cents > _MOST_SLIDE_CENTS:
        return f"the pitch slides by {onset.slide_cents:.0f} cents through the onset, not measured"
    if onset.sd_cents <= _LEAST_KNOWN_CENTS:
        return ""
    if onset.partials_sd_cents**2 < onset.sd_cents**2 / 2:
        return (
            f"the pitch slides through the onset, which says it to {onset.sd_cents:.0f} cents only"
        )
    if rings:
        return _RINGING
    return f"the partials of the onset agree to {onset.sd_cents:.0f} cents only"


def _expected_hz(
    contour: Contour | None, b: float, first_s: float, length_s: float
) -> float | None:
    """The f0 that the contour has in the onset window; None where it has none there."""
    if contour is None:
        return None
    within = (contour.t_s >= first_s) & (contour.t_s <= first_s + length_s)
    if within.sum() < _EXPECTED_FRAMES:
        return None
    return float(np.exp(np.log(contour.f1_hz[within]).mean()) / np.sqrt(1.0 + b))


def _onset_law(
    contour: Contour | None, b: float, sr: int, window: slice, count: int
) -> Floats | None:
    """Pitch along the onset window: a parabola in cents through the contour there and just after.

    Without it a swelling attack would weigh the louder end of the window more.
    """
    if contour is None:
        return None
    last_s = window.stop / sr + _ONSET_LAW_AFTER_S
    early = contour.t_s <= last_s
    if early.sum() < 6:
        return None
    t_s, line = contour.t_s[early], np.log2(contour.f1_hz[early])
    middle = (window.start + window.stop) / (2 * sr)
    shape = np.polynomial.Polynomial.fit(t_s - middle, line, 2)
    at = (window.start + np.arange(count)) / sr - middle
    law: Floats = 2.0 ** shape(at) / np.sqrt(1.0 + b)
    return law


def onset_reason(note: Note, length_s: float, onset_s: float) -> str:
    cycles = onset_s * note.pitch_hz
    return (
        f"{length_s:.2f} s at {note.pitch_hz:.0f} Hz leaves {cycles:.0f} cycles for the onset, "
        "and no steady partials in them"
    )


def without_vibrato(
    onset_hz: float,
    onset_sd: float,
    vibrato: Vibrato,
    contour: Contour,
    cents: Floats,
    first_s: float,
    length_s: float,
) -> tuple[float, float]:
    """Take the vibrato out of an onset if the note is in vibrato from its first cycle on."""
    onset_sd = float(np.hypot(onset_sd, _VIBRATO_LEFT * vibrato.half_cents))
    early = contour.t_s < first_s + length_s + 1.0 / vibrato.rate_hz
    swing = vibrato.at(contour.t_s[early])
    line = cents[early]
    if early.sum() < 6:
        return onset_hz, onset_sd
    # How much of the extrapolated vibrato is really there: 1 in full vibrato, 0 before it sets in.
    columns = np.stack([np.ones_like(swing), contour.t_s[early], swing], axis=1)
    share = float(np.linalg.lstsq(columns, line, rcond=None)[0][2])
    if share < 0.5:
        return onset_hz, onset_sd
    window = np.linspace(first_s, first_s + length_s, 25)
    added = min(share, 1.0) * float(np.mean(vibrato.at(window)))
    return onset_hz * 2 ** (-added / 1200), onset_sd
