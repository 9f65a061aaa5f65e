"""Where does each note begin and end?

A note begins with an attack (something starts in the spectrum and the level of what is pitched
rises) or with a change of pitch that stays (legato). Vibrato, scoops and slides do not begin a
note: vibrato is replaced by its midline first, and a short steady movement belongs to the note it
leads to.

Method
------
1. Pitched stretches of the track, what begins under a ring put right, short gaps bridged, on a
   semitone axis, vibrato flattened.
2. A stepwise-constant fit (fewest steps that explain the line: a Potts model solved by dynamic
   programming; A. Weinmann, M. Storath and L. Demaret, SIAM J. Numer. Anal. 53, 2015).
3. Steps are joined (glides to what follows, equal neighbours to each other) and cut at attacks.
4. Starts are placed on the rise of the waveform, or of the note's own partials where the note
   before still sounds; ends where the note's own sound has gone, or where it is stopped or let go
   and only the room rings on.
5. What is too short, too weak, too little periodic, or only the ring of the note before, is none.

All thresholds below are in the units of their names; where no source is named they are common
practice without one, checked on synthetic melodies in rooms and on recorded instruments.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.attacks import attack_frames, pitched_level_db, quick_level_db, rise_s
from planner.common_periods import is_near
from planner.is_note import is_note, loud_level_db
from planner.last_partials import with_last_partials
from planner.midline import vibrato_midline
from planner.model import HARMONIC_ROLES, VOICE_ROLES, Floats, Note, PitchTrack, Stem
from planner.note_ends import rings_from_frame, stopped_frame
from planner.note_span import NEAR_SEMITONES
from planner.own_rise import own_rise_s
from planner.pitch import midi_to_hz
from planner.pitch_levels import MIN_NOTE_S, SAME_NOTE
from planner.pitch_steps import NO_FRAMES, Step, covered_s, split_run
from planner.restarts import restarts
from planner.sounds_on import that_sound_on
from planner.struck_pitch import with_struck_pitches
from planner.thumps import without_thumps
from planner.tracker import HOP_S

# A gap this short inside one pitch is a flutter of the track.
_BRIDGE_S, _BRIDGE_PERIODS = 0.025, 2.0
_JUST_BEFORE_FRAMES = 6
# Chosen: of bowed basses, whose odd partials are weak, what rises fits an octave too high, and one
# above what only the long window of the track reads (150 Hz) lies under 300.
_LEAST_BLOWN_HZ = 300.0
_LEAST_SUNG_S = 0.065  # chosen: what is left of a tone after a consonant can be as short
_SCOOP_STEP = 0.7  # semitones a frame: recorded scoops move by 0.5 at most
_RINGS_ON_S = 0.15  # after its end a note still hides the next one
_GONE_DB = 30.0  # a note this far under its own peak has ended
_SUSTAINED_S = 0.225  # a sustain is 40 ms between 150 ms and 85 % of the note, at the least


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
    pitched_level = pitched_level_db(track)
    plucked, sung = stem.role not in HARMONIC_ROLES, stem.role in VOICE_ROLES
    clear = attack_frames(track, pitched_level, struck=True)
    if plucked:
        clear = clear[~that_sound_on(stem, track, clear)]
    struck = clear if plucked else attack_frames(track, pitched_level)
    # The ring of one string, or the room's of one note, hides the next; that something begins there
    # is seen all the same.
    track = with_struck_pitches(stem, track, clear, lowest_hz=0.0 if plucked else _LEAST_BLOWN_HZ)
    pitched_level = pitched_level_db(track)
    f0_hz = without_thumps(stem, track.f0_hz) if plucked else track.f0_hz
    f0_hz = with_last_partials(f0_hz, clear, track.level_db, driven=not plucked)
    track = replace(track, f0_hz=f0_hz)
    f0_hz = _bridged(track, struck)
    swing = np.zeros(len(f0_hz))
    runs: list[tuple[int, Floats, Floats]] = []
    for first, last in _pitched_runs(f0_hz):
        midi = _semitones(f0_hz[first:last])
        line = vibrato_midline(midi, hop_s)
        swing[first:last] = midi - line
        runs.append((first, midi, line))
    struck, swells, broken = restarts(stem, track, struck, swing)
    marked = NO_FRAMES if plucked or sung else np.concatenate([clear, struck, swells, broken])
    steps: list[Step] = []
    for first, midi, line in runs:
        steps += split_run(
            midi, line, first, struck, swells, hop_s, marked=marked, bends=plucked, sung=sung
        )
    falls = quick_level_db(stem, track) if plucked else None
    loud_db = loud_level_db(track, pitched_level, steps)
    notes: list[Note] = []
    previous: Step | None = None
    for step in steps:
        if not is_note(stem, step, previous, track, pitched_level, loud_db):
            continue
        note = _place(stem, track, f0_hz, step, pitched_level, falls, notes[-1] if notes else None)
        if note is not None:
            if notes and note.start_s < notes[-1].end_s:
                notes[-1] = _end_at(notes[-1], note.start_smp, stem.sr)
            notes.append(note)
            previous = step
    least_s = _LEAST_SUNG_S if sung else 0.9 * MIN_NOTE_S
    return tuple(note for note in notes if note.length_s >= least_s)


def _bridged(track: PitchTrack, struck: NDArray[np.intp]) -> Floats:
    """The track's pitch, short gaps inside one pitch filled in unless a note is struck there."""
    f0 = np.array(track.f0_hz)
    runs = _pitched_runs(f0)
    for (_, end), (start, _) in pairwise(runs):
        if (start - end) * track.hop_s > max(_BRIDGE_S, _BRIDGE_PERIODS / f0[end - 1]):
            continue
        if ((struck >= end - 1) & (struck <= start + 1)).any():
            continue
        if abs(12 * np.log2(f0[start] / f0[end - 1])) < 1.0:
            f0[end:start] = np.geomspace(f0[end - 1], f0[start], start - end + 2)[1:-1]
    return f0


def _pitched_runs(f0_hz: Floats) -> list[tuple[int, int]]:
    pitched = ~np.isnan(f0_hz)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], pitched.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _semitones(f_hz: Floats) -> Floats:
    midi: Floats = 69.0 + 12.0 * np.log2(f_hz / 440.0)
    return midi


def _place(
    stem: Stem,
    track: PitchTrack,
    f0_hz: Floats,
    step: Step,
    level_db: Floats,
    falls_db: Floats | None,
    before: Note | None,
) -> Note | None:
    """Turn a step into a note with its start on the waveform's rise and its end where it fades.

    ``falls_db`` is the level by which a struck note is seen to be stopped, None for driven roles;
    ``before`` is the note before, which may still sound.
    """
    hop_s = track.hop_s
    f0 = f0_hz[step.first : step.last]
    level = level_db[step.first : step.last]
    settled = f0[len(f0) // 4 :]
    pitch_hz = float(midi_to_hz(float(np.median(_semitones(settled)))))
    near = np.abs(12 * np.log2(f0 / pitch_hz)) < NEAR_SEMITONES
    if near.sum() * hop_s < MIN_NOTE_S:
        return None
    first = step.first + int(np.argmax(near))
    sung = stem.role in VOICE_ROLES  # what strikes before a voice is a consonant
    if sung and step.begins != "legato":
        first = _scooped_from(f0_hz, step.first, first)
    alive = np.flatnonzero(near & (level > level.max() - _GONE_DB))
    last = gone = step.first + int(alive[-1]) + 1 if len(alive) else step.last
    if falls_db is not None:
        last = first + stopped_frame(falls_db[first:last], hop_s)
    else:
        last = first + rings_from_frame(level_db[first:last], hop_s)
    start_s = first * hop_s
    if (
        step.begins == "attack"
        and not sung
        and (first - step.struck) * hop_s < covered_s(pitch_hz)
        and (falls_db is not None or _only_before(f0_hz, step.struck, first))
    ):
        # Struck there; a pick, a slap or the ring of the note before covered its pitch.
        start_s = rise_s(stem, step.struck * hop_s, pitch_hz)
    elif step.begins in ("attack", "soft"):
        start_s = rise_s(stem, start_s, pitch_hz)
    if not (step.begins == "attack" and falls_db is not None):  # a stroke says when by itself
        start_s = _risen_under(stem, f0_hz, start_s, pitch_hz, before)
    if falls_db is None and last * hop_s - start_s < _SUSTAINED_S:
        last = gone  # better a sustain with some ring in it than none
    end_s = min(last * hop_s, stem.frames / stem.sr)
    start_smp = max(0, round(start_s * stem.sr))
    end_smp = min(round(end_s * stem.sr), stem.frames)
    if end_smp - start_smp < 0.9 * MIN_NOTE_S * stem.sr:
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
        begins="soft" if step.begins == "swell" else step.begins,
    )


def _scooped_from(f0_hz: Floats, earliest: int, first: int) -> int:
    """The frame from which a voice comes to the pitch of a frame without a jump."""
    moved = np.abs(12 * np.log2(f0_hz[earliest + 1 : first + 1] / f0_hz[earliest:first]))
    jumps = np.flatnonzero(~(moved < _SCOOP_STEP))  # nor where there is no pitch
    return earliest + int(jumps[-1]) + 1 if len(jumps) else earliest


def _risen_under(
    stem: Stem, f0_hz: Floats, start_s: float, pitch_hz: float, before: Note | None
) -> float:
    """Start of a note: where it rises under another that has not gone, if that is earlier."""
    if before is None or start_s - before.end_s > _RINGS_ON_S:
        return start_s
    if abs(12 * np.log2(pitch_hz / before.pitch_hz)) < SAME_NOTE:
        return start_s
    own_s = own_rise_s(stem, start_s, pitch_hz, before.pitch_hz)
    # What would leave the note before no time of its own was not this note's rise; nor was that of
    # a short one between the two, an octave or twelfth below, which has all its partials.
    between = f0_hz[round(own_s / HOP_S) : round(start_s / HOP_S)]
    between = between[~np.isnan(between)]
    low_hz = float(np.median(between)) if len(between) else pitch_hz
    theirs = not is_near(before.pitch_hz, low_hz * max(round(before.pitch_hz / low_hz), 1))
    times = round(pitch_hz / low_hz)
    if times >= 2 and theirs and is_near(pitch_hz, low_hz * times):
        return start_s
    return own_s if own_s > before.start_s + MIN_NOTE_S else start_s


def _only_before(f0_hz: Floats, struck: int, first: int) -> bool:
    """Whether from an attack to a pitch nothing is heard but the note before, or nothing pitched.

    Any other pitch there is, of what is blown, bowed or sung, a note of its own, even one too short
    to be listed; of a string it is what the stroke and the ring have in common.
    """
    between = f0_hz[struck:first]
    between = between[~np.isnan(between)]
    before = f0_hz[max(0, struck - _JUST_BEFORE_FRAMES) : struck]
    before = before[~np.isnan(before)]
    if len(between) == 0:
        return True
    if len(before) == 0:
        return False
    return bool((np.abs(12 * np.log2(between / np.median(before))) < 1.0).all())


def _end_at(note: Note, end_smp: int, sr: int) -> Note:
    return replace(note, end_smp=end_smp, end_s=end_smp / sr)
