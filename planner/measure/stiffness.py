"""How stiff is the string of each note: B of f_n = n f0 sqrt(1 + B n^2)?"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from planner.harmonics import fit_partials
from planner.measure.contour import (
    MOST_PARTIALS,
    Phases,
    contour_of,
    follow_partials,
    partial_phases,
    partials_along,
)
from planner.measure.note_span import NoteSpan, parabola_law, smooth_law
from planner.measure.partial_series import KnownB, PartialFit, tied
from planner.model import Floats
from planner.pitch import hz_to_midi
from planner.words.spread import middle_of

_B_WINDOW_S = 0.250
_B_PARTIALS = 20
# Following them all along a note that is longer than this costs more than its line following anew.
_MORE_PARTIALS = _B_PARTIALS / (_B_PARTIALS - MOST_PARTIALS)
_SAG_PARTIALS = 6
_SAG_FRAMES = 6
# ln B of the strings and frets of two measured guitars (`tests/guitars.py`) has its middle at 1e-4
# and a standard deviation of 0.9; those of basses lie among them (Kemp, SN Applied Sciences 2,
# 2020, 636: 3e-4 for an open low B).
_STRINGS_B = np.geomspace(1e-6, 1e-2, 100)
_STRINGS_SHARE = np.exp(-0.5 * (np.log(_STRINGS_B / 1e-4) / 0.9) ** 2)
_SAME_STRING = 0.02  # share of B; strings of one pitch differ by a tenth and more
_STRINGS_APART = 0.3  # share of B, from one string to the next at one pitch; known from one note
_LOOKS = 4  # chosen: from one string to the next it takes two or three
_SHARP = 0.05  # share of B: known as well, a note needs no other's
_B_KNOWN_SDS = 2.0  # above zero, or B does not count


@dataclass(frozen=True, slots=True, kw_only=True)
class Stiffness:
    """How stiff one note's string is."""

    b: float  # 0 where it is driven or cannot be told from 0
    b_sd: float | None  # standard deviation of B; None where B is not the note's own
    known_sd: float  # how well B is known, wherever it was taken from; 0 where nothing is stiff


NOT_STIFF = Stiffness(b=0.0, b_sd=None, known_sd=0.0)  # what is blown, bowed or sung


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnStiffness:
    """What a note says of its own string."""

    midi: int  # its semitone
    b: float
    sd: float  # standard deviation; inf where it cannot be told
    settled: Stiffness | None  # where no other note need be asked


def own_stiffness(
    spans: Iterable[NoteSpan],
) -> Iterator[tuple[NoteSpan, OwnStiffness, Phases | None]]:
    """B of each note alone, 0 of what is driven; with its phases, where they were followed for it.

    These are of the whole note, and of partials of a B near by.
    """
    last_of: dict[int, float] = {}
    for span in spans:
        midi = round(hz_to_midi(span.note.pitch_hz))
        if span.swells:
            yield span, OwnStiffness(midi=midi, b=0.0, sd=0.0, settled=NOT_STIFF), None
            continue
        b, sd, phases = _own(span, last_of.get(midi))
        settled = None
        if sd < _SHARP * b:
            last_of[midi] = b
            settled = Stiffness(b=b, b_sd=sd, known_sd=sd)
        yield span, OwnStiffness(midi=midi, b=b, sd=sd, settled=settled), phases


def pooled_stiffness(own: list[OwnStiffness]) -> list[Stiffness]:
    """B of each note: its own where settled, else that of its pitch.

    The same key, or the same string and fret, has the same B; notes of one semitone therefore
    speak for each other, weighted by their variances. A borrowed B carries no uncertainty: it
    says nothing of which string the note itself was played on.
    """
    of_midi: dict[int, list[OwnStiffness]] = {}
    for one in own:
        if np.isfinite(one.sd):
            of_midi.setdefault(one.midi, []).append(one)
    pooled = []
    for one in own:
        if one.settled is not None:
            pooled.append(one.settled)
            continue
        others = [(o.b, o.sd) for o in of_midi.get(one.midi, []) if o is not one]
        estimates = [_of_another(others)] if others else []
        if np.isfinite(one.sd):
            estimates.append((one.b, one.sd))
        pooled.append(_from_all(estimates))
    return pooled


def _of_another(known: list[tuple[float, float]]) -> tuple[float, float]:
    """What the B of some notes says of another note of their pitch: B and its standard deviation.

    It may have been played on another string: by as much as these differ among themselves, it may
    differ from them.
    """
    values, sds = np.array(known).T
    mean, _ = _mean_of(values, sds**2 + 1e-16)
    beyond = float(np.sum(np.maximum((values - mean) ** 2 - sds**2, 0.0)))
    between = ((_STRINGS_APART * mean) ** 2 + beyond) / len(values)
    mean, variance = _mean_of(values, sds**2 + between + 1e-16)
    return mean, float(np.sqrt(between + variance))


def _from_all(estimates: list[tuple[float, float]]) -> Stiffness:
    """Stiffness of a note from what is not sharp alone: its own B, and that of its pitch.

    Where they leave it open, it is that of any string that they allow: partials may part by more
    than any string's, and then say nothing of it.
    """
    share = _STRINGS_SHARE
    if estimates:
        values, sds = np.array(estimates).T
        b, variance = _mean_of(values, sds**2 + 1e-16)
        if b > _B_KNOWN_SDS * np.sqrt(variance):
            return Stiffness(b=b, b_sd=None, known_sd=float(np.sqrt(variance)))
        away = (_STRINGS_B - b) ** 2 / variance
        share = share * np.exp(-0.5 * (away - away.min()))
    known_sd = float(np.sqrt(share @ _STRINGS_B**2 / share.sum()))
    return Stiffness(b=0.0, b_sd=None, known_sd=known_sd)


def _mean_of(values: Floats, variances: Floats) -> tuple[float, float]:
    """Mean of estimates weighted by their variances, and its variance."""
    weight = 1.0 / variances
    total = float(weight.sum())
    return float(weight @ values) / total, 1.0 / total


def _own(span: NoteSpan, expected: float | None) -> tuple[float, float, Phases | None]:
    """B of one note, its standard deviation (inf where it cannot be told), and its phases.

    expected : B of the last note of its semitone; where it is that string, or another not far from
        it, the phases of partials along it tell B sooner than a joint fit
    """
    sr, period_s = span.sr, 1.0 / span.note.pitch_hz
    first = round(max(0.03, 1.5 * period_s) * sr)
    last = min(first + round(max(_B_WINDOW_S, 8 * period_s) * sr), len(span.samples))
    if last - first < 4 * period_s * sr:
        return 0.0, float("inf"), None
    fit, phases = None, None
    if expected is not None:
        fit, phases = _fit_along(span, first, last, expected)
    if fit is None:
        fit = fit_partials(
            span.samples[first:last],
            sr,
            float(middle_of(span.prior_hz[first:last])),
            fit_b=True,
            pitch_law=_sag(span, first, last),
            most_partials=_B_PARTIALS,
        )
    if fit is None or fit.b_sd is None:
        return 0.0, float("inf"), None
    return fit.b, fit.b_sd, phases


def _same_string(fit: PartialFit, expected: float) -> bool:
    """Do partials that were looked for where a stiffness has them lie there, and surely?

    Of another string the lowest do, and one or two high ones by chance; and what few partials say
    of it is what was expected.
    """
    if fit.b_sd is None or fit.b_sd > _SHARP * fit.b:
        return False
    most = 2 * len(fit.numbers) >= fit.numbers[-1]
    return bool(most) and abs(fit.b - expected) <= _SAME_STRING * expected


def _fit_along(
    span: NoteSpan, first: int, last: int, b: float
) -> tuple[PartialFit | None, Phases | None]:
    """The fit of samples first to last, whose partials lie about where a stiffness has them.

    Of another string the lowest ones do, and say where to look for the next. With it the phases of
    the note, of one that is not so long that its line had better follow anew; no fit where partials
    do not come to lie where they are looked for.
    """
    to = last + first
    whole = len(span.samples) <= _MORE_PARTIALS * to
    end_s = to / span.sr
    to = len(span.samples) if whole else to
    phases = partial_phases(
        span.samples[:to],
        span.sr,
        span.prior_hz[:to] / np.sqrt(1.0 + b),
        b=b,
        most_partials=_B_PARTIALS,
    )
    if phases is None:
        return None, None
    early = phases.until(end_s - phases.window_s / 2.0)
    for _ in range(_LOOKS):
        # One round: what is off in the pitch they share moves all alike, and B by nothing.
        contour = contour_of(early, rounds=1)
        found = partials_along(early, contour, (first / span.sr, last / span.sr))
        fit = None if found is None else tied(found, KnownB(b=early.b, asked=True))
        if fit is None or fit.b_sd is None or fit.b <= 0.0:
            break
        if _same_string(fit, early.b):
            near = whole and abs(fit.b - b) <= _STRINGS_APART * b
            return fit, phases if near else None
        early = early.at_stiffness(fit.b)
    return None, None


def _sag(span: NoteSpan, first: int, last: int) -> Floats:
    """Pitch along samples first to last, as low partials sag, not as the period does.

    The period of a stiff string is sharp while its high partials last, and seems to fall as they
    die; with such a law a high partial, heard early, would be lowered too far, and B with it. Low
    partials of constant weight keep the same distance from the first however wrong B still is.
    """
    sr = span.sr
    to = min(last + first, len(span.samples))
    contour = follow_partials(
        span.samples[:to], sr, span.prior_hz[:to], most_partials=_SAG_PARTIALS
    )
    if contour is not None:
        inside = (contour.t_s >= first / sr) & (contour.t_s <= last / sr)
        if inside.sum() >= _SAG_FRAMES:
            at_s = np.arange(first, last) / sr
            return parabola_law(contour.t_s[inside], contour.f1_hz[inside], at_s)
    return smooth_law(span.prior_hz[first:last])
