"""When does a note begin, and how well is that known?

A note that rises out of silence says to two milliseconds when it began; one that rises over a ring
hides in it for as long as it is softer than the ring. A slide has begun half-way, where its pitch
stands between the two notes. What begins anew on the pitch of the note before is placed where the
level is lowest, which is where a bow turns, but its pitch may have begun to move up to a consonant
or a turn of the bow before or after. On a pitch that moves as it begins, each of these doubts is a
doubt of the onset (`planner.measure.onset`).

How badly each kind of start is known is what two in three of its kind lie within, of 2900 sung and
bowed notes of random sessions, dry and in a room of 0.6 s (seeds 45200-45225); in the room alone
half as much again, with a few that are 20 ms and more off.
"""

from dataclasses import dataclass

import numpy as np

from planner.model import HARMONIC_ROLES, VOICE_ROLES, Floats, Note, Stem
from planner.segment.attacks import rise_s
from planner.segment.own_rise import own_rise_s, stroke_s
from planner.segment.pitch_levels import LEAP, MIN_NOTE_S, SAME_NOTE
from planner.segment.pitch_steps import Step, covered_s
from planner.track.common_periods import is_near
from planner.track.readings import reading_window_s
from planner.tracker import HOP_S

_RINGS_ON_S = 0.15  # after its end a note still hides the next one
_ANOTHER_NOTE = 0.8  # semitones: under a vibrato, partials of nearer notes are not told apart
_SLIDE_REACH_S = 0.25  # either side of where the pitch has left the note before by a third
# From a quarter to three quarters of the way. The track's window of 32 ms makes 16 of a leap.
_SLIDE_S = 0.025
_LEAP_SHARE = 0.4  # of the way in one frame: a slide of 40 ms takes a fifth
# Two in three of 800 strokes, dry, in noise, in a room, under bleed (30201-30202).
_STROKE_SD_S = 0.0015
_SLIDE_SD_S = 0.005
_TOLD_SD_S = 0.004
_OWN_RISE_SD_S, _SLOW_RISE_SD_S = 0.0035, 0.005
# All the way at its fastest: the track's window of 32 ms makes 10 to 20 ms of a change at once. Of
# those that take longer two in three starts lie within 7 to 17 ms, as of dips without any change.
_CHANGE_FRAMES, _AT_ONCE_S = 13, 0.024
_DIP_SD_S = 0.018
_FILE_BEGINS_S = 0.03
_UNSEEN_SD_S = 0.025  # a consonant is 50 to 80 ms long, and the tone begins as it ends
_RING_S, _RING_REACH_S = 0.030, 0.030  # were nothing but ring, half-way would be as uncertain
# How far the pitch swings around both notes, over how fast it leaves the one for the other.
_SWINGS_FROM_S, _SWINGS_TO_S = 0.05, 0.25  # either side of the border
_SWINGS_MOST = 1.0  # semitones: further off is not that note
_SWING_SHARE = 0.6  # half of it counts half-way; a fifth more, as a swing has a crest


@dataclass(frozen=True, slots=True)
class Start:
    """When a note begins, and how well that is known, one standard deviation; seconds."""

    s: float
    sd_s: float
    follows: bool = False  # on the note before, which lasts up to there


def note_start(
    stem: Stem,
    f0_hz: Floats,
    strength: Floats,
    step: Step,
    first: int,
    pitch_hz: float,
    before: Note | None,
) -> Start:
    """Find the start of a note.

    stem : the stem
    f0_hz, strength : its coarse pitch by frames, and how periodic they are
    step, first, pitch_hz : how the note came about, its first frame near its pitch, and that pitch
    before : the note before in the same stem, None before the first
    """
    at = first
    if step.begins == "attack" and _covers(stem, step, first, pitch_hz):
        at = step.struck
    if step.begins == "attack" and stem.role not in HARMONIC_ROLES:
        return _stroke(stem, at * HOP_S, pitch_hz)
    risen = rise_s(stem, at * HOP_S, pitch_hz) if step.begins in ("attack", "soft") else None
    if risen is not None:
        start = Start(*risen)
    elif step.begins == "swell":
        sd_s = _DIP_SD_S
        if step.told_by_pitch and _change(f0_hz, at)[1] < _AT_ONCE_S:
            sd_s = _told_sd_s(f0_hz, strength, at, pitch_hz, before, _TOLD_SD_S)
        start = Start(at * HOP_S, sd_s)
    elif before is None:
        start = _unseen(at)
    else:
        slide = _slide(stem, f0_hz, strength, step, at, pitch_hz, before)
        if slide is not None:
            return slide
        start = _led_to(f0_hz, strength, step, at, pitch_hz, before)
    return start if before is None else _under_ring(stem, f0_hz, start, pitch_hz, before)


def _covers(stem: Stem, step: Step, first: int, pitch_hz: float) -> bool:
    """Whether a pick, a slap or the ring of the note before covered a pitch from its attack on."""
    soon = (first - step.struck) * HOP_S < covered_s(pitch_hz)
    return soon and stem.role not in VOICE_ROLES


def _unseen(at: int) -> Start:
    """A start of which nothing is seen but the pitch, unless it begins with the file."""
    in_file = at * HOP_S > _FILE_BEGINS_S
    return Start(at * HOP_S, _UNSEEN_SD_S if in_file else _STROKE_SD_S)


def _slide(
    stem: Stem, f0_hz: Floats, strength: Floats, step: Step, at: int, pitch_hz: float, before: Note
) -> Start | None:
    """Half-way of a slide from the note before, None where there is none."""
    half_way_s, takes_s = _half_way_s(f0_hz, at, before.pitch_hz, pitch_hz)
    if not before.start_s + MIN_NOTE_S < half_way_s < step.last * HOP_S - MIN_NOTE_S:
        return None
    way_hz = f0_hz[round(before.end_s / HOP_S) : round(half_way_s / HOP_S)]
    if np.isnan(way_hz).any():  # not across a rest
        return None
    # What sounds before a slide could have left is not led to: one note fades into another.
    if _is_another(pitch_hz, before) and (
        _risen_under(stem, f0_hz, at * HOP_S, pitch_hz, before) <= half_way_s - takes_s
    ):
        return None
    frame = int(half_way_s / HOP_S)
    sd_s = _told_sd_s(f0_hz, strength, frame, pitch_hz, before, _SLIDE_SD_S)
    return Start(half_way_s, sd_s, follows=True)


def _led_to(
    f0_hz: Floats, strength: Floats, step: Step, at: int, pitch_hz: float, before: Note
) -> Start:
    """The start of a note that comes out of the one before without a rise and without a slide."""
    if np.isnan(f0_hz[at - 1]):
        return _met_half_way(f0_hz, at, pitch_hz, before) or _unseen(at)
    if step.begins == "legato":
        sd_s = _told_sd_s(f0_hz, strength, at, pitch_hz, before, _TOLD_SD_S)
        return Start(at * HOP_S, sd_s)
    return _unseen(at)


def _under_ring(stem: Stem, f0_hz: Floats, start: Start, pitch_hz: float, before: Note) -> Start:
    """The start where a note rises under the ring of the one before, if that is earlier."""
    if start.s - before.end_s > _RINGS_ON_S or not _is_another(pitch_hz, before):
        return start
    own_s = _risen_under(stem, f0_hz, start.s, pitch_hz, before)
    if own_s == start.s:
        return start
    at_once = _change(f0_hz, round(start.s / HOP_S))[1] < _AT_ONCE_S
    return Start(own_s, _OWN_RISE_SD_S if at_once else _SLOW_RISE_SD_S)


def _is_another(pitch_hz: float, before: Note) -> bool:
    return bool(abs(12 * np.log2(pitch_hz / before.pitch_hz)) >= _ANOTHER_NOTE)


def _stroke(stem: Stem, about_s: float, pitch_hz: float) -> Start:
    """When a string is struck: by what that adds above, else as it rises, else by the track."""
    stroke = stroke_s(stem, about_s, pitch_hz)
    if stroke is not None:
        return Start(s=stroke, sd_s=_STROKE_SD_S)
    risen = rise_s(stem, about_s, pitch_hz)
    return Start(s=about_s, sd_s=HOP_S) if risen is None else Start(*risen)


def _half_way_s(f0_hz: Floats, border: int, old_hz: float, new_hz: float) -> tuple[float, float]:
    """When a pitch that slides from one note to the next is half-way, never where it leaps.

    And how long the middle half of its way takes; seconds.
    """
    if abs(12.0 * np.log2(new_hz / old_hz)) < SAME_NOTE:
        return np.inf, 0.0
    reach = round(_SLIDE_REACH_S / HOP_S)
    first = max(border - reach, 0)
    way = np.log2(f0_hz[first : border + reach] / old_hz) / np.log2(new_hz / old_hz)
    passes = np.flatnonzero((way[:-1] < 0.5) & (way[1:] >= 0.5))
    if len(passes) == 0:
        return np.inf, 0.0
    at = int(passes[np.abs(passes + first - border).argmin()])
    left, there = np.flatnonzero(~(way[: at + 1] > 0.25)), np.flatnonzero(~(way[at + 1 :] < 0.75))
    frames = (at + 1 + there[0] if len(there) else len(way)) - (left[-1] if len(left) else 0)
    gained = float(way[at + 1] - way[at])
    if frames * HOP_S < _SLIDE_S or gained >= _LEAP_SHARE:
        return np.inf, 0.0
    return (first + at + float(0.5 - way[at]) / gained) * HOP_S, float(frames * HOP_S)


def _met_half_way(f0_hz: Floats, at: int, pitch_hz: float, before: Note) -> Start | None:
    """Where one note leaps to the next while it sounds: a window that sees both reads neither.

    None where the pitch is the same, or lost for longer than such a window is.
    """
    if abs(12 * np.log2(pitch_hz / before.pitch_hz)) < SAME_NOTE:
        return None
    sounded = np.flatnonzero(~np.isnan(f0_hz[:at]))
    lost_s = (at - 1 - int(sounded[-1])) * HOP_S
    window_s = reading_window_s(min(pitch_hz, before.pitch_hz))
    if lost_s > window_s or at * HOP_S - before.end_s > window_s:
        return None
    return Start(at * HOP_S - lost_s / 2.0, lost_s / np.sqrt(12.0), follows=True)


def _told_sd_s(
    f0_hz: Floats, strength: Floats, at: int, pitch_hz: float, before: Note | None, sd_s: float
) -> float:
    """How well a start is known that the pitch tells.

    The pitch swings around the notes it is between, and what of the sound does not repeat with it
    is the ring of the note before, which holds it back.

    sd_s : where nothing swings, and nothing rings
    """
    if before is None:
        return sd_s
    near, far = round(_SWINGS_FROM_S / HOP_S), round(_SWINGS_TO_S / HOP_S)
    sides = (
        (f0_hz[max(at - far, 0) : max(at - near, 0)], before.pitch_hz),
        (f0_hz[at + near : at + far], pitch_hz),
    )
    swings = 0.0
    for side, hz in sides:
        off = 12.0 * np.log2(side[~np.isnan(side)] / hz)
        off = off[np.abs(off) < _SWINGS_MOST]
        swings += float(np.mean(off**2)) if len(off) else 0.0
    doubt_s = _SWING_SHARE * np.sqrt(swings) / max(_change(f0_hz, at)[0], 1e-9)
    near = round(_RING_REACH_S / HOP_S)
    rings_s = _RING_S * (1.0 - float(strength[max(at - near, 0) : at + near + 1].min()))
    return float(min(np.sqrt(sd_s**2 + doubt_s**2 + rings_s**2), max(_DIP_SD_S, sd_s)))


def _change(f0_hz: Floats, at: int) -> tuple[float, float]:
    """How fast the pitch changes around a frame, semitones a second, and how long it would take so.

    Seconds for all the way from the pitch before to that after.
    """
    line = 12.0 * np.log2(f0_hz[max(at - _CHANGE_FRAMES, 0) : at + _CHANGE_FRAMES + 1])
    middle = min(at, _CHANGE_FRAMES)
    steps = np.abs(np.diff(line[max(middle - 3, 0) : middle + 5]))
    sides = [side[~np.isnan(side)] for side in (line[: middle - 6], line[middle + 7 :])]
    fastest = float(np.nanmax(steps, initial=0.0)) / HOP_S
    if min(len(side) for side in sides) == 0 or fastest == 0.0:
        return fastest, 0.0
    return fastest, abs(float(np.median(sides[1]) - np.median(sides[0]))) / fastest


def scooped_from(f0_hz: Floats, earliest: int, first: int) -> int:
    """The frame from which a voice, bow or breath comes to the pitch of a frame without a jump."""
    moved = np.abs(12 * np.log2(f0_hz[earliest + 1 : first + 1] / f0_hz[earliest:first]))
    jumps = np.flatnonzero(~(moved < LEAP))  # nor where there is no pitch
    return earliest + int(jumps[-1]) + 1 if len(jumps) else earliest


def _risen_under(stem: Stem, f0_hz: Floats, start_s: float, pitch_hz: float, before: Note) -> float:
    """Start of a note: where it rises under another that has not gone, if that is earlier."""
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
