"""Where do the loud partials of a string put its first one, and how stiff do they make it?

An amplifier driven hard adds sums and differences of partials. They lie near whole multiples,
outnumber the string's own and agree with each other, so that a pitch, and a stiffness of next to
nothing, on which most partials agree is 3 to 5 cents sharp of the first one. What is added turns a
partial by as much as that is weak: the loud ones still say what the string does.
"""

from __future__ import annotations

from planner.measure.partial_series import LN_CENTS, FoundPartials
from planner.model import Floats

_LEAST_PARTIALS = 4  # two unknowns, and as many partials that may contradict
# Chosen: those that the ear follows. Above, an amplifier's own are mostly the louder ones.
_MOST_PARTIALS = 6
_STIFFEST_B = 2e-3  # twice what strings of guitars and basses reach high up
_NOTHING = 1e-12  # cents squared


def by_loud_ones(found: FoundPartials, off_cents: Floats, b: float) -> tuple[float, float]:
    """How far the first partial lies from a pitch, cents, and how far B from the one held.

    Each partial counts by its power, as far as noise leaves it exact, and as many count as their
    powers are worth (L. Kish's effective number). Another B than the one held moves the log of
    partial n by n^2 / (2 (1 + B n^2)) times as much more than that of f0. What could be their
    scatter is left out (W. James and C. Stein, "Estimation with quadratic loss", Proc. 4th Berkeley
    Symp. 1961, with the positive part), and all of it where too few are heard, or no string is as
    stiff.

    found : (k,) partials, with their numbers and amplitudes
    off_cents : (k,) how far each lies from the series of the pitch asked about
    b : stiffness of that series
    """
    low = found.numbers <= _MOST_PARTIALS
    if low.sum() < _LEAST_PARTIALS:
        return 0.0, 0.0
    square, off_cents = found.numbers[low].astype(float) ** 2, off_cents[low]
    lever = square / (1.0 + b * square) - 1.0 / (1.0 + b)
    share = found.amplitudes[low] ** 2
    share /= share.sum()
    _, _, left, _ = _line(lever, off_cents, share)
    own = LN_CENTS**2 * found.variance[low] / found.f_hz[low] ** 2
    freedom = 1.0 / float(share @ share) - 2.0
    if freedom <= 0.0:
        return 0.0, 0.0
    turned = float(share @ left**2) / freedom
    first, bends, _, variance = _line(lever, off_cents, 1.0 / (own + turned / share))
    b_off = 2.0 * bends / LN_CENTS
    if not 0.0 < b + b_off < _STIFFEST_B:
        return 0.0, 0.0
    kept = max(0.0, 1.0 - variance / max(first**2, _NOTHING))
    return kept * first, kept * b_off


def _line(x: Floats, y: Floats, weight: Floats) -> tuple[float, float, Floats, float]:
    """Weighted least squares: value at 0, slope, what is left; with true weights, its variance."""
    total = float(weight.sum())
    middle = float(weight @ x) / total
    apart, level = x - middle, float(weight @ y) / total
    spread = float(weight @ apart**2)
    slope = float((weight * apart) @ y) / spread
    return (
        level - slope * middle,
        slope,
        y - level - slope * apart,
        1.0 / total + middle**2 / spread,
    )
