"""Stems where several notes sound at once: which notes, and where each one's first partial stands.

Chords have no honest onset pitch (every attack is mixed with what rings on), so only the sustain is
measured, from partials that no other sounding note covers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.chord_known import hear_known, place_known
from planner.chord_partials import (
    FIRST_WINDOW_S,
    UNSTEADY,
    PartialFits,
    StiffString,
    fit_string,
    partial_hz,
    refine,
    typical_b,
)
from planner.chord_search import (
    RISE_DB,
    SHORTEST_S,
    Peaks,
    find_new_notes,
    find_onsets,
    find_peaks_in,
    find_swells,
    places_to_look,
)
from planner.chord_times import begun_s, ended_s, loud_part, piece_of
from planner.model import FIXED_ROLES, HARMONIC_ROLES, Confidence, Floats, Measurement, Note, Stem
from planner.unisons import StringsApart, strings_apart

Array = NDArray[np.float64]

SKIP_S = 0.025  # chosen: the knock of hammer or pick is over
LONGEST_S = 0.8  # chosen: longer windows gain nothing audible and meet slow beats of the strings
# How far before and after the place where it was found a note may have begun, s; chosen: a strum's
# last string; what rose between the two windows compared.
REACH_S, SOFT_REACH_S = (0.02, 0.1), (0.15, 0.15)
B_STRAYS = 0.3  # chosen: as far as beats may have led B astray
DAMPED_S = 0.15  # chosen: before a note's found end a damper may already lie on the strings
QUIET_DBFS = -66.0  # chosen: a stretch below this holds no note
SAME_SOUND_CENTS = 12.0  # what `match_partials` takes for one pitch
FEW_PARTIALS = 3
SWING_CENTS = 5.0  # chosen, where no note was read in two windows: a slight vibrato
FIRM_S = 0.2  # chosen: a shorter stretch of speech can pass for a note
NO_FREE_PARTIAL = "more than one note sounds here, no free partial"
NO_ONSET = "chords have no honest onset"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Voice:
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
class _Stretch:
    """A stretch in which the same notes sound, and the peaks that none of them explains."""

    start_s: float
    end_s: float
    voices: tuple[int, ...]
    others_hz: Array


def find_chord_notes(
    stem: Stem, expected: tuple[tuple[float, float], ...] = ()
) -> tuple[tuple[Note, Measurement], ...]:
    """Find the notes of a stem that plays chords, and measure each one's sustain.

    Each measurement speaks of the first partial, ``f1 = f0 sqrt(1 + B)``, in Hz, with an
    uncertainty in cents (about a 2 in 3 chance). Where no partial is free of the other notes,
    `sustain_hz` is None and the reason is given. `onset_hz` is always None: chords have no honest
    onset. Notes come by start, then pitch; digital silence gives none. In instruments that nobody
    can move afterwards, a note's own strings are asked whether they stand apart.

    expected: where a score has notes, (start_s, first partial in Hz), to some hundredths of a
    second and some cents. They are looked for first and need less evidence than others do.
    """
    samples = stem.samples
    if not samples.any():
        return ()
    harmonic = stem.role in HARMONIC_ROLES
    voices, stretches = _search(samples, stem, expected)
    voices = _measure(samples, stem.analysis_sr, voices, stretches, harmonic)
    voices = [v for one in voices for v in _not_a_partial(one, voices, harmonic)]
    voices = [_begun(samples, stem.analysis_sr, v) for v in voices if _believable(v)]
    voices = _less_sure_by_wander(voices) if harmonic else _pool_stiffness(voices)
    ends_s = [
        ended_s(samples, stem.analysis_sr, _own_hz(voice), voice.start_s, voice.last_s)
        for voice in voices
    ]
    apart: list[StringsApart | None] = [None] * len(voices)
    if stem.role in FIXED_ROLES:
        voices, ends_s, apart = _with_strings(samples, stem.analysis_sr, voices, ends_s)
    pairs = [_note(stem, *one) for one in zip(voices, ends_s, apart, strict=True)]
    return tuple(sorted(pairs, key=lambda pair: (pair[0].start_smp, pair[0].pitch_hz)))


def _search(
    samples: Floats, stem: Stem, expected: tuple[tuple[float, float], ...]
) -> tuple[list[_Voice], list[_Stretch]]:
    """Walk from onset to onset; keep what rings on, add what begins."""
    sr = stem.analysis_sr
    voices: list[_Voice] = []
    stretches: list[_Stretch] = []
    sounding: list[int] = []
    onsets = find_onsets(samples, sr)
    swells = find_swells(samples, sr, onsets) if stem.role in HARMONIC_ROLES else np.zeros(0)
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
        new = find_new_notes(peaks, old, stem.range_hz, known)
        if soft:  # a note that swells is no new one
            rings = [voices[v].f0_hz for v in sounding]
            new = [n for n in new if all(abs(np.log2(n[0] / f0)) > 0.5 / 12 for f0 in rings)]
        else:
            new += [_again(voices[v]) for v in sounding if _struck_again(peaks, voices[v], new)]
        for k, (f0_hz, b, share) in enumerate(new):
            # the same pitch again: the old note ends where the new one begins
            sounding = [v for v in sounding if abs(np.log2(voices[v].f0_hz / f0_hz)) > 0.5 / 12]
            reach_s = SOFT_REACH_S if soft else REACH_S
            voices.append(
                _Voice(
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
        if not new and held is not None and same and held.end_s == start_s:
            stretches[-1] = replace(held, end_s=end_s)
        else:
            stretches.append(
                _Stretch(start_s=start_s, end_s=end_s, voices=tuple(sounding), others_hz=others)
            )
    return voices, stretches


def _rings(peaks: Peaks, voice: _Voice) -> bool:
    """Say whether at least half of a note's lower partials still stand out."""
    law = partial_hz(voice.f0_hz, voice.b, np.arange(1, 6, dtype=float))
    law = law[law < 5500.0]
    return bool(np.mean(_found(peaks, law)) >= 0.5) if len(peaks.f_hz) and len(law) else False


def _again(voice: _Voice) -> tuple[float, float, float]:
    return voice.f0_hz, voice.b, voice.share


def _struck_again(peaks: Peaks, voice: _Voice, new: list[tuple[float, float, float]]) -> bool:
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


def _unexplained(peaks: Peaks, voices: list[_Voice]) -> Array:
    """List the strong peaks that belong to no sounding note, Hz."""
    if not voices or not len(peaks.f_hz):
        return np.zeros(0)
    numbers = np.arange(1, 20, dtype=float)
    law = np.concatenate([partial_hz(v.f0_hz, v.b, numbers) for v in voices])
    off = np.abs(peaks.f_hz[:, None] - law[None, :]).min(axis=1)
    free = off > np.maximum(0.007 * peaks.f_hz, 1.5 * peaks.width_hz)
    strong = np.argsort(-np.where(free, peaks.level_db, -np.inf))[: min(int(free.sum()), 16)]
    return np.sort(peaks.f_hz[strong])


def _measure(
    samples: Floats,
    sr: int,
    voices: list[_Voice],
    stretches: list[_Stretch],
    harmonic: bool,
) -> list[_Voice]:
    """Measure every note in the stretch where it begins, and again later if that did not do."""
    for stretch in stretches:
        wanted = [
            v for v in stretch.voices if voices[v].fits is None or 0 < _used(voices[v]) < 3
        ]  # fmt: skip
        if not wanted:
            continue
        first = int((stretch.start_s + SKIP_S) * sr)
        last = int((stretch.end_s - 0.005) * sr)
        if last - first < SHORTEST_S * sr:
            continue
        guesses = [(voices[v].f0_hz, voices[v].b) for v in stretch.voices]
        found = refine(
            loud_part(piece_of(samples, first, last), sr), sr, guesses, stretch.others_hz,
            harmonic=harmonic, longest_s=LONGEST_S,
        )  # fmt: skip
        for v, (string, fits) in zip(stretch.voices, found, strict=True):
            if v not in wanted:
                continue
            if voices[v].fits is None or (string and string.used > _used(voices[v])):
                voices[v] = replace(voices[v], fits=fits, string=string)
    return voices


def _used(voice: _Voice) -> int:
    return voice.string.used if voice.string else 0


def _believable(voice: _Voice) -> bool:
    """Drop what has no steady partial: consonants, shakers, glides."""
    fits = voice.fits
    if fits is None:
        return False
    if len(fits.number) == 0:
        return fits.collided >= 3
    return float(np.median(fits.unsteady)) < UNSTEADY


def _same_string(high: _Voice, low: _Voice) -> bool:
    """Say whether a note is only every n-th partial of a lower one that began with it.

    Then it carries that string's stiffness, n squared times its B, which a string of its own
    would not.
    """
    if high.start_s != low.start_s or high.string is None or low.string is None:
        return False
    number = round(high.string.f0_hz / low.string.f0_hz)
    if number < 2 or low.string.b == 0.0:
        return False
    law = partial_hz(low.string.f0_hz, low.string.b, np.array([float(number)]))[0]
    near = abs(1200.0 * np.log2(high.string.f1_hz / law)) < 4.0
    return bool(near and abs(high.string.b / (number**2 * low.string.b) - 1.0) < 0.2)


def _same_sound(high: _Voice, low: _Voice) -> bool:
    """Say whether a driven note may be only every n-th partial of a lower one that sounds with it.

    Partials of bow and breath are exact multiples, but in vibrato their readings differ by some
    cents. A second player an octave above, as near to one, is left out unless the score has him: a
    note made up would cost a false correction, and his is hardly one.
    """
    number = round(high.f0_hz / low.f0_hz)
    if high.known or number < 2 or not low.start_s - REACH_S[1] <= high.start_s < low.last_s:
        return False
    return bool(abs(1200.0 * np.log2(high.f0_hz / (number * low.f0_hz))) < SAME_SOUND_CENTS)


def _not_a_partial(voice: _Voice, voices: list[_Voice], harmonic: bool) -> list[_Voice]:
    """Drop a note that is only a partial of a lower one; of a known one, only its reading."""
    same = _same_sound if harmonic else _same_string
    if not any(same(voice, other) for other in voices):
        return [voice]
    return [replace(voice, string=None)] if voice.known else []


def _less_sure_by_wander(voices: list[_Voice]) -> list[_Voice]:
    """Add to each uncertainty how far the stem's driven tones wander between windows.

    All partials of a voice or bow swing together, so their agreement says nothing of it: a first
    window, a fifth of a second, may lie anywhere in a swing, and so is as far off as the stem's
    notes went from there. What of a swing is left in a longer window falls with its square (the
    frequency fitted to a phase weighs the middle most). Two or three partials may agree on a side
    band of the swing, which is no nearer than a first window.
    """
    strings = [v.string for v in voices if v.string and v.string.swing_cents > 0]
    usual = float(np.median([s.wander_cents for s in strings])) if strings else 0.0
    first = SWING_CENTS
    if strings:
        first = float(np.sqrt(np.mean([s.swing_cents**2 for s in strings])))
    return [
        replace(v, string=_less_sure(v.string, usual, first)) if v.string else v for v in voices
    ]


def _less_sure(string: StiffString, usual_cents: float, first_cents: float) -> StiffString:
    share = min(1.0, FIRST_WINDOW_S / string.window_s) ** 2 if string.used > FEW_PARTIALS else 1.0
    left_cents = first_cents * share
    added = max(usual_cents, string.wander_cents, left_cents)
    return replace(string, f1_cents_sd=float(np.hypot(string.f1_cents_sd, added)))


def _pool_stiffness(voices: list[_Voice]) -> list[_Voice]:
    """Fit again with what the well-measured notes of the same register say about B."""
    sure = [v.string for v in voices if v.string and v.string.used >= 5]
    sure = [s for s in sure if s.b > 4 * s.b_sd]
    if len(sure) < 4:
        return voices
    place = np.log2([s.f0_hz for s in sure])
    offset = np.array([np.log(s.b / typical_b(s.f0_hz)) for s in sure])
    result = []
    for voice in voices:
        if voice.fits is None or voice.string is None:
            result.append(voice)
            continue
        near = np.abs(place - np.log2(voice.f0_hz)) < 0.75  # octaves; chosen: one set of strings
        if near.sum() < 4:
            result.append(voice)
            continue
        middle = float(np.median(offset[near]))
        spread = max(1.4826 * float(np.median(np.abs(offset[near] - middle))), 0.2)
        b = typical_b(voice.f0_hz) * float(np.exp(middle))
        result.append(replace(voice, string=fit_string(voice.fits, b, spread * b)))
    return result


def _with_strings(
    samples: Floats, sr: int, voices: list[_Voice], ends_s: list[float]
) -> tuple[list[_Voice], list[float], list[StringsApart | None]]:
    """Ask every note for its strings; where they beat, what swells in again is the same note."""
    ends_s = list(ends_s)
    taken: set[int] = set()
    for i, j in _swelling_again(voices, ends_s):
        if i in taken or voices[j].start_s > ends_s[i] + DAMPED_S:
            continue
        longer = [*ends_s[:i], max(ends_s[i], ends_s[j]), *ends_s[i + 1 :]]
        whole = _strings(samples, sr, i, voices, longer)
        if whole is not None and whole.cents > 0.0:
            ends_s = longer
            taken.add(j)
    kept = [k for k in range(len(voices)) if k not in taken]
    apart = [_strings(samples, sr, k, voices, ends_s) for k in kept]
    return [voices[k] for k in kept], [ends_s[k] for k in kept], apart


def _swelling_again(voices: list[_Voice], ends_s: list[float]) -> list[tuple[int, int]]:
    """Pair every struck note with those that swell in on its key later, in time order."""
    return [
        (i, j)
        for j in sorted(range(len(voices)), key=lambda k: voices[k].start_s)
        for i in range(len(voices))
        if voices[j].soft
        and not voices[i].soft
        and voices[i].start_s < voices[j].start_s
        and abs(np.log2(voices[i].f0_hz / voices[j].f0_hz)) <= 0.5 / 12
    ]


def _strings(
    samples: Floats, sr: int, k: int, voices: list[_Voice], ends_s: list[float]
) -> StringsApart | None:
    """Ask one note whether its strings stand apart, as far as other notes leave it free."""
    voice, start_s, end_s = voices[k], voices[k].start_s + 2 * SKIP_S, ends_s[k] - DAMPED_S
    if voice.string is None or end_s - start_s < SHORTEST_S:
        return None
    others = [
        (v.string.f0_hz, v.string.b) if v.string else (v.f0_hz, v.b)
        for i, v in enumerate(voices)
        if i != k and v.start_s < end_s and v.last_s > start_s
        if abs(np.log2(v.f0_hz / voice.f0_hz)) > 0.5 / 12  # the same key's own ring does not beat
    ]
    piece = piece_of(samples, int(start_s * sr), int(end_s * sr))
    return strings_apart(piece, sr, voice.string.f0_hz, voice.string.b, others)


def _note(
    stem: Stem, voice: _Voice, end_s: float, apart: StringsApart | None
) -> tuple[Note, Measurement]:
    string, fits = voice.string, voice.fits
    assert fits is not None
    f1_hz = string.f1_hz if string else float(voice.f0_hz * np.sqrt(1.0 + voice.b))
    between = 0.0
    if string is not None and apart is not None and apart.cents > 0.0:
        # The pitch is the middle of the strings, and may be heard anywhere between them.
        string, between = _middle(string, apart), apart.cents / np.sqrt(12.0)
        f1_hz = string.f1_hz
    start_smp = round(voice.start_s * stem.sr)
    end_smp = min(max(round(end_s * stem.sr), start_smp + 1), stem.frames)
    power = float((fits.amplitude**2).sum()) / 2
    note = Note(
        stem=stem.code,
        start_s=start_smp / stem.sr,
        end_s=end_smp / stem.sr,
        start_smp=start_smp,
        end_smp=end_smp,
        pitch_hz=f1_hz,
        strength=voice.share,
        pitched_share=1.0,
        level_db=10.0 * float(np.log10(power + 1e-12)),
        begins="soft" if voice.soft else "attack",
    )
    # Of a note that was found because the score has it, one partial may well be another note's.
    if string is None or (voice.known and string.used < 2 and fits.collided):
        return note, Measurement(not_measured_because=NO_FREE_PARTIAL)
    return note, Measurement(
        sustain_hz=f1_hz,
        heard_hz=f1_hz,
        # figures are written to 0.1 cents
        uncertainty_cents=max(float(np.hypot(string.f1_cents_sd, between)), 0.1),
        inharmonicity_b=string.b,
        confidence=_confidence(string, end_s - voice.start_s),
        strings_apart_cents=None if apart is None else apart.cents,
        strings_apart_uncertainty_cents=None if apart is None else apart.uncertainty_cents,
        not_measured_because=NO_ONSET,
    )


def _middle(string: StiffString, apart: StringsApart) -> StiffString:
    """Fit the middle of a key's strings; its partials stray while they beat, and B with them."""
    zero = np.zeros(len(apart.number))
    fits = PartialFits(
        number=np.array(apart.number, dtype=float), f_hz=np.array(apart.middle_hz),
        sd_hz=np.array(apart.middle_sd_hz), amplitude=zero, unsteady=zero, collided=0,
    )  # fmt: skip
    return fit_string(fits, string.b, B_STRAYS * string.b) or string


def _confidence(string: StiffString, length_s: float) -> Confidence:
    firm = (
        length_s >= FIRM_S
        and string.used >= 3
        and string.scatter_cents < 2.5
        and string.f1_cents_sd < 1.5
    )
    if firm:
        return "firm"
    if string.used >= 2 and string.f1_cents_sd < 3.0:
        return "fair"
    return "shaky"


def _begun(samples: Floats, sr: int, voice: _Voice) -> _Voice:
    early_s, late_s = voice.reach_s
    start_s = begun_s(samples, sr, _own_hz(voice), voice.start_s, early_s=early_s, late_s=late_s)
    return replace(voice, start_s=start_s)


def _own_hz(voice: _Voice) -> Array:
    """The partials that no other note covers; the lowest three where none is known to be free."""
    if voice.fits is not None and len(voice.fits.f_hz):
        return voice.fits.f_hz
    return partial_hz(voice.f0_hz, voice.b, np.arange(1, 4, dtype=float))
