"""Stems where several notes sound at once: which notes, and where each one's first partial stands.

Chords have no honest onset pitch (every attack is mixed with what rings on), so only the sustain is
measured, from partials that no other sounding note covers.
"""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from planner.model import (
    FIXED_ROLES,
    HARMONIC_ROLES,
    LEAST_TOLD_CENTS,
    Floats,
    Measurement,
    Note,
    Stem,
)
from planner.polyphony.chord_partials import PartialFits, StiffString, fit_string
from planner.polyphony.chord_peaks import same_pitch
from planner.polyphony.chord_readings import (
    as_wide_as_bands,
    believable,
    confidence_of,
    first_in_doubt,
    read_voices,
    without_partials,
)
from planner.polyphony.chord_search import SHORTEST_S
from planner.polyphony.chord_times import (
    begun_in_stroke_s,
    begun_together_s,
    ended_s,
    held_until_s,
    piece_of,
)
from planner.polyphony.chord_voices import Beside, Voice, f1_of, own_hz
from planner.polyphony.chord_walk import SKIP_S, STRUCK_ROLES, Lead, begun, find_voices
from planner.polyphony.unisons import StringsApart, strings_apart

B_STRAYS = 0.3  # chosen: as far as beats may have led B astray
DAMPED_S = 0.15  # chosen: before a note's found end a damper may already lie on the strings
# The limits of silence in the rooms of chords, -66 to -80 dBFS, are those of a stem that peaks
# about here, -12 dBFS; chosen: one that is 36 dB lower holds nothing but what leaked in.
USUAL_PEAK, MOST_GAIN = 0.25, 64.0
NO_FREE_PARTIAL = "other notes cover every partial of it"
BARE_UPPER_DB = -60.0  # of a bar: as good as none of its partials is a multiple of the first
NO_ONSET = "chords have no honest onset"


def find_chord_notes(stem: Stem, lead: Lead | None = None) -> tuple[tuple[Note, Measurement], ...]:
    """Find the notes of a stem that plays chords, and measure each one's sustain.

    Each measurement speaks of the first partial, ``f1 = f0 sqrt(1 + B)``, in Hz, with an
    uncertainty in cents (about a 2 in 3 chance). Where no partial is free of the other notes,
    `sustain_hz` is None and the reason is given. `onset_hz` is always None: chords have no honest
    onset. Notes come by start, then pitch; digital silence gives none. In instruments that nobody
    can move afterwards, a note's own strings are asked whether they stand apart.

    lead: says, of the notes found so far, where a score has its notes: (start_s, first partial in
    Hz), to some hundredths of a second and some cents. They are looked for first and need less
    evidence than others do.
    """
    samples, raised_db = _raised(stem)  # once: an hour takes 220 MB
    return _notes_of(stem, samples, raised_db, _hear_voices(stem, samples, lead))


class _Heard(NamedTuple):
    """The notes of a stem that plays chords: starts (s) and partials, not yet their ends."""

    voices: list[Voice]
    bars: bool  # of which the first partial alone is in tune
    bands: bool  # partials are bands, of several players or oscillators


def _hear_voices(stem: Stem, samples: Floats, lead: Lead | None) -> _Heard:
    if not samples.any():
        return _Heard([], bars=False, bands=False)
    sr = stem.analysis_sr
    driven = stem.role in HARMONIC_ROLES
    voices, stretches, bars = find_voices(samples, stem, lead)
    mixed = not driven and not bars and as_wide_as_bands(samples, sr, voices, stretches)
    bands = driven or mixed
    voices = read_voices(samples, sr, voices, stretches, harmonic=bands, mixed=mixed, bars=bars)
    voices = [v for v in (without_partials(voices) if driven else voices) if believable(v)]
    struck = stem.role in STRUCK_ROLES
    found = [begun(samples, stem.analysis_sr, v, struck=struck) for v in voices]
    together = begun_in_stroke_s if struck else begun_together_s
    starts_s = together([v.start_s for v in voices], [v.start_s for v in found])
    begun_at = zip(found, starts_s, strict=True)
    voices = [replace(v, start_s=start_s) for v, start_s in begun_at]
    return _Heard(voices, bars=bars, bands=bands)


def _notes_of(
    stem: Stem, samples: Floats, raised_db: float, heard: _Heard
) -> tuple[tuple[Note, Measurement], ...]:
    """Make notes of what `_hear_voices` heard: ends, cents and how sure they are, strings apart."""
    voices = heard.voices
    apart_cents = [abs(v.reeds_apart_cents) for v in voices if v.reeds_apart_cents]
    # Reeds have their twins throughout; here and there it is a tremulant's side bands.
    usual_cents = float(np.median(apart_cents)) if 2 * len(apart_cents) > len(voices) else 0.0
    voices = [
        replace(v, reeds_apart_cents=usual_cents and (v.reeds_apart_cents or usual_cents))
        for v in voices
    ]
    ends_s = _ends_s(samples, stem.analysis_sr, voices, bands=heard.bands)
    apart: list[StringsApart | None] = [None] * len(voices)
    if stem.role in FIXED_ROLES:
        beside = Beside(voices)
        apart = [
            _strings(samples, stem.analysis_sr, k, voices, ends_s[k], beside)
            for k in range(len(voices))
        ]
    pairs = [
        _note(stem, raised_db, *one, bars=heard.bars)
        for one in zip(voices, ends_s, apart, strict=True)
    ]
    return tuple(sorted(pairs, key=lambda pair: (pair[0].start_smp, pair[0].pitch_hz)))


def _ends_s(samples: Floats, sr: int, voices: list[Voice], *, bands: bool) -> list[float]:
    begins_s = np.array(sorted({v.start_s for v in voices}))
    return [
        held_until_s(samples, sr, own_hz(v), v.start_s, v.last_s, begins_s[begins_s > v.start_s])
        if bands
        else ended_s(samples, sr, own_hz(v), v.start_s, v.last_s)
        for v in voices
    ]


def _raised(stem: Stem) -> tuple[Floats, float]:
    """Bring a stem of struck notes that was recorded low up to the usual level; by how many dB.

    What is driven holds its level, so that its quiet notes are found as it is; raised, groups of
    voices and winds were given more notes that nobody played.
    """
    samples = stem.samples
    if stem.role in HARMONIC_ROLES:
        return samples, 0.0
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    if not 0.0 < peak < USUAL_PEAK:
        return samples, 0.0
    gain = min(USUAL_PEAK / peak, MOST_GAIN)
    return samples * np.float32(gain), 20.0 * float(np.log10(gain))


def _strings(
    samples: Floats, sr: int, k: int, voices: list[Voice], end_s: float, beside: Beside
) -> StringsApart | None:
    """Ask one note whether its strings stand apart, as far as other notes leave it free."""
    voice, start_s, end_s = voices[k], voices[k].start_s + 2 * SKIP_S, end_s - DAMPED_S
    if voice.string is None or end_s - start_s < SHORTEST_S:
        return None
    others = [
        voices[i].best_note
        for i in beside.sounding(start_s, end_s)
        # the same key's own ring does not beat
        if i != k and not same_pitch(voices[i].f0_hz, voice.f0_hz)
    ]
    piece = piece_of(samples, int(start_s * sr), int(end_s * sr))
    return strings_apart(piece, sr, voice.best_note, others)


def _note(
    stem: Stem,
    raised_db: float,
    voice: Voice,
    end_s: float,
    apart: StringsApart | None,
    *,
    bars: bool,
) -> tuple[Note, Measurement]:
    string, fits = voice.string, voice.fits
    assert fits is not None
    f1_hz = f1_of(voice)
    between = 0.0
    if string is not None and apart is not None and apart.cents > 0.0:
        # The pitch is the middle of the strings, and may be heard anywhere between them.
        string = _middle(string, apart)
        between = float(np.hypot(apart.cents, apart.uncertainty_cents) / np.sqrt(12.0))
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
        level_db=10.0 * float(np.log10(power + 1e-12)) - raised_db,
        begins="soft" if voice.soft else "attack",
    )
    if string is not None and voice.reeds_apart_cents:
        # Which reed was read, and whether the ear goes by it or by their middle, nobody can say.
        doubt = math.hypot(string.f1_cents_sd, voice.reeds_apart_cents / 2.0)
        string = replace(string, f1_cents_sd=doubt)
    alone = bars and string is not None and string.used == 1
    # Of a note that was found because the score has it, one partial may well be another note's.
    if string is None or (voice.known and string.used < 2 and fits.collided):
        return note, Measurement(not_measured_because=NO_FREE_PARTIAL)
    return note, Measurement(
        sustain_hz=f1_hz,
        heard_hz=f1_hz,
        uncertainty_cents=math.hypot(string.f1_cents_sd, between, LEAST_TOLD_CENTS),
        inharmonicity_b=None if alone else string.b,
        upper_partials_db=BARE_UPPER_DB if alone else None,
        confidence=confidence_of(
            string, end_s - voice.start_s, in_doubt=first_in_doubt(voice), alone=alone
        ),
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
