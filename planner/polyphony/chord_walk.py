"""A chord stem from onset to onset: which notes begin, and which ring on until when."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from planner.model import HARMONIC_ROLES, Floats, Stem
from planner.polyphony.chord_bars import is_alone, learn_odd, loudest_alone, odd_above
from planner.polyphony.chord_known import hear_known, place_known
from planner.polyphony.chord_partials import Note, first_partials, nearest_of
from planner.polyphony.chord_peaks import (
    DYNAMIC_DB,
    RISE_DB,
    Named,
    Peaks,
    find_peaks_in,
    no_peaks,
    same_pitch,
)
from planner.polyphony.chord_search import (
    SHORTEST_S,
    find_new_notes,
    find_onsets,
    find_swells,
    places_to_look,
)
from planner.polyphony.chord_timbre import (
    SUMS_SHARE,
    FreePartials,
    Timbre,
    free_partials,
    learn_timbre,
    stray_share,
)
from planner.polyphony.chord_times import begun_s, loud_part, piece_of
from planner.polyphony.chord_twins import without_twins
from planner.polyphony.chord_voices import Stretch, Voice, own_hz
from planner.polyphony.chord_weighing import explained, weigh
from planner.polyphony.struck_again import LOOKS_BACK_S, struck_again
from planner.polyphony.strummed_octaves import with_octaves

Array = NDArray[np.float64]
Expected = tuple[tuple[float, float], ...]  # of each note of a score: start, s, and f1, Hz
Sounding = tuple[tuple[float, ...], ...]
Lead = Callable[[list[Voice]], Expected]

SKIP_S = 0.025  # chosen: the knock of hammer or pick is over
LONGEST_S = 0.8  # chosen: longer windows gain nothing audible and meet slow beats of the strings
# How far before and after the place where it was found a note may have begun, s; chosen: a strum's
# last string; what rose between the two windows compared.
REACH_S, SOFT_REACH_S = (0.02, 0.1), (0.15, 0.15)
# Of several players, or pipes: they beat, and all that swells in together tells its place better
# than the few free partials of each note. One player's double stops tell it by themselves.
SWELL_REACH_S = (0.0, 0.0)
STRUM_REACH_S = (0.08, 0.1)  # chosen: its first string, where the last rose most
RINGING, RINGING_SHARE = 5, 0.6  # chosen: higher partials die away first; three of five alike
QUIET_DBFS = -66.0  # chosen: a stretch below this holds no note
BEFORE_S = 0.15, 0.01  # chosen: what rang before, clear of the onset
# What these play is struck; organs are among the others of fixed pitch, and speak slowly.
STRUCK_ROLES = frozenset({"tuning-reference", "fretted-chords"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A stretch that may begin with notes, s; soft where no onset tells of them."""

    start_s: float
    end_s: float
    soft: bool

    @property
    def first_s(self) -> float:
        return self.start_s + (0.0 if self.soft else SKIP_S)

    @property
    def last_s(self) -> float:
        return min(self.end_s - 0.005, self.start_s + LONGEST_S)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listener:
    """A stem, where notes may begin in it (s), and what was seen of its stretches so far.

    What one walk has seen is not looked at by the next: peaks, and the notes named beside those
    that ring and those that are known.
    """

    stem: Stem
    samples: Floats
    onsets: Array
    swells: Array
    seen: dict[Place, Peaks] = field(default_factory=dict)
    named: dict[tuple[Place, Sounding, Sounding], list[Named]] = field(default_factory=dict)
    reeds: dict[Place, dict[Note, float]] = field(default_factory=dict)  # of notes, cents apart

    @property
    def length_s(self) -> float:
        return len(self.samples) / self.stem.analysis_sr


@dataclass(slots=True, kw_only=True, eq=False)
class _Heard:
    """What a walk has heard so far."""

    voices: list[Voice] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    free: list[FreePartials] = field(default_factory=list)  # of the notes that began
    stray_shares: list[float] = field(default_factory=list)  # of strokes on frets
    alone_hz: list[float] = field(default_factory=list)  # of those that no series of partials tells
    above_alone: list[Array] = field(default_factory=list)  # what began with them, `odd_above`


def find_voices(
    samples: Floats, stem: Stem, lead: Lead | None = None
) -> tuple[list[Voice], list[Stretch], bool]:
    """Walk from onset to onset; keep what rings on, add what begins.

    The first walk learns how struck notes sound, the next tells by that what begins; of bow and
    breath, whose partials swell and swing, levels tell too little.
    samples: (n,) at the stem's analysis rate; lead: says, of the notes found so far, where a score
    has its notes, nothing if it does not fit. Returns the notes, and the stretches in which the
    same ones sound, both in time order, and whether they are bars (`planner.polyphony.chord_bars`).
    """
    sr = stem.analysis_sr
    onsets = find_onsets(samples, sr)
    slow = stem.role not in STRUCK_ROLES
    swells = find_swells(samples, sr, onsets) if slow else np.zeros(0)
    listener = Listener(stem=stem, samples=samples, onsets=onsets, swells=swells)
    heard = _walk(listener, (), None)
    odd = learn_odd(heard.alone_hz, heard.above_alone, len(heard.voices))
    if odd is None and heard.alone_hz:  # knocks and noises of what is no bar
        heard = _walk(listener, (), None, bars=False)
    expected = _led(listener, lead, heard)
    crowded = slow or float(np.mean(heard.stray_shares or 0.0)) > SUMS_SHARE
    timbre = learn_timbre(heard.free, odd, crowded=crowded)
    if expected or timbre is not None:
        heard = _walk(listener, expected, timbre, bars=odd is not None)
        # What is heard with the score places it better; notes that are weighed may fit a score that
        # the first ones, an octave off here and there, did not.
        expected = _led(listener, lead, heard)
        if expected:
            heard = _walk(listener, expected, timbre, bars=odd is not None)
    return heard.voices, heard.stretches, odd is not None


def _led(listener: Listener, lead: Lead | None, heard: _Heard) -> Expected:
    """Where a score has its notes, by those heard so far; nothing without one that fits."""
    if lead is None:
        return ()
    sr, struck = listener.stem.analysis_sr, listener.stem.role in STRUCK_ROLES
    return lead([begun(listener.samples, sr, v, struck=struck) for v in heard.voices])


def begun(samples: Floats, sr: int, voice: Voice, *, struck: bool) -> Voice:
    """Give a note the start, s, at which its own partials rise. samples: (n,) at `sr`."""
    early_s, late_s = voice.reach_s
    if not any(voice.reach_s):
        return voice
    start_s = begun_s(
        samples, sr, own_hz(voice), voice.start_s, early_s=early_s, late_s=late_s, struck=struck
    )
    return replace(voice, start_s=start_s)


def _walk(
    listener: Listener, expected: Expected, timbre: Timbre | None, *, bars: bool = True
) -> _Heard:
    """Go through a stem once; without a timbre, to learn it.

    bars: one loud peak may be a note
    """
    starts = places_to_look(listener.onsets, listener.swells, listener.length_s)
    starts, known_at = place_known(starts, expected, SHORTEST_S, listener.length_s)
    heard = _Heard()
    at_onset_s = STRUM_REACH_S if listener.stem.role == "fretted-chords" else REACH_S
    swells = frozenset(() if listener.stem.role == "bowed" else listener.swells.tolist())
    sounding: list[int] = []
    ends_s = [start_s for start_s, _ in starts[1:]] + [listener.length_s]
    for i, ((start_s, soft), end_s) in enumerate(zip(starts, ends_s, strict=True)):
        place = Place(start_s=start_s, end_s=end_s, soft=soft)
        reach_s = SOFT_REACH_S if soft else at_onset_s
        reach_s = SWELL_REACH_S if start_s in swells else reach_s
        if place.last_s - place.first_s < SHORTEST_S:
            continue
        peaks = _peaks_at(listener, place)
        voices = heard.voices
        until_now = sounding
        sounding = [v for v in sounding if _rings(peaks, voices[v])]
        ringing = [voices[v] for v in sounding]
        old = [voice.note for voice in ringing]
        known = hear_known(peaks, old, known_at.get(i, []))
        found = _new_notes(listener, place, ringing, known, timbre, bars)
        if soft and start_s not in listener.swells:  # what had sunk among beats for a moment
            held = [v for v in until_now if any(same_pitch(voices[v].f0_hz, n[0]) for n in found)]
            found = [n for n in found if not any(same_pitch(voices[v].f0_hz, n[0]) for v in held)]
            sounding += held
        if timbre is None and not soft and listener.stem.role not in HARMONIC_ROLES:
            alone = not known and is_alone(found)
            new = [n[:2] for n in (*known, *found)]
            if new and listener.stem.role == "fretted-chords":
                heard.stray_shares.append(stray_share(peaks, [*new, *old]))
            heard.free += free_partials(peaks, new, old, 1 if alone else 2)
            if alone:
                heard.alone_hz.append(found[0][0])
                heard.above_alone.append(odd_above(peaks, found[0][0]))
        for k, (f0_hz, b, share) in enumerate([*known, *found]):
            # the same pitch again: the old note ends where the new one begins
            sounding = [v for v in sounding if not same_pitch(voices[v].f0_hz, f0_hz)]
            voices.append(
                Voice(
                    start_s=start_s, last_s=end_s, f0_hz=f0_hz, b=b, share=share, soft=soft,
                    reach_s=reach_s, known=k < len(known),
                    worth=_lower(peaks, (f0_hz, b))[0],
                    reeds_apart_cents=_reeds_apart(listener, place, f0_hz),
                )
            )  # fmt: skip
            sounding.append(len(voices) - 1)
        for v in sounding:
            voices[v] = replace(voices[v], last_s=end_s)
        now = Stretch(
            start_s=start_s, end_s=end_s, voices=tuple(sounding),
            others_hz=_unexplained(peaks, [voices[v] for v in sounding]),
        )  # fmt: skip
        _join(heard.stretches, now, begun=bool(known or found))
    return heard


def _reeds_apart(listener: Listener, place: Place, f0_hz: float) -> float:
    """Say how far a second reed lies from a note, cents; 0 where none was heard."""
    apart = listener.reeds.get(place, {})
    here = (cents for (hz, _), cents in apart.items() if same_pitch(hz, f0_hz))
    return max(here, key=abs, default=0.0)


def _peaks_at(listener: Listener, place: Place) -> Peaks:
    """Give the peaks of a stretch, none where it is quiet; each stretch is looked at once."""
    if place not in listener.seen:
        samples, sr = listener.samples, listener.stem.analysis_sr
        stretch = loud_part(piece_of(samples, int(place.first_s * sr), int(place.last_s * sr)), sr)
        from_s, to_s = (place.start_s - ago_s for ago_s in BEFORE_S)
        before = piece_of(samples, int(from_s * sr), int(to_s * sr))
        loud = 10.0 * np.log10(float(np.mean(stretch**2)) + 1e-20) >= QUIET_DBFS
        lowest_hz = 0.95 * listener.stem.range_hz[0]
        listener.seen[place] = find_peaks_in(stretch, sr, before, lowest_hz) if loud else no_peaks()
    return listener.seen[place]


def _new_notes(
    listener: Listener,
    place: Place,
    ringing: list[Voice],
    known: list[Named],
    timbre: Timbre | None,
    bars: bool,
) -> list[Named]:
    """Name the notes that begin with a stretch, beside those that a score is known to have."""
    stem, peaks = listener.stem, _peaks_at(listener, place)
    old = [voice.note for voice in ringing]
    struck = stem.role not in HARMONIC_ROLES
    beside = place, tuple(old), tuple(known)
    if beside not in listener.named:
        new = find_new_notes(peaks, old, stem.range_hz, known, struck=struck)
        if stem.role == "fixed-pitch" and not place.soft:
            one_reed, apart = without_twins(peaks, [*(note[:2] for note in new), *old])
            if apart:
                listener.seen[place] = one_reed
                listener.reeds[place] = apart
                new = find_new_notes(one_reed, old, stem.range_hz, known, struck=struck)
        listener.named[beside] = new
    new, peaks = listener.named[beside], _peaks_at(listener, place)
    if place.soft:  # a note that swells is no new one, unless the score has it
        return [
            note
            for note in new[len(known) :]
            if not any(same_pitch(note[0], voice.f0_hz) for voice in ringing)
        ]
    if not new and struck and bars:
        new = loudest_alone(peaks, stem.range_hz)
    if timbre is not None and not known:  # a score says by itself which octaves are meant
        new = weigh(peaks, new, old, stem.range_hz, timbre)
    if stem.role == "fretted-chords" and not (timbre is not None and known):
        if timbre is not None:
            new = explained(peaks, new, old, timbre)
        new = with_octaves(peaks, new, old, stem.range_hz[1], timbre)
    again = [voice for voice in ringing if _struck_again(peaks, voice, new)]
    if stem.role == "fretted-chords" and not known:
        again += _turned(listener, place, [v for v in ringing if v not in again], ringing, new)
    return [*new[len(known) :], *((v.f0_hz, v.b, v.share) for v in again)]


def _join(stretches: list[Stretch], now: Stretch, *, begun: bool) -> None:
    """Add a stretch, to the one before where nothing began and no gap lies between."""
    held = stretches[-1] if stretches else None
    if held and not begun and held.end_s == now.start_s and set(now.voices) <= set(held.voices):
        stretches[-1] = replace(held, end_s=now.end_s)
    else:
        stretches.append(now)


def _lower(peaks: Peaks, note: Note) -> tuple[Array, NDArray[np.bool_]]:
    """Say how much each of a note's lower partials stands out, 0..1, and which rose; (5,) each."""
    law = first_partials(note, RINGING)
    if not len(peaks.f_hz):
        return np.zeros(RINGING), np.zeros(RINGING, dtype=bool)
    stands, nearest = _found(peaks, law)
    worth = np.maximum((peaks.level_db[nearest] - peaks.level_db.max()) / DYNAMIC_DB + 1.0, 0.0)
    return np.where(stands, worth, 0.0), stands & (peaks.rise_db[nearest] > RISE_DB)


def _rings(peaks: Peaks, voice: Voice) -> bool:
    """Say whether most of what a note's lower partials were still stands out.

    A tine or a bar is soon left with its first partials; they were most of it from the start. What
    rises is new: it may hide what rang there, and says nothing of it.
    """
    worth, risen = _lower(peaks, voice.note)
    was = np.where(risen, 0.0, voice.worth)
    return bool(was @ (worth > 0.0) >= RINGING_SHARE * was.sum() > 0.0)


def _struck_again(peaks: Peaks, voice: Voice, new: list[Named]) -> bool:
    """Say whether most partials of a ringing note rise that no new note explains.

    Struck again, a string's low partials may hardly rise, but the higher ones had died away.
    """
    if any(same_pitch(voice.f0_hz, f0_hz) for f0_hz, _, _ in new):
        return False
    law = first_partials(voice.note, 20)[2:]
    beside = [note[:2] for note in new]
    # Above the last looked for of a new note, all may be that one's.
    law = law[law < min((first_partials(note, 29)[-1] for note in beside), default=np.inf)]
    stands, nearest = _found(peaks, law)
    apart = nearest_of(law, beside, 29)
    free = stands & (apart > np.maximum(0.01 * law, 2.0 * peaks.width_hz))
    if free.sum() < 3:
        return False
    return bool(np.mean(peaks.rise_db[nearest[free]] > RISE_DB) >= 0.6)


def _turned(
    listener: Listener, place: Place, asked: list[Voice], ringing: list[Voice], new: list[Named]
) -> list[Voice]:
    """Give the strings that ring and began anew at a place, as their partials' phases say.

    A pick stops a string before it plucks it; a hammer only adds to what rings.
    """
    sr = listener.stem.analysis_sr
    result = []
    for voice in asked:
        if any(same_pitch(voice.f0_hz, n[0]) for n in new):
            continue
        if place.start_s - voice.start_s < LOOKS_BACK_S:
            continue
        others = [v.note for v in ringing if v is not voice] + [n[:2] for n in new]
        if struck_again(listener.samples, sr, round(place.start_s * sr), voice.note, others):
            result.append(voice)
    return result


def _found(peaks: Peaks, law: Array) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Say which of some partials, Hz, have a peak, and which peak is nearest; (k,) each."""
    nearest = np.abs(peaks.f_hz[None, :] - law[:, None]).argmin(axis=1)
    off = np.abs(peaks.f_hz[nearest] - law)
    return off < np.maximum(0.006 * law, 0.4 * peaks.width_hz), nearest


def _unexplained(peaks: Peaks, voices: list[Voice]) -> Array:
    """List the strong peaks that belong to no sounding note, Hz."""
    if not voices or not len(peaks.f_hz):
        return np.zeros(0)
    off = nearest_of(peaks.f_hz, [voice.note for voice in voices], 19)
    free = off > np.maximum(0.007 * peaks.f_hz, 1.5 * peaks.width_hz)
    strong = np.argsort(-np.where(free, peaks.level_db, -np.inf))[: min(int(free.sum()), 16)]
    return np.sort(peaks.f_hz[strong])
