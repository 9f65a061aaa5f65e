"""How a chord stem's notes sound: the usual levels of their partials, learned from the stem itself.

A partial is as loud as its number (string, pipe, reed: where it is struck, how it speaks) and its
frequency (body, cabinet, microphone) make it; both are read off the partials that no other note
covers. With that one can ask what lower notes explain of a level, and what they do not.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_bars import OddPartials
from planner.polyphony.chord_partials import HIGHEST_HZ, first_partials
from planner.polyphony.chord_peaks import (
    RISE_DB,
    Notes,
    Peaks,
    covered,
    least_db,
    nothing_near,
    partials_found,
)
from planner.words.spread import spread_of

Array = NDArray[np.float64]

PARTIALS = 40  # as many as a found note explains
BANDS_PER_OCTAVE, LOWEST_HZ = 2, 55.0  # chosen: bodies and cabinets are no smoother
BANDS = int(np.ceil(BANDS_PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ))) + 1
USUAL_FALL_DB = 18.0  # a decade of partial numbers; chosen: between a string's and a reed's
LOOSE_DB = 10.0  # chosen: so far instruments lie from that
BEND_DB = 4.0  # chosen: from band to band
FEWEST_NOTES = 20  # chosen: fewer do not settle forty numbers and fourteen bands
MOST_NOTES = 600  # chosen: more change nothing, and an hour has thousands
LEAST_SPREAD_DB = 5.0  # chosen: recordings of one string at one strength differ by as much
FIRST_SPREAD_DB = 8.0  # chosen: a start only
FREEDOM = 4.0  # of Student's t; chosen: some partials are odd in any instrument
ROUNDS = 25  # chosen: until levels change by less than 0.1 dB
# Of the peaks within so many dB of a stroke's loudest, those that no note heard explains: more, and
# an amplifier sums tones. Chosen:
# 0 to 8 in a hundred in plucked strings, recorded and sampled, and 26 and 29 in two driven ones
# (seeds 1 and 2 of tests.bench.chorded and layered), half-way by ratio.
STRAYS_DB, SUMS_SHARE = 30.0, 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Timbre:
    """Levels of a stem's partials, dB: by number (40,), by band of frequency, and how they spread.

    A note's level comes to both. Bars have other partials beside these; of strings, pipes and
    reeds `odd` is None. `crowded`: an amplifier's sums of tones, or second reeds
    and ranks, lie among the partials.
    """

    by_number_db: Array
    by_band_db: Array
    spread_db: float
    odd: OddPartials | None = None
    crowded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreePartials:
    """The free partials of one note: those heard with their levels, those not with the least
    level at which they would have been; arrays are (k,)."""

    number: NDArray[np.intp]
    f_hz: Array
    level_db: Array
    heard: NDArray[np.bool_]


def free_partials(peaks: Peaks, notes: Notes, ringing: Notes, least: int = 2) -> list[FreePartials]:
    """List, for each of the notes that begin together, what is heard of it alone.

    least: partials heard of a note that counts; where one is all there is, it says that there are
    no others
    """
    result = []
    number = np.arange(1, PARTIALS + 1)
    for k, note in enumerate(notes):
        law = first_partials(note, PARTIALS)
        others = [other for i, other in enumerate(notes) if i != k] + ringing
        free = (law < HIGHEST_HZ) & ~covered(peaks, law, others)
        hit, index = partials_found(peaks, note, PARTIALS)
        heard = hit & free
        gone = ~hit & free & nothing_near(peaks, law)
        if heard.sum() < least:  # one says nothing of another
            continue
        both = np.concatenate([np.flatnonzero(heard), np.flatnonzero(gone)])
        level_db = np.where(heard, peaks.level_db[index], least_db(peaks, law))
        result.append(
            FreePartials(
                number=number[both], f_hz=law[both], level_db=level_db[both], heard=heard[both]
            )
        )
    return result


def stray_share(peaks: Peaks, notes: Notes) -> float:
    """Say how many of the loud peaks that begin are no partial of any note heard, 0..1."""
    loud = (peaks.rise_db > RISE_DB) & (peaks.level_db > peaks.level_db.max() - STRAYS_DB)
    strays = loud & ~covered(peaks, peaks.f_hz, notes)
    return float(strays.sum() / max(loud.sum(), 1))


def learn_timbre(
    notes: list[FreePartials], odd: OddPartials | None = None, *, crowded: bool = False
) -> Timbre | None:
    """Learn the usual levels of partials by their number and by their frequency.

    None where the notes are too few to tell. Least squares over levels in dB, odd ones counting
    less (Student's t); a partial that was not heard counts as far as it is expected above what
    would have been heard. crowded: as `Timbre` has it.
    """
    if len(notes) < FEWEST_NOTES:
        return None
    notes = notes[:MOST_NOTES]
    number = np.concatenate([note.number for note in notes]) - 1
    low, part = _band(np.concatenate([note.f_hz for note in notes]))
    at_most = np.concatenate([note.level_db for note in notes])
    heard = np.concatenate([note.heard for note in notes])
    owner = np.repeat(np.arange(len(notes)), [len(note.number) for note in notes])
    row = np.arange(len(number))
    terms = np.zeros((len(number), PARTIALS + BANDS))
    terms[row, number] = 1.0
    terms[row, PARTIALS + low] += 1.0 - part
    terms[row, PARTIALS + low + 1] += part
    usual = np.concatenate([_usual_db(), np.zeros(BANDS)])
    bends = np.diff(np.eye(BANDS), axis=0)
    held = np.eye(PARTIALS + BANDS) / LOOSE_DB**2
    held[PARTIALS:, PARTIALS:] += bends.T @ bends / BEND_DB**2
    learned, spread_db = usual, FIRST_SPREAD_DB
    weight = heard.astype(float)
    note_db = _mean_of(owner, weight, at_most - terms @ learned)
    for _ in range(ROUNDS):
        expected = terms @ learned + note_db[owner]
        level = np.where(heard, at_most, np.minimum(at_most, expected))
        off = level - expected
        weight = (FREEDOM + 1.0) / (FREEDOM + (off / spread_db) ** 2)
        note_db = _mean_of(owner, weight, level - terms @ learned)
        weighted = terms * weight[:, None] / spread_db**2
        learned = np.linalg.solve(
            weighted.T @ terms + held, weighted.T @ (level - note_db[owner]) + held @ usual
        )
        off = (level - terms @ learned - note_db[owner])[heard]
        spread_db = max(spread_of(off, 0.0), LEAST_SPREAD_DB)
    return Timbre(
        by_number_db=learned[:PARTIALS], by_band_db=learned[PARTIALS:], spread_db=spread_db,
        odd=odd, crowded=crowded,
    )  # fmt: skip


def usual_levels(timbre: Timbre, number: NDArray[np.intp], f_hz: Array) -> Array:
    """Give the usual levels of partials, dB, to which a note's own level comes; (k,)."""
    low, part = _band(f_hz)
    by_band = (1.0 - part) * timbre.by_band_db[low] + part * timbre.by_band_db[low + 1]
    return np.asarray(timbre.by_number_db[number - 1] + by_band)


def _usual_db() -> Array:
    return -USUAL_FALL_DB * np.log10(np.arange(1, PARTIALS + 1))


def _band(f_hz: Array) -> tuple[NDArray[np.intp], Array]:
    """The band below each frequency, and how far it lies on the way to the next."""
    place = np.clip(
        BANDS_PER_OCTAVE * np.log2(np.maximum(f_hz, 1.0) / LOWEST_HZ), 0.0, BANDS - 1.001
    )
    low = place.astype(int)
    return low, place - low


def _mean_of(owner: NDArray[np.intp], weight: Array, value: Array) -> Array:
    return np.asarray(np.bincount(owner, weight * value) / np.bincount(owner, weight))
