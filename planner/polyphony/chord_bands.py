"""The partials of driven notes in chords: bands, of which the middle is read.

Players of a section, and voices of a choir, stand some ten cents apart and swing, each in his own
way. Then a partial is no line but a band, whose highest line lies anywhere in it, another way at
each number; where the lines beat, none fits. The middle of its power is read instead, of each
partial on its own, so that how far the partials of a note lie apart says how sure their mean is.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_fits import PARTIALS_PER_NOTE, Piece, hann_bins
from planner.polyphony.chord_partials import CENTS_PER_NEPER, HIGHEST_HZ, PartialFits, partial_hz

Array = NDArray[np.float64]

# Chosen: sections scatter by 10 to 15 cents (J. Sundberg, "The Science of the Singing Voice", 1987,
# and S. Ternström, JASA 94, 1993, from memory), a vibrato swings by 50 at the most.
HALF_CENTS = 40.0
HALF_BINS = 2.5  # of a Hann window's lobe
HANN_ENERGY = 0.375  # of a partial of amplitude 1, over all its bins
STEPS = 4  # chosen: the middle then moves by less than 0.1 cents
FLOOR_WIDE = 4.0  # half bands to either side, of which the quiet quarter is taken for the floor
ABOVE_FLOOR = 40.0  # power; chosen: white noise passes it once in ten thousand bins


def read_bands(piece: Piece, f0s_hz: list[float], fits: list[PartialFits]) -> list[PartialFits]:
    """Read the middles of the bands that no other note's reach, of notes without stiffness.

    f0s_hz, fits: of each note that sounds in the piece, the latter as lines were fitted.
    """
    power = np.abs(hann_bins(piece.samples)) ** 2
    step_hz = piece.sr / len(piece.samples)
    number = np.arange(1, PARTIALS_PER_NOTE + 1, dtype=float)
    result = []
    for i, fit in enumerate(fits):
        cents = 0.0
        for _ in range(STEPS):
            at_hz = partial_hz(f0s_hz[i], 0.0, number) * np.exp(cents / CENTS_PER_NEPER)
            free = _free(at_hz, [f0 for k, f0 in enumerate(f0s_hz) if k != i], step_hz)
            rows = [
                (n, *middle)
                for n, f_hz in zip(number[free], at_hz[free], strict=True)
                if (middle := _middle(power, float(f_hz), step_hz)) is not None
            ]
            if not rows:
                break
            said = [CENTS_PER_NEPER * np.log(f_hz / (n * f0s_hz[i])) for n, f_hz, *_ in rows]
            cents = float(np.clip(np.median(said), -HALF_CENTS, HALF_CENTS))
        table = np.array(rows, dtype=float).reshape(-1, 4).T
        result.append(
            replace(
                fit, number=table[0], f_hz=table[1], sd_hz=table[2], amplitude=table[3],
                unsteady=np.zeros(len(rows)),
            )
        )  # fmt: skip
    return result


def _half_hz(f_hz: Array, step_hz: float) -> Array:
    return np.asarray(np.maximum(HALF_CENTS / CENTS_PER_NEPER * f_hz, HALF_BINS * step_hz))


def _free(at_hz: Array, others_hz: list[float], step_hz: float) -> NDArray[np.bool_]:
    """Say which partials' bands no other note's band meets."""
    half = _half_hz(at_hz, step_hz)
    free = at_hz + half < HIGHEST_HZ
    for f0_hz in others_hz:
        near = np.maximum(np.rint(at_hz / f0_hz), 1.0) * f0_hz
        free &= np.abs(at_hz - near) > half + _half_hz(near, step_hz)
    return np.asarray(free)


def _middle(power: Array, f_hz: float, step_hz: float) -> tuple[float, float, float] | None:
    """Give a band's middle and how unsure that is, Hz, and its amplitude; None of a faint one."""
    half = float(_half_hz(np.array(f_hz), step_hz))
    around = power[
        max(int((f_hz - FLOOR_WIDE * half) / step_hz), 0) : int(
            (f_hz + FLOOR_WIDE * half) / step_hz
        )
    ]
    first, last = int(np.ceil((f_hz - half) / step_hz)), int((f_hz + half) / step_hz) + 1
    band = power[first:last]
    floor = float(np.percentile(around, 25))
    if band.max() <= ABOVE_FLOOR * floor:
        return None
    band = np.maximum(band - floor, 0.0)
    hz = np.arange(first, last) * step_hz
    total = float(band.sum())
    middle = float((band * hz).sum() / total)
    wide = float(np.sqrt((band * (hz - middle) ** 2).sum() / total))
    # as many beats as the stretch has, the band is known better than it is wide
    seen = max(1.0, 2.0 * wide / step_hz)
    return middle, wide / np.sqrt(seen), float(np.sqrt(total / HANN_ENERGY))
