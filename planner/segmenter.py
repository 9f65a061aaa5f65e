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

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.measure.note_span import NEAR_SEMITONES
from planner.model import HARMONIC_ROLES, VOICE_ROLES, Floats, Note, PitchTrack, Stem
from planner.pitch import midi_to_hz
from planner.segment.attacks import ATTACK_APART_S, attack_frames, pitched_level_db, quick_level_db
from planner.segment.is_note import LEAST_STRENGTH, is_note, loud_level_db
from planner.segment.last_partials import with_last_partials
from planner.segment.midline import vibrato_midline
from planner.segment.note_ends import rings_from_frame, stopped_frame
from planner.segment.note_starts import note_start, scooped_from
from planner.segment.pitch_levels import MIN_NOTE_S, SCOOP
from planner.segment.pitch_steps import LONGER, NO_FRAMES, Step, split_run
from planner.segment.restarts import restarts
from planner.segment.sounds_on import that_sound_on
from planner.segment.struck_pitch import with_struck_pitches
from planner.track.frame_blocks import stretches
from planner.words.spread import middle_of

# A gap this short inside one pitch is a flutter of the track.
_BRIDGE_S, _BRIDGE_PERIODS = 0.025, 2.0
# Chosen: of bowed basses, whose odd partials are weak, what rises fits an octave too high, and one
# above what only longer windows of the track read (150 Hz) lies under 300.
_LEAST_BLOWN_HZ = 300.0
_LEAST_SUNG_S = 0.065  # chosen: what is left of a tone after a consonant can be as short
_GONE_DB = 30.0  # a note this far under its own peak has ended
_ROUGH_S = 0.15  # chosen: where sustains begin to be judged, a pitch has been found
_SPEAKS_S, _WHISTLES = 0.1, 2.2  # chosen: as rough starts take; over an octave, which is played
_LED_FRAMES = 6  # a window's reach: without a leap in it
# Chosen: recorded starts that find their pitch later reach 0.94, notes of 83 ms hardly ever less.
_CLEAR = 0.95
_SOUNDS_ON_DB = 3.0  # chosen: less is the unevenness of a tone


def segment(stem: Stem, track: PitchTrack) -> tuple[Note, ...]:
    """Split a stem in which one note sounds at a time into its notes.

    Returns notes in time order, not overlapping; positions in samples at the stem's own rate.
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
    f0_hz = with_last_partials(track.f0_hz, clear, track.level_db, driven=not plucked)
    track = replace(track, f0_hz=f0_hz)
    f0_hz = _bridged(track, struck)
    runs = _runs(f0_hz, hop_s)
    swing = np.zeros(len(f0_hz))
    for run in runs:
        swing[run.first : run.first + len(run.midi)] = run.midi - run.line
    struck, swells, broken = restarts(stem, track, struck, swing)
    marked = NO_FRAMES if plucked or sung else np.concatenate([clear, struck, swells, broken])
    steps: list[Step] = []
    taken = -1  # until here each stroke has begun a note whose own pitch has shown
    for run in runs:
        new = split_run(
            run.midi, run.line, run.first, struck[struck > taken], swells, hop_s,
            marked=marked, bends=plucked, sung=sung,
        )  # fmt: skip
        steps += new
        if plucked and len(new) == 1 and len(run.midi) * hop_s >= MIN_NOTE_S:
            taken = run.first + round(ATTACK_APART_S / hop_s)
    if not (plucked or sung):
        steps = _with_rough_starts(steps, track, f0_hz, bowed=stem.role == "bowed")
    return _notes(stem, track, f0_hz, steps, pitched_level)


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Frames of pitch without a gap."""

    first: int
    midi: Floats
    line: Floats  # the same with its vibrato flattened


def _runs(f0_hz: Floats, hop_s: float) -> list[_Run]:
    runs = []
    for first, last in stretches(~np.isnan(f0_hz)):
        midi = _semitones(f0_hz[first:last])
        runs.append(_Run(first, midi, vibrato_midline(midi, hop_s)))
    return runs


def _notes(
    stem: Stem, track: PitchTrack, f0_hz: Floats, steps: list[Step], level_db: Floats
) -> tuple[Note, ...]:
    """Keep the steps that are notes, with their starts and ends."""
    falls_db = quick_level_db(stem, track) if stem.role not in HARMONIC_ROLES else None
    loud_db = loud_level_db(track, level_db, steps)
    notes: list[Note] = []
    previous: Step | None = None
    for step_before, step in zip([None, *steps], steps, strict=False):
        if not is_note(stem, step, step_before, previous, track, level_db, loud_db):
            continue
        before = notes[-1] if notes else None
        placed = _place(stem, track, f0_hz, step, level_db, falls_db, before)
        if placed is None:
            continue
        note, follows = placed
        if before is not None and (follows or note.start_s < before.end_s):
            end_smp = note.start_smp
            notes[-1] = replace(before, end_smp=end_smp, end_s=end_smp / stem.sr)
        notes.append(note)
        previous = step
    least_s = _LEAST_SUNG_S if stem.role in VOICE_ROLES else 0.9 * MIN_NOTE_S
    return tuple(note for note in notes if note.length_s >= least_s)


def _with_rough_starts(
    steps: list[Step], track: PitchTrack, f0_hz: Floats, *, bowed: bool
) -> list[Step]:
    """Let a note begin with what leads to it without a leap and is too rough for a note of its own.

    The lips of a low trombone, or a bow on a thick string, take a tenth of a second to find the
    pitch; what has another until then, and loses it, is left out. A bow may draw a whistle from
    the string before.
    """
    kept: list[Step] = []
    for step in steps:
        if kept and (
            _is_rough_start(kept[-1], step, track, f0_hz)
            or (bowed and _whistles(kept[-1], step, f0_hz, track.hop_s))
        ):
            start = kept.pop()
            if start.last == step.first and step.begins not in ("attack", "swell"):
                step = replace(start, last=step.last)
        kept.append(step)
    return kept


def _is_rough_start(start: Step, step: Step, track: PitchTrack, f0_hz: Floats) -> bool:
    """Is one step the start of the next: short, never clear, and sounding on without a leap?"""
    frames = start.last - start.first
    if frames * track.hop_s >= _ROUGH_S or step.last - step.first <= LONGER * frames:
        return False
    strength = track.strength[start.first : start.last]
    if strength.max() >= _CLEAR:
        return False
    if start.last == step.first:
        from_, to = (middle_of(_semitones(f0_hz[s.first : s.last])) for s in (start, step))
        leaps = scooped_from(f0_hz, start.first, step.first) >= step.first - _LED_FRAMES
        if leaps or (abs(to - from_) >= SCOOP and middle_of(strength) >= LEAST_STRENGTH):
            return False
    sounds_on = track.level_db[start.last - 1 : step.first + 1]
    return bool(sounds_on.min() > sounds_on[0] - _SOUNDS_ON_DB)


def _whistles(start: Step, step: Step, f0_hz: Floats, hop_s: float) -> bool:
    """Is one step a bow's whistle before the string speaks: short, and far above the next?"""
    frames = start.last - start.first
    if frames * hop_s >= _SPEAKS_S or step.last - step.first <= LONGER * frames:
        return False
    high_hz, low_hz = (middle_of(f0_hz[one.first : one.last]) for one in (start, step))
    near = step.first - start.last <= _LED_FRAMES
    return bool(near and high_hz > _WHISTLES * low_hz)


def _bridged(track: PitchTrack, struck: NDArray[np.intp]) -> Floats:
    """The track's pitch, short gaps inside one pitch filled in unless a note is struck there."""
    f0 = np.array(track.f0_hz)
    runs = stretches(~np.isnan(f0))
    for (_, end), (start, _) in pairwise(runs):
        if (start - end) * track.hop_s > max(_BRIDGE_S, _BRIDGE_PERIODS / f0[end - 1]):
            continue
        if ((struck >= end - 1) & (struck <= start + 1)).any():
            continue
        if abs(12 * np.log2(f0[start] / f0[end - 1])) < 1.0:
            f0[end:start] = np.geomspace(f0[end - 1], f0[start], start - end + 2)[1:-1]
    return f0


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
) -> tuple[Note, bool] | None:
    """Turn a step into a note with its start on the waveform's rise and its end where it fades.

    Returned with whether the note before lasts up to it.

    ``falls_db`` is the level by which a struck note is seen to be stopped, None for driven roles;
    ``before`` is the note before, which may still sound.
    """
    hop_s = track.hop_s
    f0 = f0_hz[step.first : step.last]
    level = level_db[step.first : step.last]
    settled = f0[len(f0) // 4 :]
    pitch_hz = float(midi_to_hz(float(middle_of(_semitones(settled)))))
    near = np.abs(12 * np.log2(f0 / pitch_hz)) < NEAR_SEMITONES
    if near.sum() * hop_s < MIN_NOTE_S:
        return None
    first = step.first + int(np.argmax(near))
    if falls_db is None and step.begins != "legato":
        first = scooped_from(f0_hz, step.first, first)
    alive = np.flatnonzero(near & (level > level.max() - _GONE_DB))
    last = step.first + int(alive[-1]) + 1 if len(alive) else step.last
    if falls_db is not None:
        last = first + stopped_frame(falls_db[first:last], hop_s)
    else:
        last = first + rings_from_frame(level_db[first:last], hop_s)
    start = note_start(stem, f0_hz, track.strength, step, first, pitch_hz, before)
    start_s = start.s
    end_s = min(last * hop_s, stem.frames / stem.sr)
    start_smp = max(0, round(start_s * stem.sr))
    end_smp = min(round(end_s * stem.sr), stem.frames)
    if end_smp - start_smp < 0.9 * MIN_NOTE_S * stem.sr:
        return None
    inside = slice(first, last)
    note = Note(
        stem=stem.code,
        start_s=start_smp / stem.sr,
        end_s=end_smp / stem.sr,
        start_smp=start_smp,
        end_smp=end_smp,
        pitch_hz=pitch_hz,
        strength=float(middle_of(track.strength[inside])),
        pitched_share=float(np.mean(near[: last - step.first])),
        level_db=float(10 * np.log10(np.mean(10 ** (track.level_db[inside] / 10)))),
        begins="soft" if step.begins == "swell" else step.begins,
        start_sd_s=start.sd_s,
    )
    return note, start.follows
