"""Whether a low note was taken for its octave or twelfth: what lies between its partials tells.

A soundboard hardly radiates below its lowest modes, so that of the lowest strings the first partial
is weak or absent and the second or third seems to be the note. The partials between, which only the
lower note has, are still there.
"""

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import Note, first_partials, typical_b
from planner.polyphony.chord_peaks import (
    B_FACTORS,
    Notes,
    Peaks,
    covered,
    match_partials,
    partials_found,
    straight_line,
)
from planner.words.spread import middle_of

Array = NDArray[np.float64]

# Chosen: the lowest modes of piano soundboards and guitar bodies lie near 100 Hz; above, a first
# partial is no weaker than its neighbours.
WEAK_FIRST_HZ = 100.0
DIVISORS = (2, 3, 4, 5, 6)  # the strongest partial of the lowest strings was never above the sixth
FIRST_LOOK = 12  # partials; chosen: a guess of B twice the true one still meets half of them
UP_TO_HZ = 1500.0  # chosen: above, partials of the lowest strings lie closer than peaks are true
# Of the partials that only the lower note has. Chosen: where it does not sound, chance and the
# fifths and thirds of a chord meet a third of them (every third, every fifth).
LEAST_SHARE = 0.65
DRIVEN_UP_TO_HZ = 3000.0  # chosen: those of a bow, a breath or a voice lie where they should
NEAR_FIRST_OCTAVES = 0.5 / 12  # a soft low peak among loud ones is not where it should be
FEWEST_TELLING = 5
# Chosen: leaks and noise between the partials of a real octave lie deeper than a string's weak
# partials between its strong ones.
FAINT_DB = 30.0


def lowest_that_fits(
    peaks: Peaks, f0_hz: float, b: float, lowest_hz: float, named: Notes, *, struck: bool = True
) -> Note:
    """Give the note itself, or the lower one of which it is only every n-th partial.

    lowest_hz: of the instrument; named: the notes that are known to sound beside it, whose partials
    tell nothing.
    """
    best, most = (f0_hz, b), 0.0
    for divisor, low_hz, start in _worth_following(peaks, f0_hz, b, lowest_hz, struck=struck):
        low = _followed(peaks, low_hz, start, divisor) if struck else (low_hz, 0.0)
        told = _telling_share(peaks, low, divisor, named, UP_TO_HZ if struck else DRIVEN_UP_TO_HZ)
        # A multiple of the true divisor finds its own telling partials wanting.
        if told >= LEAST_SHARE and told > most:
            best, most = low, told
    return best


def _worth_following(
    peaks: Peaks, f0_hz: float, b: float, lowest_hz: float, *, struck: bool
) -> list[tuple[int, float, float]]:
    """List the lower notes, (divisor, f0_hz, B), of whose next partials half have a peak."""
    tried = [
        (divisor, f0_hz / divisor, float(start))
        for divisor in DIVISORS
        if 0.97 * lowest_hz <= f0_hz / divisor <= (WEAK_FIRST_HZ if struck else f0_hz)
        for start in (
            (b / divisor**2, *(typical_b(f0_hz / divisor) * B_FACTORS[1:])) if struck else (0.0,)
        )
    ]
    if not tried:
        return []
    divisors, f0s, bs = (np.array(each) for each in zip(*tried, strict=True))
    hit, _ = match_partials(peaks, f0s, bs, FIRST_LOOK)
    number = np.arange(1, FIRST_LOOK + 1)
    telling = (number[None, :] % divisors[:, None] != 0) & (number > 2)
    share = (hit & telling).sum(axis=1) / telling.sum(axis=1)
    worth = share >= 0.5
    if not struck:  # a body lets a low first partial through softly, but through
        apart = np.abs(np.log2(peaks.f_hz / f0s[:, None])).min(axis=1)
        worth &= apart < NEAR_FIRST_OCTAVES
    return [one for one, half in zip(tried, worth, strict=True) if half]


def _followed(peaks: Peaks, f0_hz: float, b: float, divisor: int) -> Note:
    """Follow the partials from the low ones up, each next where the line through the last says.

    In squares the law is a line, ``(f_n / n)^2 = f0^2 + f0^2 B n^2``.
    """
    start = min(3 * divisor, 12)
    for highest in (start, 2 * start, 4 * start):
        hit, index = partials_found(peaks, (f0_hz, b), highest)
        number = np.asarray(np.flatnonzero(hit), dtype=float) + 1.0
        f_hz = peaks.f_hz[index[hit]]
        if len(number) < 3 or f_hz.max() / f0_hz < 3.0:
            continue
        x, y = np.square(number), np.square(f_hz / number)
        keep = np.ones(len(y), dtype=bool)
        for _ in range(2):
            slope, base = straight_line(x[keep], y[keep], number[keep])
            off = np.abs(y - base - slope * x)
            keep = off <= 4.0 * middle_of(off[keep]) + 1e-12
            if keep.sum() < 3:
                break
        if base > 0.0 and slope >= 0.0:
            f0_hz, b = float(np.sqrt(base)), float(slope / base)
    return f0_hz, b


def _telling_share(peaks: Peaks, low: Note, divisor: int, named: Notes, up_to_hz: float) -> float:
    """Say how many of the partials stand out that only the lower note has, 0..1."""
    highest = int(up_to_hz / low[0])
    law = first_partials(low, highest)
    hit, index = partials_found(peaks, low, highest)
    level = np.where(hit, peaks.level_db[index], -np.inf)
    number = np.arange(1, highest + 1)
    own = number % divisor == 0
    telling = ~own & (law > 2.0 * low[0]) & ~covered(peaks, law, named)
    # the envelope that the strong series has, place by place
    strong = own & hit
    if telling.sum() < FEWEST_TELLING or strong.sum() < 2:
        return 0.0
    envelope = np.interp(number, number[strong], level[strong])
    telling &= number <= number[strong].max()
    if telling.sum() < FEWEST_TELLING:
        return 0.0
    stands = level > envelope - FAINT_DB
    return float((stands & telling).sum() / telling.sum())
