"""How stiff is the string of each note: B of f_n = n f0 sqrt(1 + B n^2)?"""

from __future__ import annotations

import numpy as np

from planner.harmonics import fit_partials
from planner.model import HARMONIC_ROLES, Role
from planner.note_span import NoteSpan, smooth_law
from planner.pitch import hz_to_midi

_B_WINDOW_S = 0.250
_B_PARTIALS = 20
_B_KNOWN_SD = 4.0  # B counts where it is this many standard deviations above zero


def pooled_stiffness(role: Role, spans: list[NoteSpan]) -> list[float]:
    """B of each note: 0 for driven roles, else its own where sharp, else that of its pitch.

    The same key, or the same string and fret, has the same B; notes of one semitone therefore
    speak for each other, weighted by their variances.
    """
    if role in HARMONIC_ROLES:
        return [0.0] * len(spans)
    own = [_own_stiffness(span) for span in spans]
    midi = [round(hz_to_midi(span.note.pitch_hz)) for span in spans]
    known_of: dict[int, list[tuple[float, float]]] = {}
    for key, (b, sd) in zip(midi, own, strict=True):
        if np.isfinite(sd):
            known_of.setdefault(key, []).append((b, sd))
    pooled = []
    for key, (b, sd) in zip(midi, own, strict=True):
        values, sds = np.array(known_of.get(key, [])).reshape(-1, 2).T
        if np.isfinite(sd) and b > 0 and sd < 0.05 * b:
            pooled.append(b)
        elif len(values):
            weight = 1.0 / (sds**2 + 1e-16)
            mean = float(weight @ values / weight.sum())
            known = mean > _B_KNOWN_SD / np.sqrt(weight.sum())
            pooled.append(max(mean, 0.0) if known else 0.0)
        else:
            pooled.append(0.0)
    return pooled


def _own_stiffness(span: NoteSpan) -> tuple[float, float]:
    """B of one note and its standard deviation (inf where it cannot be told)."""
    sr, period_s = span.sr, 1.0 / span.note.pitch_hz
    first = round(max(0.03, 1.5 * period_s) * sr)
    last = min(first + round(max(_B_WINDOW_S, 8 * period_s) * sr), len(span.samples))
    if last - first < 4 * period_s * sr:
        return 0.0, float("inf")
    window = slice(first, last)
    fit = fit_partials(
        span.samples[window],
        sr,
        float(np.median(span.prior_hz[window])),
        fit_b=True,
        pitch_law=smooth_law(span.prior_hz[window]),
        most_partials=_B_PARTIALS,
    )
    if fit is None or fit.b_sd is None:
        return 0.0, float("inf")
    return fit.b, fit.b_sd
