"""One note's samples, at the rate it is measured at, with the prior pitch along them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import soxr

from planner.model import HARMONIC_ROLES, Floats, Note, PitchTrack, Role, Stem
from planner.track.frame_blocks import ByThePiece
from planner.words.spread import evenly

_RATE_OVER_PITCH = 24.0  # 10 partials below the rate's usable edge, at the least
_SMOOTHED = np.full(5, 0.2)  # over frames
NEAR_SEMITONES = 3.5  # frames further from the note's median look at the note before or after


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteSpan:
    """One note's samples with the prior pitch along them."""

    note: Note
    sr: int  # of these samples
    samples: Floats
    prior_hz: Floats  # per sample
    swells: bool  # bow, breath and voice begin softly; what is struck is loudest at its start
    late_s: float = 0.0  # of the first sample, after the note's start: under half a sample


def lower_rates(stem: Stem, notes: tuple[Note, ...]) -> dict[int, Floats | ByThePiece]:
    """The stem at the rates its notes are measured at, highest first.

    A low note's partials lie low: at a quarter of the rate the same partials take a sixteenth of
    the work, and what lies above is filtered out instead of being left out of the model.
    """
    whole = stem.analysis_sr
    rates: dict[int, Floats | ByThePiece] = {whole: stem.samples}
    for divisor in (2, 4):
        sr = whole // divisor
        if any(note.pitch_hz * _RATE_OVER_PITCH < sr for note in notes):
            lower = partial(soxr.resample, in_rate=whole, out_rate=sr, quality="VHQ")
            rates[sr] = ByThePiece(stem.samples, whole, lower, divisor=divisor)
    return rates


def note_span(
    role: Role, rates: Mapping[int, Floats | ByThePiece], track: PitchTrack, note: Note
) -> NoteSpan:
    sr = min((r for r in rates if note.pitch_hz * _RATE_OVER_PITCH < r), default=max(rates))
    first = round(note.start_s * sr)
    last = min(round(note.end_s * sr), len(rates[sr]))
    early = math.ceil(note.start_s / track.hop_s)
    line = np.log2(track.f0_hz[early : int(note.end_s / track.hop_s) + 1])
    near = np.abs(line - math.log2(note.pitch_hz)) < NEAR_SEMITONES / 12.0  # NaN is not
    near_at = np.flatnonzero(near)
    at = np.arange(first, max(last, first + 1)) / sr
    if len(near_at) < 2:
        prior = np.full(len(at), note.pitch_hz)
    else:
        line = line[near_at]
        line = np.concatenate([line[:1], line[:1], line, line[-1:], line[-1:]])
        line = np.convolve(line, _SMOOTHED, "valid")
        prior = np.interp(at, (early + near_at) * track.hop_s, 2.0**line)
    return NoteSpan(
        note=note,
        sr=sr,
        samples=rates[sr][first:last],
        late_s=first / sr - note.start_s,
        prior_hz=prior,
        swells=role in HARMONIC_ROLES,
    )


def smooth_law(prior_hz: Floats) -> Floats:
    """A straight line in cents through the prior: glide without the track's own flutter."""
    at = evenly(len(prior_hz))
    line = np.log2(prior_hz)
    slope = float(at @ (line - line.mean()) / (at @ at + 1e-12))
    law: Floats = 2.0 ** (line.mean() + slope * at)
    return law


def parabola_law(t_s: Floats, f_hz: Floats, at_s: Floats, sd_cents: Floats | None = None) -> Floats:
    """A parabola in cents through some moments of a pitch, at other moments, Hz.

    sd_cents : how well the pitch is known at each moment; None where all are known alike
    """
    middle, reach = float(t_s.mean()), float(t_s[-1] - t_s[0])
    u = (t_s - middle) / reach
    powers = np.stack([np.ones_like(u), u, u * u])
    weighted = powers if sd_cents is None else powers / sd_cents**2
    level, slope, bend = np.linalg.solve(weighted @ powers.T, weighted @ np.log(f_hz))
    v = (at_s - middle) / reach
    law: Floats = np.exp((bend * v + slope) * v + level)
    return law
