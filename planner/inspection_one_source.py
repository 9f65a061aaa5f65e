"""Are two stems one performance, through two microphones or an amplifier, or saved twice?

No two players agree note by note to a few milliseconds and a cent, each flat note as flat and each
late one as late. Two microphones do, one of them later by the way the sound takes; so does an
amplifier, whatever it makes of tone and level. Fixed keys are in tune with each other anyhow: there
the levels of the notes must agree as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from planner.model import Finding, Floats, MeasuredNote, StemNotes
from planner.pitch import cents, hz_to_midi
from planner.spread import spread_of

_ENOUGH_NOTES = 12  # chosen: as few notes as say how a part is tuned
_MOST_DELAY_S = 0.03  # chosen: ten metres between microphones
_SHARE = 0.9  # chosen: of the notes of the stem with fewer
_MOST_UNLIKE = 1.5  # chosen: a room microphone loses soft notes, an amplifier adds noise
# Measured on made parts and what amplifiers and distance make of them: 1.4 to 2.4 ms and 0.06 to
# 0.75 cents; two takes of one singer scatter by ten times that.
_START_S, _CENTS = 0.004, 1.0
_DB = 1.0
_OWN_ERRORS = 3.0  # times as far from the keys as from each other: what one player's hand shows


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pairs:
    """Notes of two stems that begin together on one pitch, as arrays."""

    later_s: Floats  # the second stem's start less the first's
    apart_cents: Floats
    apart_db: Floats
    off_keys_cents: Floats  # the first stem's own distance from the nearest key


def one_source_findings(stems: Sequence[StemNotes]) -> Iterator[Finding]:
    """Ask about stems that hold one performance and are not said to.

    Those with the role sampled are left out, since a programmed part may well be doubled by another
    sound.
    """
    for first, second in combinations(stems, 2):
        same_file = (
            first.facts is not None
            and second.facts is not None
            and first.facts.sha256 == second.facts.sha256
        )  # told by its sum
        if same_file or "sampled" in (first.role, second.role):
            continue
        delay_s = _one_source_s(first.notes, second.notes)
        if delay_s is None:
            continue
        late, early = (second, first) if delay_s >= 0 else (first, second)
        later = f", {late.code} {abs(delay_s) * 1000:.0f} ms later" if abs(delay_s) > 5e-4 else ""
        fewer = min(len(first.notes), len(second.notes))
        yield Finding(
            severity="question",
            what=f"{early.code} and {late.code} hold the same {fewer} notes to the cent and the "
            f"millisecond{later}: one performance?",
            did="Each was measured and planned as a part of its own.",
            advice=f"Two microphones, or a direct line and its amplifier, are one stem: put the "
            f"file of {late.code} under linked of {early.code}, so that they move together; of a "
            "copy, take one out.",
            stem=late.code,
        )


def _one_source_s(first: Sequence[MeasuredNote], second: Sequence[MeasuredNote]) -> float | None:
    """How much later the second of two stems of one performance is, s; None where they are two."""
    fewer, more = sorted((len(first), len(second)))
    if fewer < _ENOUGH_NOTES or more > _MOST_UNLIKE * fewer:
        return None
    pairs = _pairs(first, second)
    if len(pairs.later_s) < _SHARE * fewer:
        return None
    delay_s, start_s = _middle_and_spread(pairs.later_s)
    middle_cents, spread_cents = _middle_and_spread(pairs.apart_cents)
    if abs(delay_s) > _MOST_DELAY_S or start_s > _START_S:
        return None
    if abs(middle_cents) > _CENTS or spread_cents > _CENTS:
        return None
    hand = _middle_and_spread(pairs.off_keys_cents)[1] > _OWN_ERRORS * max(spread_cents, 0.1)
    return delay_s if hand or _middle_and_spread(pairs.apart_db)[1] <= _DB else None


def _pairs(first: Sequence[MeasuredNote], second: Sequence[MeasuredNote]) -> _Pairs:
    ours = [n for n in first if n.measurement.heard_hz is not None]
    theirs = [n for n in second if n.measurement.heard_hz is not None]
    starts = np.array([n.note.start_s for n in theirs])
    rows = []
    for n in ours:
        own_hz = n.measurement.heard_hz or 0.0
        near = np.flatnonzero(np.abs(starts - n.note.start_s) <= _MOST_DELAY_S + _START_S)
        fits = [
            (abs(apart), theirs[k].note.start_s - n.note.start_s, apart,
             theirs[k].note.level_db - n.note.level_db)
            for k in near
            if abs(apart := cents(theirs[k].measurement.heard_hz or 0.0, own_hz)) < 100.0
        ]  # fmt: skip
        if fits:
            semitones = hz_to_midi(own_hz)
            rows.append((*min(fits)[1:], 100.0 * (semitones - round(semitones))))
    later_s, apart_cents, apart_db, off_keys = np.array(rows, dtype=float).reshape(-1, 4).T
    return _Pairs(
        later_s=later_s, apart_cents=apart_cents, apart_db=apart_db, off_keys_cents=off_keys
    )


def _middle_and_spread(values: Floats) -> tuple[float, float]:
    """Median, and the standard deviation that the median distance from it stands for."""
    middle = float(np.median(values))
    return middle, spread_of(values, middle)
