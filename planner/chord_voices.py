"""A chord stem from onset to onset: which notes begin, and which ring on until when."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.chord_known import hear_known, place_known
from planner.chord_partials import PartialFits, StiffString, partial_hz
from planner.chord_peaks import Peaks, find_peaks_in
from planner.chord_search import (
    RISE_DB,
    SHORTEST_S,
    find_new_notes,
    find_onsets,
    find_swells,
    places_to_look,
)
from planner.chord_times import loud_part, piece_of
from planner.model import HARMONIC_ROLES, Floats, Stem
from planner.strummed_octaves import octaves_inside

Array = NDArray[np.float64]

SKIP_S = 0.025  # chosen: the knock of hammer or pick is over
LONGEST_S = 0.8  # chosen: longer windows gain nothing audible and meet slow beats of the strings
# How far before and after the place where it was found a note may have begun, s; chosen: a strum's
# last string; what rose between the two windows compared.
REACH_S, SOFT_REACH_S = (0.02, 0.1), (0.15, 0.15)
QUIET_DBFS = -66.0  # chosen: a stretch below this holds no note


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voice:
    """A note as the search found it, later with its measurement."""

    start_s: float
    last_s: float  # it still sounded in the stretch that ends here
    f0_hz: float
    b: float
    share: float
    soft: bool
    reach_s: tuple[float, float]  # how far before and after start_s it may have begun
    known: bool = False  # the score has it
    fits: PartialFits | None = None
    string: StiffString | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """A stretch in which the same notes sound, and the peaks that none of them explains."""

    start_s: float
    end_s: float
    voices: tuple[int, ...]
    others_hz: Array


def find_voices(
    samples: Floats, stem: Stem, expected: tuple[tuple[float, float], ...]
) -> tuple[list[Voice], list[Stretch]]:
    """Walk from onset to onset; keep what rings on, add what begins.

    samples: (n,) at the stem's analysis rate; expected: as for `chords.find_chord_notes`. Returns
    the notes, and the stretches in which the same ones sound, both in time order.
    """
    sr = stem.analysis_sr
    voices: list[Voice] = []
    stretches: list[Stretch] = []
    sounding: list[int] = []
    struck = stem.role not in HARMONIC_ROLES
    onsets = find_onsets(samples, sr)
    swells = find_swells(samples, sr, onsets) if not struck else np.zeros(0)
    starts = places_to_look(onsets, swells, len(samples) / sr)
    starts, known_at = place_known(starts, expected, SHORTEST_S, len(samples) / sr)
    for i, (start_s, soft) in enumerate(starts):
        end_s = starts[i + 1][0] if i + 1 < len(starts) else len(samples) / sr
        first = int((start_s + (0.0 if soft else SKIP_S)) * sr)
        last = int(min(end_s - 0.005, start_s + LONGEST_S) * sr)
        stretch = loud_part(piece_of(samples, first, last), sr)
        if len(stretch) < SHORTEST_S * sr:
            continue
        if 10.0 * np.log10(float(np.mean(stretch**2)) + 1e-20) < QUIET_DBFS:
            sounding = []
            continue
        before = piece_of(samples, int((start_s - 0.15) * sr), int((start_s - 0.01) * sr))
        peaks = find_peaks_in(stretch, sr, before, 0.95 * stem.range_hz[0])
        sounding = [v for v in sounding if _rings(peaks, voices[v])]
        old = [(voices[v].f0_hz, voices[v].b) for v in sounding]
        known = hear_known(peaks, old, known_at.get(i, []))
        new = find_new_notes(peaks, old, stem.range_hz, known, struck=struck)
        found = new[len(known) :]
        if soft:  # a note that swells is no new one, unless the score has it
            rings = [voices[v].f0_hz for v in sounding]
            found = [n for n in found if all(abs(np.log2(n[0] / f0)) > 0.5 / 12 for f0 in rings)]
        else:
            if stem.role == "fretted-chords":
                found += octaves_inside(peaks, new, old, stem.range_hz[1])
            found += [_again(voices[v]) for v in sounding if _struck_again(peaks, voices[v], new)]
        for k, (f0_hz, b, share) in enumerate([*known, *found]):
            # the same pitch again: the old note ends where the new one begins
            sounding = [v for v in sounding if abs(np.log2(voices[v].f0_hz / f0_hz)) > 0.5 / 12]
            reach_s = SOFT_REACH_S if soft else REACH_S
            voices.append(
                Voice(
                    start_s=start_s, last_s=end_s, f0_hz=f0_hz, b=b, share=share, soft=soft,
                    reach_s=reach_s, known=k < len(known),
                )
            )  # fmt: skip
            sounding.append(len(voices) - 1)
        for v in sounding:
            voices[v] = replace(voices[v], last_s=end_s)
        others = _unexplained(peaks, [voices[v] for v in sounding])
        held = stretches[-1] if stretches else None
        same = held is not None and set(sounding) <= set(held.voices)
        if not (known or found) and held is not None and same and held.end_s == start_s:
            stretches[-1] = replace(held, end_s=end_s)
        else:
            stretches.append(
                Stretch(start_s=start_s, end_s=end_s, voices=tuple(sounding), others_hz=others)
            )
    return voices, stretches


def _rings(peaks: Peaks, voice: Voice) -> bool:
    """Say whether at least half of a note's lower partials still stand out."""
    law = partial_hz(voice.f0_hz, voice.b, np.arange(1, 6, dtype=float))
    law = law[law < 5500.0]
    return bool(np.mean(_found(peaks, law)) >= 0.5) if len(peaks.f_hz) and len(law) else False


def _again(voice: Voice) -> tuple[float, float, float]:
    return voice.f0_hz, voice.b, voice.share


def _struck_again(peaks: Peaks, voice: Voice, new: list[tuple[float, float, float]]) -> bool:
    """Say whether most partials of a ringing note rise that no new note explains.

    Struck again, a string's low partials may hardly rise, but the higher ones had died away.
    """
    if any(abs(np.log2(voice.f0_hz / f0_hz)) < 0.5 / 12 for f0_hz, _, _ in new):
        return False
    law = partial_hz(voice.f0_hz, voice.b, np.arange(3, 21, dtype=float))
    law = law[_found(peaks, law)]
    if len(law) and new:
        taken = np.concatenate([partial_hz(f0, b, np.arange(1.0, 30.0)) for f0, b, _ in new])
        apart = np.abs(law[:, None] - taken[None, :]).min(axis=1)
        law = law[apart > np.maximum(0.01 * law, 2.0 * peaks.width_hz)]
    if len(law) < 3:
        return False
    nearest = np.abs(peaks.f_hz[None, :] - law[:, None]).argmin(axis=1)
    return bool(np.mean(peaks.rise_db[nearest] > RISE_DB) >= 0.6)


def _found(peaks: Peaks, law: Array) -> NDArray[np.bool_]:
    off = np.abs(peaks.f_hz[None, :] - law[:, None]).min(axis=1)
    return np.asarray(off < np.maximum(0.006 * law, 0.4 * peaks.width_hz))


def _unexplained(peaks: Peaks, voices: list[Voice]) -> Array:
    """List the strong peaks that belong to no sounding note, Hz."""
    if not voices or not len(peaks.f_hz):
        return np.zeros(0)
    numbers = np.arange(1, 20, dtype=float)
    law = np.concatenate([partial_hz(v.f0_hz, v.b, numbers) for v in voices])
    off = np.abs(peaks.f_hz[:, None] - law[None, :]).min(axis=1)
    free = off > np.maximum(0.007 * peaks.f_hz, 1.5 * peaks.width_hz)
    strong = np.argsort(-np.where(free, peaks.level_db, -np.inf))[: min(int(free.sum()), 16)]
    return np.sort(peaks.f_hz[strong])


def own_hz(voice: Voice) -> Array:
    """Give the partials that no other note covers, Hz; the lowest three where none is free."""
    if voice.fits is not None and len(voice.fits.f_hz):
        return voice.fits.f_hz
    return partial_hz(voice.f0_hz, voice.b, np.arange(1, 4, dtype=float))


def f1_of(voice: Voice) -> float:
    """Give a note's first partial, Hz: as measured, else as the search found it."""
    if voice.string is not None:
        return voice.string.f1_hz
    return float(voice.f0_hz * np.sqrt(1.0 + voice.b))
