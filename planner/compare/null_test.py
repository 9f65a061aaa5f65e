"""What of a bounce is the same sound as the original, sample by sample, outside the edits?

Once the delay and the gain that a bounce has throughout are made up for, the original is taken away
from it; what is left, against the original, is the null in dB. Nothing here reads a file: windows
and blocks of samples come in, (n, channels), full scale 1. Limits: common practice, no source,
unless said otherwise.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.compare.file_delay import TAPS, earlier, find_delay
from planner.model import Floats
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.spread import weighted_middle

Ints = NDArray[np.int64]

ChangedHow = Literal["level", "silent", "added", "later", "other"]

PIECE_S = 0.1  # chosen: shorter than the shortest note that is judged
NULL_DB = -60.0
_LEVEL_NULL_DB = -50.0  # chosen: what a curved fade leaves beside a straight one in one piece
_UNEXPLAINED = 0.1  # chosen: a change of level explains nine tenths of what differs, or it is none
_STEADY_DB = 0.5  # chosen: half of what a note's level may change by unsaid
_SHIFTED_NULL_DB = -40.0  # chosen: a nudge of a stretch comes with joins of its own
_LEAST_DBFS = -96.0  # one step of 16 bits
_ADDED_NOISE_DBFS = -70.0  # chosen: noise spread over all of a file, shaped dither say, lies below
_MARGIN = 4.0  # chosen: 6 dB above what every piece has
_JOIN_S = 0.05  # chosen: two periods of the lowest string, which any method smears an edit by
_RERENDERED_SHARE = 0.5  # of the time: then no null is possible
_RIDDEN_SHARE = 0.5  # chosen: of what is heard; less of it at another level is a stretch


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """A stretch outside the edits that is not the same sound any more."""

    start_s: float  # on the original's clock
    end_s: float
    how: ChangedHow
    level_db: float | None = None  # of "level": by how much, where it is most
    steady: bool = True  # the same all along; no fade
    later_s: float | None = None  # of "later"
    null_db: float | None = None  # what is left of it, against the original


@dataclass(frozen=True, slots=True, kw_only=True)
class NullTest:
    """One file of a bounce beside its original, outside the edits."""

    stem: str
    file: str
    why_not: str = ""  # why nothing could be compared
    compared_s: float = 0.0
    late_smp: float = 0.0
    late_s: float = 0.0
    gain_db: float = 0.0
    turned_over: bool = False  # polarity
    null_db: float | None = None  # of what is the same, together
    rerendered: bool = False
    changed: tuple[Changed, ...] = ()
    ride_db: tuple[float, float] | None = None  # lowest, highest level where most of it moves
    reaching: int = 0  # edits that reach past their notes, into rings or breaths
    reach_s: float = 0.0  # the longest of these

    @property
    def passed(self) -> bool:
        same = not self.changed and not self.rerendered and self.ride_db is None
        return same and not self.turned_over


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Pieces of untouched time, as sums: what any gain would leave can be worked out from them."""

    start_smp: Ints  # (k,)
    length_smp: int
    channels: int
    # (k, 6): x x, x y, y y, t x x, t t x x, t x y; x the original, y the bounce, t from -1/2 to 1/2
    sums: Floats

    @property
    def rests(self) -> int:
        return len(self.start_smp)


# ---------------------------------------------------------------- where to compare


def untouched(
    rows: Iterable[Row], spans_of: Mapping[str, tuple[int, int]], frames: int, sr: int
) -> tuple[tuple[int, int], ...]:
    """Give the stretches of a stem's file that no row asks to touch, (first, end) in samples.

    Rows that are refused or parked touch nothing. A rule over a part touches all of the file, one
    over a span all from its first note to its last, every other rule its notes.

    rows : of one stem
    spans_of : note id -> (first sample, end)
    frames, sr : length of the file in samples, and its rate in Hz
    """
    touched: list[tuple[int, int]] = []
    for row in rows:
        if row.action not in MOVING_ACTIONS or row.state in ("refused", "parked", "orphan"):
            continue
        if row.scope == "part":
            return ()
        if row.scope in (None, "span") and row.start_smp is not None and row.end_smp is not None:
            own = [(row.start_smp, row.end_smp)]
        else:
            own = [spans_of[note] for note in row.covers if note in spans_of]
        before = round((_JOIN_S + (row.crossfade_in_ms or 0.0) / 1000.0) * sr)
        behind = round((_JOIN_S + (row.crossfade_out_ms or 0.0) / 1000.0) * sr)
        touched += [(start - before, end + behind) for start, end in own]
    free, at = [], 0
    for start, end in sorted(touched):
        if start > at:
            free.append((at, start))
        at = max(at, end)
    if at < frames:
        free.append((at, frames))
    return tuple(free)


# ---------------------------------------------------------------- pieces and what they say


def piece_sums(x: Floats, y: Floats, length: int) -> Floats:
    """Add up pieces of two files that lie on each other: (k, 6), as in `Pieces`.

    x, y : (n, channels); what is left of n behind whole pieces is left out.
    """
    k, channels = len(x) // length, x.shape[1]
    a = np.asarray(x[: k * length], dtype=float).reshape(k, length, channels)
    b = np.asarray(y[: k * length], dtype=float).reshape(k, length, channels)
    t = ((np.arange(length) + 0.5) / length - 0.5)[None, :, None]
    parts = (a * a, a * b, b * b, t * a * a, t * t * a * a, t * a * b)
    return np.stack([p.sum(axis=(1, 2)) for p in parts], axis=1)


def judged(
    pieces: Pieces, sr: int, notes: Sequence[tuple[int, int]], free: Sequence[tuple[int, int]]
) -> NullTest:
    """Say what the pieces show: the gain throughout, the null, and what has changed where.

    notes : (first, end) notes of the stem that no row asks to touch, in samples
    free : (first, end) the untouched stretches that the pieces were cut from

    Returns a test without stem, file and delay, which are the caller's.
    """
    empty = NullTest(stem="", file="")
    xx, xy, yy = pieces.sums[:, 0], pieces.sums[:, 1], pieces.sums[:, 2]
    values = pieces.length_smp * pieces.channels
    floor = _power(_LEAST_DBFS) * values
    heard = xx > floor
    if not heard.any():
        return replace(empty, why_not="there is silence outside the edits")
    gain = weighted_middle(xy[heard] / xx[heard], xx[heard])
    if gain == 0.0:
        return replace(empty, rerendered=True)
    rest = np.maximum(yy - 2.0 * gain * xy + gain * gain * xx, 0.0)
    same_floor = _MARGIN * max(
        floor, min(float(np.median(rest)), _power(_ADDED_NOISE_DBFS) * values)
    )
    changed = rest > np.maximum(_power(NULL_DB) * gain * gain * xx, same_floor)
    hows: list[tuple[ChangedHow | None, float | None]] = [
        _how(pieces.sums[k], gain, same_floor) if changed[k] else (None, None)
        for k in range(pieces.rests)
    ]
    both = heard | (yy > floor)
    redone = np.array([how == "other" for how, _ in hows]) & both
    found = replace(
        empty,
        compared_s=pieces.rests * pieces.length_smp / sr,
        gain_db=20.0 * math.log10(abs(gain)),
        turned_over=gain < 0,
    )
    if redone.sum() > _RERENDERED_SHARE * both.sum():
        return replace(found, rerendered=True, null_db=_db(rest, gain * gain * xx))
    levels = np.array([db for how, db in hows if how == "level" and db is not None])
    ride = len(levels) > _RIDDEN_SHARE * heard.sum() and np.ptp(levels) > _STEADY_DB
    if ride:  # a fade, or levels ridden by hand: one thing to say, and no stretch of it is odd
        unchanged: tuple[ChangedHow | None, float | None] = (None, None)
        hows = [unchanged if one[0] == "level" else one for one in hows]
        low, high = found.gain_db + float(levels.min()), found.gain_db + float(levels.max())
        found = replace(found, ride_db=(round(low, 1), round(high, 1)))
    told: list[Changed] = []
    reaching: list[Changed] = []
    for one in _joined(_stretches(pieces, hows, rest, gain, sr)):
        # Rings and breaths go with a note, and its ring may lie under the start of the next.
        brief = one.end_s - one.start_s < 1.5 * PIECE_S
        alone = brief or not _holds_a_note(one, notes, sr)
        past = one.how == "other" and alone and _past_an_edit(one, free, pieces, sr)
        (reaching if past else told).append(one)
    same = ~changed & heard
    null_db = _db(rest[same], (gain * gain * xx)[same]) if same.any() else None
    return replace(
        found,
        null_db=null_db,
        changed=tuple(told),
        reaching=len(reaching),
        reach_s=max((one.end_s - one.start_s for one in reaching), default=0.0),
    )


def shifted_here(one: Changed, x: Floats, y: Floats, gain_db: float, sr: int) -> Changed:
    """Say of a changed stretch whether it only lies at another place.

    x : (n, channels) of the original; y : (n + 2 m, channels) of the bounce, from m samples before.
    """
    delay = find_delay([(x.mean(axis=1), y.mean(axis=1))])
    margin = (len(y) - len(x)) // 2
    if delay is None or delay.late_smp == 0.0:
        return one
    gain = 10.0 ** (gain_db / 20.0)
    at = margin + delay.whole_smp
    pad = min(TAPS, at, len(y) - at - len(x))
    moved = earlier(y[at - pad : at + len(x) + pad], delay.part_smp if pad == TAPS else 0.0, pad)
    rest, whole = float(((moved - gain * x) ** 2).sum()), float((gain * gain * x * x).sum())
    if rest > _power(_SHIFTED_NULL_DB) * whole:
        return one
    return replace(one, how="later", later_s=delay.late_smp / sr)


def _how(sums: Floats, gain: float, floor: float) -> tuple[ChangedHow, float | None]:
    """What became of one piece, and by how many dB its level changed where that is all."""
    xx, xy, yy, txx, ttxx, txy = (float(v) for v in sums)
    if xx <= floor / _MARGIN:
        return "added", None
    if yy <= floor:
        return "silent", None
    # The gain that fits best, running in a straight line through the piece: a and b of
    # y = (a + b t) x by least squares.
    det = xx * ttxx - txx * txx
    a, b = (xy / xx, 0.0) if det <= 1e-12 * xx * xx else (
        (ttxx * xy - txx * txy) / det, (xx * txy - txx * xy) / det,
    )  # fmt: skip
    rest = yy - a * xy - b * txy
    before = yy - 2.0 * gain * xy + gain * gain * xx
    explained = rest <= max(_power(_LEVEL_NULL_DB) * yy, floor) and rest <= _UNEXPLAINED * before
    if a * gain > 0.0 and explained:
        return "level", 20.0 * math.log10(abs(a / gain))
    return "other", None


def _stretches(
    pieces: Pieces,
    hows: Sequence[tuple[ChangedHow | None, float | None]],
    rest: Floats,
    gain: float,
    sr: int,
) -> list[Changed]:
    """Put neighbouring pieces of the same kind together."""
    found: list[Changed] = []
    # Pieces that follow each other lie one length apart, so this is the same for all of a run.
    starts = pieces.start_smp - pieces.length_smp * np.arange(pieces.rests)
    for (how, _), group in groupby(range(len(hows)), key=lambda k: (hows[k][0], starts[k])):
        if how is None:
            continue
        run = list(group)
        levels = [db for k in run if (db := hows[k][1]) is not None]
        found.append(
            Changed(
                start_s=float(pieces.start_smp[run[0]]) / sr,
                end_s=float(pieces.start_smp[run[-1]] + pieces.length_smp) / sr,
                how=how,
                level_db=max(levels, key=abs) if levels else None,
                steady=not levels or max(levels) - min(levels) <= _STEADY_DB,
                null_db=_db(rest[run], gain * gain * pieces.sums[run, 0]),
            )
        )
    return found


def _joined(found: Sequence[Changed]) -> list[Changed]:
    """Count a single odd piece at the edge of a changed level, or of a hole, to that."""
    done: list[Changed] = []
    for k, one in enumerate(found):
        before = done[-1] if done and abs(done[-1].end_s - one.start_s) < 1e-6 else None
        behind = found[k + 1] if k + 1 < len(found) else None
        if behind is not None and abs(behind.start_s - one.end_s) > 1e-6:
            behind = None
        odd = one.how == "other" and one.end_s - one.start_s < 1.5 * PIECE_S
        if odd and before is not None and before.how in ("level", "silent", "added"):
            done[-1] = replace(before, end_s=one.end_s)
        elif odd and behind is not None and behind.how in ("level", "silent", "added"):
            done.append(replace(behind, start_s=one.start_s, end_s=one.end_s))
        elif before is not None and before.how == one.how:
            worst = max(before.null_db or -math.inf, one.null_db or -math.inf)
            longer = one if one.end_s - one.start_s > before.end_s - before.start_s else before
            done[-1] = replace(longer, start_s=before.start_s, end_s=one.end_s, null_db=worst)
        else:
            done.append(one)
    return done


def _past_an_edit(
    one: Changed, free: Sequence[tuple[int, int]], pieces: Pieces, sr: int
) -> bool:  # fmt: skip
    """Whether a stretch begins where an edit ends, or ends where one begins."""
    near = pieces.length_smp
    first, last = round(one.start_s * sr), round(one.end_s * sr)
    end = max((e for _, e in free), default=0)
    return any(
        (start > 0 and abs(first - start) < near) or (stop < end and abs(last - stop) < near)
        for start, stop in free
    )


def _holds_a_note(one: Changed, notes: Sequence[tuple[int, int]], sr: int) -> bool:
    first, last = one.start_s * sr, one.end_s * sr
    return any(min(last, end) - max(first, start) > _JOIN_S * sr for start, end in notes)


def _power(db: float) -> float:
    return float(10.0 ** (db / 10.0))


def _db(rest: Floats, whole: Floats) -> float | None:
    below, above = float(np.sum(whole)), float(np.sum(rest))
    if below <= 0.0:
        return None
    return max(10.0 * math.log10(above / below), -200.0) if above > 0.0 else -200.0
