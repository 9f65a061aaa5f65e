"""Is an edited note still there, as loud as it was, with its tone? Only its pitch was to change.

Levels are those of the readings. What is common to the notes around an edit, a gain or a fade of
the whole file, is no fault of the edit.

Tone is compared octave band by octave band, the same note before and after. It is one performance
of one note, so its partials keep their levels whatever an editor does to its pitch: moved by up to
half a semitone, with its formants or without, it slides along the slopes of its spectrum by a few
decibels at most. Bands blend into each other and are laid where the note lies in each file, so that
no partial changes its band by being moved.
"""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from planner.compare.note_pairs import Pair, Reading
from planner.model import Floats
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.wording import amount

# Ours, by `python -m tests.bench.edited --seeds 33011 33013`: of 104 notes whose pitch alone was
# moved by 8 to 45 cents, formants kept, one read 2.8 dB from its neighbours and none further.
_LEVEL_DB = 3.0
_AROUND = 8  # chosen: notes whose middle says how loud the file is; as many before as behind
_EACH_TOLD = 3  # chosen: more notes than this are counted
MIDBANDS_HZ = tuple(125.0 * 2.0**k for k in range(7))  # octaves; IEC 61260-1, base 2
# Chosen: a band so far under the loudest one is hardly heard, and noise fills it.
_WEAK_DB = 30.0
# Ours, `python -m tests.bench.edited_tone --seeds 41505 41508`: of 135 notes that were moved by 8
# to 45 cents in three ways none is told.
TOLD_DB = 4.0


def edited_said(
    rows: Iterable[Row], then: Sequence[Reading], pairs: Mapping[str, Pair]
) -> tuple[str, ...]:
    """Say which of a stem's edited notes are gone, and which changed their level.

    rows: of the plan; those of single notes count that move one and were not refused or parked.
    then: all notes of the stem, as planned.
    pairs: note id -> the note in both files.
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


# ---------------------------------------------------------------- tone


def band_levels_db(x: Floats, sr: int, moved_cents: float = 0.0) -> Floats:
    """Give the level of a stretch around each midband, cos^2 in octaves to the next one.

    x : (n,)
    sr : Hz
    moved_cents : by how much the note was moved: the bands move with it

    Returns (7,) dB, full-scale sine 0; NaN where the band lies beyond half the rate.
    """
    power = np.abs(np.fft.rfft(x * np.hanning(len(x) + 2)[1:-1])) ** 2
    f_hz = np.fft.rfftfreq(len(x), 1.0 / sr)
    midbands = np.array(MIDBANDS_HZ) * 2.0 ** (moved_cents / 1200.0)
    octaves = np.log2(np.maximum(f_hz, 1.0) / midbands[:, None])
    weights = np.where(np.abs(octaves) < 1.0, np.cos(np.pi / 2.0 * octaves) ** 2, 0.0)
    # Parseval, with the Hann window's mean square of 3/8.
    levels = 10.0 * np.log10(np.maximum(weights @ power * 32.0 / 3.0 / len(x) ** 2, 1e-15))
    return np.where(midbands < sr / 2.0, levels, np.nan)


def tone_change_db(before: Floats, after: Floats) -> Floats:
    """Give by how much each band of a note changed against the note as a whole, NaN where weak.

    before, after: (7,) levels of its bands (`band_levels_db`).
    """
    power = 10.0 ** (np.nan_to_num([before, after], nan=-150.0) / 10.0)
    whole_db = 10.0 * np.log10(power[1].sum() / power[0].sum())
    loudest = np.nanmax(before)
    weak = ~(np.fmax(before, after - whole_db) >= loudest - _WEAK_DB)
    return np.where(weak, np.nan, after - before - whole_db)


def tone_said(changes: Mapping[str, Floats], around: Mapping[str, Sequence[Floats]]) -> list[str]:
    """Say which edited notes have another tone than before.

    changes: by note id; `tone_change_db` of the edited notes.
    around: by note id; the same of notes around it that nobody moved; what most of them changed is
        the file's.
    """
    told = []
    for note_id, change in changes.items():
        others = np.array([*around.get(note_id, ())])
        usual = np.zeros(len(change))
        if len(others):
            known = ~np.isnan(others).all(axis=0)
            usual[known] = np.nanmedian(others[:, known], axis=0)
        off = np.round(change - usual, 1)
        if np.isnan(off).all():
            continue
        band = int(np.nanargmax(np.abs(off)))
        if abs(off[band]) > TOLD_DB:
            told.append((float(off[band]), band, note_id))
    if len(told) > _EACH_TOLD:
        by_db, band, note_id = max(told, key=lambda one: abs(one[0]))
        return [
            f"{len(told)} edited notes changed their tone, most of all {note_id}: "
            f"{_tone_side(by_db, band)}; listen there"
        ]
    return [
        f"the edit of {note_id} changed its tone: {_tone_side(by_db, band)}; listen there"
        for by_db, band, note_id in told
    ]


def _tone_side(by_db: float, band: int) -> str:
    more = "more" if by_db > 0 else "less"
    return f"{amount(by_db)} dB {more} around {MIDBANDS_HZ[band]:.0f} Hz, against the whole note"
