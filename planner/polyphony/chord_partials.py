"""Partials of a chord's notes: the law of a stiff string, and a string fitted to what was read.

The partials themselves are read off the sound in `planner.polyphony.chord_fits`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from planner.words.spread import middle_of, spread_of

Array = NDArray[np.float64]
Note = tuple[float, float]  # f0_hz and B

CENTS_PER_NEPER = 1200.0 / np.log(2.0)
HIGHEST_HZ = 6500.0  # chosen: under the 8 kHz limit of a 16 kHz stem, clear of its filter's slope
MODEL_CENTS = 0.08  # chosen: real partials never follow the law better than this
_NOTES_KEPT = 1024  # chosen: those about one onset, and what is tried beside them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFits:
    """What the partials of one note say, each fitted jointly with all others.

    Arrays are (k,) over the free, well-fitted partials: number, Hz, standard deviation in Hz,
    amplitude (full scale 1), and `unsteady`, what the fit left over against the partial (0..1).
    """

    number: Array
    f_hz: Array
    sd_hz: Array
    amplitude: Array
    unsteady: Array
    collided: int  # partials that could not be told from those of another note


@dataclass(frozen=True, slots=True, kw_only=True)
class StiffString:
    """A note's ``f_n = n f0 sqrt(1 + B n^2)``; its uncertainty is about a 2 in 3 chance."""

    f0_hz: float
    b: float
    f1_cents_sd: float
    used: int  # partials that agree
    scatter_cents: float  # of the used partials around the law
    wander_cents: float = 0.0  # the whole window against its first half
    window_s: float = 0.0  # that it was read in
    went_cents: float = 0.0  # from there, as its first partial tells of a longer one

    @property
    def f1_hz(self) -> float:
        return float(self.f0_hz * np.sqrt(1.0 + self.b))


def partial_hz(f0_hz: float, b: float, number: Array) -> Array:
    """Give the partials of a stiff string, Hz (H. Fletcher, JASA 36, 1964, 203, from memory)."""
    return np.asarray(number * f0_hz * np.sqrt(1.0 + b * number**2))


@lru_cache(maxsize=_NOTES_KEPT)
def first_partials(note: Note, highest: int) -> Array:
    """Give the partials 1 to `highest` of a note, Hz; read-only, since they are kept."""
    law = partial_hz(*note, np.arange(1, highest + 1, dtype=float))
    law.setflags(write=False)
    return law


def nearest_of(f_hz: Array, notes: Iterable[Note], highest: int = 40) -> Array:
    """Say how far some frequencies lie from the nearest partial of some notes, Hz; (k,).

    Infinite where there is no note. highest: partials of each note.
    """
    theirs = np.concatenate([np.zeros(0), *(first_partials(note, highest) for note in notes)])
    apart = np.abs(f_hz[:, None] - theirs[None, :])
    return np.asarray(apart.min(axis=1, initial=np.inf))


def typical_b(f_hz: float) -> float:
    """Guess a string's inharmonicity from its pitch, as a start only.

    Rigaud, David and Daudet, "A parametric model of piano tuning", DAFx-11 (constants as the open
    DDSP-Piano source prints them).
    """
    return float(typical_bs(np.asarray(f_hz)))


def typical_bs(f_hz: Array) -> Array:
    """Guess the inharmonicity of strings at many pitches: see `typical_b`."""
    midi = 69.0 + 12.0 * np.log2(f_hz / 440.0)
    return np.asarray(np.exp(0.0926 * midi - 13.64) + np.exp(-0.0847 * midi - 5.82))


def fit_string(fits: PartialFits, b_start: float, b_spread: float) -> StiffString | None:
    """Fit f0 and B to the free partials of one note, B >= 0; None where there is no partial.

    In squares the law is a line, ``(f_n / n)^2 = f0^2 + f0^2 B n^2``. What is known of B
    beforehand (`b_start`, give or take `b_spread`; both 0 for driven tones) joins as one
    observation more. One pass drops partials beyond 4 median deviations.
    """
    if len(fits.number) == 0:
        return None
    keep = np.ones(len(fits.number), dtype=bool)
    result = None
    sd_cents = np.hypot(CENTS_PER_NEPER * fits.sd_hz / fits.f_hz, MODEL_CENTS)
    for _ in range(3):
        result = _line(fits.number[keep], fits.f_hz[keep], sd_cents[keep], b_start, b_spread)
        law = partial_hz(result.f0_hz, result.b, fits.number)
        pull = np.abs(CENTS_PER_NEPER * np.log(fits.f_hz / law)) / sd_cents
        limit = 4.0 * max(1.0, spread_of(pull, 0.0))
        again = pull <= limit
        if again.sum() < min(2, len(keep)) or (again == keep).all():
            break
        keep = again
    return result


def _line(n: Array, f: Array, sd_cents: Array, b_start: float, b_spread: float) -> StiffString:
    y = (f / n) ** 2
    scale = float(middle_of(y))
    weight = 1.0 / (2.0 * (y / scale) * sd_cents / CENTS_PER_NEPER)
    if b_spread > 0:
        rows = np.stack([np.append(weight, 0.0), np.append(weight * n**2, 1.0 / b_spread)], axis=1)
        right = np.append(weight * y / scale, b_start / b_spread)
        inverse = np.linalg.inv(rows.T @ rows)
        base, slope = inverse @ (rows.T @ right)
    else:
        slope, base, inverse = -1.0, 1.0, np.zeros((2, 2))
    if slope < 0 or b_spread == 0:  # a driven tone, or no stiffness: one parameter
        slope = b_start if b_spread == 0 else 0.0
        total = float((weight**2).sum())
        base = float((weight**2 * (y / scale - slope * n**2)).sum() / total)
        inverse = np.array([[1.0 / total, 0.0], [0.0, 0.0]])
    f0_hz = float(np.sqrt(base * scale))
    b = float(slope / base)
    off = CENTS_PER_NEPER * np.log(f / partial_hz(f0_hz, b, n))
    spare = max(len(n) - (1 if b_spread == 0 else 2), 1)
    chi = float(((off / sd_cents) ** 2).sum() / spare)
    variance = inverse[0, 0] + 2 * inverse[0, 1] + inverse[1, 1]
    f1_sd = CENTS_PER_NEPER * 0.5 * np.sqrt(max(variance, 0.0)) / (base + slope)
    swell = np.sqrt(max(1.0, chi))
    return StiffString(
        f0_hz=f0_hz,
        b=b,
        f1_cents_sd=float(f1_sd * swell),
        used=len(n),
        scatter_cents=float(np.sqrt((off**2).sum() / spare)),
    )
