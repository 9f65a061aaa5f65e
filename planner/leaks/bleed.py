"""Which notes found in a stem are another stem leaking into its microphone, and what leaks under
the others?

Where it is known how loud stems leak into each other (`planner.leaks.bleed_paths`), a note is bleed
when what leaks in at its partials explains its level and a leaking stem sounds the same note, or
one whose partial it is. Two players in unison share no phase, so no path, and both keep their
notes.

Where nothing is known of paths (files that do not start together, stems of a few seconds), a note
is taken for bleed when another stem sounds the same note at the same time, much louder, while the
note is weak by its own stem's measure; or when it is so far under the other that no mix would hold
both. Those limits are common practice without a source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.leaks.bleed_paths import NOTHING_LEAKS, BleedPath, Leaking, octave_of_bins
from planner.leaks.leaks_out import Leak, matters
from planner.leaks.spectra import HOP_S, Spectra
from planner.measure.partial_series import LN_CENTS
from planner.model import (
    FAIR_CENTS,
    FIRM_CENTS,
    ONLY_BLEED,
    Confidence,
    Finding,
    Floats,
    MeasuredNote,
    Measurement,
    Note,
    StemNotes,
)
from planner.words.roles import is_chordal
from planner.words.wording import BLEED_DOUBT_DB, count

_UNDER_OTHER_DB = 12.0
_UNDER_OWN_LOUD_DB = 12.0
_FAR_UNDER_OTHER_DB = 26.0
_SAME_CENTS = 35.0
_OVERLAP_SHARE = 0.5
_PARTIALS = (1.0, 2.0, 3.0, 4.0, 0.5)  # 0.5: the tracker may take two leaking notes for one below
# Measured with `python -m tests.bench.bleed`: notes that are bleed lie above, all others below.
_EXPLAINED_DB = -5.0
_ONLY_BLEED_DB = -6.0
# In 95 of 100 cells a leak is less than 8 dB louder than its path's octave says (measured on six
# random sessions with all stems 20 dB under each other).
_FEIGNED = 0.16
_ONLY_BLEED_SHARE = 0.8  # of the time in notes: what is read from a mix is often no note of it
_LEAST_TOLD_DB = -60.0  # chosen: below, bleed moves no reading by a hundredth of a cent
_LEAST_HEARD_DB = -40.0  # chosen: a copy further under the note is lost in any mix
_HIGHEST_PARTIAL = 10
_PARTIAL_SHARE = 1e-3  # chosen: 30 dB under the note, what lies at a partial may be noise
_ONSET_LEAST_S, _ONSET_PERIODS, _ONSET_MOST_SHARE = 0.060, 5.0, 0.35
_SUSTAIN_SHARE = 0.7  # of a note, after its onset and before its end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sounding:
    """The notes of one stem as arrays, by start."""

    start_s: Floats
    end_s: Floats
    log2_hz: Floats
    level_db: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leaks:
    """What leaks in under a note."""

    shares: Mapping[str, float]  # of the note's power at its partials, by the stem it comes from
    turned: float  # by what of a radian it turns the first partial, as all partials tell it
    feigns_low: bool = False  # as good as all that tells the note from its octave or twelfth

    @property
    def under_db(self) -> float:
        return float(10.0 * np.log10(max(sum(self.shares.values()), 1e-12)))


def without_bleed(
    stems: Sequence[StemNotes], leaking: Leaking = NOTHING_LEAKS
) -> tuple[StemNotes, ...]:
    """Drop the notes that are bleed, say of each stem how many, and of each note what leaks in.

    stems : all stems of the session; the order does not matter
    leaking : as `with_only_bleed` gives it, also of stems in which no notes are looked for. Without
        it, notes alone decide.

    Returns them in the same order. Where a path leads, notes say how far under them other stems
    leak in and where they are heard themselves, and are less sure by that.
    """
    sounding = {s.code: _arrays(s) for s in stems if s.code not in leaking.only_bleed}
    cleaned = []
    for stem in stems:
        others = {code: other for code, other in sounding.items() if code != stem.code}
        if stem.code in leaking.spectra:
            cleaned.append(_with_paths(stem, others, leaking))
        else:
            cleaned.append(_clean(stem, list(others.values())))
    return tuple(cleaned)


# ---------------------------------------------------------------- with known paths


def with_only_bleed(leaking: Leaking, notes: Mapping[str, Sequence[Note]]) -> Leaking:
    """Say in which stems nothing is played, and leave out the paths that lead from there.

    Two stems of nothing but bleed only seem to leak into each other.

    notes : by stem code, as heard in the stem as it was recorded, nothing turned down
    """

    def only(leaking: Leaking) -> frozenset[str]:
        return frozenset(c for c, own in notes.items() if _is_only_bleed(c, own, leaking))

    silent = only(leaking)
    paths = tuple(path for path in leaking.paths if path.source not in silent)
    leaking = replace(leaking, paths=paths)
    return replace(leaking, only_bleed=only(leaking))


def leaks_into(code: str, leaking: Leaking) -> tuple[Leak, ...]:
    """What leaks into a stem; nothing where that does not matter, or nothing else is heard."""
    if code in leaking.only_bleed:
        return ()
    leaks = tuple(
        Leak(source=leaking.spectra[path.source], power_gain=path.power_gain)
        for path in leaking.into(code)
    )
    return leaks if leaks and matters(leaking.spectra[code], leaks) else ()


def _is_only_bleed(code: str, notes: Sequence[Note], leaking: Leaking) -> bool:
    """Whether what leaks into a stem explains most of the time in the notes heard there."""
    into = leaking.into(code)
    explained_s = sum(
        note.length_s
        for note in notes
        if into and _leaks(note, code, leaking.spectra, into).under_db > _ONLY_BLEED_DB
    )
    return explained_s > 0.0 and explained_s >= _ONLY_BLEED_SHARE * sum(n.length_s for n in notes)


def _with_paths(stem: StemNotes, others: Mapping[str, _Sounding], leaking: Leaking) -> StemNotes:
    spectra, into = leaking.spectra, leaking.into(stem.code)
    out = [path for path in leaking.paths if path.source == stem.code]
    if into and (not stem.notes or stem.code in leaking.only_bleed):
        return _only_bleed(stem, spectra, into) if stem.role != "exclude" else stem
    told, bleed = [], 0
    for measured in stem.notes:
        note = measured.note
        leaks = _leaks(note, stem.code, spectra, into)
        sources = [others[code] for code in leaks.shares if code in others]
        log2_hz = float(np.log2(note.pitch_hz))
        if leaks.under_db > _EXPLAINED_DB and any(
            _covers(one, note.start_s, note.end_s, log2_hz, -np.inf) for one in sources
        ):
            bleed += 1
        else:
            heard_in = _heard_in(note, spectra[stem.code], out)
            told.append(_with_bleed(measured, leaks, heard_in))
    kept = _say_dropped(replace(stem, notes=tuple(told)), bleed, len(stem.notes))
    return _clean(kept, [other for code, other in others.items() if code not in spectra])


def _only_bleed(
    stem: StemNotes, spectra: Mapping[str, Spectra], into: Sequence[BleedPath]
) -> StemNotes:
    of_source = {path.source: 0.0 for path in into}
    for measured in stem.notes:
        for source, share in _leaks(measured.note, stem.code, spectra, into).shares.items():
            of_source[source] += share * measured.note.length_s
    loudest = max(into, key=lambda path: (of_source[path.source], path.gain_db))
    only = Finding(
        severity="warning",
        what=f"only bleed here ({loudest.gain_db:.0f} dB, follows {loudest.source}): "
        "no notes made.",
        did=f"{count(len(stem.notes), 'note')} read from it: not listed." if stem.notes else "",
        advice=f"Another microphone or amplifier of {loudest.source} belongs under its linked, so "
        "that both move; if something else was played here, export the stem again.",
        stem=stem.code,
        about=ONLY_BLEED,
    )
    return replace(stem, notes=(), findings=(*stem.findings, only))


def _cells(note: Note, spectra: Spectra) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Frames inside a note, and the bins of its partials with their neighbours."""
    first, last = int(np.ceil(note.start_s / HOP_S)), int(note.end_s / HOP_S)
    if last < first:
        first = last = round((note.start_s + note.end_s) / 2 / HOP_S)
    frames = np.arange(first, min(last, len(spectra.parts) - 1) + 1)
    centres = spectra.bins_of(note.pitch_hz * np.arange(1, _HIGHEST_PARTIAL + 1))
    bins = np.unique((centres[:, None] + np.arange(-1, 2)).ravel())
    return frames, bins[(bins >= 0) & (bins < spectra.parts.shape[1])]


def _powers(spectra: Spectra, frames: NDArray[np.intp], bins: NDArray[np.intp]) -> Floats:
    """Power at some bins over some frames, (bins,); silence after the file's end."""
    inside = frames[frames < len(spectra.parts)]
    power: Floats = np.sum(np.abs(spectra.at(inside)[:, bins]).astype(float) ** 2, axis=0)
    return power


def _leaks(
    note: Note, code: str, spectra: Mapping[str, Spectra], into: Sequence[BleedPath]
) -> _Leaks:
    here = spectra[code]
    frames, bins = _cells(note, here)
    power = _powers(here, frames, bins)
    total = float(power.sum())
    if not into or total <= 0.0:
        return _Leaks(shares={}, turned=0.0)
    octave = octave_of_bins(here)[bins]
    leaks = {
        path.source: np.array(path.power_gain)[octave] * _powers(spectra[path.source], frames, bins)
        for path in into
    }
    numbers = np.rint((bins + here.first_bin) * here.bin_hz / note.pitch_hz).astype(np.intp)
    leaked = np.sum([*leaks.values()], axis=0)
    between = [numbers % times > 0 for times in (2, 3)]
    return _Leaks(
        shares={source: float(leak.sum()) / total for source, leak in leaks.items()},
        turned=_turned(numbers, power, leaked),
        feigns_low=any(leaked[own].sum() > _FEIGNED * power[own].sum() for own in between),
    )


def _turned(numbers: NDArray[np.intp], power: Floats, leaked: Floats) -> float:
    """By what of a radian a leak turns the first partial, as all partials together tell it.

    A tone r times as loud as a partial, at a frequency nearby, turns its phase by up to r, and what
    partial n says of the first by an n-th of that. Each partial meets another tone, so together
    they know it as a mean does whose parts weigh by how well they know it.

    numbers, power, leaked : (bins,) of which partial each is, all that sounds there, what leaks in
    """
    own = np.bincount(numbers, np.maximum(power - leaked, 0.0))
    leak = np.bincount(numbers, leaked)
    sounding = np.flatnonzero(own > _PARTIAL_SHARE * own.sum())
    over_leak = own[sounding] / np.maximum(leak[sounding], 1e-30)
    return 1.0 / float(np.sqrt(max(float(sounding**2 @ over_leak), 1.0)))


def _heard_in(note: Note, here: Spectra, out: Sequence[BleedPath]) -> tuple[tuple[str, float], ...]:
    """In which other stems a note can be heard, loudest first, and how many dB under itself."""
    if not out:
        return ()
    frames, bins = _cells(note, here)
    power = _powers(here, frames, bins)
    total = float(power.sum())
    if total <= 0.0:
        return ()
    octave = octave_of_bins(here)[bins]
    gains = [
        (path.into, 10.0 * np.log10(float(np.array(path.power_gain)[octave] @ power) / total))
        for path in out
    ]
    heard = [(code, round(float(db), 1)) for code, db in gains if db > _LEAST_HEARD_DB]
    return tuple(sorted(heard, key=lambda one: (-one[1], one[0])))


def _with_bleed(
    measured: MeasuredNote, leaks: _Leaks, heard_in: tuple[tuple[str, float], ...]
) -> MeasuredNote:
    under_db = min(leaks.under_db, 0.0)
    if under_db < _LEAST_TOLD_DB:
        return replace(measured, heard_in=heard_in)
    return replace(
        measured,
        measurement=_less_sure(measured.note, measured.measurement, under_db, leaks),
        bleed_db=round(under_db, 1),
        bleed_from=max(leaks.shares, key=lambda code: (leaks.shares[code], code)),
        heard_in=heard_in,
    )


def _less_sure(note: Note, m: Measurement, under_db: float, leaks: _Leaks) -> Measurement:
    """Widen what bleed may have moved.

    At either end of the window the phase is turned by 1 / sqrt(2) of the most on average, so the
    mean frequency by ``turned`` / (2 pi T).
    """
    turned_cents_s = LN_CENTS * leaks.turned / (2.0 * np.pi * note.pitch_hz)
    onset_s = min(
        max(_ONSET_LEAST_S, _ONSET_PERIODS / note.pitch_hz), _ONSET_MOST_SHARE * note.length_s
    )
    sustain = _widened(m.uncertainty_cents, turned_cents_s / (_SUSTAIN_SHARE * note.length_s))
    onset = _widened(m.onset_uncertainty_cents, turned_cents_s / onset_s)
    known = sustain if sustain is not None else onset
    confidence: Confidence = m.confidence
    if confidence and known is not None:
        if leaks.feigns_low or under_db > BLEED_DOUBT_DB or known > FAIR_CENTS:
            confidence = "shaky"
        elif confidence == "firm" and known > FIRM_CENTS:
            confidence = "fair"
    return replace(
        m, uncertainty_cents=sustain, onset_uncertainty_cents=onset, confidence=confidence
    )


def _widened(sd_cents: float | None, by_cents: float) -> float | None:
    return None if sd_cents is None else float(np.hypot(sd_cents, by_cents))


# ---------------------------------------------------------------- by the notes alone


def _arrays(stem: StemNotes) -> _Sounding:
    notes = [measured.note for measured in stem.notes]
    return _Sounding(
        start_s=np.array([note.start_s for note in notes]),
        end_s=np.array([note.end_s for note in notes]),
        log2_hz=np.log2([note.pitch_hz for note in notes]) if notes else np.empty(0),
        level_db=np.array([note.level_db for note in notes]),
    )


def _clean(stem: StemNotes, others: list[_Sounding]) -> StemNotes:
    if not stem.notes:
        return stem
    loud_db = float(np.percentile([measured.note.level_db for measured in stem.notes], 90))
    kept = []
    for measured in stem.notes:
        note = measured.note
        # A chord's notes are as unlike in level as its fingers: weak says nothing there.
        weak = not is_chordal(stem) and note.level_db < loud_db - _UNDER_OWN_LOUD_DB
        limit_db = note.level_db + (_UNDER_OTHER_DB if weak else _FAR_UNDER_OTHER_DB)
        if not any(
            _covers(other, note.start_s, note.end_s, float(np.log2(note.pitch_hz)), limit_db)
            for other in others
        ):
            kept.append(measured)
    gone = len(stem.notes) - len(kept)
    return _say_dropped(replace(stem, notes=tuple(kept)), gone, len(stem.notes))


def _say_dropped(stem: StemNotes, gone: int, found: int) -> StemNotes:
    if gone == 0:
        return stem
    told = Finding(
        severity="note",
        what=f"{gone} of {found} notes found here are other stems leaking in.",
        did="They are not listed.",
        stem=stem.code,
    )
    return replace(stem, findings=(*stem.findings, told))


def _covers(
    other: _Sounding, start_s: float, end_s: float, log2_hz: float, limit_db: float
) -> bool:
    """Whether louder notes of the other stem sound at this pitch for most of the time."""
    overlap = np.minimum(other.end_s, end_s) - np.maximum(other.start_s, start_s)
    near = (overlap > 0) & (other.level_db > limit_db)
    if not near.any():
        return False
    apart = log2_hz - other.log2_hz[near, None] - np.log2(_PARTIALS)
    same = (np.abs(apart) * 1200 < _SAME_CENTS).any(axis=1)
    return float(overlap[near][same].sum()) >= _OVERLAP_SHARE * (end_s - start_s)
