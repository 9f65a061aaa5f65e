"""How stiff is the string of each note: B of f_n = n f0 sqrt(1 + B n^2)?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.contour import contour_of, follow_partials, partial_phases, partials_along
from planner.harmonics import fit_partials
from planner.model import HARMONIC_ROLES, Floats, Role
from planner.note_span import NoteSpan, parabola_law, smooth_law
from planner.partial_series import KnownB, PartialFit, tied
from planner.pitch import hz_to_midi

_B_WINDOW_S = 0.250
_B_PARTIALS = 20
_SAG_PARTIALS = 6
_SAG_FRAMES = 6
_ANY_STRING_B = 1e-4  # from memory: strings of guitars and basses, within a factor of three
_SAME_STRING = 0.02  # share of B; strings of one pitch differ by a tenth and more
_STRINGS_APART = 0.3  # share of B, from one string to the next at one pitch; known from one note
_SHARP = 0.05  # share of B: known as well, a note needs no other's
_B_KNOWN_SDS = 2.0  # above zero, or B does not count


@dataclass(frozen=True, slots=True, kw_only=True)
class Stiffness:
    """How stiff one note's string is."""

    b: float  # 0 where it is driven or cannot be told from 0
    b_sd: float | None  # standard deviation of B; None where B is not the note's own
    known_sd: float  # how well B is known, wherever it was taken from; 0 where nothing is stiff


NOT_STIFF = Stiffness(b=0.0, b_sd=None, known_sd=0.0)  # what is blown, bowed or sung


def pooled_stiffness(role: Role, spans: Iterable[NoteSpan]) -> list[Stiffness]:
    """B of each note: 0 for driven roles, else its own where sharp, else that of its pitch.

    The same key, or the same string and fret, has the same B; notes of one semitone therefore
    speak for each other, weighted by their variances. A borrowed B carries no uncertainty: it
    says nothing of which string the note itself was played on.
    """
    if role in HARMONIC_ROLES:
        return [NOT_STIFF for _ in spans]
    midi, own = [], []
    last_of: dict[int, float] = {}
    for span in spans:
        key = round(hz_to_midi(span.note.pitch_hz))
        b, sd = _own_stiffness(span, last_of.get(key))
        midi.append(key)
        own.append((b, sd))
        if sd < _SHARP * b:
            last_of[key] = b
    of_key: dict[int, list[int]] = {}
    for at, (key, (_, sd)) in enumerate(zip(midi, own, strict=True)):
        if np.isfinite(sd):
            of_key.setdefault(key, []).append(at)
    pooled = []
    for at, (key, (b, sd)) in enumerate(zip(midi, own, strict=True)):
        if sd < _SHARP * b:
            pooled.append(Stiffness(b=b, b_sd=sd, known_sd=sd))
            continue
        others = [own[k] for k in of_key.get(key, []) if k != at]
        estimates = [_of_another(others)] if others else []
        if np.isfinite(sd):
            estimates.append((b, sd))
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
    """Stiffness of a note from what is not sharp alone: its own B, and that of its pitch."""
    if not estimates:
        return Stiffness(b=0.0, b_sd=None, known_sd=_ANY_STRING_B)
    values, sds = np.array(estimates).T
    b, variance = _mean_of(values, sds**2 + 1e-16)
    known_sd = float(np.sqrt(variance))
    if b <= _B_KNOWN_SDS * known_sd:
        return Stiffness(b=0.0, b_sd=None, known_sd=float(np.hypot(max(b, 0.0), known_sd)))
    return Stiffness(b=b, b_sd=None, known_sd=known_sd)


def _mean_of(values: Floats, variances: Floats) -> tuple[float, float]:
    """Mean of estimates weighted by their variances, and its variance."""
    weight = 1.0 / variances
    total = float(weight.sum())
    return float(weight @ values) / total, 1.0 / total


def _own_stiffness(span: NoteSpan, expected: float | None = None) -> tuple[float, float]:
    """B of one note and its standard deviation (inf where it cannot be told).

    expected : B of the last note of its semitone; where it is the same string, partials lie where
        they are looked for, and their phases along it tell it sooner than a joint fit
    """
    sr, period_s = span.sr, 1.0 / span.note.pitch_hz
    first = round(max(0.03, 1.5 * period_s) * sr)
    last = min(first + round(max(_B_WINDOW_S, 8 * period_s) * sr), len(span.samples))
    if last - first < 4 * period_s * sr:
        return 0.0, float("inf")
    fit = None if expected is None else _fit_along(span, first, last, expected)
    if fit is None or expected is None or abs(fit.b - expected) > _SAME_STRING * expected:
        fit = fit_partials(
            span.samples[first:last],
            sr,
            float(np.median(span.prior_hz[first:last])),
            fit_b=True,
            pitch_law=_sag(span, first, last),
            most_partials=_B_PARTIALS,
        )
    if fit is None or fit.b_sd is None:
        return 0.0, float("inf")
    return fit.b, fit.b_sd


def _fit_along(span: NoteSpan, first: int, last: int, b: float) -> PartialFit | None:
    """The fit of samples first to last, whose partials lie about where a stiffness has them."""
    to = min(last + first, len(span.samples))
    phases = partial_phases(
        span.samples[:to],
        span.sr,
        span.prior_hz[:to] / np.sqrt(1.0 + b),
        b=b,
        most_partials=_B_PARTIALS,
    )
    if phases is None:
        return None
    found = partials_along(phases, contour_of(phases), (first / span.sr, last / span.sr))
    return None if found is None else tied(found, KnownB(b=b, asked=True))


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
