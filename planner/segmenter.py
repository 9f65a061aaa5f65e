"""Where does each note begin and end?

A note begins with an attack (something starts in the spectrum and the level of what is pitched
rises) or with a change of pitch that stays (legato). Vibrato, scoops and slides do not begin a
note: vibrato is replaced by its midline first, and a short steady movement belongs to the note it
leads to.

Method
------
1. Pitched stretches of the track, short gaps bridged, on a semitone axis, vibrato flattened.
2. A stepwise-constant fit (fewest steps that explain the line: a Potts model solved by dynamic
   programming; A. Weinmann, M. Storath and L. Demaret, SIAM J. Numer. Anal. 53, 2015).
3. Steps are joined (glides to what follows, equal neighbours to each other) and cut at attacks.
4. Starts are placed on the rise of the waveform, ends where the note's own sound has gone.
5. What is too short, too weak, too little periodic, or only the ring of the note before, is none.

All thresholds below are in the units of their names; where no source is named they are common
practice without one, checked on synthetic melodies in rooms and on recorded instruments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.model import HARMONIC_ROLES, Floats, Note, PitchTrack, Stem
from planner.pitch import midi_to_hz

_BRIDGE_S = 0.025  # a gap this short inside one pitch is a flutter of the track
_MIN_NOTE_S = 0.050  # an 80 ms staccato shows at least this much pitch
_MIN_MEDIAN_STRENGTH = 0.80  # breath and consonants reach 0.7; a noisy but pitched note 0.85
_SOFT_NOTE_DB = 20.0  # under the loud notes, only a clean note counts
_SOFT_MEDIAN_STRENGTH = 0.92
_WEAK_NOTE_DB = 32.0  # under the loud notes of the stem: bleed, handling, string noise

_STEP_SIGMA = 0.40  # semitones: deviations of this size are still the same note
_STEP_COST = 9.0
_STEP_CAP = 6.0  # one wild frame never costs more than this
_STEP_GRID = 0.25  # semitones

_VIBRATO_HALF_PERIOD_S = (0.045, 0.16)  # 3.1 to 11 Hz
_VIBRATO_SWING = 2.6  # semitones from trough to crest at most
_VIBRATO_MIN_SWING = 0.12

_GLIDE_S = 0.16  # a steady movement shorter than this is a scoop or slide, not a note
_GLIDE_RATE = 4.0  # semitones per second
_DEPARTED_SHARE = 0.15
_SAME_NOTE = 0.55  # semitones: two steps this close are one note

_ATTACK_FLOOR = 0.045  # nepers of mean spectral rise
_ATTACK_OVER_MEDIAN = 1.6
_ATTACK_RISE_DB = 2.5  # of the pitched level: a re-struck note at least this much louder
_ATTACK_APART_S = 0.055
_DIP_DB = 4.0  # a bow change or a new syllable lowers the level at least this much, on both sides
_DIP_REACH_S = 0.10
_DIP_AROUND_S = 0.50
_DIP_OVER_OTHERS = 2.0
_SILENT_DB = 45.0
_LOUD_MOMENT_DB = 15.0
_PITCHED_STEM_SHARE = 0.3
_UNSTARTED_PLUCK_DB = 14.0  # a pluck that nothing starts is, this far under the loud ones, a ring
_UNSTARTED_DB = 20.0  # likewise for bow, breath and voice, which can start softly
_RING_DB = 14.0  # a "note" without attack this far under the one before is that note's ring
_GONE_DB = 30.0  # a note this far under its own peak has ended


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """A stretch of frames at one pitch; ``attack`` tells how its first frame came about."""

    first: int
    last: int  # half-open
    begins: Literal["attack", "legato", "soft"]


def segment(stem: Stem, track: PitchTrack) -> tuple[Note, ...]:
    """Split a stem in which one note sounds at a time into its notes.

    Parameters
    ----------
    stem : Stem
    track : PitchTrack of the same stem

    Returns
    -------
    tuple of Note
        In time order, not overlapping; positions in samples at the stem's own rate.
    """
    hop_s = track.hop_s
    pitched_level = _pitched_level_db(track)
    attacks = np.union1d(
        _attack_frames(track, pitched_level), _level_dips(pitched_level, hop_s)
    ).astype(np.intp)
    steps: list[_Step] = []
    for first, last in _pitched_runs(track):
        midi = _semitones(track.f0_hz[first:last])
        steps += _split_run(midi, first, attacks, track, pitched_level)
    loud_db = max(_loud_db(pitched_level, steps), _unpitched_floor_db(track))
    notes: list[Note] = []
    previous: _Step | None = None
    for step in steps:
        if not _is_note(stem, step, previous, track, pitched_level, loud_db):
            continue
        nxt = next((s.first for s in steps if s.first >= step.last), None)
        note = _place(stem, track, step, pitched_level, hop_s, nxt)
        if note is not None:
            if notes and note.start_s < notes[-1].end_s:
                notes[-1] = _end_at(notes[-1], note.start_smp, stem.sr)
            notes.append(note)
            previous = step
    return tuple(note for note in notes if note.length_s >= 0.9 * _MIN_NOTE_S)


def _pitched_level_db(track: PitchTrack) -> Floats:
    """Level of what is periodic in each frame: a drum leaking in lowers the share, not this."""
    share = np.clip(track.strength, 0.05, 1.0)
    return track.level_db + 10.0 * np.log10(share)


def _semitones(f_hz: Floats) -> Floats:
    return 69.0 + 12.0 * np.log2(f_hz / 440.0)


def _pitched_runs(track: PitchTrack) -> list[tuple[int, int]]:
    pitched = ~np.isnan(track.f0_hz)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], pitched.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _attack_frames(track: PitchTrack, level_db: Floats) -> NDArray[np.intp]:
    """Frames at which something begins: peaks of the attack curve with a rise in pitched level."""
    curve = track.attack
    frames = len(curve)
    near = round(0.03 / track.hop_s)
    wide = round(0.3 / track.hop_s)
    if frames <= 2:
        return np.empty(0, dtype=np.intp)
    threshold = _ATTACK_FLOOR + _ATTACK_OVER_MEDIAN * _moving_median(curve, wide)
    padded = np.pad(curve, near)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * near + 1).max(axis=1)
    peaks = np.flatnonzero((curve == highest) & (curve > threshold))
    after = round(0.045 / track.hop_s)
    before = round(0.06 / track.hop_s)
    rising = [
        level_db[p : p + after].max() - level_db[max(0, p - before) : max(1, p)].min()
        > _ATTACK_RISE_DB
        for p in peaks
    ]
    return peaks[np.array(rising, dtype=bool)]


def _level_dips(level_db: Floats, hop_s: float) -> NDArray[np.intp]:
    """Frames at which the pitched level comes back out of a dip: a soft re-start of a note.

    Vibrato makes the level swing too; a dip counts where it is deeper than any such swing around.
    """
    reach = round(_DIP_REACH_S / hop_s)
    if len(level_db) < 2 * reach + 1:
        return np.empty(0, dtype=np.intp)
    floor = level_db.max() - _SILENT_DB
    view = np.lib.stride_tricks.sliding_window_view(
        np.pad(level_db, reach, mode="edge"), 2 * reach + 1
    )
    left = view[:, : reach + 1].max(axis=1) - level_db
    right = view[:, reach:].max(axis=1) - level_db
    depth = np.minimum(left, right)
    near = max(1, round(0.02 / hop_s))
    lowest = np.lib.stride_tricks.sliding_window_view(
        np.pad(level_db, near, mode="edge"), 2 * near + 1
    ).min(axis=1)
    dips = np.flatnonzero((level_db == lowest) & (depth > 0.5) & (level_db + depth > floor))
    around = round(_DIP_AROUND_S / hop_s)
    deep = []
    for dip in dips:
        if depth[dip] < _DIP_DB:
            continue
        others = dips[(np.abs(dips - dip) < around) & (np.abs(dips - dip) > reach // 4)]
        if len(others) == 0 or depth[dip] > _DIP_OVER_OTHERS * np.median(depth[others]):
            deep.append(dip)
    return np.array(deep, dtype=np.intp)


def _moving_median(curve: Floats, window: int) -> Floats:
    """Median over blocks, interpolated: good enough for a threshold, and quick."""
    blocks = max(1, len(curve) // max(1, window // 2))
    edges = np.linspace(0, len(curve), blocks + 1).astype(int)
    half = window // 2
    centres = (edges[:-1] + edges[1:]) / 2
    medians = [float(np.median(curve[max(0, int(c) - half) : int(c) + half + 1])) for c in centres]
    return np.interp(np.arange(len(curve)), centres, medians)


# ------------------------------------------------------------------ one pitched run into steps


def _split_run(
    midi: Floats,
    offset: int,
    attacks: NDArray[np.intp],
    track: PitchTrack,
    level_db: Floats,
) -> list[_Step]:
    """Cut one pitched run where its midline steps and where it is struck again."""
    hop_s = track.hop_s
    line = vibrato_midline(midi, hop_s)
    cuts = [0, *potts_steps(line), len(line)]
    pieces = list(pairwise(cuts))
    pieces = _from_departure(_join_steps(pieces, line, hop_s), line)
    inside = attacks[(attacks > offset) & (attacks < offset + len(midi))] - offset
    apart = round(_ATTACK_APART_S / hop_s)
    starts: dict[int, Literal["attack", "legato", "soft"]] = {}
    for a, _ in pieces:
        starts[a] = "soft" if a == 0 else "legato"
    for attack in inside:
        near = [a for a in starts if abs(a - attack) <= apart]
        if near:
            for a in near:
                starts[a] = "attack"
        elif len(midi) - attack > apart // 2:
            starts[int(attack)] = "attack"
    if len(attacks) and np.abs(attacks - offset).min() <= apart:
        starts[0] = "attack"
    bounds = [*sorted(starts), len(midi)]
    return [_Step(first=offset + a, last=offset + b, begins=starts[a]) for a, b in pairwise(bounds)]


def potts_steps(line: Floats) -> list[int]:
    """Find the frames at which a stepwise-constant fit of a semitone line takes a step.

    Each frame costs a Huber loss of its distance from the current level, each step a fixed
    price; the cheapest sequence of levels is found exactly.
    """
    levels = np.arange(
        np.floor(line.min() / _STEP_GRID) * _STEP_GRID, line.max() + _STEP_GRID, _STEP_GRID
    )
    distance = np.abs(line[:, None] - levels) / _STEP_SIGMA
    loss = np.where(distance < 1.5, 0.5 * distance**2, 1.5 * (distance - 0.75))
    loss = np.minimum(loss, _STEP_CAP)
    total = loss[0].copy()
    came_from = np.zeros(loss.shape, dtype=np.int32)
    stay = np.arange(len(levels), dtype=np.int32)
    for frame in range(1, len(line)):
        best = int(total.argmin())
        step = total[best] + _STEP_COST
        stepping = step < total
        came_from[frame] = np.where(stepping, best, stay)
        total = np.where(stepping, step, total) + loss[frame]
    state = int(total.argmin())
    cuts = []
    for frame in range(len(line) - 1, 0, -1):
        origin = int(came_from[frame, state])
        if origin != state:
            cuts.append(frame)
            state = origin
    return cuts[::-1]


def vibrato_midline(midi: Floats, hop_s: float) -> Floats:
    """Replace vibrato in a semitone line by the line midway between its crests and troughs.

    Vibrato is three or more swings in a row, alternately up and down, of similar size and of
    half periods that a player can make.
    """
    width = max(3, round(0.03 / hop_s) | 1)
    if len(midi) < 4 * width:
        return midi
    taper = np.hanning(width + 2)[1:-1]
    smooth = np.convolve(np.pad(midi, width // 2, mode="edge"), taper / taper.sum(), "valid")
    turns = _turning_points(smooth, _VIBRATO_MIN_SWING)
    if len(turns) < 4:
        return midi
    half_period = np.diff(turns) * hop_s
    swing = np.abs(np.diff(smooth[turns]))
    shortest, longest = _VIBRATO_HALF_PERIOD_S
    plausible = (half_period > shortest) & (half_period < longest) & (swing < _VIBRATO_SWING)
    out = midi.copy()
    first = 0
    while first < len(plausible):
        last = first
        while (
            last + 1 < len(plausible)
            and plausible[last]
            and plausible[last + 1]
            and 0.35 < swing[last + 1] / swing[last] < 2.9
            and 0.5 < half_period[last + 1] / half_period[last] < 2.0
        ):
            last += 1
        if plausible[first] and last - first >= 2:
            at = turns[first : last + 2]
            value = smooth[at]
            centre = (at[:-1] + at[1:]) / 2
            midway = (value[:-1] + value[1:]) / 2
            if len(midway) > 2:
                midway = np.convolve(np.pad(midway, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
            reach = int(np.median(np.diff(at)) / 2)
            a, b = max(0, at[0] - reach), min(len(out), at[-1] + reach + 1)
            out[a:b] = np.interp(np.arange(a, b), centre, midway)
        first = last + 1
    return out


def _turning_points(line: Floats, smallest: float) -> NDArray[np.intp]:
    """Crests and troughs in turn, none of the swings between them smaller than ``smallest``."""
    direction = np.sign(np.diff(line))
    turns = [i for i in range(1, len(direction)) if direction[i] * direction[i - 1] < 0]
    while len(turns) > 2:
        swing = np.abs(np.diff(line[turns]))
        least = int(swing.argmin())
        if swing[least] >= smallest:
            break
        del turns[least : least + 2]
    return np.array(turns, dtype=np.intp)


def _join_steps(pieces: list[tuple[int, int]], line: Floats, hop_s: float) -> list[tuple[int, int]]:
    """Give glides to the note they lead to, and join neighbours at the same pitch."""

    def level(piece: tuple[int, int]) -> float:
        return float(np.median(line[piece[0] : piece[1]]))

    pieces = list(pieces)
    index = 0
    while index < len(pieces) and len(pieces) > 1:
        a, b = pieces[index]
        length_s = (b - a) * hop_s
        part = line[a:b]
        travel = abs(part[-1] - part[0])
        path = float(np.abs(np.diff(part)).sum()) + 1e-9
        glides = length_s < _GLIDE_S and travel / length_s > _GLIDE_RATE and travel / path > 0.7
        if length_s < _MIN_NOTE_S or glides:
            if index + 1 < len(pieces):
                pieces[index : index + 2] = [(a, pieces[index + 1][1])]
            else:
                pieces[index - 1 : index + 1] = [(pieces[index - 1][0], b)]
            index = max(0, index - 1)
            continue
        if index > 0 and abs(level(pieces[index - 1]) - level((a, b))) < _SAME_NOTE:
            pieces[index - 1 : index + 1] = [(pieces[index - 1][0], b)]
            index = max(0, index - 1)
            continue
        index += 1
    return pieces


def _from_departure(pieces: list[tuple[int, int]], line: Floats) -> list[tuple[int, int]]:
    """Move each border back to where the line leaves the old note, a slide's first quarter."""
    for index in range(1, len(pieces)):
        (a, border), (_, b) = pieces[index - 1], pieces[index]
        old = float(np.median(line[a:border]))
        new = float(np.median(line[border:b]))
        left = np.abs(line[a:border] - old) < _DEPARTED_SHARE * abs(new - old)
        back = border - (a + int(np.flatnonzero(left)[-1]) + 1) if left.any() else 0
        moved = border - min(back, (border - a) // 2)
        pieces[index - 1], pieces[index] = (a, moved), (moved, b)
    return pieces


# ------------------------------------------------------------------ steps into notes


def _loud_db(level_db: Floats, steps: list[_Step]) -> float:
    """Level of the stem's loud notes: the 90th percentile, by time, of the notes' own peaks."""
    if not steps:
        return 0.0
    peaks = np.array([level_db[s.first : s.last].max() for s in steps])
    lengths = np.array([s.last - s.first for s in steps])
    order = peaks.argsort()
    reached = np.cumsum(lengths[order]) / lengths.sum()
    return float(peaks[order][np.searchsorted(reached, 0.9)])


def _unpitched_floor_db(track: PitchTrack) -> float:
    """Level that counts as loud in a stem whose loud moments are not pitched; -inf elsewhere.

    Where a shaker or a drum is what the stem is about, the faint pitched moments between are
    other instruments leaking in.
    """
    sounding = track.level_db > -100.0
    if not sounding.any():
        return -np.inf
    loud_db = float(np.percentile(track.level_db[sounding], 97))
    loud = track.level_db > loud_db - _LOUD_MOMENT_DB
    pitched = ~np.isnan(track.f0_hz[loud])
    if pitched.mean() > _PITCHED_STEM_SHARE:
        return -np.inf
    return loud_db - _LOUD_MOMENT_DB + _WEAK_NOTE_DB


def _is_note(
    stem: Stem,
    step: _Step,
    previous: _Step | None,
    track: PitchTrack,
    level_db: Floats,
    loud_db: float,
) -> bool:
    span = slice(step.first, step.last)
    if (step.last - step.first) * track.hop_s < _MIN_NOTE_S:
        return False
    peak = level_db[span].max()
    if peak < loud_db - _WEAK_NOTE_DB:
        return False
    soft = peak < loud_db - _SOFT_NOTE_DB
    if np.median(track.strength[span]) < (_SOFT_MEDIAN_STRENGTH if soft else _MIN_MEDIAN_STRENGTH):
        return False
    if step.begins != "attack":
        driven = stem.role in HARMONIC_ROLES
        if peak < loud_db - (_UNSTARTED_DB if driven else _UNSTARTED_PLUCK_DB):
            return False
    close = previous is not None and step.first - previous.last < round(0.15 / track.hop_s)
    if previous is not None and close and step.begins != "attack":
        before = level_db[previous.first : previous.last].max()
        if peak < before - _RING_DB:
            return False
    return True


def _place(
    stem: Stem,
    track: PitchTrack,
    step: _Step,
    level_db: Floats,
    hop_s: float,
    next_first: int | None,
) -> Note | None:
    """Turn a step into a note with its start on the waveform's rise and its end where it fades."""
    f0 = track.f0_hz[step.first : step.last]
    level = level_db[step.first : step.last]
    settled = f0[len(f0) // 4 :]
    pitch_hz = float(midi_to_hz(float(np.median(_semitones(settled)))))
    near = np.abs(12 * np.log2(f0 / pitch_hz)) < 3.5
    if near.sum() * hop_s < _MIN_NOTE_S:
        return None
    first = step.first + int(np.argmax(near))
    alive = np.flatnonzero(near & (level > level.max() - _GONE_DB))
    last = step.first + int(alive[-1]) + 1 if len(alive) else step.last
    start_s = first * hop_s
    if step.begins != "legato":
        start_s = rise_s(stem, first * hop_s, pitch_hz)
    end_s = min(last * hop_s, stem.frames / stem.sr)
    start_smp = max(0, round(start_s * stem.sr))
    end_smp = min(round(end_s * stem.sr), stem.frames)
    if end_smp - start_smp < 0.9 * _MIN_NOTE_S * stem.sr:
        return None
    inside = slice(first, last)
    return Note(
        stem=stem.code,
        start_s=start_smp / stem.sr,
        end_s=end_smp / stem.sr,
        start_smp=start_smp,
        end_smp=end_smp,
        pitch_hz=pitch_hz,
        strength=float(np.median(track.strength[inside])),
        pitched_share=float(np.mean(near[: last - step.first])),
        level_db=float(10 * np.log10(np.mean(10 ** (track.level_db[inside] / 10)))),
        begins=step.begins,
    )


def rise_s(stem: Stem, about_s: float, pitch_hz: float) -> float:
    """Find when the waveform rises into a note that begins near ``about_s``.

    The peak of each millisecond is compared with what sounded before and with what follows within
    a period and a half; the start is the first time it passes midway between them in dB, but
    never more than 20 dB under what follows, so that a soft start counts from where it is heard.
    """
    sr = stem.analysis_sr
    grain = sr // 1000
    back_s, ahead_s = 0.045, 0.045 + 1.5 / pitch_hz
    first = max(0, round((about_s - back_s - 0.03) * sr))
    piece = np.abs(stem.samples[first : round((about_s + ahead_s) * sr)])
    grains = len(piece) // grain
    if grains < 20:
        return about_s
    peak = piece[: grains * grain].reshape(grains, grain).max(axis=1) + 1e-7
    before = float(np.max(peak[:25]))
    after = float(peak.max())
    threshold = max(np.sqrt(before * after), 0.1 * after)
    above = np.flatnonzero(peak[20:] >= threshold)
    if after < 1.3 * before or len(above) == 0:
        return about_s
    return (first + (20 + int(above[0])) * grain) / sr


def _end_at(note: Note, end_smp: int, sr: int) -> Note:
    return replace(note, end_smp=end_smp, end_s=end_smp / sr)
