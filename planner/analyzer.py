"""How far does each note's pitch lie where: at its onset, in its sustain, at its end?

Windows (the trade's, see README): onset from max(10 ms, one period) after the start, lasting
max(60 ms, five periods) but at most 35 % of the note; sustain from max(150 ms, end of the onset)
to 85 % of the note, vibrato taken out (its centre, not the mean of the cycles that happen to fit);
end the last 15 % or 250 ms, whichever is shorter, of notes over 0.8 s.

The pitch is that of the first partial, in cents averaged in cents. Stiffness B is forced to 0 for
driven roles (bow, breath, voice), measured and pooled per pitch for struck and plucked ones. The
onset of a note that is already in vibrato is given with the vibrato taken out: 60 ms are a third
of a cycle, and where in the cycle a note begins says nothing about its tuning.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.contour import FOLLOW_HOP_S, Contour, follow_partials
from planner.harmonics import LN_CENTS, PartialFit, fit_partials, sd_of_mean
from planner.model import Confidence, Floats, Measurement, Note, PitchTrack, Stem
from planner.note_span import NoteSpan, lower_rates, note_span
from planner.onset import (
    LOW_NOTE_HZ,
    Onset,
    measure_onset,
    onset_reason,
    why_blank,
    without_vibrato,
)
from planner.stiffness import Stiffness, pooled_stiffness
from planner.vibrato import Vibrato, find_vibrato, usual_rate_hz

_ONSET_SKIP_S = 0.010
_ONSET_LENGTH_S = 0.060
_ONSET_PERIODS = 5.0
_ONSET_MOST_SHARE = 0.35
_SUSTAIN_AFTER_S = 0.150
_SUSTAIN_UNTIL_SHARE = 0.85
_SUSTAIN_LEAST_S = 0.040
_SUSTAIN_LEAST_PERIODS = 3.0
_END_SHARE = 0.15
_END_S = 0.250
_END_OF_NOTES_OVER_S = 0.8
_SETTLED_CENTS = 5.0  # common practice, no source: nearer, a tuner's needle looks still
_ONSET_HEARD_CENTS = 8.0  # an onset known worse, on a slide, says nothing about what is heard
_HEARD_ONSET_BELOW_S = 0.200
_HEARD_SUSTAIN_ABOVE_S = 0.500
_SUSTAIN_LEAST_FRAMES = 4
_SECOND_OPINION_S = 0.250
_SECOND_OPINION_PARTIALS = 10
# Uncertainty of a sustain, checked on random sessions in `tests/bench/calibration.py`: what no
# term explains; the share of a vibrato cycle that stays in its centre; how far the ends of the
# window may be off, for swelling notes where these are a matter of taste and for struck ones.
_SUSTAIN_FLOOR_CENTS = 0.045
_APART_UNKNOWN_CENTS = 1.0
_VIBRATO_LEFT = 0.04
_SWELLING_ENDS_SD_S, _STRUCK_ENDS_SD_S = 0.025, 0.005
_FREE_DEGREE = 6  # of a polynomial that follows what a line does of its own
# Times a degree's share of the noise: four for frames that overlap, four for chance.
_MORE_THAN_NOISE = 16.0
_FIRM_CENTS, _FAIR_CENTS = 2.0, 6.0
_FIRM_LEAST_S = 0.180
_FIRM_SLOPE = 60.0  # cents per second; steeper, the note has no one pitch to be firm about
_FIRM_ROUGHNESS = 12.0  # cents of scatter that neither slope nor vibrato explains
_FAIR_ROUGHNESS = 30.0


@dataclass(frozen=True, slots=True)
class _Line:
    """One note's contour in cents over its pitch, and the windows it is judged in, s."""

    contour: Contour | None
    cents: Floats
    length_s: float
    onset_first_s: float
    onset_length_s: float
    sustain_first_s: float
    sustain_last_s: float
    vibrato: Vibrato | None = None

    @property
    def in_sustain(self) -> NDArray[np.bool_]:
        if self.contour is None:
            return np.zeros(0, dtype=bool)
        t_s = self.contour.t_s
        return (t_s >= self.sustain_first_s) & (t_s <= self.sustain_last_s)

    def swinging(self, usual_hz: float | None = None) -> Vibrato | None:
        """The vibrato in the sustain, if any."""
        inside = self.in_sustain
        if self.contour is None or inside.sum() < _SUSTAIN_LEAST_FRAMES:
            return None
        t_s, cents = self.contour.t_s[inside], self.cents[inside]
        return find_vibrato(t_s, cents, self.contour.window_s, usual_hz)


def analyze(stem: Stem, track: PitchTrack, notes: tuple[Note, ...]) -> tuple[Measurement, ...]:
    """Measure every note of a stem in which one note sounds at a time.

    Parameters
    ----------
    stem, track : the stem and its coarse pitch
    notes : from `planner.segmenter.segment`

    Returns
    -------
    tuple of Measurement
        One per note, in the same order.
    """
    rates = lower_rates(stem, notes)

    def spans() -> Iterator[NoteSpan]:
        # Cut anew each time: of a long stem, all at once would take more memory than the stem.
        return (note_span(stem.role, rates, track, note) for note in notes)

    stiffness = pooled_stiffness(stem.role, spans())
    lines = [_line(span, own.b) for span, own in zip(spans(), stiffness, strict=True)]
    lines = [replace(line, vibrato=line.swinging()) for line in lines]
    usual_hz = usual_rate_hz(line.vibrato for line in lines)
    if usual_hz is not None:
        lines = [replace(n, vibrato=n.vibrato or n.swinging(usual_hz)) for n in lines]
    earlier = (None, *notes)[: len(notes)]
    return tuple(_measure(*p) for p in zip(spans(), stiffness, lines, earlier, strict=True))


def _line(span: NoteSpan, b: float) -> _Line:
    note, length_s = span.note, len(span.samples) / span.sr
    contour = follow_partials(span.samples, span.sr, span.prior_hz / np.sqrt(1.0 + b), b=b)
    onset_first_s = max(_ONSET_SKIP_S, 1.0 / note.pitch_hz)
    onset_length_s = min(
        max(_ONSET_LENGTH_S, _ONSET_PERIODS / note.pitch_hz), _ONSET_MOST_SHARE * length_s
    )
    return _Line(
        contour=contour,
        cents=np.zeros(0) if contour is None else LN_CENTS * np.log(contour.f1_hz / note.pitch_hz),
        length_s=length_s,
        onset_first_s=onset_first_s,
        onset_length_s=onset_length_s,
        sustain_first_s=max(_SUSTAIN_AFTER_S, onset_first_s + onset_length_s),
        sustain_last_s=_SUSTAIN_UNTIL_SHARE * length_s,
    )


def _measure(
    span: NoteSpan, stiffness: Stiffness, line: _Line, previous: Note | None
) -> Measurement:
    note, length_s, contour = span.note, line.length_s, line.contour
    b = stiffness.b
    prior = span.prior_hz / np.sqrt(1.0 + b)
    onset_first_s, onset_length_s = line.onset_first_s, line.onset_length_s
    sustain_first_s, sustain_last_s = line.sustain_first_s, line.sustain_last_s
    onset = measure_onset(span, prior, b, contour, onset_first_s, onset_length_s)
    least_s = max(_SUSTAIN_LEAST_S, _SUSTAIN_LEAST_PERIODS / note.pitch_hz)
    why: list[str] = []
    if onset is None:
        why.append(onset_reason(note, length_s, onset_length_s))
    elif blank := why_blank(onset, note, previous):
        why.append(blank)
        onset = None
    if contour is None or sustain_last_s - sustain_first_s < least_s:
        why.append(f"the note is over after {length_s:.2f} s, before a sustain begins")
        return _short_note(note, onset, length_s, stiffness, contour, why)
    cents, inside, vibrato = line.cents, line.in_sustain, line.vibrato
    if inside.sum() < _SUSTAIN_LEAST_FRAMES:
        why.append("too few cycles in the sustain")
        return _short_note(note, onset, length_s, stiffness, contour, why)
    t_s, c = contour.t_s[inside], cents[inside]
    still = c if vibrato is None else c - vibrato.at(t_s)
    sustain_cents = _mean_of_line(still)
    slope, roughness = _slope(t_s, still)
    check = _second_opinion(span, b, contour, cents, sustain_first_s, sustain_last_s)
    uncertainty = _sustain_uncertainty(
        span, contour, inside, slope, roughness, vibrato, check[1] if check else None
    )
    sustain_hz = note.pitch_hz * 2 ** (sustain_cents / 1200)
    onset_hz, onset_sd = (onset.hz, onset.sd_cents) if onset is not None else (None, None)
    if onset_hz is not None and vibrato is not None:
        onset_hz, onset_sd = without_vibrato(
            onset_hz, onset_sd or 0.0, vibrato, contour, cents, onset_first_s, onset_length_s
        )
    end_hz = _end(note, contour, cents, length_s, vibrato)
    partials = _partials_disagreement(check[0]) if check else None
    known = onset_hz is not None and (onset_sd or 0.0) <= _ONSET_HEARD_CENTS
    # What is blown, bowed or sung may rise into its pitch: the ear goes with where it arrives.
    rises = span.swells and onset_hz is not None and onset_hz < sustain_hz
    return Measurement(
        onset_hz=onset_hz,
        sustain_hz=sustain_hz,
        end_hz=end_hz,
        heard_hz=_heard(onset_hz if known and not rises else None, sustain_hz, partials, length_s),
        onset_uncertainty_cents=onset_sd,
        uncertainty_cents=uncertainty,
        slope_cents_per_s=slope,
        vibrato_hz=vibrato.rate_hz if vibrato else None,
        vibrato_half_cents=vibrato.half_cents if vibrato else None,
        vibrato_regularity=vibrato.regularity if vibrato else None,
        settle_s=_settle(contour, cents, sustain_cents, vibrato, sustain_last_s),
        inharmonicity_b=stiffness.b if stiffness.b > 0 else None,
        inharmonicity_b_uncertainty=stiffness.b_sd,
        partials_cents=partials,
        upper_partials_db=upper_partials_db(check[0]) if check else None,
        confidence=_confidence(note, length_s, uncertainty, slope, roughness),
        not_measured_because="; ".join(why),
        contour_s=_frozen(contour.t_s + note.start_s),
        contour_hz=_frozen(contour.f1_hz),
    )


def _frozen(values: Floats) -> Floats:
    values.setflags(write=False)
    return values


def _short_note(
    note: Note,
    onset: Onset | None,
    length_s: float,
    stiffness: Stiffness,
    contour: Contour | None,
    why: list[str],
) -> Measurement:
    """A note without a sustain: its onset, if that, and why there is no more."""
    confidence: Confidence = ""
    if onset is not None:
        confidence = "fair" if onset.sd_cents <= _FAIR_CENTS and note.strength > 0.9 else "shaky"
    return Measurement(
        onset_hz=onset.hz if onset else None,
        heard_hz=onset.hz if onset else None,
        onset_uncertainty_cents=onset.sd_cents if onset else None,
        inharmonicity_b=stiffness.b if stiffness.b > 0 else None,
        inharmonicity_b_uncertainty=stiffness.b_sd,
        confidence=confidence,
        not_measured_because="; ".join(why),
        contour_s=None if contour is None else _frozen(contour.t_s + note.start_s),
        contour_hz=None if contour is None else _frozen(contour.f1_hz),
    )


def _mean_of_line(still: Floats) -> float:
    """Mean of a contour, with noise averaged over all of it where the line is that simple.

    A contour is the slope of a phase, so its plain mean rests on the phase at the two ends alone. A
    line that stands still, or moves evenly, is known better from all of its phase: a parabola
    fitted to it comes near the Cramer-Rao bound. Where more than noise is left, the line does
    something of its own, and its plain mean is what is asked for.
    """
    count = len(still)
    if count < 2 * _FREE_DEGREE:
        return float(np.mean(still))
    phase = np.concatenate([[0.0], np.cumsum(still)])
    place = np.linspace(-1.0, 1.0, count + 1)
    even, free = (
        np.polynomial.polynomial.polyfit(place, phase, degree) for degree in (2, _FREE_DEGREE)
    )
    left_even, left_free = (
        float(np.sum((phase - np.polynomial.polynomial.polyval(place, fitted)) ** 2))
        for fitted in (even, free)
    )
    share = (_FREE_DEGREE - 2) / (count + 1 - _FREE_DEGREE)
    if left_even <= left_free * (1.0 + _MORE_THAN_NOISE * share):
        return 2.0 * float(even[1]) / count
    return float(np.mean(still))


def _slope(t_s: Floats, rest: Floats) -> tuple[float | None, float]:
    """Cents per second along the sustain, vibrato taken out, and what neither explains."""
    centred = t_s - t_s.mean()
    weight = np.ones_like(rest)
    slope = level = 0.0
    for _ in range(3):
        level = float(weight @ rest / weight.sum())
        middle = float(weight @ centred / weight.sum())
        lever = centred - middle
        slope = float((weight * lever) @ (rest - level) / ((weight * lever) @ lever + 1e-12))
        off = rest - level - slope * lever
        scale = 1.4826 * float(np.median(np.abs(off))) + 1e-3
        weight = 1.0 / np.maximum(1.0, np.abs(off) / (2.0 * scale))
    roughness = float(np.sqrt(np.mean(off**2)))
    long_enough = t_s[-1] - t_s[0] >= 0.1
    return (slope if long_enough else None), roughness


def _second_opinion(
    span: NoteSpan,
    b: float,
    contour: Contour,
    cents: Floats,
    first_s: float,
    last_s: float,
) -> tuple[PartialFit, float] | None:
    """The joint fit on a piece of the sustain, and how far it lies from the contour there."""
    sr = span.sr
    middle = (first_s + last_s) / 2
    half = min(_SECOND_OPINION_S, last_s - first_s) / 2
    window = slice(round((middle - half) * sr), round((middle + half) * sr))
    inside = np.abs(contour.t_s - middle) <= half
    if inside.sum() < 3:
        return None
    at = (window.start + np.arange(window.stop - window.start)) / sr
    law = span.note.pitch_hz * 2 ** (np.interp(at, contour.t_s, cents) / 1200) / np.sqrt(1 + b)
    samples = span.samples[window]
    law = law[: len(samples)]
    fit = fit_partials(
        samples,
        sr,
        float(np.exp(np.log(law).mean())),
        b=b,
        pitch_law=law,
        most_partials=_SECOND_OPINION_PARTIALS,
        followed=True,
    )
    if fit is None:
        return None
    apart = LN_CENTS * np.log(fit.f0_hz / float(np.mean(law)))
    return fit, float(apart)


def _sustain_uncertainty(
    span: NoteSpan,
    contour: Contour,
    inside: NDArray[np.bool_],
    slope: float | None,
    roughness: float,
    vibrato: Vibrato | None,
    apart: float | None,
) -> float:
    """One standard deviation of the sustain, cents.

    What the line does that neither slope nor vibrato explains, over its frames; how the partials
    scatter, over windows that share no sample (what noise adds to a phase at one step it takes back
    at the next, so that a mean gains in full); how far two unlike estimators lie apart; what a
    vibrato not quite taken out leaves; what a slope does to a window not quite in place; and what a
    room does, or the note before that rings on in it: it turns each partial another way, so that
    what whole partials say over the window lies apart.
    """
    frames = float(inside.sum())
    seconds = frames * FOLLOW_HOP_S
    windows = max(seconds / contour.window_s, 1.0)
    ends_sd_s = _SWELLING_ENDS_SD_S if span.swells else _STRUCK_ENDS_SD_S
    left = 0.0
    if vibrato is not None:
        left = _VIBRATO_LEFT * vibrato.half_cents / max(seconds * vibrato.rate_hz, 1.0)
    return float(
        np.sqrt(
            roughness**2 / frames
            + (float(np.median(contour.sd_cents[inside])) / windows) ** 2
            + (apart if apart is not None else _APART_UNKNOWN_CENTS) ** 2
            + left**2
            + ((slope or 0.0) * ends_sd_s) ** 2
            + sd_of_mean(contour.apart_cents[:, inside].mean(axis=1), contour.shares) ** 2
            + _SUSTAIN_FLOOR_CENTS**2
        )
    )


def _end(
    note: Note, contour: Contour, cents: Floats, length_s: float, vibrato: Vibrato | None
) -> float | None:
    if length_s <= _END_OF_NOTES_OVER_S:
        return None
    span_s = min(_END_SHARE * length_s, _END_S)
    inside = contour.t_s >= length_s - span_s
    if inside.sum() < 3:
        return None
    line = cents[inside]
    if vibrato is not None:
        line = line - vibrato.at(contour.t_s[inside])
    return float(note.pitch_hz * 2 ** (np.mean(line) / 1200))


def _settle(
    contour: Contour,
    cents: Floats,
    sustain_cents: float,
    vibrato: Vibrato | None,
    last_s: float,
) -> float | None:
    """When the pitch comes to stay near its sustain, seconds from the note's start."""
    line = cents - vibrato.at(contour.t_s) if vibrato is not None else cents
    inside = contour.t_s <= last_s
    off = np.abs(line[inside] - sustain_cents) > _SETTLED_CENTS
    if not off.any():
        return float(contour.t_s[0])
    last_off = int(np.flatnonzero(off)[-1])
    if last_off + 1 >= inside.sum():
        return None
    return float(contour.t_s[last_off + 1])


def _partials_disagreement(fit: PartialFit) -> float | None:
    """How far partials 2 to 6 lie from the first, beyond the stiffness law, in cents."""
    first = fit.misfit_cents[fit.numbers == 1]
    others = (fit.numbers >= 2) & (fit.numbers <= 6)
    if len(first) == 0 or others.sum() < 2:
        return None
    weight = fit.amplitudes[others]
    return float(weight @ fit.misfit_cents[others] / weight.sum() - first[0])


def upper_partials_db(fit: PartialFit) -> float | None:
    """Say how strong all partials above the first are against it, in dB; never under -60."""
    power = fit.amplitudes**2
    first = float(power[fit.numbers == 1].sum())
    if first <= 0.0:
        return None
    upper = float(power[fit.numbers > 1].sum()) / first
    # Partials that cannot be told from noise are not in the fit: then this is a bound.
    return round(10.0 * float(np.log10(max(upper, 1e-6))), 1)


def _heard(
    onset_hz: float | None, sustain_hz: float, partials_cents: float | None, length_s: float
) -> float:
    """One pitch for the note: short ones are heard at their onset, long ones in their sustain.

    onset_hz: None where it says nothing of what is heard, as on a rise into the note.
    """
    if onset_hz is None:
        heard = np.log2(sustain_hz)
    else:
        span = _HEARD_SUSTAIN_ABOVE_S - _HEARD_ONSET_BELOW_S
        share = float(np.clip((length_s - _HEARD_ONSET_BELOW_S) / span, 0.0, 1.0))
        heard = share * np.log2(sustain_hz) + (1 - share) * np.log2(onset_hz)
    if partials_cents is not None and sustain_hz < LOW_NOTE_HZ:
        heard += partials_cents / 1200
    return float(2.0**heard)


def _confidence(
    note: Note, length_s: float, uncertainty: float, slope: float | None, roughness: float
) -> Confidence:
    steep = abs(slope) if slope is not None else 0.0
    if (
        uncertainty <= _FIRM_CENTS
        and length_s >= _FIRM_LEAST_S
        and steep <= _FIRM_SLOPE
        and roughness <= _FIRM_ROUGHNESS
        and note.strength >= 0.9
        and note.pitched_share >= 0.8
    ):
        return "firm"
    if uncertainty <= _FAIR_CENTS and roughness <= _FAIR_ROUGHNESS and steep <= 2 * _FIRM_SLOPE:
        return "fair"
    return "shaky"
