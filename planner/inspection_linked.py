"""Files of one source hold the same pitches, unless one of them was moved without the other."""

from __future__ import annotations

import math

import numpy as np

from planner.inspection_tuning import ENOUGH_NOTES
from planner.model import Finding, Measurement, Note, StemNotes
from planner.pitch import cents
from planner.spread import doubt_of_middle, spread_of
from planner.takes import TakeHeard
from planner.wording import amount, count, flat_or_sharp

_TOGETHER_S = 0.03  # chosen: ten metres between microphones
_SAME_NOTE_CENTS = 100.0
_MOVED_CENTS = 4.0  # chosen: the smallest edit there is leaves as much between the two
_WHOLE_CENTS = 2.0  # chosen: of a whole file, whose middle is known better than a note
_SURE_SDS = 3.0
_MOST_MOVED = 0.5  # chosen: above it the two files hold different things
_TOLD = 4  # places that are named

Heard = tuple[Note, Measurement]


def linked_findings(stem: StemNotes, other: TakeHeard) -> tuple[Finding, ...]:
    """Compare a stem note by note with another file of the same source.

    stem: what the measured file holds.
    other: what another file of the source holds; its take names the file.
    """
    pairs = _pairs(stem, other)
    if len(pairs) < ENOUGH_NOTES:
        return ()
    apart = np.array([cents(_hz(theirs[1]), _hz(mine)) for mine, theirs, _ in pairs])
    middle = float(np.median(apart))
    spread = spread_of(apart, middle)
    moved = [
        (round(off - middle, 1), theirs[0].start_s)
        for off, (mine, theirs, doubt) in zip(apart, pairs, strict=True)
        if round(abs(off - middle), 1) >= max(_MOVED_CENTS, _SURE_SDS * max(doubt, spread))
    ]
    if len(moved) > _MOST_MOVED * len(pairs):
        return ()
    said = []
    doubt = doubt_of_middle(max(spread, 0.1), len(apart))
    if round(abs(middle), 1) >= _WHOLE_CENTS and abs(middle) >= _SURE_SDS * doubt:
        said.append(
            f"{other.called} sits {flat_or_sharp(middle)} of the file that {stem.code} is measured "
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
            f"{count(len(moved), 'note')} of {other.called} "
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
            file=other.take.file,
        )
        for what in said
    )


def _hz(m: Measurement) -> float:
    assert m.heard_hz is not None
    return m.heard_hz


def _pairs(stem: StemNotes, other: TakeHeard) -> list[tuple[Measurement, Heard, float]]:
    """Notes of both files that begin together on one pitch, both surely read."""
    theirs = sorted(
        (one for one in other.notes if _sure(one[1])), key=lambda one: one[0].start_s
    )  # fmt: skip
    starts = np.array([note.start_s for note, _ in theirs])
    pairs = []
    for n in stem.notes:
        if not _sure(n.measurement):
            continue
        lo, hi = np.searchsorted(
            starts, [n.note.start_s - _TOGETHER_S, n.note.start_s + _TOGETHER_S]
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
