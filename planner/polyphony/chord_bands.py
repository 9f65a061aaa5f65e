"""The partials of driven notes in chords: bands, of which the middle is read.

Players of a section, voices of a choir, and the oscillators of a pad, stand some ten cents apart
and swing, each in his own way. Then a partial is no line but a band, whose highest line lies
anywhere in it, another way at each number; where the lines beat, none fits. The middle of its power
is read instead, of each partial on its own, so that how far the partials of a note lie apart says
how sure their mean is.
"""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_fits import PARTIALS_PER_NOTE, Piece, hann_bins
from planner.polyphony.chord_partials import (
    CENTS_PER_NEPER,
    HIGHEST_HZ,
    Note,
    PartialFits,
    first_partials,
    partial_hz,
)
from planner.words.spread import MEDIAN_TO_MEAN, middle_of, spread_of

Array = NDArray[np.float64]

# Chosen: sections scatter by 10 to 15 cents (J. Sundberg, "The Science of the Singing Voice", 1987,
# and S. Ternström, JASA 94, 1993, from memory), a vibrato swings by 50 at the most.
HALF_CENTS = 40.0
HALF_BINS = 2.5  # of a Hann window's lobe
HANN_ENERGY = 0.375  # of a partial of amplitude 1, over all its bins
STEPS = 4  # chosen: the middle then moves by less than 0.1 cents
FLOOR_WIDE = 4.0  # half bands to either side, of which the quiet quarter is taken for the floor
ABOVE_FLOOR = 40.0  # power; chosen: white noise passes it once in ten thousand bins
HANN_WIDTH_BINS = math.sqrt(1.0 / 3.0)  # RMS of a line: bins of power 1/4, 1, 1/4
LOOKED_AT = 8  # partials; chosen: above, a guess at a string's stiffness may miss them
# Chosen, under the least difference of pitch that most hear from tone to tone, some 5 cents (E.
# Zwicker and H. Fastl, "Psychoacoustics", 1990, ch. 7, from memory). The median of struck and
# plucked soundfont parts is 1 and less, of pads 3.4 to 12.
LINE_CENTS = 3.0
LEAST_BANDS = 10  # chosen
FEWEST_NOTES = 3  # chosen: two have no spread
# Power of a stretch's second half over its first. Half the amplitude there widens a line by a fifth
# of a bin.
HELD = 0.25


class _Band(NamedTuple):
    """A band's middle and RMS width, Hz, and its amplitude (full scale 1)."""

    middle_hz: float
    width_hz: float
    amplitude: float

    def sd_hz(self, step_hz: float) -> float:
        """How unsure the middle is: as many beats as the stretch has, it is known better."""
        return self.width_hz / math.sqrt(max(1.0, 2.0 * self.width_hz / step_hz))


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
                (n, band.middle_hz, band.sd_hz(step_hz), band.amplitude)
                for n, f_hz in zip(number[free], at_hz[free], strict=True)
                if (band := _band(power, float(f_hz), step_hz)) is not None
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


def beside_first(fits: list[PartialFits]) -> list[PartialFits]:
    """Put the partials of a stem's notes where they say what the first partials do.

    A synthesizer's voices differ in timbre: each is a few cents off and loud at other numbers, so
    that the third partials of all keys lie 8 cents under their first. What the ear and every tuner
    follow is the first, 5 to 14 dB over the next. How far the n-th partials usually lie from it is
    taken out, less what chance makes of so many notes: what only scatters keeps its place. And each
    says the first's place no more surely than it keeps its own beside it. Not of players of a
    section: their pitch is their mean, and of that many partials say more than one.
    """
    offs: dict[float, list[float]] = {}
    for fit in fits:
        first = fit.number == 1.0
        if not first.any():
            continue
        off = CENTS_PER_NEPER * np.log(fit.f_hz / fit.number / fit.f_hz[first][0])
        for number, cents in zip(fit.number[~first], off[~first], strict=True):
            offs.setdefault(float(number), []).append(float(cents))
    usual = {n: _usual(np.array(off)) for n, off in offs.items() if len(off) >= FEWEST_NOTES}
    # A partial of which too little is known lies as far off as others usually do.
    far = math.sqrt(np.mean([lies.cents**2 for lies in usual.values()])) if usual else 0.0
    return [_put_beside(fit, usual, far) for fit in fits]


class _Lies(NamedTuple):
    """Where partials of one number lie beside their firsts, and how far they scatter there."""

    cents: float
    spread_cents: float


def _put_beside(fit: PartialFits, usual: dict[float, _Lies], far_cents: float) -> PartialFits:
    lies = [
        _Lies(0.0, 0.0) if n == 1.0 else usual.get(float(n), _Lies(0.0, far_cents))
        for n in fit.number
    ]
    cents, spread = np.array(lies, dtype=float).reshape(-1, 2).T
    return replace(
        fit,
        f_hz=fit.f_hz / np.exp(cents / CENTS_PER_NEPER),
        sd_hz=np.hypot(fit.sd_hz, spread / CENTS_PER_NEPER * fit.f_hz),
    )


def _usual(cents: Array) -> _Lies:
    """Where some readings lie, drawn to nothing by the share of it that chance explains.

    A guess at a mean that is likely near 0 (W. James and C. Stein, Proc. 4th Berkeley Symposium 1,
    1961: the mean less its variance over itself).
    """
    middle = float(middle_of(cents))
    spread = spread_of(cents, middle)
    chance = MEDIAN_TO_MEAN * spread / math.sqrt(len(cents))
    kept = max(0.0, 1.0 - (chance / middle) ** 2) if middle else 0.0
    return _Lies(middle * kept, spread)


def are_bands(pieces: list[tuple[Piece, list[Note]]]) -> bool:
    """Say whether the partials of a stem are usually too wide for lines.

    So are those of synthesized pads and of instruments behind a chorus or a turning loudspeaker.

    pieces: stretches, each with the notes that sound in it
    """
    wide = [cents for piece, notes in pieces for cents in _widths_cents(piece, notes)]
    return len(wide) >= LEAST_BANDS and float(np.median(wide)) > LINE_CENTS


def _widths_cents(piece: Piece, notes: list[Note]) -> list[float]:
    """How wide free partials are (RMS) besides what a window makes of a line, cents.

    What dies away is wide by that, and counts for a line.
    """
    power = np.abs(hann_bins(piece.samples)) ** 2
    early, late = (np.abs(hann_bins(half)) ** 2 for half in np.array_split(piece.samples, 2))
    step_hz = piece.sr / len(piece.samples)
    wide = []
    for i, note in enumerate(notes):
        at_hz = first_partials(note, LOOKED_AT)
        others_hz = [f0 for k, (f0, _) in enumerate(notes) if k != i]
        for f_hz in at_hz[_free(at_hz, others_hz, step_hz)]:
            to_cents, line_hz = CENTS_PER_NEPER / f_hz, HANN_WIDTH_BINS * step_hz
            band = _band(power, float(f_hz), step_hz)
            if band is None or line_hz * to_cents > LINE_CENTS:
                continue
            half_hz = float(_half_hz(f_hz, 2 * step_hz))
            k = slice(int((f_hz - half_hz) / step_hz / 2), int((f_hz + half_hz) / step_hz / 2) + 2)
            held = late[k].sum() > HELD * early[k].sum()
            beyond = max(band.width_hz**2 - line_hz**2, 0.0) if held else 0.0
            wide.append(to_cents * math.sqrt(beyond))
    return wide


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


def _band(power: Array, f_hz: float, step_hz: float) -> _Band | None:
    """Read the band around a frequency; None of a faint one."""
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
    width = float(np.sqrt((band * (hz - middle) ** 2).sum() / total))
    return _Band(middle, width, float(np.sqrt(total / HANN_ENERGY)))
