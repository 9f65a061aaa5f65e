"""Is an edited note still there, and as loud as it was? Only its pitch was to change.

Levels are those of the readings, so nothing is heard here. What is common to the notes around an
edit, a gain or a fade of the whole file, is no fault of the edit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from planner.note_pairs import Pair, Reading
from planner.plan_model import MOVING_ACTIONS, Row

# Ours, by `python -m tests.bench.edited --seeds 33011 33013`: of 104 notes whose pitch alone was
# moved by 8 to 45 cents, formants kept, one read 2.8 dB from its neighbours and none further.
_LEVEL_DB = 3.0
_AROUND = 8  # chosen: notes whose middle says how loud the file is; as many before as behind
_EACH_TOLD = 3  # chosen: more notes than this are counted


def edited_said(
    rows: Iterable[Row], then: Sequence[Reading], pairs: Mapping[str, Pair]
) -> tuple[str, ...]:
    """Say which of a stem's edited notes are gone, and which changed their level.

    Parameters
    ----------
    rows : iterable of Row
        Of the plan; those of single notes count that move one and were not refused or parked.
    then : sequence of Reading
        All notes of the stem, as planned.
    pairs : mapping
        Note id -> the note in both files.
    """
    own = edited_ids(rows)
    edited = [one for one in then if one.id in own]
    gone = [one.id for one in edited if one.id not in pairs and not one.shaky]
    louder = {k: db for k, pair in pairs.items() if (db := _louder_db(pair)) is not None}
    changed = []
    for one in edited:
        if one.id not in louder:
            continue
        around = sorted(
            (abs(pairs[k].then.start_s - one.start_s), k)
            for k in louder
            if k not in own and pairs[k].then.stem == one.stem
        )[:_AROUND]
        usual = float(np.median([louder[k] for _, k in around])) if around else 0.0
        by = round(louder[one.id] - usual, 1)
        if abs(by) > _LEVEL_DB:
            changed.append((by, one.id))
    return (*_gone_words(gone), *_level_words(changed))


def edited_ids(rows: Iterable[Row]) -> frozenset[str]:
    """Name the notes that have an edit of their own, neither refused nor parked."""
    return frozenset(
        note_id
        for r in rows
        if r.kind == "note" and r.action in MOVING_ACTIONS
        and r.state not in ("refused", "parked", "orphan")
        for note_id in r.covers
    )  # fmt: skip


def _louder_db(pair: Pair) -> float | None:
    before, after = pair.then.level_db, pair.now.level_db
    return None if before is None or after is None else after - before


def _gone_words(gone: Sequence[str]) -> list[str]:
    if not gone:
        return []
    names = ", ".join(gone[:_EACH_TOLD]) + (" and others" if len(gone) > _EACH_TOLD else "")
    one = len(gone) == 1
    return [
        f"{len(gone)} edited note{'' if one else 's'} ({names}) {'is' if one else 'are'} not found "
        "again: silent, cut, or another sound now; listen there"
    ]


def _level_words(changed: Sequence[tuple[float, str]]) -> list[str]:
    if len(changed) > _EACH_TOLD:
        by, note_id = max(changed, key=lambda one: abs(one[0]))
        return [
            f"{len(changed)} edited notes changed their level, most of all {note_id}, {_side(by)}"
        ]
    return [f"the edit of {note_id} changed its level, {_side(by)}" for by, note_id in changed]


def _side(by_db: float) -> str:
    return f"{abs(by_db):.1f} dB {'louder' if by_db > 0 else 'softer'}"
