"""Where most parts of a band stand, where nothing fixed says where A4 is.

Every part has one voice, spread over its notes: a guitar's many chords count no more than the few
notes of a trumpet, and a bass of which one string is out still says where its others stand. A4 is
the place at which most of that comes together. Parts a few cents apart are one heap; a part that
stands off the others, with a capo or tuned by ear, is another heap and pulls nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.model import StemNotes
from planner.target.a4_fit import Array, Reading, apart_cents, folded_cents
from planner.words.spread import middle_of

# Common practice, no source: tuned together, parts stand this close. Two equal heaps of a normal
# curve are one as long as they stand no more than twice its standard deviation apart.
AGREE_CENTS = 4.0
_HEAP_CENTS = AGREE_CENTS / 2.0
_NOBODYS_ROLES = ("exclude", "drum-tones")
_PLACES_CENTS = np.arange(-50.0, 50.0, 0.1)  # a semitone, as finely as cents are shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Majority:
    """Where most parts stand, and each of them to that."""

    reading: Reading
    agreeing: tuple[str, ...]  # codes of stems
    asked: tuple[tuple[str, float], ...]  # code, and cents off the common A4, sharp is plus
    doubles: tuple[str, ...]  # codes of those that were not asked
    not_read: tuple[str, ...]  # codes of those of which too few notes agree


def majority_of(
    stems: Sequence[StemNotes], readings: Mapping[str, Reading | None], near_cents: float
) -> Majority | None:
    """Find where most of the parts stand, each having one voice; None where none can be read.

    A band's parts have no octave stretch in common: by what they differ in register is how each is
    tuned, so the common A4 comes without one.

    stems: measured; readings: stem code -> its notes, fitted without a stretch; near_cents: of A4
        from 440 Hz, where it is looked for.
    A double only follows whom it doubles: it is asked only where there is nobody else.
    """
    pitched = [stem for stem in stems if stem.role not in _NOBODYS_ROLES]
    parts = [(s, reading) for s in pitched if (reading := readings[s.code]) is not None]
    if not parts:
        return None
    leading = [part for part in parts if part[0].role != "voice-double"] or parts
    places = near_cents + _PLACES_CENTS
    voices = _voices([reading for _, reading in leading], places)
    middle = float(places[np.argmax(voices.sum(axis=0))])
    asked = tuple((s.code, apart_cents(_place(r), middle)) for s, r in leading)
    near = [code for code, apart in asked if abs(apart) <= AGREE_CENTS]
    agreeing = tuple(near or [min(asked, key=lambda part: abs(part[1]))[0]])
    heard = [reading for stem, reading in leading if stem.code in agreeing]
    return Majority(
        reading=Reading(
            offset_cents=middle,
            uncertainty_cents=_uncertainty(voices, places, heard),
            bends=np.zeros(4),
            notes_used=sum(r.notes_used for r in heard),
            midi=np.concatenate([r.midi for r in heard]),
            spread_cents=float(np.median([r.spread_cents for r in heard])),
            off=np.concatenate([r.off for r in heard]),
            weight=np.concatenate([r.weight for r in heard]),
        ),
        agreeing=agreeing,
        asked=asked,
        doubles=tuple(stem.code for stem, _ in parts if stem.code not in dict(asked)),
        not_read=tuple(stem.code for stem in pitched if readings[stem.code] is None),
    )


def _place(reading: Reading) -> float:
    """Where most of a part's notes stand, cents from 440 Hz: the median, as in the summary.

    The fit's own offset lies between two heaps of notes, as of strings that differ.
    """
    away = folded_cents(reading.off - reading.offset_cents)
    return reading.offset_cents + float(middle_of(away))


def _voices(readings: Sequence[Reading], places: Array) -> Array:
    """How near each part's notes lie to each place, 1 where most of them are; (parts, places).

    A part of scattered notes speaks less clearly, not less: each has its 1 somewhere.
    """
    voices = np.array(
        [r.weight @ np.exp(-0.5 * (folded_cents(r.off[:, None] - places) / _HEAP_CENTS) ** 2)
         for r in readings]
    )  # fmt: skip
    loudest: Array = voices / voices.max(axis=1, keepdims=True)
    return loudest


def _uncertainty(voices: Array, places: Array, heard: Sequence[Reading]) -> float:
    """How far the place depends on any one part, and no surer than the surest that agrees.

    The jackknife: each part is left out in turn (B. Efron, The Jackknife, the Bootstrap and Other
    Resampling Plans, 1982, chapter 3).
    """
    surest = min(r.uncertainty_cents for r in heard)
    count = len(voices)
    if count < 2:
        return surest
    without = places[np.argmax(voices.sum(axis=0) - voices, axis=1)]
    return float(np.hypot(surest, np.sqrt((count - 1) * folded_cents(without - without[0]).var())))
