"""Where most parts of a band stand, where nothing fixed says where A4 is.

Every part has one voice, spread over its notes: a guitar's many chords count no more than the few
notes of a trumpet, and a bass of which one string is out still says where its others stand. A4 is
the place at which most of that comes together. Parts a few cents apart are one heap; a part that
stands off the others, with a capo or tuned by ear, is another heap and pulls nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.model import StemNotes
from planner.target.a4_fit import Array, Reading, apart_cents, reading_of

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


def majority_of(stems: Sequence[StemNotes], offsets: Array, near_cents: float) -> Majority | None:
    """Find where most of the parts stand, each having one voice; None where none can be read.

    A band's parts have no octave stretch in common: by what they differ in register is how each is
    tuned, so the common A4 comes without one.

    stems: measured; offsets: (12,) cents of the temperament, C first; near_cents: of A4 from
        440 Hz, where it is looked for.
    A double only follows whom it doubles: it is asked only where there is nobody else.
    """
    parts = [
        (stem, reading)
        for stem in stems
        if stem.role not in _NOBODYS_ROLES
        and (reading := reading_of(stem.notes, offsets, near_cents, stretches=False)) is not None
    ]
    if not parts:
        return None
    leading = [part for part in parts if part[0].role != "voice-double"] or parts
    readings = [reading for _, reading in leading]
    places = near_cents + _PLACES_CENTS
    voices = _voices(readings, places)
    middle = float(places[np.argmax(voices.sum(axis=0))])
    asked = tuple((s.code, apart_cents(r.offset_cents, middle)) for s, r in leading)
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
    )


def _voices(readings: Sequence[Reading], places: Array) -> Array:
    """How near each part's notes lie to each place, 1 where most of them are; (parts, places).

    A part of scattered notes speaks less clearly, not less: each has its 1 somewhere.
    """
    voices = np.array(
        [r.weight @ np.exp(-0.5 * (_folded(r.off[:, None] - places) / _HEAP_CENTS) ** 2)
         for r in readings]
    )  # fmt: skip
    loudest: Array = voices / voices.max(axis=1, keepdims=True)
    return loudest


def _folded(away: Array) -> Array:
    return (away + 50.0) % 100.0 - 50.0


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
    return float(np.hypot(surest, np.sqrt((count - 1) * _folded(without - without[0]).var())))
