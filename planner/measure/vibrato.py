"""Does the pitch swing around a centre, how fast, how wide, how regularly?

A plain mean over N and a half cycles is off the centre by up to 2 extent / (pi (2N + 1)), and a
mean over whole cycles still is while the vibrato grows. So the swing is fitted with the line it
swings around: a sine whose width may change steadily, or one that sets in on a note held straight
and stays as wide, by least squares. Where a note holds too
few cycles to tell a rate by itself, the part's other notes tell it: a singer's rate varies little
from note to note (E. Prame, JASA 96, 1994).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from planner.model import Floats
from planner.words.spread import evenly

# Singers and string players lie between 4 and 8 Hz (E. Prame, JASA 96, 1994: ten singers, mean
# 6.0 Hz; R. Timmers and P. Desain, ICMPC 2000: 5.5 to 8 Hz).
_SLOWEST_HZ, _FASTEST_HZ = 3.5, 9.0
_LEAST_HALF_CENTS = 4.0
_LEAST_REGULARITY = 0.6  # common practice, no source: below, it is a wobble
_LEAST_CYCLES = 1.9  # to tell a rate by itself; the last tenth is lost to the frames
_LEAST_CYCLES_AT_USUAL_RATE = 0.8
_USUAL_RATE_SPREAD = 0.12
_NOTES_FOR_USUAL_RATE = 3
_RATES_AT_ONCE = 32  # a minute's note has thousands of rates to try
_GROWS_FROM_CYCLES = 1.2  # with less, growth and slope cannot be told apart
_BENDS_FROM_CYCLES = 3.0  # with less, a bend and a cycle cannot
# A voice that was straight is in full vibrato after half a cycle to three (chosen; no source). One
# that sets in is tried where it is narrower at the start, and taken where it leaves less.
_SETS_IN_S = np.array([0.05, 0.12, 0.25, 0.45])
_SETS_IN_FROM = 0.9
# Steps between moments of half width, s, and rates either side that a straight start may have moved
# the rate by, as a share; each as coarse as the next resolves.
_FINER = (0.08, 0.06), (0.03, 0.012), (0.01, 0.0024)
# Of the power of any swing of `_LEAST_CYCLES` and more, growing or not, a line leaves at least so
# much: the least eigenvalue is 0.67, at 3 cycles.
_LEFT_BY_A_LINE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Vibrato:
    """A vibrato: rate, half-extent, regularity, and its swing along the stretch it was found in."""

    rate_hz: float
    half_cents: float
    regularity: float  # 0..1, how alike its cycles are
    sine_cents: float
    cosine_cents: float
    sine_grows: float  # cents per second
    cosine_grows: float
    origin_s: float
    reach_s: float  # either side of the origin; outside it goes on as at the edge
    mean_cents: float  # of the swing over that stretch
    otherwise_cents: float  # how far that mean would lie off, did its width change another way
    begins_s: float = -np.inf  # no swing before, and full width so much later
    sets_in_s: float = 0.0

    def at(self, t_s: Floats) -> Floats:
        """Swing in cents at the given times, as narrow as the contour shows it."""
        u = t_s - self.origin_s
        phase = 2 * np.pi * self.rate_hz * u
        near = np.clip(u, -self.reach_s, self.reach_s)
        sine = self.sine_cents + self.sine_grows * near
        cosine = self.cosine_cents + self.cosine_grows * near
        swing: Floats = sine * np.sin(phase) + cosine * np.cos(phase)
        return swing * _grown(t_s, self.begins_s, self.sets_in_s)

    def width_cents(self, u: float) -> float:
        """Half of the swing's width so many seconds from the origin, as the contour shows it."""
        sine, cosine = (
            self.sine_cents + u * self.sine_grows,
            self.cosine_cents + u * self.cosine_grows,
        )
        return float(np.hypot(sine, cosine))


def usual_rate_hz(vibratos: Iterable[Vibrato | None]) -> float | None:
    """The rate of a part's vibrato: the median over its notes, None with fewer than three."""
    rates = [v.rate_hz for v in vibratos if v is not None]
    return float(np.median(rates)) if len(rates) >= _NOTES_FOR_USUAL_RATE else None


def find_vibrato(
    t_s: Floats, cents: Floats, window_s: float, usual_hz: float | None = None
) -> Vibrato | None:
    """Find vibrato in a contour.

    t_s : (k,) evenly spaced seconds
    cents : (k,) contour
    window_s : length of the Hann window each point is a mean over; its damping is undone
    usual_hz : the rate of the part's other notes; one near it is found in a single cycle

    Returns None where too few cycles fit, or the swing is small or irregular.
    """
    seconds = float(t_s[-1] - t_s[0])
    if len(t_s) < 12:
        return None
    if usual_hz is None:
        lowest, highest, least = max(_SLOWEST_HZ, 1.3 / seconds), _FASTEST_HZ, _LEAST_CYCLES
    else:
        lowest, highest = usual_hz * (1 - _USUAL_RATE_SPREAD), usual_hz * (1 + _USUAL_RATE_SPREAD)
        least = _LEAST_CYCLES_AT_USUAL_RATE
    if seconds * highest < least or lowest >= highest:
        return None
    if usual_hz is None:
        most = around_a_line(cents) * np.sqrt(2.0 / _LEFT_BY_A_LINE)
        if most < _LEAST_HALF_CENTS * _hann_gain(highest * window_s):
            return None  # too little for any rate, as most strings
    origin = float(t_s.mean())
    u = t_s - origin
    rate = _best_rate(u, cents, lowest, highest, least / seconds)
    cycles = seconds * rate
    if cycles < least or not lowest <= rate <= highest:
        return None

    line, swing = _line_columns(u, bends=cycles >= _BENDS_FROM_CYCLES), _swing_columns(u, rate)
    columns = 4 if cycles >= _GROWS_FROM_CYCLES else 2
    wider, swing = swing[:, : columns + 2], swing[:, :columns]
    straight, turning = _weights(line, swing, cents)
    swung, swings = cents - line @ straight, swing @ turning
    rest = float(np.mean((swung - swings) ** 2))
    if usual_hz is None:
        explained = 1.0 - rest / (float(np.mean(swung**2)) + 1e-12)
        regularity = _regularity(swung, rate, float(t_s[1] - t_s[0]), explained)
    else:
        # One cycle cannot be compared with the next: it must stand out from the line without it.
        plain = cents - line @ np.linalg.lstsq(line, cents, rcond=None)[0]
        regularity = float(np.clip(1.0 - rest / (np.mean(plain**2) + 1e-12), 0, 1))
    half = float(np.sqrt(2.0 * np.mean(swings**2))) / _hann_gain(rate * window_s)
    if regularity < _LEAST_REGULARITY or half < _LEAST_HALF_CENTS:
        return None

    sine, cosine, sine_grows, cosine_grows = (float(w) for w in [*turning, 0.0, 0.0][:4])
    found = Vibrato(
        rate_hz=rate,
        half_cents=half,
        regularity=regularity,
        sine_cents=sine,
        cosine_cents=cosine,
        sine_grows=sine_grows,
        cosine_grows=cosine_grows,
        origin_s=origin,
        reach_s=seconds / 2,
        mean_cents=float(np.mean(swings)),
        otherwise_cents=float(np.mean(wider @ _weights(line, wider, cents)[1]) - np.mean(swings)),
    )
    at_first, at_last = found.width_cents(float(u[0])), found.width_cents(float(u[-1]))
    if cycles < _LEAST_CYCLES or at_first >= _SETS_IN_FROM * at_last:
        return found
    set_in, left = _setting_in(u, cents, line, rate, window_s)
    begins_s = origin + set_in.begins_s
    set_in = replace(set_in, regularity=regularity, origin_s=origin, begins_s=begins_s)
    return set_in if left < rest else found


def around_a_line(cents: Floats) -> float:
    """Root mean square of what a straight line leaves of evenly spaced moments, cents."""
    place = evenly(len(cents))
    off = cents - cents.mean() - place * float(place @ cents / (place @ place))
    return float(np.sqrt(np.mean(off**2)))


def _best_rate(u: Floats, cents: Floats, lowest: float, highest: float, least: float) -> float:
    """The rate at which a steady sine leaves least unexplained, from a coarse to a fine grid.

    Coarse only where it lies under the least that counts.

    On even steps around 0 whatever is even is orthogonal to whatever is odd: a sine shares nothing
    with a cosine, a level or a bend, a cosine nothing with a slope.
    """
    seconds = float(u[-1] - u[0])
    bends = seconds * lowest >= _LEAST_CYCLES  # over less, a bend takes the place of the sine
    line = [u, np.ones_like(u), u * u - np.mean(u * u)][: 3 if bends else 2]
    slope, *even = [column / np.sqrt(column @ column) for column in line]
    rest = cents - sum(column * (column @ cents) for column in (slope, *even))

    def explained(rates: Floats) -> Floats:
        phase = 2 * np.pi * rates[:, None] * u
        power = np.zeros(len(rates))
        for swing, columns in ((np.sin(phase), [slope]), (np.cos(phase), even)):
            own = np.einsum("ij,ij->i", swing, swing)
            for column in columns:
                own -= (swing @ column) ** 2
            power += (swing @ rest) ** 2 / own
        return power

    def best(rates: Floats) -> float:
        pieces = [rates[k : k + _RATES_AT_ONCE] for k in range(0, len(rates), _RATES_AT_ONCE)]
        return float(rates[np.concatenate([explained(piece) for piece in pieces]).argmax()])

    step = min(0.25, 0.2 / seconds)
    rate = best(np.arange(lowest, highest, step))
    if rate + 1.5 * step < least:
        return rate  # as far as the finer grids could take it
    for _ in range(4):
        step /= 3
        rate = best(rate + step * np.arange(-3, 4))
    return rate


def _grown(t_s: Floats, begins_s: Floats | float, sets_in_s: Floats | float) -> Floats:
    """Width of a swing that sets in, of its full width."""
    if np.isscalar(begins_s) and begins_s == -np.inf:
        return np.ones_like(t_s)
    grown: Floats = np.clip((t_s - begins_s) / sets_in_s, 0.0, 1.0)
    return grown


def _setting_in(
    u: Floats, cents: Floats, line: Floats, rate: float, window_s: float
) -> tuple[Vibrato, float]:
    """Fit a swing that sets in some time after the start to a contour, around a line.

    All its beginnings are tried, then rates near the one given, and so on, finer each time.
    Returned with the mean square that it and the line leave; times are from the middle, and its
    regularity is not told.
    """
    base = np.linalg.qr(line)[0]
    bare = cents - base @ (base.T @ cents)

    def fitted(grown: Floats, rates: Floats) -> tuple[Floats, Floats]:
        """Power that each width explains at each rate, and the weights of sine and cosine."""
        phase = 2 * np.pi * rates[:, None] * u
        sine, cosine = (
            each - (each @ base) @ base.T for each in (grown * np.sin(phase), grown * np.cos(phase))
        )
        ss, cc, sc = (
            np.einsum("ij,ij->i", x, y) for x, y in ((sine, sine), (cosine, cosine), (sine, cosine))
        )
        s, c = sine @ bare, cosine @ bare
        weights = np.stack([s * cc - c * sc, c * ss - s * sc], axis=1) / (ss * cc - sc**2)[:, None]
        return weights[:, 0] * s + weights[:, 1] * c, weights

    # At half width in the stretch, with a cycle at full width left.
    first, last = float(u[0]), float(u[-1]) - 1.0 / rate
    for step_s, near in _FINER:
        halves = np.arange(first, last + step_s / 2, step_s)
        lengths = np.repeat(_SETS_IN_S, len(halves))
        begins = np.tile(halves, len(_SETS_IN_S)) - lengths / 2
        widths = _grown(u, begins[:, None], lengths[:, None])
        best = int(fitted(widths, np.array([rate]))[0].argmax())
        rates = rate * (1.0 + near * np.linspace(-1.0, 1.0, 9))
        rate = float(rates[fitted(widths[best], rates)[0].argmax()])
        half = begins[best] + lengths[best] / 2
        first, last = max(first, half - step_s), min(last, half + step_s)
    power, weights = fitted(widths, np.array([rate]))
    swings = np.stack([np.sin(2 * np.pi * rate * u), np.cos(2 * np.pi * rate * u)])
    means = (widths * (weights @ swings)).mean(axis=1)
    best = int(power.argmax())
    others = [
        float(means[np.where(lengths == length, power, -np.inf).argmax()])
        for length in np.unique(lengths)
    ]
    sine, cosine = (float(w) for w in weights[best])
    found = Vibrato(
        rate_hz=rate,
        half_cents=float(np.hypot(sine, cosine)) / _hann_gain(rate * window_s),
        regularity=np.nan,
        sine_cents=sine,
        cosine_cents=cosine,
        sine_grows=0.0,
        cosine_grows=0.0,
        origin_s=0.0,
        reach_s=0.0,
        mean_cents=float(means[best]),
        otherwise_cents=float(np.abs(np.array(others) - means[best]).max()),
        begins_s=float(begins[best]),
        sets_in_s=float(lengths[best]),
    )
    return found, float(bare @ bare - power[best]) / len(u)


def _line_columns(u: Floats, *, bends: bool) -> Floats:
    return np.stack([np.ones_like(u), u, u * u] if bends else [np.ones_like(u), u], axis=1)


def _swing_columns(u: Floats, rate: float) -> Floats:
    """A steady swing, one whose width changes steadily, one whose width changes along a bend."""
    steady = np.stack([np.sin(2 * np.pi * rate * u), np.cos(2 * np.pi * rate * u)], axis=1)
    away = u[:, None]
    return np.hstack([steady, away * steady, away * away * steady])


def _weights(line: Floats, swing: Floats, cents: Floats) -> tuple[Floats, Floats]:
    """Of a line and of a swing around it, by least squares."""
    weights = np.linalg.lstsq(np.hstack([line, swing]), cents, rcond=None)[0]
    return weights[: line.shape[1]], weights[line.shape[1] :]


def _regularity(swing: Floats, rate: float, hop_s: float, explained: float) -> float:
    """How alike one cycle is to the next: a slow change of rate is still regular."""
    lag = round(1.0 / (rate * hop_s))
    if lag < 1 or len(swing) < lag + 4:
        return max(explained, 0.0)
    a, b = swing[:-lag], swing[lag:]
    alike = float(2 * (a @ b) / (a @ a + b @ b + 1e-12))
    return float(np.clip(max(alike, explained), 0.0, 1.0))


def _hann_gain(cycles: float) -> float:
    """What a Hann window of so many cycles leaves of a sine: sinc(x) / (1 - x^2)."""
    if abs(cycles - 1.0) < 1e-6:
        return 0.5
    return max(float(np.sinc(cycles) / (1.0 - cycles**2)), 0.2)
