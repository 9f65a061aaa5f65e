"""Pitch curves as bend: how far each moment of a note lies from the note that was meant.

Conventions
-----------
- Bend is 14 bits around 0, -8192 to 8191, over 2 semitones each way: 0.0244 cents a step. That is
  the range most instruments assume unasked, so an importer that drops RPN 0 still sounds right.
- Cents are counted from the equal-tempered note at the session A4, which RPN 1 (and RPN 2 where A4
  lies more than a semitone from 440 Hz) tells the instrument.
"""

from collections.abc import Callable

import mido
import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.pitch import STANDARD_A4_HZ, cents, midi_to_hz
from planner.words.plan_model import Judged
from planner.write.note_curves import heard_curve, planned_add_cents

BEND_RANGE_SEMITONES = 2  # the default of General MIDI level 1, from memory
_STEPS_PER_CENT = 8192 / (100.0 * BEND_RANGE_SEMITONES)
_RPN_BEND_RANGE, _RPN_FINE_TUNING, _RPN_COARSE_TUNING, _RPN_NULL = 0x0000, 0x0001, 0x0002, 0x3FFF


def bend_values(by_cents: Floats) -> NDArray[np.int64]:
    """Give the bends for some cents, rounded half to even and held within -8192..8191."""
    bends: NDArray[np.int64] = np.rint(by_cents * _STEPS_PER_CENT).astype(np.int64)
    return np.clip(bends, -8192, 8191)


def tuning_messages(channel: int, a4_hz: float) -> list[mido.Message]:
    """Declare the bend range and the session A4 on a channel, then close the parameter number.

    MIDI 1.0: RPN 0 is the bend range in semitones and cents; RPN 1 fine tuning, 14 bits around
    8192 for -100 to +100 cents; RPN 2 coarse tuning, semitones around 64.
    """
    off_cents = cents(a4_hz, STANDARD_A4_HZ)
    semitones = round(off_cents / 100.0)
    fine = 8192 + round((off_cents - 100.0 * semitones) * 8192 / 100.0)
    messages = _parameter(channel, _RPN_BEND_RANGE, BEND_RANGE_SEMITONES << 7)
    messages += _parameter(channel, _RPN_FINE_TUNING, fine)
    if semitones:
        messages += _parameter(channel, _RPN_COARSE_TUNING, (64 + semitones) << 7)
    return messages + _select(channel, _RPN_NULL)


def _parameter(channel: int, number: int, value: int) -> list[mido.Message]:
    entry = [(6, value >> 7), (38, value & 0x7F)]
    return _select(channel, number) + [
        mido.Message("control_change", channel=channel, control=c, value=v) for c, v in entry
    ]


def _select(channel: int, number: int) -> list[mido.Message]:
    pair = [(101, number >> 7), (100, number & 0x7F)]
    return [mido.Message("control_change", channel=channel, control=c, value=v) for c, v in pair]


def curve_bends(
    judged: Judged,
    midi: int,
    a4_hz: float,
    ticks_at: Callable[[Floats], NDArray[np.int64]],
    start: int,
    end: int,
    *,
    planned: bool,
) -> list[tuple[int, int]]:
    """Give one note's curve as (tick, bend value), the first at the note's start.

    judged: the note; its contour, or its sustain as a level line where there is no contour.
    midi: the note that is bent.
    a4_hz: Session A4.
    ticks_at: seconds, ascending, to ticks.
    start, end: ticks of the note, end left out.
    planned: add the rules' layers and the note's own edit.
    """
    times_s, off_cents = _contour(judged, midi, a4_hz)
    if planned:
        off_cents = off_cents + planned_add_cents(judged, times_s)
    ticks = ticks_at(times_s)
    inside = ticks < end
    ticks, bends = np.maximum(ticks[inside], start), bend_values(off_cents[inside])
    if not len(ticks):
        return []
    last = np.append(np.diff(ticks) > 0, True)  # of several at one tick
    ticks, bends = ticks[last], bends[last]
    ticks[0] = start  # the first known pitch holds back to the start
    turns = np.append(True, np.diff(bends) != 0)
    return list(zip(ticks[turns].tolist(), bends[turns].tolist(), strict=True))


def _contour(judged: Judged, midi: int, a4_hz: float) -> tuple[Floats, Floats]:
    note_hz = midi_to_hz(midi, a4_hz)
    heard = heard_curve(judged)
    if heard is not None:
        times_s, hz = heard
        known = np.isfinite(hz)
        return times_s[known], 1200.0 * np.log2(hz[known] / note_hz)
    sustain_hz = judged.measured.measurement.sustain_hz
    if sustain_hz is None:
        return np.empty(0), np.empty(0)
    return np.array([judged.measured.note.start_s]), np.array([cents(sustain_hz, note_hz)])
