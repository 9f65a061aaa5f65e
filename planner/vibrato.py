"""Does the pitch swing around a centre, how fast, how wide, how regularly?

Vibrato is measured on a contour in cents: its turns through the midline give rate and whole
cycles, its swing between them the half-extent. A mean over whole cycles is the centre for any
phase at which the note is cut; over N and a half cycles it is off by up to
2 extent / (pi (2N + 1)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.model import Floats

# Singers and string players lie between 4 and 8 Hz (E. Prame, JASA 96, 1994: ten singers, mean
# 6.0 Hz; R. Timmers and P. Desain, ICMPC 2000: 5.5 to 8 Hz).
_SLOWEST_HZ, _FASTEST_HZ = 3.5, 9.0
_LEAST_HALF_CENTS = 4.0
_LEAST_REGULARITY = 0.6  # common practice, no source: below, it is a wobble
_LEAST_CYCLES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Vibrato:
    """A vibrato: rate, half-extent, regularity and the span of its whole cycles."""

    rate_hz: float
    half_cents: float
    regularity: float  # 0..1, share of the swing that a steady vibrato explains
    first_s: float  # whole cycles from here
    last_s: float  # to here
    sine_cents: float
    cosine_cents: float
    origin_s: float

    def at(self, t_s: Floats) -> Floats:
        """Swing in cents of the steady vibrato at the given times."""
        phase = 2 * np.pi * self.rate_hz * (t_s - self.origin_s)
        swing: Floats = self.sine_cents * np.sin(phase) + self.cosine_cents * np.cos(phase)
        return swing


def find_vibrato(t_s: Floats, cents: Floats, window_s: float) -> Vibrato | None:
    """Find vibrato in a contour.

    Parameters
    ----------
    t_s : (k,) evenly spaced seconds
    cents : (k,) contour
    window_s : length of the Hann window each point is a mean over; its damping is undone

    Returns
    -------
    Vibrato or None
        None where fewer than two cycles fit, or the swing is small or irregular.
    """
    seconds = float(t_s[-1] - t_s[0])
    if seconds < _LEAST_CYCLES / _FASTEST_HZ or len(t_s) < 12:
        return None
    origin = float(t_s.mean())
    u = t_s - origin
    slowest = max(_SLOWEST_HZ, 1.3 / seconds)
    if slowest >= _FASTEST_HZ:
        return None
    rates = np.arange(slowest, _FASTEST_HZ, min(0.25, 0.2 / seconds))
    rest = [_sine_fit(u, cents, rate)[1] for rate in rates]
    rate = float(rates[int(np.argmin(rest))])
    step = float(rates[1] - rates[0]) if len(rates) > 1 else 0.1
    for _ in range(4):
        step /= 3
        near = rate + step * np.arange(-3, 4)
        rate = float(near[int(np.argmin([_sine_fit(u, cents, r)[1] for r in near]))])
    if not _SLOWEST_HZ <= rate <= _FASTEST_HZ:
        return None
    weights, unexplained = _sine_fit(u, cents, rate)
    line = weights[0] + weights[1] * u + weights[2] * u * u
    swing = cents - line
    power = float(np.mean(swing**2))
    sine, cosine = float(weights[3]), float(weights[4])
    if seconds * rate < _LEAST_CYCLES * 0.95 or power <= 0:
        return None
    regularity = _regularity(swing, rate, float(t_s[1] - t_s[0]), 1.0 - unexplained / power)
    if regularity < _LEAST_REGULARITY:
        return None
    gain = _hann_gain(rate * window_s)
    first_s, last_s = _whole_cycles(t_s, swing, rate)
    inside = (t_s >= first_s) & (t_s <= last_s)
    half = float(np.sqrt(2.0 * np.mean((swing[inside] - swing[inside].mean()) ** 2))) / gain
    if half < _LEAST_HALF_CENTS:
        return None
    return Vibrato(
        rate_hz=rate,
        half_cents=half,
        regularity=regularity,
        first_s=first_s,
        last_s=last_s,
        sine_cents=sine,
        cosine_cents=cosine,
        origin_s=origin,
    )


def _sine_fit(u: Floats, cents: Floats, rate: float) -> tuple[Floats, float]:
    """Least squares of a parabola and a sine; weights and mean square of the rest."""
    phase = 2 * np.pi * rate * u
    model = np.stack([np.ones_like(u), u, u * u, np.sin(phase), np.cos(phase)], axis=1)
    weights = np.linalg.lstsq(model, cents, rcond=None)[0]
    return weights, float(np.mean((cents - model @ weights) ** 2))


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


def _whole_cycles(t_s: Floats, swing: Floats, rate: float) -> tuple[float, float]:
    """From the first turn upward through the midline to the last one, or down to down if longer."""
    best = (float(t_s[0]), float(t_s[0] + np.floor((t_s[-1] - t_s[0]) * rate) / rate))
    longest = 0.0
    for sign in (1.0, -1.0):
        line = sign * swing
        rises = np.flatnonzero((line[:-1] < 0) & (line[1:] >= 0))
        if len(rises) < 2:
            continue
        share = line[rises] / (line[rises] - line[rises + 1])
        at = t_s[rises] + share * (t_s[1] - t_s[0])
        keep = [at[0]]
        for moment in at[1:]:
            if moment - keep[-1] > 0.5 / rate:  # a wiggle on the way is no turn
                keep.append(moment)
        if len(keep) > 1 and keep[-1] - keep[0] > longest:
            longest = float(keep[-1] - keep[0])
            best = (float(keep[0]), float(keep[-1]))
    return best
