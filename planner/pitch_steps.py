"""Where does a pitch line step from one note to the next, and where is it only vibrato or a slide?

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.attacks import ATTACK_APART_S
from planner.model import Floats
from planner.pitch import midi_to_hz

# A pitch that shows later than this was not begun by that stroke. The thump of a double bass's body
# covers its lowest string for seven periods.
_COVERED_S, _COVERED_PERIODS = 0.1, 7.0
MIN_NOTE_S = 0.050  # an 80 ms staccato shows at least this much pitch
_STEP_SIGMA = 0.40  # semitones: deviations of this size are still the same note
_STEP_COST = 9.0
_STEP_CAP = 6.0  # one wild frame never costs more than this
_STEP_GRID = 0.25  # semitones
_VIBRATO_HALF_PERIOD_S = (0.045, 0.16)  # 3.1 to 11 Hz
_VIBRATO_SWING = 2.6  # semitones from trough to crest at most
_VIBRATO_MIN_SWING = 0.12
# Mean distance from the midline over half the swing: 0.64 for a sine; 1 for a trill, of which the
# track, whose window of 32 ms rounds its corners, leaves 0.75 to notes of 90 ms.
_FLAT = 0.71
_CUT_SWING = 1.15  # times half the swing: a note further from the midline is another one
_GLIDE_S = 0.16  # a steady movement shorter than this is a scoop or slide, not a note
_MIXED_S = 0.12
_AT_BORDER_FRAMES = 3  # half the track's window of 32 ms either side
_SCOOP = 0.8  # semitones: what a sound begins with closer than this to what follows is no note
_SCOOP_SHARE = 0.25  # of the way that a scoop has gone in its last quarter, at the least
# A voice comes to its pitch from anywhere, and wavers; a syllable's own notes take longer. Recorded
# syllables begin 40 to 110 ms long, most of them under 90, up to 4 semitones off.
_SUNG_S = 0.10
_SUNG_WAVER_S = 0.12
_SUNG_SCOOP = 5.0  # semitones
_SUNG_WAVER = 1.4  # semitones: away and back
_SUNG_LONGER = 1.5  # times as long is what such a start leads to
_GLIDE_RATE = 4.0  # semitones per second
_DEPARTED_SHARE = 0.30
_BORDER_REACH_S = 0.06
_SWELL_CLEAR_S = 0.08  # a scoop into the new bow or word is no note of its own
_SWELL_REACH_S = 0.04
_SWELL_CHANGE_S = 0.03  # the track sees a sudden change spread over its window, 32 ms
_SWELL_CHANGE = 0.25  # semitones in that time
_OVER_USUAL_CHANGE = 2.0  # a vibrato's quickest change is 1.4 times its median (that of a sine)
# From a fifth to four fifths of the way: a finger that falls takes no time, and the track's window
# makes 25 ms of it, a slide of some frets may take 40. A string pulled in 0.1 s takes 40 too, which
# cannot be told from a slide; most bends take longer.
_BEND_S = 0.045
_BEND_SEMITONES = 3.5
SAME_NOTE = 0.55  # semitones: two steps this close are one note


NO_FRAMES: NDArray[np.intp] = np.empty(0, dtype=np.intp)

Begins = Literal["attack", "swell", "legato", "soft"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A stretch of frames at one pitch, and how it came about."""

    first: int
    last: int  # half-open
    begins: Begins
    struck: int  # the frame of its attack, before its pitch shows; else its first


def covered_s(pitch_hz: float) -> float:
    """How long a stroke may cover the pitch that it begins, s."""
    return max(_COVERED_S, _COVERED_PERIODS / pitch_hz)


def split_run(
    midi: Floats,
    line: Floats,
    offset: int,
    struck: NDArray[np.intp],
    swells: NDArray[np.intp],
    hop_s: float,
    *,
    marked: NDArray[np.intp] = NO_FRAMES,
    bends: bool = False,
    sung: bool = False,
) -> list[Step]:
    """Cut one pitched run where its vibrato midline steps, and where it is struck or swells.

    ``marked``: frames at which something clearly begins, struck or not: no glide leads across one.
    ``bends``: a string that is struck once and pulled to another pitch stays one note.
    ``sung``: short starts on other pitches, and short moments away from one, are no notes.
    """
    cuts = [0, *potts_steps(line), len(line)]
    pieces = _join_steps(list(pairwise(cuts)), line, marked - offset, hop_s)
    if sung:
        pieces = _join_wavers(pieces, line, hop_s)
    pieces = _from_departure(pieces, midi, hop_s)
    if bends:
        pieces = _join_bends(pieces, line, hop_s)
    apart, clear = round(ATTACK_APART_S / hop_s), round(_SWELL_CLEAR_S / hop_s)
    shortest = round(MIN_NOTE_S / hop_s)
    starts: dict[int, Begins] = {a: "legato" for a, _ in pieces}
    starts[0] = "soft"
    for dip in _inside(swells, offset, len(midi)):
        frame = _where_pitch_changes(midi, dip, hop_s)
        for near in [a for a in starts if a > 0 and abs(a - frame) <= clear]:
            del starts[near]  # the same border, seen less sharply in the pitch
        if frame > apart // 2 and len(midi) - frame > apart // 2:
            starts[frame] = "swell"
    for frame in _inside(struck, offset, len(midi)):
        near_ones = [a for a in starts if abs(a - frame) <= apart]
        if sung:  # a consonant begins one note, and the scoop after it none
            near_ones = sorted(near_ones, key=lambda a: abs(a - frame))[:1]
        for near in near_ones:
            # A pitch shows after the stroke, once the ring of the note before no longer covers it;
            # but that note must have had its own time.
            before = max((a for a in starts if a < near), default=-shortest)
            if before + shortest <= frame < near and not sung:
                del starts[near]
                starts[frame] = "attack"
            else:
                starts[near] = "attack"
        if not near_ones and len(midi) - frame > apart // 2:
            starts[frame] = "attack"
    stroke = offset  # a pick or a slap may cover the pitch for a while
    early = round(covered_s(midi_to_hz(float(np.median(midi[:apart])))) / hop_s) if bends else apart
    begun = struck[(struck >= offset - early) & (struck <= offset + apart)]
    if len(begun):
        starts[0] = "attack"
        stroke = min(offset, int(begun[np.abs(begun - offset).argmin()]))
    bounds = [*sorted(starts), len(midi)]
    steps = [
        Step(
            first=offset + a,
            last=offset + b,
            begins=starts[a],
            struck=offset + a if a > 0 else stroke,
        )
        for a, b in pairwise(bounds)
    ]
    return _with_sung_scoops(steps, line, offset, hop_s) if sung else steps


def _with_sung_scoops(steps: list[Step], line: Floats, offset: int, hop_s: float) -> list[Step]:
    """Join a short start of a syllable to the longer pitch that it leads to."""
    joined: list[Step] = []
    for step in steps:
        if joined and step.begins == "legato" and joined[-1].begins != "legato":
            start = joined[-1]
            short = (start.last - start.first) * hop_s < _SUNG_S
            longer = step.last - step.first > _SUNG_LONGER * (start.last - start.first)
            from_, to = (
                float(np.median(line[s.first - offset : s.last - offset])) for s in (start, step)
            )
            if short and longer and abs(to - from_) < _SUNG_SCOOP:
                joined[-1] = replace(start, last=step.last)
                continue
        joined.append(step)
    return joined


def _where_pitch_changes(midi: Floats, dip: int, hop_s: float) -> int:
    """The frame near a dip at which the pitch changes at once; the dip itself where it does not.

    A new bow or word starts where its pitch starts; the level takes longer to turn.
    """
    reach, half = round(_SWELL_REACH_S / hop_s), max(1, round(_SWELL_CHANGE_S / (2 * hop_s)))
    first, last = max(half, dip - reach), min(len(midi) - half, dip + reach + 1)
    if last - first < 3:
        return dip
    change = np.abs(midi[2 * half :] - midi[: -2 * half])  # around frame i: change[i - half]
    here = change[first - half : last - half]
    around = change[max(0, first - half - 6 * reach) : last - half + 6 * reach]
    sudden = here.max() > max(_SWELL_CHANGE, _OVER_USUAL_CHANGE * float(np.median(around)))
    return first + int(here.argmax()) if sudden else dip


def _inside(frames: NDArray[np.intp], offset: int, count: int) -> list[int]:
    return [int(f) - offset for f in frames if offset < f < offset + count]


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
            a, b = _with_cut_swings(midi, a, b, 3 * reach, midway, float(swing[first]) / 2)
            midline = np.interp(np.arange(a, b), centre, midway)
            half = np.interp(np.arange(a, b), centre, np.abs(np.diff(value)) / 2)
            if np.mean(np.abs(midi[a:b] - midline).clip(max=half)) < _FLAT * half.mean():
                out[a:b] = midline
        first = last + 1
    return out


def _with_cut_swings(
    midi: Floats, a: int, b: int, most: int, midway: Floats, half: float
) -> tuple[int, int]:
    """Widen a vibrato by the swings that the note's ends, or its neighbours, cut short."""
    before = np.abs(midi[max(0, a - most) : a][::-1] - midway[0]) < _CUT_SWING * half
    after = np.abs(midi[b : b + most] - midway[-1]) < _CUT_SWING * half
    a -= len(before) if before.all() else int(before.argmin())
    b += len(after) if after.all() else int(after.argmin())
    return a, b


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


def _join_wavers(
    pieces: list[tuple[int, int]], line: Floats, hop_s: float
) -> list[tuple[int, int]]:
    """Join what a voice leaves for a moment to what it comes back to."""
    levels = [float(np.median(line[a:b])) for a, b in pieces]
    joined: list[tuple[int, int]] = []
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


def _join_steps(
    pieces: list[tuple[int, int]], line: Floats, marked: NDArray[np.intp], hop_s: float
) -> list[tuple[int, int]]:
    """Give glides to the note they lead to, and join neighbours at the same pitch.

    ``marked``: frames at which something clearly begins; no glide leads across one.

    While one note still rings, the period that it shares with the next is long: a moment at a
    whole fraction of the next note's pitch belongs to that note too.
    """

    def level(piece: tuple[int, int]) -> float:
        return float(np.median(line[piece[0] : piece[1]]))

    pieces = list(pieces)
    index = 0
    while index < len(pieces) and len(pieces) > 1:
        a, b = pieces[index]
        length_s = (b - a) * hop_s
        part = line[a:b]
        # Only what still moves in its middle is a glide: a note of a scale moves at both ends.
        middle = part[len(part) // 4 : len(part) - len(part) // 4]
        begins = len(marked) > 0 and np.abs(marked - b).min() <= _AT_BORDER_FRAMES
        glides = (
            not begins
            and length_s < _GLIDE_S
            and all(
                abs(p[-1] - p[0])
                > max(_GLIDE_RATE * len(p) * hop_s, 0.7 * np.abs(np.diff(p)).sum())
                for p in (part, middle)
            )
        )
        following = level(pieces[index + 1]) if index + 1 < len(pieces) else np.inf
        mixed = length_s < _MIXED_S and any(
            abs(following - level((a, b)) - 12 * np.log2(n)) < SAME_NOTE for n in (2, 3, 4, 5, 6)
        )
        scooped = index == 0 and length_s < _GLIDE_S and _leads_up_to(part, following)
        if length_s < MIN_NOTE_S or glides or mixed or scooped:
            if index + 1 < len(pieces):
                pieces[index : index + 2] = [(a, pieces[index + 1][1])]
            else:
                pieces[index - 1 : index + 1] = [(pieces[index - 1][0], b)]
            index = max(0, index - 1)
            continue
        if index > 0 and abs(level(pieces[index - 1]) - level((a, b))) < SAME_NOTE:
            pieces[index - 1 : index + 1] = [(pieces[index - 1][0], b)]
            index = max(0, index - 1)
            continue
        index += 1
    return pieces


def _leads_up_to(start: Floats, following: float) -> bool:
    """Is what a sound begins with only its way to a pitch less than a semitone off?"""
    quarter = max(1, len(start) // 4)
    gap = following - float(np.median(start[:quarter]))
    gone = following - float(np.median(start[-quarter:]))
    return abs(gap) < _SCOOP and 1.0 - gone / gap > _SCOOP_SHARE if gap else False


def _join_bends(pieces: list[tuple[int, int]], line: Floats, hop_s: float) -> list[tuple[int, int]]:
    """Join neighbours between which the pitch moves too slowly for a finger that falls or lifts."""
    joined = pieces[:1]
    for a, b in pieces[1:]:
        first = joined[-1][0]
        old, new = float(np.median(line[first:a])), float(np.median(line[a:b]))
        share = (line[first:b] - old) / (new - old if new != old else 1.0)
        border = a - first
        left = np.flatnonzero(share[: border + 1] < 0.2)
        there = np.flatnonzero(share[border:] > 0.8)
        moving_s = (border + there[0] - left[-1]) * hop_s if len(left) and len(there) else 0.0
        if moving_s > _BEND_S and abs(new - old) < _BEND_SEMITONES:
            joined[-1] = (first, b)
        else:
            joined.append((a, b))
    return joined


def _from_departure(
    pieces: list[tuple[int, int]], line: Floats, hop_s: float
) -> list[tuple[int, int]]:
    """Put each border where the line has left the old note by a third of the way to the new."""
    reach = round(_BORDER_REACH_S / hop_s)
    for index in range(1, len(pieces)):
        (a, border), (_, b) = pieces[index - 1], pieces[index]
        old = float(np.median(line[a:border]))
        new = float(np.median(line[border:b]))
        lo, hi = (
            max(a + 1, border - reach, (a + border) // 2),
            min(border + reach, (border + b) // 2),
        )
        still_old = np.abs(line[lo:hi] - old) < _DEPARTED_SHARE * abs(new - old)
        moved = lo + int(np.flatnonzero(still_old)[-1]) + 1 if still_old.any() else border
        pieces[index - 1], pieces[index] = (a, moved), (moved, b)
    return pieces
