"""Pitch that goes with level, and voices that lean where the band is full: told, never planned.

Loud headphones are said to draw singers flat, a cue too quiet to push them sharp; fretted notes go
sharp under a firm hand. Common practice, no source; each has other causes, and they are named.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.decide.exposure import Standing
from planner.model import VOICE_ROLES, Finding, Role
from planner.targets import Aimed
from planner.words.spread import spread_of
from planner.words.wording import amount, count, flat_or_sharp

_NOTES = 12  # chosen: as many as either side of a tuning break
_TOLD_CENTS = 6.0  # over the level range of the part; common practice, no source
_RANGE_DB = 6.0  # chosen: a part sung at one level shows nothing
_SURE_ERRORS = 3.0  # chosen: chance makes so sure a slope in 3 of 1000 parts
_APART_CENTS = 5.0  # common practice, no source: as a tuning break
_FAR_CENTS = 50.0  # further off, another note may be meant


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSlope:
    """How pitch goes with level, over some notes."""

    cents_per_db: float
    doubt: float  # one standard error of that
    range_db: float  # from the soft tenth to the loud tenth of the notes
    notes: int

    @property
    def over_range_cents(self) -> float:
        return self.cents_per_db * self.range_db

    @property
    def sure(self) -> bool:
        """Whether it is more than chance, and large enough to be heard."""
        told = round(abs(self.over_range_cents), 1) >= _TOLD_CENTS
        return told and abs(self.cents_per_db) >= _SURE_ERRORS * self.doubt


def level_slope(
    level_db: Sequence[float], cents_off: Sequence[float], midi: Sequence[float]
) -> LevelSlope | None:
    """Fit how errors go with level, what goes with the height of the notes taken out.

    Least squares of errors on level and height; notes 3 median deviations from the middle are left
    out. Where loud notes are the high ones the two cannot be told apart, and the doubt grows.

    Returns None for fewer than 12 notes, or where their levels lie within 6 dB.
    """
    level, error, height = (np.asarray(v, dtype=float) for v in (level_db, cents_off, midi))
    if len(error) < _NOTES:
        return None
    middle = float(np.median(error))
    spread = spread_of(error, middle)
    keep = np.abs(error - middle) <= 3.0 * max(spread, 1.0)
    level, error, height = level[keep], error[keep], height[keep]
    if len(error) < _NOTES:
        return None
    soft, loud = np.percentile(level, [10, 90])
    if loud - soft < _RANGE_DB:
        return None
    terms = np.column_stack([np.ones(len(error)), level - level.mean(), height - height.mean()])
    fitted, *_ = np.linalg.lstsq(terms, error, rcond=None)
    left = error - terms @ fitted
    power = np.linalg.pinv(terms.T @ terms)
    doubt = float(np.sqrt(left @ left / max(len(error) - 3, 1) * power[1, 1]))
    return LevelSlope(
        cents_per_db=float(fitted[1]), doubt=doubt, range_db=float(loud - soft), notes=len(error)
    )


def voice_findings(
    parts: Mapping[str, tuple[Role, Sequence[Aimed]]], standing: Mapping[str, Standing]
) -> tuple[Finding, ...]:
    """Say where a voice's pitch goes with its level, or leans where the band is full.

    parts : stem code -> its role and its notes
    standing : note id -> how it stands among the others
    """
    found = []
    for code, (role, aimed) in sorted(parts.items()):
        if role not in VOICE_ROLES:
            continue
        heard = [a for a in aimed if a.heard_cents is not None and abs(a.heard_cents) <= _FAR_CENTS]
        slope = level_slope(
            [a.measured.note.level_db for a in heard],
            [a.heard_cents or 0.0 for a in heard],
            [a.target.intended_midi for a in heard],
        )
        if slope is not None and slope.sure:
            found.append(_with_level(code, slope))
        found += _where_full(code, heard, standing)
    return tuple(found)


def _with_level(code: str, slope: LevelSlope) -> Finding:
    sharper = slope.cents_per_db > 0
    cause = (
        "a cue too quiet to sing over can do this, and many voices do it by nature"
        if sharper
        else "loud headphones can do this, and so can a breath that runs short"
    )
    try_it = (
        "a little more voice and reference in the headphones"
        if sharper
        else "quieter headphones, or one ear free,"
    )
    return Finding(
        severity="note",
        what=f"{code}: louder notes sit {'sharper' if sharper else 'flatter'}, by "
        f"{amount(slope.over_range_cents)} from the soft to the loud ones "
        f"({count(slope.notes, 'note')} over {slope.range_db:.0f} dB, their height allowed for); "
        f"{cause}.",
        did="Nothing is planned for it: each note is judged where it sounds.",
        advice=f"For the producer: {try_it} for one take would tell.",
        stem=code,
    )


def _where_full(
    code: str, heard: Sequence[Aimed], standing: Mapping[str, Standing]
) -> list[Finding]:
    """Where many others sound the voice sits elsewhere than where few do."""
    full = [a for a in heard if _stands(a, standing) in ("dense", "buried")]
    bare = [a for a in heard if _stands(a, standing) in ("bare", "featured")]
    if len(full) < _NOTES or len(bare) < _NOTES:
        return []
    there, here = (np.array([a.heard_cents for a in some], dtype=float) for some in (full, bare))
    apart = float(there.mean() - here.mean())
    doubt = float(np.sqrt(there.var(ddof=1) / len(there) + here.var(ddof=1) / len(here)))
    if round(abs(apart), 1) < _APART_CENTS or abs(apart) < _SURE_ERRORS * doubt:
        return []
    higher = float(
        np.mean([a.target.intended_midi for a in full])
        - np.mean([a.target.intended_midi for a in bare])
    )
    against = "the line lies as high in both"
    if abs(higher) >= 1.0:
        way = "higher" if higher > 0 else "lower"
        against = (
            f"the line also lies {amount(higher)} semitones {way} there, which can do the same"
        )
    return [
        Finding(
            severity="note",
            what=f"{code}: where many parts sound the voice sits {flat_or_sharp(there.mean())} "
            f"({count(len(full), 'note')}), where few do {flat_or_sharp(here.mean())} "
            f"({count(len(bare), 'note')}); headphones that get loud with the band can do this; "
            f"{against}.",
            did="Nothing is planned for it: each note is judged where it sounds.",
            advice="For the producer: a quieter headphone mix in the full passages would tell.",
            stem=code,
        )
    ]


def _stands(a: Aimed, standing: Mapping[str, Standing]) -> str:
    found = standing.get(a.measured.id)
    return "" if found is None else found.exposure
