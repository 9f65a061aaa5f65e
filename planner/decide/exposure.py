"""How much a note stands out: who else sounds, and how loud in the same range."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from planner.clashes import SoundingNote, overlapping_pairs, part_numbers
from planner.decide.tolerances import Exposure

_RANGE_SEMITONES = 12  # chosen: an octave either way is where notes hide one another
_BURIED_DB = -12.0  # common practice, no source
_FEATURED_DB = 6.0  # chosen: twice the amplitude of all the rest
_DENSE_PARTS = 6  # chosen: this many others sounding make a dense passage
LOUD_PERCENTILE = 90  # chosen: what a part's loud notes, or moments, are
_LEAST_OVERLAP_S = 0.03  # chosen: less is a seam between two notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a note stands among the others."""

    exposure: Exposure
    over_rest_db: float | None  # level over the rest in its own range; None with nobody there


def exposures(
    notes: Iterable[SoundingNote], section: Mapping[str, Exposure] | None = None
) -> dict[str, Standing]:
    """Say of every note how exposed it is.

    Levels count against the loud moments of each part: stems are recorded for headroom and not yet
    balanced, so each is taken as balanced by these, a chord by all of its notes together. A note's
    own level wins over the label of its section, the label over the number of parts that sound.

    section : note id -> the label that the session file gives the section it lies in
    """
    ordered = sorted(notes, key=lambda n: (n.start_s, n.id))
    section = section or {}
    n = len(ordered)
    if n == 0:
        return {}
    start_s = np.array([note.start_s for note in ordered])
    end_s = np.array([note.end_s for note in ordered])
    part = part_numbers(ordered)
    length = np.maximum(end_s - start_s, 1e-9)
    midi = np.array([note.midi for note in ordered])
    power = 10.0 ** (np.array([note.level_db for note in ordered]) / 10.0)

    first, second, overlap_s = overlapping_pairs(start_s, end_s, np.arange(n), _LEAST_OVERLAP_S)
    own = part[first] == part[second]
    with_own = power.copy()
    for here, there in ((first[own], second[own]), (second[own], first[own])):
        np.add.at(with_own, here, overlap_s[own] / length[here] * power[there])
    for one in np.unique(part):
        loud, alone = (np.percentile(p[part == one], LOUD_PERCENTILE) for p in (with_own, power))
        power[part == one] *= alone / loud

    first, second, overlap_s = first[~own], second[~own], overlap_s[~own]
    rest = np.zeros(n)
    together = np.abs(midi[first] - midi[second]) <= _RANGE_SEMITONES
    for here, there in ((first, second), (second, first)):
        share = overlap_s / length[here] * power[there]
        np.add.at(rest, here[together], share[together])

    pairs = np.unique(
        np.concatenate([np.stack([first, part[second]], 1), np.stack([second, part[first]], 1)]),
        axis=0,
    )
    others = np.bincount(pairs[:, 0].astype(np.int64), minlength=n)

    found = {}
    for k, note in enumerate(ordered):
        over = None if rest[k] <= 0 else round(10.0 * float(np.log10(power[k] / rest[k])), 1)
        found[note.id] = Standing(
            exposure=_exposure(over, section.get(note.id), int(others[k])), over_rest_db=over
        )
    return found


def _exposure(over_rest_db: float | None, label: Exposure | None, others: int) -> Exposure:
    if over_rest_db is not None and over_rest_db < _BURIED_DB:
        return "buried"
    if label == "bare" or (label is None and others <= 1):
        return "bare"
    if over_rest_db is not None and over_rest_db >= _FEATURED_DB:
        return "featured"
    if label is not None:
        return label
    return "dense" if others >= _DENSE_PARTS else "normal"
