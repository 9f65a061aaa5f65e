"""Which notes found in a stem are another stem leaking into its microphone?

A note is taken for bleed when another stem sounds the same note (or one whose partial it is) at
the same time, much louder, while the note is weak by its own stem's measure; or when it is so far
under the other that no mix would hold both. All limits are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.model import CHORD_ROLES, Finding, Floats, StemNotes

_UNDER_OTHER_DB = 12.0
_UNDER_OWN_LOUD_DB = 12.0
_FAR_UNDER_OTHER_DB = 26.0
_SAME_CENTS = 35.0
_OVERLAP_SHARE = 0.5
_PARTIALS = (1.0, 2.0, 3.0, 4.0, 0.5)  # 0.5: the tracker may take two leaking notes for one below


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sounding:
    """The notes of one stem as arrays, by start."""

    start_s: Floats
    end_s: Floats
    log2_hz: Floats
    level_db: Floats


def without_bleed(stems: Sequence[StemNotes]) -> tuple[StemNotes, ...]:
    """Drop the notes that are bleed, and say of each stem how many were.

    Parameters
    ----------
    stems : sequence of StemNotes
        All stems of the session; the order does not matter.

    Returns
    -------
    tuple of StemNotes
        In the same order.
    """
    sounding = {stem.code: _arrays(stem) for stem in stems}
    return tuple(
        _clean(stem, [other for code, other in sounding.items() if code != stem.code])
        for stem in stems
    )


def _arrays(stem: StemNotes) -> _Sounding:
    notes = [measured.note for measured in stem.notes]
    return _Sounding(
        start_s=np.array([note.start_s for note in notes]),
        end_s=np.array([note.end_s for note in notes]),
        log2_hz=np.log2([note.pitch_hz for note in notes]) if notes else np.empty(0),
        level_db=np.array([note.level_db for note in notes]),
    )


def _clean(stem: StemNotes, others: list[_Sounding]) -> StemNotes:
    if not stem.notes:
        return stem
    loud_db = float(np.percentile([measured.note.level_db for measured in stem.notes], 90))
    kept = []
    for measured in stem.notes:
        note = measured.note
        # A chord's notes are as unlike in level as its fingers: weak says nothing there.
        weak = stem.role not in CHORD_ROLES and note.level_db < loud_db - _UNDER_OWN_LOUD_DB
        limit_db = note.level_db + (_UNDER_OTHER_DB if weak else _FAR_UNDER_OTHER_DB)
        if not any(
            _covers(other, note.start_s, note.end_s, float(np.log2(note.pitch_hz)), limit_db)
            for other in others
        ):
            kept.append(measured)
    gone = len(stem.notes) - len(kept)
    if gone == 0:
        return stem
    told = Finding(
        severity="note",
        what=f"{gone} of {len(stem.notes)} notes found here are other stems leaking in.",
        did="They are not listed.",
        stem=stem.code,
    )
    return replace(stem, notes=tuple(kept), findings=(*stem.findings, told))


def _covers(
    other: _Sounding, start_s: float, end_s: float, log2_hz: float, limit_db: float
) -> bool:
    """Whether louder notes of the other stem sound at this pitch for most of the time."""
    overlap = np.minimum(other.end_s, end_s) - np.maximum(other.start_s, start_s)
    near = (overlap > 0) & (other.level_db > limit_db)
    if not near.any():
        return False
    apart = log2_hz - other.log2_hz[near, None] - np.log2(_PARTIALS)
    same = (np.abs(apart) * 1200 < _SAME_CENTS).any(axis=1)
    return float(overlap[near][same].sum()) >= _OVERLAP_SHARE * (end_s - start_s)
