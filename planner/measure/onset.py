"""What is the pitch of a note at its onset, before it has settled?

The window starts max(10 ms, one period) after the note, lasts max(60 ms, five periods), at most
35 % of the note, and is measured without a look outside it. What the note before rings on in it
turns each partial another way, so how far they lie apart says how far the onset may be off; where
that is too far, or where the note before is all that is heard, the onset is left blank.
"""

from dataclasses import dataclass, replace

import numpy as np

from planner.harmonics import fit_partials
from planner.measure.contour import Contour
from planner.measure.note_span import NoteSpan, parabola_law, smooth_law
from planner.measure.partial_series import LN_CENTS
from planner.measure.stiffness import Stiffness
from planner.measure.vibrato import Vibrato
from planner.model import LEAST_TOLD_CENTS, Floats, Note
from planner.words.spread import middle_of

_ONSET_LAW_AFTER_S = 0.03
_EXPECTED_FRAMES = 3  # of a contour, to tell where partials are to be looked for
LOW_NOTE_HZ = 110.0  # below A2 the ear follows partials 2 to 6 (common practice, no source)
_TOUCHES_S = 0.02  # a gap between notes shorter than this is none
_SAME_PITCH_SEMITONES = 1.2  # a scoop's size and a half; nearer, a note is the same one again
_LATER_S = 0.03  # as far as starts of one pitch begun again are off: 95 in 100 of them
# A string falls by less, struck ever so hard; where more is read, it is not yet that string.
_MOST_SAG_CENTS = 25.0  # from memory: loud low strings of a bass
_VIBRATO_LEFT = 0.03
_VIBRATO_FROM_THE_START = 0.5  # Chosen: half of it is nearer to all of it than to none
_EARLY_FRAMES = 6
# Chosen: partials that agree so well know the pitch alike. With 1, scoops of random sessions lost a
# tenth; with 3, onsets of recorded saxophones differed by twice as much once noise was added.
_LEAST_SCATTER_CENTS = 2.0
_LEAST_DOUBT_S = 0.0005  # Chosen: less moves a string that sags by 50 cents a second by 0.025
_WINDOW_POINTS = 24  # of a window of 60 ms: every 2.5
_MOST_DECAYS = 1.0  # Chosen: back by more than it takes to decay once, a scoop is a guess
_APART_UNKNOWN_CENTS = 1.0  # chosen: what one partial says alone, no other bears out
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
    """How much each cause of doubt about an onset weighs."""

    apart: float  # of how far whole partials lie apart
    unlike: float  # of how far two unlike estimators lie apart
    either: float  # of what it would read, were the note's start as far off either way as it may be
    later: float  # of what it would read, were the start so much later
    floor_cents: float  # what no term explains


# About the most likely ones for errors of Student's t with five degrees, seven in ten of which lie
# within the doubt, still and moving onsets of voices and bows each as one group: on 4500 onsets of
# the sessions that `planner.measure.sustain` names; checked on others
# (`tests/bench/calibration.py`, `tests/bench/rooms.py`). A stroke says itself when it was. A scoop
# after a pause falls away from its start, so what it would read later says most; where a pitch
# begins again a start may be 20 to 40 ms off to either side, and a slide begun early reads the note
# that it comes from.
_STRUCK = _Weights(apart=1.1, unlike=0.25, either=0.15, later=1.1, floor_cents=0.0)
_AFTER_A_PAUSE = _Weights(apart=1.1, unlike=0.5, either=0.0, later=1.8, floor_cents=0.3)
_AGAIN = _Weights(apart=1.1, unlike=0.2, either=0.9, later=0.7, floor_cents=0.0)
_ANOTHER = _Weights(apart=0.9, unlike=0.2, either=0.65, later=0.8, floor_cents=0.0)
_SLIDE = _Weights(apart=1.0, unlike=0.2, either=0.65, later=1.8, floor_cents=0.7)


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

    span : the note's samples
    prior, stiffness : coarse pitch of f0 along the samples, Hz, and how stiff the string is
    contour : the note's line, which a swelling start is extrapolated along
    first_s, length_s : the window, from the note's start
    previous : the note before in the same stem, None before the first
    """
    sr, b = span.sr, stiffness.b
    first, last = (round((at_s - span.late_s) * sr) for at_s in (first_s, first_s + length_s))
    window = slice(max(first, 0), last)
    samples = span.samples[window]
    if len(samples) == 0:
        return None
    moments_s = np.arange(window.start, window.start + len(samples)) / sr + span.late_s
    law = _onset_law(contour, b, moments_s) if span.swells else None
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
    slide_cents = 1200.0 * float(np.log2(law[-1] / law[0]))
    weights = _weights(span, previous)
    # One partial alone may lie off, and no other says so.
    apart = fit.apart_sd_cents if len(fit.numbers) > 1 else _APART_UNKNOWN_CENTS
    unlike = LN_CENTS * float(np.log(fit.f0_hz / expected_hz)) if expected_hz else apart
    fit_sd = float(np.hypot(weights.apart * apart, weights.unlike * unlike))
    at = (contour, first_s, length_s, slide_cents)
    start_sd_s = span.note.start_sd_s
    either_cents = 0.0
    if weights.either * start_sd_s > _LEAST_DOUBT_S:
        either_cents = _moved_cents(*at, start_sd_s)
    later_cents = _later_cents(*at)
    beyond = 0.0 if span.swells else max(later_cents - _MOST_SAG_CENTS, 0.0)
    place_sd = float(
        np.hypot(
            weights.either * either_cents,
            weights.later * later_cents * min(start_sd_s / _LATER_S, 1.0) + beyond,
        )
    )
    return Onset(
        hz=fit.f1_hz,
        sd_cents=float(
            np.sqrt(fit_sd**2 + place_sd**2 + weights.floor_cents**2 + LEAST_TOLD_CENTS**2)
        ),
        partials_sd_cents=fit_sd,
        slide_cents=abs(slide_cents),
    )


def _moved_cents(
    contour: Contour | None, first_s: float, length_s: float, slide_cents: float, by_s: float
) -> float:
    """How far the onset would read from what it reads, were the note's start so much off.

    Root mean square of earlier and later. Before the contour begins, a line that comes to rest has
    come from further off the further back, as a decay does; any other goes straight on.
    """
    if contour is None or len(contour.t_s) < _EARLY_FRAMES:
        return abs(slide_cents) * by_s / length_s
    t_s, line = contour.t_s, LN_CENTS * np.log(contour.f1_hz)
    begins = slice(0, _EARLY_FRAMES)
    away_s = t_s[begins] - t_s[begins].mean()
    slope = float(away_s @ line[begins]) / float(away_s @ away_s)
    rests = float(middle_of(line[len(line) // 2 :]))
    off = float(line[0]) - rests
    decays = slope * off < 0.0
    at_s = first_s + length_s * (np.arange(_WINDOW_POINTS) + 0.5) / _WINDOW_POINTS
    reads = []
    for moved_s in (at_s - by_s, at_s, at_s + by_s):
        early_s = np.minimum(moved_s - t_s[0], 0.0)
        if decays:
            further = off * (np.exp(np.minimum(early_s * slope / off, _MOST_DECAYS)) - 1.0)
        else:
            further = slope * early_s
        reads.append(float(np.mean(np.interp(moved_s, t_s, line) + further)))
    return float(np.hypot(reads[0] - reads[1], reads[2] - reads[1]) / np.sqrt(2.0))


def _later_cents(
    contour: Contour | None, first_s: float, length_s: float, slide_cents: float
) -> float:
    """How far the onset would read from what it reads, were the note's start a little later."""
    if contour is not None:
        line = 1200.0 * np.log2(contour.f1_hz)
        now = (contour.t_s >= first_s) & (contour.t_s <= first_s + length_s)
        last_s = first_s + length_s + _LATER_S
        then = (contour.t_s >= first_s + _LATER_S) & (contour.t_s <= last_s)
        if now.any() and then.sum() >= now.sum() / 2:
            return abs(float(line[then].mean() - line[now].mean()))
    return abs(slide_cents) * _LATER_S / length_s


def _weights(span: NoteSpan, previous: Note | None) -> _Weights:
    note = span.note
    if not span.swells:
        return _STRUCK
    if note.begins == "legato":
        return _SLIDE
    if previous is None or note.start_s - previous.end_s > _TOUCHES_S:
        return _AFTER_A_PAUSE
    if abs(12.0 * np.log2(note.pitch_hz / previous.pitch_hz)) <= _SAME_PITCH_SEMITONES:
        return _AGAIN
    return _SLIDE if note.begins == "attack" else _ANOTHER


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


def _onset_law(contour: Contour | None, b: float, moments_s: Floats) -> Floats | None:
    """Pitch along the onset window: a parabola in cents through the contour there and just after.

    Without it a swelling attack would weigh the louder end of the window more. Before a soft start
    there may be nothing but noise: a moment counts as its partials agree.
    """
    if contour is None:
        return None
    early = contour.t_s <= moments_s[-1] + _ONSET_LAW_AFTER_S
    if early.sum() < 6:
        return None
    f0_hz = contour.f1_hz[early] / np.sqrt(1.0 + b)
    known = np.maximum(contour.sd_cents[early], _LEAST_SCATTER_CENTS)
    return parabola_law(contour.t_s[early], f0_hz, moments_s, known)


def onset_reason(note: Note, length_s: float, onset_s: float) -> str:
    cycles = onset_s * note.pitch_hz
    return (
        f"{length_s:.2f} s at {note.pitch_hz:.0f} Hz leaves {cycles:.0f} cycles for the onset, "
        "and no steady partials in them"
    )


def without_vibrato(
    onset: Onset, vibrato: Vibrato, contour: Contour, cents: Floats, window_s: tuple[float, float]
) -> Onset:
    """Take the vibrato out of an onset if the note is in vibrato from its first cycle on.

    What is taken out is as unsure as that early swing is unlike a vibrato: a scoop of its length
    looks like a part of one.

    window_s : where the onset begins, and how long it is
    """
    first_s, length_s = window_s
    sd_cents = float(np.hypot(onset.sd_cents, _VIBRATO_LEFT * vibrato.half_cents))
    onset = replace(onset, sd_cents=sd_cents)
    early = contour.t_s < first_s + length_s + 1.0 / vibrato.rate_hz
    if early.sum() < _EARLY_FRAMES:
        return onset
    line, quarter_s = cents[early], 0.25 / vibrato.rate_hz
    t_s = contour.t_s[early] - contour.t_s[early].mean()
    swing = np.stack([vibrato.at(contour.t_s[early] + late) for late in (0.0, quarter_s)], axis=1)
    straight = np.stack([np.ones_like(t_s), t_s], axis=1)
    columns = np.hstack([straight, swing])
    weights = np.linalg.lstsq(columns, line, rcond=None)[0]
    # How much of the extrapolated vibrato is really there: 1 in full vibrato, 0 before it sets in.
    if weights[2] < _VIBRATO_FROM_THE_START:
        return onset
    rest = line - columns @ weights
    swung = line - straight @ np.linalg.lstsq(straight, line, rcond=None)[0]
    unlike = np.sqrt(float(rest @ rest) / (float(swung @ swung) + 1e-12))
    window = np.linspace(first_s, first_s + length_s, 25)
    added = weights[2] * vibrato.at(window) + weights[3] * vibrato.at(window + quarter_s)
    taken = float(np.mean(added))
    return replace(
        onset,
        hz=onset.hz * 2 ** (-taken / 1200),
        sd_cents=float(np.hypot(sd_cents, unlike * taken)),
    )
