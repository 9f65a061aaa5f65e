"""Where does one note of a pitched run end and the next begin?

Where its line steps to another pitch (`planner.segment.pitch_levels`), where it is struck, and
where what is driven swells again.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.pitch import midi_to_hz
from planner.segment.attacks import ATTACK_APART_S
from planner.segment.pitch_levels import MIN_NOTE_S, SAME_NOTE, level_pieces
from planner.words.spread import middle_of

# A pitch that shows later than this was not begun by that stroke. The thump of a double bass's body
# covers its lowest string for seven periods.
_COVERED_S, _COVERED_PERIODS = 0.1, 7.0
# A voice comes to its pitch from anywhere; a syllable's own notes take longer. Recorded syllables
# begin 40 to 110 ms long, most of them under 90, up to 4 semitones off.
_SUNG_S = 0.10
# Chosen: from below, as most of them come, a hummed consonant goes before.
_SUNG_RISE_S = 0.125
_SUNG_SCOOP = 5.0  # semitones
LONGER = 1.5  # times as long is what such a start leads to
_SWELL_CLEAR_S = 0.08  # a scoop into the new bow or word is no note of its own
_SWELL_REACH_S = 0.04
_SWELL_CHANGE_S = 0.03  # the track sees a sudden change spread over its window, 32 ms
_SWELL_CHANGE = 0.25  # semitones in that time
_OVER_USUAL_CHANGE = 2.0  # a vibrato's quickest change is 1.4 times its median (that of a sine)

NO_FRAMES: NDArray[np.intp] = np.empty(0, dtype=np.intp)

Begins = Literal["attack", "swell", "legato", "soft"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A stretch of frames at one pitch, and how it came about."""

    first: int
    last: int  # half-open
    begins: Begins
    struck: int  # the frame of its attack, before its pitch shows; else its first
    told_by_pitch: bool = False  # a swell whose pitch changes at once there


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

    ``marked``, ``bends``, ``sung``: as in `planner.segment.pitch_levels.level_pieces`; of what is
    sung, short starts on other pitches are no notes either.
    """
    pieces = level_pieces(midi, line, marked - offset, hop_s, bends=bends, sung=sung)
    starts: dict[int, Begins] = {a: "legato" for a, _ in pieces}
    starts[0] = "soft"
    told = _begin_at_swells(starts, _inside(swells, offset, len(midi)), midi, hop_s)
    _begin_at_strokes(starts, _inside(struck, offset, len(midi)), len(midi), hop_s, sung=sung)
    apart = round(ATTACK_APART_S / hop_s)
    stroke = offset  # a pick or a slap may cover the pitch for a while
    early = round(covered_s(midi_to_hz(float(middle_of(midi[:apart])))) / hop_s) if bends else apart
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
            told_by_pitch=a in told,
        )
        for a, b in pairwise(bounds)
    ]
    return _with_sung_scoops(steps, line, offset, hop_s) if sung else steps


def _begin_at_swells(
    starts: dict[int, Begins], swells: list[int], midi: Floats, hop_s: float
) -> set[int]:
    """Put a start at each frame where a run swells, in place of what the pitch shows near it.

    Returned are the frames at which the pitch says so.
    """
    apart, clear = round(ATTACK_APART_S / hop_s), round(_SWELL_CLEAR_S / hop_s)
    shortest = round(MIN_NOTE_S / hop_s)
    told: set[int] = set()
    for dip in swells:
        changes = _where_pitch_changes(midi, dip, hop_s)
        frame = dip if changes is None else changes
        for near in [a for a in starts if a > 0 and abs(a - frame) <= clear]:
            first, last = sorted((near, frame))
            until = min((a for a in starts if a >= last + shortest), default=len(midi))
            after = midi[last : min(until, last + 2 * clear)]
            if (
                last - first >= shortest
                and abs(middle_of(midi[first:last]) - middle_of(after)) > SAME_NOTE
            ):
                continue  # as short as it is, a note between two borders
            del starts[near]  # the same border, seen less sharply in the pitch
        if frame > apart // 2 and len(midi) - frame > apart // 2:
            starts[frame] = "swell"
            if changes is not None:
                told.add(frame)
    return told


def _begin_at_strokes(
    starts: dict[int, Begins], struck: list[int], count: int, hop_s: float, *, sung: bool
) -> None:
    """Put a start at each frame where a run is struck, or say that the start near it is struck."""
    apart, shortest = round(ATTACK_APART_S / hop_s), round(MIN_NOTE_S / hop_s)
    for frame in struck:
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
        if not near_ones and count - frame > apart // 2:
            starts[frame] = "attack"


def _with_sung_scoops(steps: list[Step], line: Floats, offset: int, hop_s: float) -> list[Step]:
    """Join a short start of a syllable to the longer pitch that it leads to."""
    joined: list[Step] = []
    for step in steps:
        if joined and step.begins == "legato" and joined[-1].begins != "legato":
            start = joined[-1]
            longer = step.last - step.first > LONGER * (start.last - start.first)
            from_, to = (
                float(middle_of(line[s.first - offset : s.last - offset])) for s in (start, step)
            )
            most_s = _SUNG_RISE_S if to > from_ else _SUNG_S
            short = (start.last - start.first) * hop_s < most_s
            if short and longer and abs(to - from_) < _SUNG_SCOOP:
                joined[-1] = replace(start, last=step.last)
                continue
        joined.append(step)
    return joined


def _where_pitch_changes(midi: Floats, dip: int, hop_s: float) -> int | None:
    """The frame near a dip at which the pitch changes at once; None where it does not.

    A new bow or word starts where its pitch starts; the level takes longer to turn.
    """
    reach, half = round(_SWELL_REACH_S / hop_s), max(1, round(_SWELL_CHANGE_S / (2 * hop_s)))
    first, last = max(half, dip - reach), min(len(midi) - half, dip + reach + 1)
    if last - first < 3:
        return None
    change = np.abs(midi[2 * half :] - midi[: -2 * half])  # around frame i: change[i - half]
    here = change[first - half : last - half]
    around = change[max(0, first - half - 6 * reach) : last - half + 6 * reach]
    sudden = here.max() > max(_SWELL_CHANGE, _OVER_USUAL_CHANGE * float(middle_of(around)))
    return first + int(here.argmax()) if sudden else None


def _inside(frames: NDArray[np.intp], offset: int, count: int) -> list[int]:
    here: list[int] = (frames[(frames > offset) & (frames < offset + count)] - offset).tolist()
    return here
