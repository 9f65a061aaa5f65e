"""The same note in two files: a note of the plan beside that of the bounce, and what it moved by.

Notes meet by start and pitch under the one shift that most of them share, so that a delay, a cut or
a split shows.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.pitch import cents

At = Literal["onset", "sustain", "end"]
WHOLE_NOTE: tuple[At, ...] = (
    "sustain",
    "onset",
)  # what says how a note moved as a whole, best first

LEAST_DOUBT_CENTS = 0.5  # chosen: two readings of one sound in two files agree no better
_SAME_START_S = 0.08  # chosen: further apart it may be another note of the line
_SAME_SPAN = 0.6  # as in `planner.answer.note_ids`
_SAME_PITCH_CENTS = 150.0  # the largest planned move is a semitone
_SHIFT_STEP_S, _SHIFT_MOST_S = 0.02, 10.0  # chosen: where a late file is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One note as it was read, in the original or in the bounce; pitches of the first partial."""

    id: str
    stem: str
    start_s: float
    end_s: float
    pitch_hz: float
    onset_hz: float | None = None
    sustain_hz: float | None = None
    end_hz: float | None = None
    onset_uncertainty_cents: float | None = None
    uncertainty_cents: float | None = None
    vibrato_half_cents: float | None = None
    upper_partials_db: float | None = None
    level_db: float | None = None
    shaky: bool = False
    # Of the plan's notes alone:
    intended_midi: int = 0
    target_hz: float | None = None
    heard_cents: float | None = None
    tolerance_cents: float | None = None
    heard_in: tuple[tuple[str, float], ...] = ()  # (stem, dB against itself) where it leaks to

    def hz_at(self, at: At) -> float | None:
        """The pitch of one part of the note."""
        return {"onset": self.onset_hz, "sustain": self.sustain_hz, "end": self.end_hz}[at]

    def doubt_cents_at(self, at: At) -> float:
        """How unsure that pitch is; 0 where nothing says."""
        doubt = self.onset_uncertainty_cents if at == "onset" else self.uncertainty_cents
        return doubt or 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundMove:
    """How far a note really moved, in cents, and how unsure that is."""

    cents: float
    uncertainty_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A note of the plan beside the same note of the bounce."""

    then: Reading
    now: Reading

    @property
    def shaky(self) -> bool:
        return self.then.shaky or self.now.shaky

    def moved(self, *parts: At) -> FoundMove | None:
        """Give how far the note moved, by the first of these parts that was read in both files.

        Without parts: by its sustain, else by its onset. None where none was read in both.
        """
        for at in parts or WHOLE_NOTE:
            before, after = self.then.hz_at(at), self.now.hz_at(at)
            if before is not None and after is not None:
                doubt = math.hypot(self.then.doubt_cents_at(at), self.now.doubt_cents_at(at))
                return FoundMove(
                    cents=cents(after, before), uncertainty_cents=max(LEAST_DOUBT_CENTS, doubt)
                )
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Paired:
    """The notes of a plan that were found again in a bounce."""

    pairs: tuple[Pair, ...] = ()
    late_s: float = 0.0  # by how much the bounce's notes begin later than the plan's


def paired(then: Sequence[Reading], now: Sequence[Reading]) -> Paired:
    """Find each note of the plan in the bounce."""
    shift_s = _shift(then, now)
    starts_s = np.array([one.start_s for one in now]) - shift_s
    ends_s = np.array([one.end_s for one in now]) - shift_s
    near = []
    for i, a in enumerate(then):
        late_s = np.abs(starts_s - a.start_s)
        shared_s = np.minimum(ends_s, a.end_s) - np.maximum(starts_s, a.start_s)
        # Over each other for most of both, wherever each was heard to begin.
        over = shared_s >= _SAME_SPAN * np.maximum(ends_s - starts_s, a.end_s - a.start_s)
        for k in np.flatnonzero(over | (late_s <= _SAME_START_S)).tolist():
            off = abs(cents(now[k].pitch_hz, a.pitch_hz))
            if off <= _SAME_PITCH_CENTS:
                # Notes of one chord begin together: there the pitch decides.
                apart = late_s[k] / _SAME_START_S + off / _SAME_PITCH_CENTS
                near.append((not over[k], float(apart), i, k))
    near.sort()
    used_then: set[int] = set()
    used_now: set[int] = set()
    pairs = []
    for _, _, i, k in near:
        if i not in used_then and k not in used_now:
            used_then.add(i)
            used_now.add(k)
            pairs.append(Pair(then=then[i], now=now[k]))
    pairs.sort(key=lambda pair: (pair.then.start_s, pair.then.id))
    late = [pair.now.start_s - pair.then.start_s for pair in pairs]
    return Paired(pairs=tuple(pairs), late_s=float(np.median(late)) if late else 0.0)


def _shift(then: Sequence[Reading], now: Sequence[Reading]) -> float:
    """By how much a bounce is late: the shift under which most notes meet one of their pitch."""
    apart = np.array(
        [
            b.start_s - a.start_s
            for a in then
            for b in now
            if abs(b.start_s - a.start_s) <= _SHIFT_MOST_S
            and abs(cents(b.pitch_hz, a.pitch_hz)) <= _SAME_PITCH_CENTS
        ]
    )
    if not len(apart):
        return 0.0
    here = int((np.abs(apart) <= _SAME_START_S).sum())
    if 2 * here >= len(then):
        return 0.0
    steps = np.arange(-_SHIFT_MOST_S, _SHIFT_MOST_S + _SHIFT_STEP_S, _SHIFT_STEP_S)
    votes = [int((np.abs(apart - step) <= _SHIFT_STEP_S).sum()) for step in steps]
    best = float(steps[int(np.argmax(votes))])
    near = apart[np.abs(apart - best) <= _SHIFT_STEP_S]
    return float(np.median(near)) if 2 * len(near) >= len(then) else 0.0
