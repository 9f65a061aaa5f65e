"""Has an edited note kept its tone? The same note before and after, octave band by octave band.

It is one performance of one note, so its partials keep their levels whatever an editor does to its
pitch: moved by up to half a semitone, with its formants or without, it slides along the slopes of
its spectrum by a few decibels at most. Bands blend into each other and are laid where the note
lies in each file, so that no partial changes its band by being moved. What the notes around changed
as well is the file's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.model import Floats
from planner.wording import amount

MIDBANDS_HZ = tuple(125.0 * 2.0**k for k in range(7))  # octaves; IEC 61260-1, base 2
# Chosen: a band so far under the loudest one is hardly heard, and noise fills it.
_WEAK_DB = 30.0
# Ours, `python -m tests.bench.edited_tone --seeds 41505 41508`: of 135 notes that were moved by 8
# to 45 cents in three ways none is told.
TOLD_DB = 4.0
_EACH_TOLD = 3  # chosen: more notes than this are counted


def band_levels_db(x: Floats, sr: int, moved_cents: float = 0.0) -> Floats:
    """Give the level of a stretch around each midband, cos^2 in octaves to the next one.

    Parameters
    ----------
    x : (n,)
    sr : Hz
    moved_cents : by how much the note was moved: the bands move with it

    Returns
    -------
    ndarray (7,)
        dB, full-scale sine 0; NaN where the band lies beyond half the rate.
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
    """Say which edited notes sound another way.

    Parameters
    ----------
    changes : by note id
        `tone_change_db` of the edited notes.
    around : by note id
        The same of notes around it that nobody moved; what most of them changed is the file's.
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
            f"{_side(by_db, band)}; listen there"
        ]
    return [
        f"the edit of {note_id} changed its tone: {_side(by_db, band)}; listen there"
        for by_db, band, note_id in told
    ]


def _side(by_db: float, band: int) -> str:
    more = "more" if by_db > 0 else "less"
    return f"{amount(by_db)} dB {more} around {MIDBANDS_HZ[band]:.0f} Hz, against the whole note"
