"""Are two stems one performance, or were files of one source moved apart?

No two players agree note by note to a few milliseconds and a cent, each flat note as flat and each
late one as late. Two microphones on one player do, the farther one a little later; so does an
amplifier, whatever it makes of tone and level. Fixed keys are in tune with each other anyhow, so
there the levels of the notes must agree as well.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from planner.model import Finding, Floats, MeasuredNote, Measurement, Note, StemNotes
from planner.pitch import cents, hz_to_midi
from planner.words.spread import doubt_of_middle, spread_of
from planner.words.wording import amount, count, flat_or_sharp

_ENOUGH_NOTES = 12  # chosen: as few notes as say how a part is tuned
_MOST_DELAY_S = 0.03  # chosen: ten metres between microphones
_SHARE = 0.9  # chosen: of the notes of the stem with fewer
_MOST_UNLIKE = 1.5  # chosen: a room microphone loses soft notes, an amplifier adds noise
# Measured on made parts and what amplifiers and distance make of them: 1.4 to 2.4 ms and 0.06 to
# 0.75 cents; two takes of one singer scatter by ten times that.
_START_S, _CENTS = 0.004, 1.0
# A copy of a sung line, once more as loud and 21 ms later: 0.3 cents, but 4.7 ms, as soft starts
# are found where the copy's own frames lie. Where the cents show the hand, twice as much passes.
_SOFT_START_S = 0.008
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
        )  # `inspect_facts` tells these
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
    hand = _middle_and_spread(pairs.off_keys_cents)[1] > _OWN_ERRORS * max(spread_cents, 0.1)
    if abs(delay_s) > _MOST_DELAY_S or start_s > (_SOFT_START_S if hand else _START_S):
        return None
    if abs(middle_cents) > _CENTS or spread_cents > _CENTS:
        return None
    return delay_s if hand or _middle_and_spread(pairs.apart_db)[1] <= _DB else None


def _pairs(first: Sequence[MeasuredNote], second: Sequence[MeasuredNote]) -> _Pairs:
    ours = [n for n in first if n.measurement.heard_hz is not None]
    theirs = [n for n in second if n.measurement.heard_hz is not None]
    starts = np.array([n.note.start_s for n in theirs])
    rows = []
    for n in ours:
        own_hz = n.measurement.heard_hz or 0.0
        near = np.flatnonzero(np.abs(starts - n.note.start_s) <= _MOST_DELAY_S + _SOFT_START_S)
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


# ---------------------------------------------------------------- linked files


_SAME_NOTE_CENTS = 100.0
_MOVED_CENTS = 4.0  # chosen: the smallest edit there is leaves as much between the two
_WHOLE_CENTS = 2.0  # chosen: of a whole file, whose middle is known better than a note
_SURE_SDS = 3.0
_MOST_MOVED = 0.5  # chosen: above it the two files hold different things
_TOLD = 4  # places that are named

Heard = tuple[Note, Measurement]


def linked_findings(stem: StemNotes, file: str, theirs: Sequence[Heard]) -> tuple[Finding, ...]:
    """Compare a stem note by note with another file of the same source.

    They hold the same pitches, unless one of them was moved without the other.

    stem: what the measured file holds.
    file, theirs: the other file's name, and its notes.
    """
    pairs = _sure_pairs(stem, theirs)
    if len(pairs) < _ENOUGH_NOTES:
        return ()
    apart = np.array([cents(_hz(other[1]), _hz(mine)) for mine, other, _ in pairs])
    middle = float(np.median(apart))
    spread = spread_of(apart, middle)
    moved = [
        (round(off - middle, 1), other[0].start_s)
        for off, (mine, other, doubt) in zip(apart, pairs, strict=True)
        if round(abs(off - middle), 1) >= max(_MOVED_CENTS, _SURE_SDS * max(doubt, spread))
    ]
    if len(moved) > _MOST_MOVED * len(pairs):
        return ()
    said = []
    doubt = doubt_of_middle(max(spread, 0.1), len(apart))
    if round(abs(middle), 1) >= _WHOLE_CENTS and abs(middle) >= _SURE_SDS * doubt:
        said.append(
            f"{file} sits {flat_or_sharp(middle)} of the file that {stem.code} is measured "
            f"from, over {count(len(pairs), 'note')}"
        )
    if moved:
        sizes = [abs(off) for off, _ in moved]
        size = amount(min(sizes))
        if len(sizes) > 1 and amount(max(sizes)) != size:
            size += f" to {amount(max(sizes))}"
        where = ", ".join(f"{at_s:.1f} s" for _, at_s in moved[:_TOLD])
        more = ", ..." if len(moved) > _TOLD else ""
        said.append(
            f"{count(len(moved), 'note')} of {file} "
            f"{'lies' if len(moved) == 1 else 'lie'} {size} cents off {stem.code}'s own "
            f"({where}{more}), the other {len(pairs) - len(moved)} agree"
        )
    return tuple(
        Finding(
            severity="question",
            what=f"{what}: was one file of this source moved without the other?",
            did="Nothing was planned for it: every edit names all files of a source.",
            advice="Put both back as recorded, or move both alike, or they flam and comb.",
            stem=stem.code,
            file=file,
        )
        for what in said
    )


def _hz(m: Measurement) -> float:
    assert m.heard_hz is not None
    return m.heard_hz


def _sure_pairs(stem: StemNotes, heard: Sequence[Heard]) -> list[tuple[Measurement, Heard, float]]:
    """Notes of both files that begin together on one pitch, both surely read."""
    theirs = sorted((one for one in heard if _sure(one[1])), key=lambda one: one[0].start_s)
    starts = np.array([note.start_s for note, _ in theirs])
    pairs = []
    for n in stem.notes:
        if not _sure(n.measurement):
            continue
        lo, hi = np.searchsorted(
            starts, [n.note.start_s - _MOST_DELAY_S, n.note.start_s + _MOST_DELAY_S]
        )
        near = [
            one
            for one in theirs[lo:hi]
            if abs(cents(_hz(one[1]), _hz(n.measurement))) < _SAME_NOTE_CENTS
        ]
        if near:
            best = min(near, key=lambda one: abs(one[0].start_s - n.note.start_s))
            doubt = math.hypot(
                n.measurement.uncertainty_cents or 1.0, best[1].uncertainty_cents or 1.0
            )
            pairs.append((n.measurement, best, doubt))
    return pairs


def _sure(m: Measurement) -> bool:
    return m.heard_hz is not None and m.confidence in ("firm", "fair")
