"""The edits themselves: one number, two numbers around a cut, or points."""

from dataclasses import dataclass, replace

import numpy as np

from planner.measure.heard import onset_share
from planner.model import Floats, MeasuredNote
from planner.pitch import shift_hz
from planner.targets import Aimed
from planner.words.plan_model import Judged

# Of a start-only edit: it ends by this, and blends back over at least that. Common practice, no
# source.
_START_ENDS_S = 0.25
_START_ENDS_SHARE = 0.65
_BLEND_BACK_S = 0.06
_FIRST_SPLIT_S = 0.04  # no earlier does one number follow another: common practice, no source
_STEEPEST_CENTS_PER_S = 60.0  # a held end may not slide faster: common practice, no source
_HOLD_STRENGTH = 2.0 / 3.0  # a held end keeps a third of its sag: common practice, no source
_MOST_SAG_LEFT_CENTS = 12.0  # chosen: under the 15 cents that make a sag
_ONSET_READ_S = 0.02  # chosen: the onset is read over some tens of milliseconds
_SUSTAIN_SHARES = (0.1, 0.85)  # of a note; chosen: where sustains of held notes are read
_HELD_SHARES = (0.1, 0.4)  # of a note; chosen: before an end runs off
# Chosen: a start that is heard as a pitch of its own lasts as long as the shortest notes that are
# judged, and its way on about as long again; a string's first moments may be elsewhere.
_BENT_AFTER_S, _MOST_OF_IT = 0.16, 0.8
LEAVES_CENTS = 8.0  # chosen: about half of the 15 cents that make a sag


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One note's edit; forms that would lie are None."""

    add_cents: float | None = None
    onset_add_cents: float | None = None
    cut_s: float | None = None  # seconds from the file's start
    sustain_add_cents: float | None = None
    points: tuple[tuple[float, float], ...] = ()  # (s from the note's start, cents to add)
    remaining_cents: float  # heard error that stays
    gain_cents: float  # by how much the edited part of the note improves


@dataclass(frozen=True, slots=True, kw_only=True)
class BentFrom:
    """Where a note stands before it is bent or slid to its pitch."""

    off_cents: float  # from its sustain
    until_s: float  # from its start


def left_in(
    error_cents: float, tolerance_cents: float, leave_in: float, smallest_left_cents: float
) -> float:
    """Say how much of an error an edit leaves, so that the note stays a played one.

    A share of it, at least ``smallest_left_cents``, at most four fifths of the tolerance (or the
    note would be due again), never more than the error.
    """
    share = max(leave_in * abs(error_cents), smallest_left_cents)
    return min(share, 0.8 * tolerance_cents, abs(error_cents))


def move_note(error_cents: float, left_cents: float, length_s: float) -> Move:
    """Move the whole note by one number, leaving some of its error in."""
    add = _toward(error_cents, left_cents)
    remaining = round(error_cents + add, 1)
    return Move(
        add_cents=add,
        points=((0.0, add), (round(length_s, 4), add)),
        remaining_cents=remaining,
        gain_cents=abs(error_cents) - abs(remaining),
    )


def move_start(
    onset_cents: float, left_cents: float, heard_cents: float, start_s: float, length_s: float
) -> Move:
    """Move only the start of a note, back to nothing before the rest of it is heard."""
    add = _toward(onset_cents, left_cents)
    end_s = round(min(_START_ENDS_S, _START_ENDS_SHARE * length_s), 4)
    flat_s = round(max(0.0, end_s - max(_BLEND_BACK_S, end_s / 2)), 4)
    points = [(0.0, add), (flat_s, add), (end_s, 0.0), (round(length_s, 4), 0.0)]
    # A short note is heard mostly by its onset, a long one hardly: what the edit does to it.
    share = onset_share(length_s)
    return Move(
        onset_add_cents=add,
        cut_s=round(start_s + (flat_s + end_s) / 2, 4),
        sustain_add_cents=0.0,
        points=tuple(dict(points).items()) if flat_s == 0 else tuple(points),
        remaining_cents=round(heard_cents + share * add, 1),
        gain_cents=abs(onset_cents) - abs(round(onset_cents + add, 1)),
    )


def shape_note(
    onset_cents: float,
    sustain_cents: float,
    onset_left_cents: float,
    sustain_left_cents: float,
    settle_s: float,
    start_s: float,
    length_s: float,
    held_until_s: float | None = None,
) -> Move:
    """Move the start and the rest of a note by different amounts; the start is kept whole.

    held_until_s: how long it stands where it starts, if that is known, in s from its start.
    """
    first, rest = _toward(onset_cents, onset_left_cents), _toward(sustain_cents, sustain_left_cents)
    until_s = round(max(min(settle_s, _START_ENDS_SHARE * length_s), 2 * _FIRST_SPLIT_S), 4)
    from_s = round(until_s / 2 if held_until_s is None else min(held_until_s, until_s / 1.25), 4)
    return Move(
        onset_add_cents=first,
        cut_s=round(start_s + (from_s + until_s) / 2, 4),
        sustain_add_cents=rest,
        points=((0.0, first), (from_s, first), (until_s, rest), (round(length_s, 4), rest)),
        remaining_cents=round(sustain_cents + rest, 1),
        gain_cents=max(abs(first), abs(rest)),
    )


def steady_note(
    slope_cents_per_s: float,
    sustain_cents: float,
    leave_in: float,
    left_cents: float,
    tolerance_cents: float,
    length_s: float,
) -> Move:
    """Even out a long lean around the note's own middle; move the note too if it is still off."""
    reach = slope_cents_per_s * length_s / 2  # error at the end beyond the middle
    left = min(leave_in * abs(reach), 0.8 * tolerance_cents)
    turn = round(-np.sign(reach) * (abs(reach) - left))
    whole = _toward(sustain_cents, left_cents) if abs(sustain_cents) > tolerance_cents else 0.0
    return Move(
        points=((0.0, whole - turn), (round(length_s, 4), whole + turn)),
        remaining_cents=round(sustain_cents + whole, 1),
        gain_cents=max(abs(float(turn)), abs(whole)),
    )


def hold_end(
    end_cents: float, held_cents: float, leaves_s: float, heard_cents: float, length_s: float
) -> Move:
    """Hold a note's end where the note was: a ramp from where it leaves, two thirds strong."""
    sag = end_cents - held_cents
    run_s = length_s - leaves_s
    wanted = max(_HOLD_STRENGTH * abs(sag), abs(sag) - _MOST_SAG_LEFT_CENTS)
    full = min(wanted, _STEEPEST_CENTS_PER_S * 0.75 * run_s)
    add = round(-float(np.sign(sag)) * full)
    end_s = round(length_s, 4)
    # The end's reading is the middle of its last stretch: reached there, then kept.
    reached_s = round(leaves_s + 0.75 * run_s, 4)
    points = [(round(leaves_s, 4), 0.0), (reached_s, float(add)), (end_s, float(add))]
    return Move(
        points=((0.0, 0.0), *points) if leaves_s > 0 else tuple(points),
        remaining_cents=round(heard_cents, 1),
        gain_cents=abs(float(add)),
    )


def carried_out(aimed: Aimed, judged: Judged) -> Aimed:
    """Say what a note's errors are once its rules and its own edit are made."""
    length_s = aimed.measured.note.length_s
    layer = _layer_cents(judged)

    def after(error: float | None, at_s: float) -> float | None:
        if error is None:
            return None
        if not judged.points:
            return error + layer
        times, adds = zip(*judged.points, strict=True)
        return error + layer + float(np.interp(at_s, times, adds))

    return replace(
        aimed,
        onset_cents=after(aimed.onset_cents, 0.0),
        sustain_cents=after(aimed.sustain_cents, length_s / 2),
        end_cents=after(aimed.end_cents, length_s),
        heard_cents=judged.left_cents,
    )


def unmoved(judged: Judged) -> Judged:
    """Take a note's own edit out of its decision; its rules stay."""
    return replace(
        judged, add_cents=None, onset_add_cents=None, cut_s=None, sustain_add_cents=None,
        points=(), take=None, remaining_cents=judged.rest_cents,
    )  # fmt: skip


def _layer_cents(judged: Judged) -> float:
    """What the rules add to a note, or another take's note that stands there instead."""
    return judged.layer_cents if judged.take is None else judged.added_cents


def note_made(measured: MeasuredNote, judged: Judged) -> MeasuredNote:
    """Give a note as it would be measured once its rules and its own edit are made."""
    note, m = measured.note, measured.measurement
    layer = _layer_cents(judged)
    if not layer and not judged.points:
        return measured

    def at(times_s: float | Floats) -> Floats:
        if not judged.points:
            return np.full_like(np.asarray(times_s, dtype=float), layer)
        times, adds = zip(*judged.points, strict=True)
        return layer + np.asarray(np.interp(times_s, times, adds))

    def moved_hz(hz: float | None, at_s: float) -> float | None:
        return None if hz is None else shift_hz(hz, float(at(at_s)))

    heard_hz = m.heard_hz
    if heard_hz is not None and judged.heard_cents is not None:
        heard_hz = shift_hz(heard_hz, judged.added_cents if judged.points else layer)
    slope = m.slope_cents_per_s
    if slope is not None and judged.points:
        slope += _slope_of(judged.points, note.length_s, m.settle_s or 0.0)
    contour_hz = m.contour_hz
    if contour_hz is not None and m.contour_s is not None:
        contour_hz = contour_hz * 2.0 ** (at(m.contour_s - note.start_s) / 1200.0)
        contour_hz.flags.writeable = False
    return replace(
        measured,
        measurement=replace(
            m,
            onset_hz=moved_hz(m.onset_hz, _ONSET_READ_S),
            sustain_hz=moved_hz(m.sustain_hz, note.length_s / 2),
            end_hz=moved_hz(m.end_hz, note.length_s),
            heard_hz=heard_hz,
            slope_cents_per_s=slope,
            contour_hz=contour_hz,
        ),
    )


def _slope_of(points: tuple[tuple[float, float], ...], length_s: float, settle_s: float) -> float:
    """How far an edit tilts a sustain, in cents a second: the line that lies nearest to it.

    settle_s: when the pitch has arrived in its sustain, in s from the note's start
    """
    first_s, last_s = (share * length_s for share in _SUSTAIN_SHARES)
    middle_s = np.linspace(min(max(first_s, settle_s), last_s / 2), last_s, 101)
    times, adds = zip(*points, strict=True)
    return float(np.polyfit(middle_s, np.interp(middle_s, times, adds), 1)[0])


def share_spoilt(
    measured: MeasuredNote, sustain_cents: float, add_cents: float, tolerance_cents: float
) -> float:
    """Say of how much of a note one number for all of it puts the pitch further out, 0..1.

    Only what it leaves beyond the tolerance counts: a line that wavers is not spoilt.

    sustain_cents: its error in the sustain
    """
    found = _smooth_contour(measured)
    if found is None:
        return 0.0
    time_s, cents_off = found
    first_s, last_s = (share * measured.note.length_s for share in _SUSTAIN_SHARES)
    off = sustain_cents + cents_off[(time_s >= first_s) & (time_s <= last_s)]
    spoilt = np.abs(off + add_cents) > np.maximum(np.abs(off), tolerance_cents)
    return float(spoilt.mean()) if len(off) else 0.0


def held_off(measured: MeasuredNote) -> float:
    """Say where a note is held from its start on, in cents from its sustain.

    That leans to an end that runs off for long. 0 where no pitch along the note is known.
    """
    found = _smooth_contour(measured)
    if found is None:
        return 0.0
    time_s, cents_off = found
    first_s, last_s = (share * measured.note.length_s for share in _HELD_SHARES)
    held = cents_off[(time_s >= first_s) & (time_s <= last_s)]
    return float(np.median(held)) if len(held) else 0.0


def left_along(measured: MeasuredNote, sustain_cents: float, move: Move) -> float:
    """Say how far out a note lies along its sustain once a move is made: root mean square, cents.

    0 where no pitch along the note is known.
    """
    found = _smooth_contour(measured)
    if found is None:
        return 0.0
    times, adds = zip(*move.points, strict=True)
    left = sustain_cents + found[1] + np.interp(found[0], times, adds)
    return float(np.sqrt(np.mean(left**2)))


def bent_from(measured: MeasuredNote) -> BentFrom | None:
    """Say where a note stands still before its pitch arrives; None where it does not, for long."""
    found, settle_s = _smooth_contour(measured), measured.measurement.settle_s
    if found is None or settle_s is None:
        return None
    time_s, cents_off = found
    early = cents_off[time_s <= settle_s / 2]
    if settle_s < _BENT_AFTER_S or len(early) < 3:
        return None
    off = float(np.median(early))
    near = np.flatnonzero((np.abs(cents_off - off) <= LEAVES_CENTS) & (time_s < settle_s))
    stands = np.abs(early - off) <= LEAVES_CENTS
    if stands.mean() < _MOST_OF_IT:
        return None
    return BentFrom(off_cents=off, until_s=float(time_s[near[-1]]))


def end_leaves_s(measured: MeasuredNote, held_off_cents: float = 0.0) -> float | None:
    """Say when a note's pitch leaves where it was held for good, in s from its start.

    None where no pitch along the note is known, or it never leaves. Vibrato is averaged over one
    cycle first.

    held_off_cents: where it was held, from its sustain.
    """
    found = _smooth_contour(measured)
    if found is None:
        return None
    time_s, cents_off = found
    near = np.flatnonzero(np.abs(cents_off - held_off_cents) <= LEAVES_CENTS)
    if len(near) == 0 or near[-1] == len(time_s) - 1:
        return None
    return float(time_s[near[-1] + 1])


def _smooth_contour(measured: MeasuredNote) -> tuple[Floats, Floats] | None:
    m = measured.measurement
    if m.contour_s is None or m.contour_hz is None or m.sustain_hz is None:
        return None
    known = np.isfinite(m.contour_hz)
    if known.sum() < 3:
        return None
    time_s = m.contour_s[known] - measured.note.start_s
    cents_off = 1200.0 * np.log2(m.contour_hz[known] / m.sustain_hz)
    if m.vibrato_hz:
        half = 0.5 / m.vibrato_hz
        low = np.searchsorted(time_s, time_s - half)
        high = np.searchsorted(time_s, time_s + half, side="right")
        summed = np.concatenate([[0.0], np.cumsum(cents_off)])
        cents_off = (summed[high] - summed[low]) / (high - low)
    return time_s, cents_off


def _toward(error_cents: float, left_cents: float) -> float:
    """Whole cents to add, so that about ``left_cents`` of an error stay."""
    size = round(max(0.0, abs(error_cents) - left_cents))
    return float(-size if error_cents > 0 else size)
