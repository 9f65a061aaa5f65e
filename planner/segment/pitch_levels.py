"""At which pitches does a line stay, and which of them are one note's?

A stepwise-constant fit says where the line takes a step; glides, scoops, bends and what a voice
leaves for a moment are joined to the note that they belong to.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.pitch import midi_to_hz
from planner.track.readings import reading_window_s
from planner.words.spread import middle_of

MIN_NOTE_S = 0.050  # an 80 ms staccato shows at least this much pitch
_STEP_SIGMA = 0.40  # semitones: deviations of this size are still the same note
_STEP_COST = 9.0
_STEP_CAP = 6.0  # one wild frame never costs more than this
_STEP_GRID = 0.25  # semitones
_MIXED_S = 0.12  # a ring
_AT_BORDER_FRAMES = 3  # half the track's window of 32 ms either side
_SCOOP_S = 0.16  # longer, what a sound begins with is a note, unless it glides
SCOOP = 0.8  # semitones: what a sound begins with closer than this to what follows is no note
_SCOOP_SHARE = 0.25  # of the way that a scoop has gone in its last quarter, at the least
# Of its way that a fall goes in its last quarter, at the least: half an even one's.
_FALL_SHARE = 0.125
# A voice comes to its pitch from anywhere, and wavers; a syllable's own notes take longer.
_SUNG_WAVER_S = 0.12
_SUNG_WAVER = 1.4  # semitones: away and back
_LEAST_SLURRED_S = 0.08  # chosen: a singer's fastest scales have ten notes a second
_UNSETTLED = 2.0 / 3.0  # semitones: chosen; nearer to no note than to the next one
_GLIDE_RATE = 4.0  # semitones per second
_MIDDLE_SHARE = 0.25  # of its way in its middle half: an even glide goes half, a note none
# Semitones a frame, of what is blown or bowed: recorded scoops move by 0.5 at most, a finger leaps.
LEAP = 0.7
# Of what creeps, less is one: chosen, a finger's semitone through a window of 32 ms.
_STEP, _OVER_PACE = 0.3, 10.0
_DEPARTED_SHARE = 0.30
_BORDER_REACH_S = 0.06
# From a fifth to four fifths of the way: a finger that falls takes no time, and the track's window
# makes 25 ms of it, a slide of some frets may take 40. A string pulled in 0.1 s takes 40 too, which
# cannot be told from a slide; most bends take longer.
_BEND_S = 0.045
_BEND_SEMITONES = 2.5  # strings are pulled by a whole tone, seldom by more; hands slide on
SAME_NOTE = 0.55  # semitones: two steps this close are one note

Piece = tuple[int, int]  # frames of one pitch, half-open


class _Stay(NamedTuple):
    """Frames that stay at a pitch, and those that belong to it with its ways to and from there."""

    from_: int
    to: int  # half-open
    first: int
    last: int  # half-open

    @property
    def frames(self) -> int:
        """How many stay."""
        return self.to - self.from_


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """A pitched run and what is known of it."""

    midi: Floats  # semitones
    line: Floats  # the same without vibrato
    hop_s: float
    marked: NDArray[np.intp]
    bends: bool
    sung: bool

    def level(self, stay: _Stay) -> float:
        """The pitch at which it stays, semitones."""
        return float(middle_of(self.line[stay.from_ : stay.to]))


def level_pieces(
    midi: Floats, line: Floats, marked: NDArray[np.intp], hop_s: float, *, bends: bool, sung: bool
) -> list[Piece]:
    """Cut one pitched run where its vibrato midline steps from one note to the next.

    midi, line : (n,) semitones, and the same with vibrato taken out
    marked : frames at which something clearly begins or breaks off, struck or not: no glide leads
        across one
    bends : a string that is struck once and pulled to another pitch stays one note
    sung : short moments away from a pitch are no notes
    """
    run = _Run(midi=midi, line=line, hop_s=hop_s, marked=marked, bends=bends, sung=sung)
    cuts = [0, *potts_steps(line), len(line)]
    pieces = _join_steps(list(pairwise(cuts)), run)
    if sung:
        pieces = _join_wavers(pieces, line, hop_s)
    pieces = _from_departure(pieces, midi, hop_s)
    return _join_bends(pieces, line, hop_s) if bends else pieces


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
    if loss.sum(axis=0).min() <= _STEP_COST:
        return []  # one level costs no more than a step alone
    total = np.empty_like(loss)  # what the best way to each level costs
    total[0] = loss[0]
    for before, here, added in zip(total[:-1], total[1:], loss[1:], strict=True):
        np.minimum(before, before[before.argmin()] + _STEP_COST, out=here)
        here += added
    state = int(total[-1].argmin())
    cuts = []
    for frame in range(len(line) - 1, 0, -1):
        best = int(total[frame - 1].argmin())
        if total[frame - 1, best] + _STEP_COST < total[frame - 1, state]:
            cuts.append(frame)
            state = best
    return cuts[::-1]


def _join_wavers(pieces: list[Piece], line: Floats, hop_s: float) -> list[Piece]:
    """Join what a voice leaves for a moment to what it comes back to."""
    levels = [float(middle_of(line[a:b])) for a, b in pieces]
    joined: list[Piece] = []
    kept: list[float] = []
    index = 0
    while index < len(pieces):
        a, b = pieces[index]
        if kept and index + 1 < len(pieces) and (b - a) * hop_s < _SUNG_WAVER_S:
            away, back = levels[index] - kept[-1], levels[index + 1] - kept[-1]
            if abs(away) < _SUNG_WAVER and abs(back) < SAME_NOTE:
                joined[-1] = (joined[-1][0], pieces[index + 1][1])
                index += 2
                continue
        joined.append((a, b))
        kept.append(levels[index])
        index += 1
    return joined


def _join_steps(pieces: list[Piece], run: _Run) -> list[Piece]:
    """Give what is no note to the note that it leads to, and join neighbours at the same pitch.

    First what is too short for any note: no other is judged by that.
    """
    stays = [_Stay(a, b, a, b) for a, b in pieces]
    for is_no_note in (_is_short, _is_way):
        stays = _joined(stays, run, is_no_note)
    return [(stay.first, stay.last) for stay in stays]


def _joined(
    stays: list[_Stay], run: _Run, is_no_note: Callable[[list[_Stay], int, _Run], bool]
) -> list[_Stay]:
    """Join each that is no note to the next, the last to the one before, and equal neighbours."""
    stays, index = list(stays), 0
    while index < len(stays) and len(stays) > 1:
        here, before = stays[index], stays[index - 1]
        if is_no_note(stays, index, run):
            if index + 1 < len(stays):
                stays[index : index + 2] = [_led_to(stays, index, run)]
            else:
                stays[index - 1 :] = [before._replace(last=here.last)]
        elif index > 0 and abs(run.level(before) - run.level(here)) < SAME_NOTE:
            one = before._replace(to=here.to, last=here.last)
            stays[index - 1 : index + 1] = [one]
        else:
            index += 1
            continue
        index = max(0, index - 1)
    return stays


def _led_to(stays: list[_Stay], index: int, run: _Run) -> _Stay:
    """Give a way to the pitch that it leads to.

    It stays there already if both are moments at about one pitch, or if it is a mixture of that
    pitch with the note before.
    """
    way, stay = stays[index : index + 2]
    from_, to = run.level(way), run.level(stay)
    moments = max(way.frames, stay.frames) * run.hop_s < MIN_NOTE_S
    mixed = index > 0 and way.frames * run.hop_s < MIN_NOTE_S and _is_multiple(to, from_)
    stays_there = mixed or (moments and abs(to - from_) < 2.0 * SAME_NOTE)
    return stay._replace(first=way.first, from_=way.from_ if stays_there else stay.from_)


def _is_short(stays: list[_Stay], index: int, run: _Run) -> bool:
    """Is a piece too short for a note?"""
    least_s = _LEAST_SLURRED_S if run.sung and index > 0 else MIN_NOTE_S
    return stays[index].frames * run.hop_s < least_s


def _is_way(stays: list[_Stay], index: int, run: _Run) -> bool:
    """Is a piece a scoop, a glide, or a mixture of two notes?

    While a note still rings, in its own string or another, or lies in one window with the next,
    the period that they share is long: a moment at a whole fraction of the next note's pitch
    belongs to that note.
    """
    stay = stays[index]
    part, length_s = run.line[stay.from_ : stay.to], stay.frames * run.hop_s
    if index + 1 == len(stays):  # at the end of a sound: the way from a note
        goes_on = _falls_on(stays[index - 1], stay, run) if run.sung else _still_moves(part)
        return _glides(stay, stay.from_, run) and goes_on
    following = run.level(stays[index + 1])
    if run.sung and length_s < _SCOOP_S and _settles(part, following):
        return True
    if _glides(stay, stay.to, run) and _comes_nearer(part, following):
        return True
    if index == 0 and length_s < _SCOOP_S and _leads_up_to(part, following):
        return True
    own = run.level(stay)
    rings = run.bends or (index > 0 and _is_multiple(run.level(stays[index - 1]), own))
    most_s = _MIXED_S if rings else reading_window_s(midi_to_hz(own))  # which sees both sides
    return length_s < most_s and _is_multiple(following, own)


def _is_multiple(midi: float, low_midi: float) -> bool:
    """Is a pitch twice to six times another?"""
    above = 12.0 * np.log2(np.arange(2, 7))
    return bool((np.abs(midi - low_midi - above) < SAME_NOTE).any())


def _glides(stay: _Stay, border: int, run: _Run) -> bool:
    """Does a piece lead without a break or a leap across one of its borders, moving all along?"""
    if len(run.marked) and np.abs(run.marked - border).min() <= _AT_BORDER_FRAMES:
        return False
    # Of the pitch itself: a line leaps to where the middle of a vibrato is drawn.
    around = run.midi[max(0, border - _AT_BORDER_FRAMES) : border + _AT_BORDER_FRAMES]
    own = run.midi[stay.from_ : stay.to]
    pace = float(middle_of(np.abs(np.diff(own)))) if len(own) > 1 else LEAP
    leap = np.inf if run.bends or run.sung else min(LEAP, max(_STEP, _OVER_PACE * pace))
    if np.abs(np.diff(around)).max(initial=0.0) >= leap:
        return False
    if np.abs(np.diff(own)).max(initial=0.0) >= (np.inf if run.sung else LEAP):
        return False
    return _moves_steadily(run.line[stay.from_ : stay.to], run.hop_s)


def _moves_steadily(part: Floats, hop_s: float) -> bool:
    """Is it a glide: moving, and one way, all along?

    Only what moves on in its middle is: a note of a scale moves at both ends.
    """
    quarter = len(part) // 4
    middle = part[quarter : len(part) - quarter]
    return abs(middle[-1] - middle[0]) > _MIDDLE_SHARE * abs(part[-1] - part[0]) and all(
        abs(p[-1] - p[0]) > max(_GLIDE_RATE * len(p) * hop_s, 0.7 * np.abs(np.diff(p)).sum())
        for p in (part, middle)
    )


def _comes_nearer(part: Floats, following: float) -> bool:
    """Does a glide lead to what follows it, not away from there?"""
    return bool(abs(part[-1] - following) < abs(part[0] - following))


def _still_moves(part: Floats) -> bool:
    """Does a fall or a rise at the end of a sound go on to its end? A note comes to rest.

    Of a voice that fades the pitch may come to rest as well.
    """
    quarter = max(1, len(part) // 4)
    return bool(abs(part[-1] - part[-1 - quarter]) > _FALL_SHARE * abs(part[-1] - part[0]))


def _falls_on(before: _Stay, stay: _Stay, run: _Run) -> bool:
    """Does what a voice ends with go on at a good part of the pace at which it left the note?"""
    led = stay.from_ - before.to
    if led <= 0:
        return True
    part = run.line[stay.from_ : stay.to]
    pace, led_pace = abs(part[-1] - part[0]) / len(part), abs(part[0] - run.level(before)) / led
    return bool(pace > _SCOOP_SHARE * led_pace)


def _settles(part: Floats, following: float) -> bool:
    """Is it only how a voice comes to rest on a pitch: past it, or short of it, and there?"""
    off = part - following
    if abs(float(middle_of(off))) >= _UNSETTLED:
        return False
    left = abs(float(middle_of(off[-max(1, len(off) // 4) :])))
    return left < (1.0 - _SCOOP_SHARE) * float(np.abs(off).max())


def _leads_up_to(start: Floats, following: float) -> bool:
    """Is what a sound begins with only its way to a pitch less than a semitone off?"""
    quarter = max(1, len(start) // 4)
    gap = following - float(middle_of(start[:quarter]))
    gone = following - float(middle_of(start[-quarter:]))
    return abs(gone) < abs(gap) < SCOOP and 1.0 - gone / gap > _SCOOP_SHARE


def _join_bends(pieces: list[Piece], line: Floats, hop_s: float) -> list[Piece]:
    """Join neighbours between which the pitch moves too slowly for a finger that falls or lifts."""
    joined = pieces[:1]
    for (first, a), (_, b) in pairwise(pieces):
        old, new = float(middle_of(line[first:a])), float(middle_of(line[a:b]))
        share = (line[first:b] - old) / (new - old if new != old else 1.0)
        border = a - first
        left = np.flatnonzero(share[: border + 1] < 0.2)
        there = np.flatnonzero(share[border:] > 0.8)
        moving_s = (border + there[0] - left[-1]) * hop_s if len(left) and len(there) else 0.0
        if moving_s > _BEND_S and abs(new - old) < _BEND_SEMITONES:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def _from_departure(pieces: list[Piece], line: Floats, hop_s: float) -> list[Piece]:
    """Put each border where the line has left the old note by a third of the way to the new."""
    reach = round(_BORDER_REACH_S / hop_s)
    for index in range(1, len(pieces)):
        (a, border), (_, b) = pieces[index - 1], pieces[index]
        old = float(middle_of(line[a:border]))
        new = float(middle_of(line[border:b]))
        lo, hi = (
            max(a + 1, border - reach, (a + border) // 2),
            min(border + reach, (border + b) // 2),
        )
        still_old = np.abs(line[lo:hi] - old) < _DEPARTED_SHARE * abs(new - old)
        moved = lo + int(np.flatnonzero(still_old)[-1]) + 1 if still_old.any() else border
        pieces[index - 1], pieces[index] = (a, moved), (moved, b)
    return pieces
