"""How far does each note's pitch lie where: at its onset, in its sustain, at its end?

Windows of onset and sustain are those of `planner.measure.note_line`; the end is the last 15 % or
250 ms, whichever is shorter, of notes over 0.8 s.

The pitch is that of the first partial, in cents averaged in cents. Stiffness B is forced to 0 for
driven roles (bow, breath, voice), measured and pooled per pitch for struck and plucked ones. The
onset of a note that is already in vibrato is given with the vibrato taken out: 60 ms are a third
of a cycle, and where in the cycle a note begins says nothing about its tuning.
"""

from dataclasses import replace

import numpy as np

from planner.measure.arrival import arrival_s
from planner.measure.contour import Contour, Phases
from planner.measure.heard import driven_heard_cents, short_heard_cents, struck_heard_cents
from planner.measure.note_line import NoteLine, note_line
from planner.measure.note_span import NoteSpan, lower_rates, note_span
from planner.measure.onset import (
    LOW_NOTE_HZ,
    Onset,
    measure_onset,
    onset_reason,
    why_blank,
    without_vibrato,
)
from planner.measure.partial_series import FoundPartials, KnownB, PartialFit, tied
from planner.measure.stiffness import OwnStiffness, Stiffness, own_stiffness, pooled_stiffness
from planner.measure.sustain import Sustain, measure_sustain, why_no_sustain
from planner.measure.vibrato import usual_rate_hz
from planner.model import (
    FAIR_CENTS,
    FIRM_CENTS,
    HARMONIC_ROLES,
    Confidence,
    Floats,
    Measurement,
    Note,
    PitchTrack,
    Stem,
)

_END_SHARE, _END_S = 0.15, 0.250
_END_OF_NOTES_OVER_S = 0.8
_FIRM_LEAST_S = 0.180
_FIRM_SLOPE = 60.0  # cents per second; steeper, the note has no one pitch to be firm about
_FIRM_ROUGHNESS = 12.0  # cents of scatter that neither slope nor vibrato explains
_ODD_HEARD = 0.01  # of the loudest even partial, -40 dB; chosen: weaker ones may be noise
ONLY_EVEN = "only even partials are heard: it sounds an octave higher, above what its role plays"


def analyze(stem: Stem, track: PitchTrack, notes: tuple[Note, ...]) -> tuple[Measurement, ...]:
    """Measure every note of a stem in which one note sounds at a time.

    stem, track : the stem and its coarse pitch
    notes : from `planner.segmenter.segment`

    Returns one per note, in the same order.
    """
    rates = lower_rates(stem, notes)
    earlier = (None, *notes)[: len(notes)]
    # One after the other: of a long stem, all samples at once would take more memory than the stem.
    spans = (note_span(stem.role, rates, track, note) for note in notes)
    own: list[OwnStiffness] = []
    followed: dict[int, tuple[NoteLine, Onset | None]] = {}
    for at, (span, one, phases) in enumerate(own_stiffness(spans)):
        own.append(one)
        if one.settled is not None:
            followed[at] = _followed(span, one.settled, earlier[at], phases)
    stiffness = pooled_stiffness(own)
    for at in range(len(notes)):
        if at not in followed:
            span = note_span(stem.role, rates, track, notes[at])
            followed[at] = _followed(span, stiffness[at], earlier[at])
    lines = [followed[at][0] for at in range(len(notes))]
    onsets = [followed[at][1] for at in range(len(notes))]
    usual_hz = usual_rate_hz(line.vibrato for line in lines)
    if usual_hz is not None:
        lines = [replace(n, vibrato=n.vibrato or n.swinging(usual_hz)) for n in lines]
    return tuple(
        _measure(*of_note, swells=stem.role in HARMONIC_ROLES)
        for of_note in zip(notes, stiffness, lines, onsets, earlier, strict=True)
    )


def _followed(
    span: NoteSpan, stiffness: Stiffness, previous: Note | None, phases: Phases | None = None
) -> tuple[NoteLine, Onset | None]:
    """A note's line, and what is measured without a look outside its onset."""
    line = note_line(span, stiffness, phases)
    stiffness = replace(stiffness, b=line.b, known_sd=line.b_doubt)
    prior_hz = span.prior_hz / np.sqrt(1.0 + stiffness.b)
    window_s = line.onset_first_s, line.onset_length_s
    return line, measure_onset(span, prior_hz, stiffness, line.contour, *window_s, previous)


def _measure(
    note: Note,
    stiffness: Stiffness,
    line: NoteLine,
    onset: Onset | None,
    previous: Note | None,
    *,
    swells: bool,
) -> Measurement:
    if onset is None:
        why = onset_reason(note, line.length_s, line.onset_length_s)
    elif why := why_blank(onset, note, previous):
        onset = None
    contour, too_short = line.contour, why_no_sustain(note, line)
    if contour is None or too_short:
        why = f"{why}; {too_short}".removeprefix("; ")
        return _short_note(note, onset, stiffness, line, why, swells=swells)
    vibrato = line.vibrato
    if onset is not None and vibrato is not None:
        window_s = line.onset_first_s, line.onset_length_s
        onset = without_vibrato(onset, vibrato, contour, line.cents, window_s)
    sustain = measure_sustain(note.pitch_hz, line, contour, swells=swells)
    sustain_hz = note.pitch_hz * 2 ** (sustain.cents / 1200)
    found = line.partials
    series = tied(found, KnownB(b=stiffness.b)) if found else None
    upper = _upper_over_line(note, line, series) if series else None
    octave_low = found is not None and _only_even(found)
    if octave_low:
        why = f"{why}; {ONLY_EVEN}".removeprefix("; ")
    # Partials 2 to 6, which low notes are heard by. The sustain may be the first partial's or
    # theirs: against the first they would count twice. An onset is what all partials agree on.
    held = upper if upper is not None and sustain_hz < LOW_NOTE_HZ else 0.0
    if swells:
        heard = held + driven_heard_cents(line, contour, sustain.cents)
    else:
        heard = struck_heard_cents(onset, sustain_hz, held, line.length_s)
    return Measurement(
        onset_hz=onset.hz if onset else None,
        sustain_hz=sustain_hz,
        end_hz=_end(note, line, contour),
        heard_hz=sustain_hz * 2 ** (heard / 1200),
        onset_uncertainty_cents=onset.sd_cents if onset else None,
        uncertainty_cents=sustain.sd_cents,
        slope_cents_per_s=sustain.slope_cents_per_s,
        slope_uncertainty_cents_per_s=sustain.slope_sd_cents_per_s,
        vibrato_hz=vibrato.rate_hz if vibrato else None,
        vibrato_half_cents=vibrato.half_cents if vibrato else None,
        vibrato_regularity=vibrato.regularity if vibrato else None,
        settle_s=arrival_s(
            contour.t_s,
            line.cents - sustain.cents,
            (line.sustain_first_s, line.sustain_last_s),
            vibrato,
        ),
        inharmonicity_b=stiffness.b if stiffness.b > 0 else None,
        inharmonicity_b_uncertainty=stiffness.b_sd,
        partials_cents=_partials_disagreement(found, series) if found and series else None,
        upper_partials_db=upper_partials_db(found) if found else None,
        confidence="shaky" if octave_low else _confidence(note, line.length_s, sustain),
        not_measured_because=why,
        contour_s=_frozen(contour.t_s + note.start_s),
        contour_hz=_frozen(contour.f1_hz),
    )


def _frozen(values: Floats) -> Floats:
    values.setflags(write=False)
    return values


def _short_note(
    note: Note, onset: Onset | None, stiffness: Stiffness, line: NoteLine, why: str, *, swells: bool
) -> Measurement:
    """A note without a sustain: its onset, if that, and why there is no more."""
    confidence: Confidence = ""
    if onset is not None:
        confidence = "fair" if onset.sd_cents <= FAIR_CENTS and note.strength > 0.9 else "shaky"
    contour = line.contour
    heard_hz = onset.hz if onset else None
    if onset is not None and swells and contour is not None:
        heard = short_heard_cents(line, contour)
        heard_hz = onset.hz if heard is None else note.pitch_hz * 2 ** (heard / 1200)
    return Measurement(
        onset_hz=onset.hz if onset else None,
        heard_hz=heard_hz,
        onset_uncertainty_cents=onset.sd_cents if onset else None,
        inharmonicity_b=stiffness.b if stiffness.b > 0 else None,
        inharmonicity_b_uncertainty=stiffness.b_sd,
        confidence=confidence,
        not_measured_because=why,
        contour_s=None if contour is None else _frozen(contour.t_s + note.start_s),
        contour_hz=None if contour is None else _frozen(contour.f1_hz),
    )


def end_window_s(length_s: float) -> float:
    """How much of a note its end is read from, in s."""
    return min(_END_SHARE * length_s, _END_S)


def _end(note: Note, line: NoteLine, contour: Contour) -> float | None:
    if line.length_s <= _END_OF_NOTES_OVER_S:
        return None
    from_s = line.length_s - end_window_s(line.length_s)
    inside = (contour.t_s >= from_s) & (contour.t_s <= line.length_s)
    if inside.sum() < 3:
        return None
    cents = line.cents[inside]
    if line.vibrato is not None:
        cents = cents - line.vibrato.at(contour.t_s[inside])
    return float(note.pitch_hz * 2 ** (np.mean(cents) / 1200))


def _only_even(found: FoundPartials) -> bool:
    """Say whether the even partials are all there is of a note: it sounds an octave higher."""
    even = found.numbers % 2 == 0
    odd_level = found.amplitudes[~even].max(initial=0.0)
    return bool(odd_level < _ODD_HEARD * found.amplitudes[even].max(initial=0.0))


def _upper_cents(fit: PartialFit) -> float | None:
    """How far partials 2 to 6 lie from the pitch that all agree on best, in cents."""
    others = (fit.numbers >= 2) & (fit.numbers <= 6)
    if others.sum() < 2:
        return None
    weight = fit.amplitudes[others]
    return float(weight @ fit.misfit_cents[others] / weight.sum())


def _upper_over_line(note: Note, line: NoteLine, series: PartialFit) -> float | None:
    """How far partials 2 to 6 lie from the line, in cents.

    Where partials part, it may have followed those that the series does not rest on.
    """
    upper = _upper_cents(series)
    if upper is None:
        return None
    apart = 1200 * float(np.log2(series.f1_hz / note.pitch_hz))
    return upper + apart - line.cents_between(*line.partials_s)


def _partials_disagreement(found: FoundPartials, fit: PartialFit) -> float | None:
    """How far partials 2 to 6 lie from the first, beyond the stiffness law, in cents.

    The first is asked as it was found: where it is so odd that the fit leaves it out, that is most
    of what there is to tell.
    """
    first_hz, upper = found.f_hz[found.numbers == 1], _upper_cents(fit)
    if len(first_hz) == 0 or upper is None:
        return None
    return upper - 1200 * float(np.log2(first_hz[0] / fit.f1_hz))


def upper_partials_db(found: FoundPartials) -> float | None:
    """Say how strong all partials above the first are against it, in dB; never under -60."""
    power = found.amplitudes**2
    first = float(power[found.numbers == 1].sum())
    if first <= 0.0:
        return None
    upper = float(power[found.numbers > 1].sum()) / first
    # Partials that cannot be told from noise are not among them: then this is a bound.
    return round(10.0 * float(np.log10(max(upper, 1e-6))), 1)


def _confidence(note: Note, length_s: float, sustain: Sustain) -> Confidence:
    steep = abs(sustain.slope_cents_per_s or 0.0)
    roughness = sustain.roughness_cents
    if (
        np.hypot(sustain.sd_cents, sustain.again_cents) <= FIRM_CENTS
        and length_s >= _FIRM_LEAST_S
        and steep <= _FIRM_SLOPE
        and roughness <= _FIRM_ROUGHNESS
        and note.strength >= 0.9
        and note.pitched_share >= 0.8
    ):
        return "firm"
    # How far a pitch moves is no doubt of where its middle lies.
    return "fair" if sustain.sd_cents <= FAIR_CENTS else "shaky"
