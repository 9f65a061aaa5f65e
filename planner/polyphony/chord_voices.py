"""A note of a chord stem as it was found, and the stretches in which the same notes sound."""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import Note, PartialFits, StiffString, first_partials

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voice:
    """A note as the search found it, later with its measurement."""

    start_s: float
    last_s: float  # it still sounded in the stretch that ends here
    f0_hz: float
    b: float
    share: float
    soft: bool
    reach_s: tuple[float, float]  # how far before and after start_s it may have begun
    worth: Array  # of its lower partials when it began, 0..1
    known: bool = False  # the score has it
    reeds_apart_cents: float = 0.0  # from its second reed, where it has one
    fits: PartialFits | None = None
    string: StiffString | None = None
    read_in: int = -1  # the stretch that its partials were read in

    @property
    def note(self) -> Note:
        """As the search found it."""
        return self.f0_hz, self.b

    @property
    def best_note(self) -> Note:
        """As measured, else as the search found it."""
        return (self.string.f0_hz, self.string.b) if self.string else self.note


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """A stretch in which the same notes sound, and the peaks that none of them explains."""

    start_s: float
    end_s: float
    voices: tuple[int, ...]
    others_hz: Array


class Beside:
    """The notes of a stem by when they sound, so that the few beside a moment are found at once."""

    def __init__(self, voices: list[Voice]) -> None:
        self._order = sorted(range(len(voices)), key=lambda k: voices[k].start_s)
        self._voices = voices
        self._starts_s = [voices[k].start_s for k in self._order]
        self._longest_s = max((v.last_s - v.start_s for v in voices), default=0.0)

    def sounding(self, from_s: float, to_s: float) -> list[int]:
        """Give the notes that begin no later than `to_s` and sound until `from_s`, as found."""
        first = bisect_left(self._starts_s, from_s - self._longest_s)
        last = bisect_right(self._starts_s, to_s)
        return sorted(k for k in self._order[first:last] if self._voices[k].last_s >= from_s)


def own_hz(voice: Voice) -> Array:
    """Give the partials that no other note covers, Hz; the lowest three where none is free."""
    if voice.fits is not None and len(voice.fits.f_hz):
        return voice.fits.f_hz
    return first_partials(voice.note, 3)


def f1_of(voice: Voice) -> float:
    """Give a note's first partial, Hz: as measured, else as the search found it."""
    f0_hz, b = voice.best_note
    return float(f0_hz * np.sqrt(1.0 + b))
