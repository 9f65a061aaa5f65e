"""Where exactly do the partials of a note lie?

The pitch of a note is that of its first partial, f1 = f0 sqrt(1 + B), of the series in
`planner.measure.partial_series`. A period-based reading of a stiff string is sharp, and sharper at
the attack, where the high partials are strong; the partial series is not.

Joint least squares of all partials on one window, from 2.5 periods up: for short windows that must
not look outside themselves (the onset), and for the stiffness B where nothing is known of it yet.
`planner.measure.contour` follows the partials along a note, in a way as unlike this as can be.

Conventions
-----------
Samples are float arrays at ``sr``, worked on in single precision (-140 dB); frequencies in Hz;
an uncertainty is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.measure.partial_series import (
    LN_CENTS,
    FoundPartials,
    KnownB,
    PartialFit,
    partial_ratios,
    tied,
)
from planner.model import Floats

HIGHEST_PARTIAL_SHARE = 0.45  # of the sampling rate: above, the resampler's edge begins
_FIRST_PERIODS = 5.0
_FIRST_WINDOW_S = 0.02
# Partials in each round from a cold start: each says well enough where to look for the next.
# Where B is not known yet, high partials lie further from where they are looked for.
_ROUNDS, _ROUNDS_WITHOUT_B = (3, 7, 16), (3, 6, 12, 24)
# A partial known to a hundredth of 1/T is a twenty-fifth of 1/T off in a window four times as long.
_GROWTH, _LAST_GROWTH = 4, 6
# A partial x / T from where it is modelled comes out pi^2 / 15 x^3 / T too far away (the line
# a + b t against the turn it stands for, to third order): a fit that leaves less than this stands.
_TURN_LEFT, _LEFT_CENTS = np.pi**2 / 15.0, 0.01
_NEAR_TURNS = 0.5  # half a turn over the window: nearer than any neighbour of its own series
LOCK_RANGE = 0.8  # times 1/T: a partial further from where it is looked for is not believed
_CACHED = 1 << 14  # samples: 128 KiB in double precision
AUDIBLE_PARTIAL = 0.25  # times 1/T: a partial whose place is known worse than this is noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """Samples, and a time along them that runs as fast as their pitch."""

    x: Floats
    clock: Floats  # s
    sr: int

    @property
    def lasts_s(self) -> float:
        return len(self.x) / self.sr

    def middle(self, length: int) -> _Window:
        """So many samples in the middle."""
        first = (len(self.x) - length) // 2
        inside = slice(first, first + length)
        return _Window(x=self.x[inside], clock=self.clock[inside], sr=self.sr)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sought:
    """Where partials are looked for, and how many of them."""

    f0_hz: float
    known: KnownB
    most: int

    def expected_hz(self, numbers: NDArray[np.int64]) -> Floats:
        return partial_ratios(numbers, self.known.b) * self.f0_hz

    def from_fit(self, fit: PartialFit, *, with_b: bool) -> _Sought:
        """Look where they were found; by the B that was found there, or still by the one known."""
        known = replace(self.known, b=fit.b) if with_b else self.known
        return _Sought(f0_hz=fit.f0_hz, known=known, most=self.most)


def fit_partials(
    samples: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float = 0.0,
    fit_b: bool = False,
    b_sd: float = 0.0,
    pitch_law: Floats | None = None,
    most_partials: int = 40,
    followed: bool = False,
) -> PartialFit | None:
    """Measure the pitch of one window from all its partials at once.

    Every partial is modelled as (a + b t) e^{j 2 pi f t}, linear in a and b, so that a decaying
    amplitude is part of the model and the imaginary part of b/a is how far the partial lies from
    where it was looked for. The frequencies are then tied to f0 (and B) by weighted least
    squares. The fit starts on a few periods in the middle, where a partial is still found when
    it lies far from where it is looked for, and the window grows from there until it is whole.

    samples : (n,) the window, nothing outside is looked at
    f0_hz : where to start, right to about half a semitone
    b : stiffness to start from, or to hold
    fit_b : whether to measure B too (needs four partials, or three that say it clearly)
    b_sd : how well the B held is known, one standard deviation: with it, partials may agree on
        another B near it, and f1 is as unsure as B leaves it
    pitch_law : (n,) any smooth curve proportional to the pitch inside the window; it takes glide
        and vibrato out, and the result is the mean along it
    most_partials : how many to model at most. At 41 Hz forty reach 1.6 kHz; one that is left out
        and sounds costs a short window a factor of ten, a long one little
    followed : whether f0_hz and the law come from a contour through this window: then all of it is
        tried first, and counts where its partials lie where they are looked for

    Returns None where the window holds fewer than 2.2 periods, no partial can be found, or the
    pitch runs away by more than a semitone.
    """
    count = len(samples)
    if count < 2.2 * sr / f0_hz or count < 32:
        return None
    window = _Window(
        x=np.asarray(samples, dtype=np.float32),
        clock=np.arange(count) / sr if pitch_law is None else _warped_clock(pitch_law, sr),
        sr=sr,
    )
    sought = _Sought(f0_hz=f0_hz, known=KnownB(b=b, sd=b_sd, asked=fit_b), most=most_partials)
    if followed:
        fit = _fit_where_expected(window, sought)
        if fit is not None:
            return fit
    length = min(round(max(_FIRST_PERIODS * sr / f0_hz, _FIRST_WINDOW_S * sr)), count)
    fit = None
    while True:
        whole = length == count
        fit = _fit_window(window.middle(length), sought, cold=fit is None, last=whole)
        if fit is None or abs(np.log2(fit.f0_hz / f0_hz)) > 1 / 12:
            return None
        if whole:
            return fit
        sought = sought.from_fit(fit, with_b=fit.b_sd is not None)
        length = count if count <= _LAST_GROWTH * length else _GROWTH * length


def _fit_window(window: _Window, sought: _Sought, *, cold: bool, last: bool) -> PartialFit | None:
    """Fit one window; from a cold start with more partials in each round, at last with all.

    The last window is fitted again, from where its partials have been found, unless they were
    found where they had been looked for; on the way there once is enough, since the next window
    starts from it.
    """
    highest = HIGHEST_PARTIAL_SHARE * window.sr
    most = int(min(sought.most, highest / sought.f0_hz, len(window.x) / 6))
    fit: PartialFit | None = None
    rounds = _ROUNDS_WITHOUT_B if sought.known.asked else _ROUNDS
    ramp = [k for k in rounds if k < most] if cold else []
    for wanted in [*ramp, most, most] if last else [*ramp, most]:
        numbers = np.arange(1, wanted + 1)
        numbers = numbers[sought.expected_hz(numbers) < highest]
        if len(numbers) == 0:
            return fit
        found = _found(window, numbers, sought)
        if len(found.numbers) == 0:
            return fit
        fit = tied(found, sought.known)
        if last and wanted == most and _stands(fit, sought, window.lasts_s):
            break
        sought = sought.from_fit(fit, with_b=True)
    return fit


def _found(window: _Window, numbers: NDArray[np.int64], sought: _Sought) -> FoundPartials:
    """Those partials that lie near where they are looked for, and are no noise."""
    ratios = partial_ratios(numbers, sought.known.b)
    amplitude, shift_hz, variance = _joint_fit(window, sought.f0_hz, ratios)
    found = np.abs(shift_hz) < LOCK_RANGE / window.lasts_s
    found &= (variance > 0.0) & (variance < (AUDIBLE_PARTIAL / window.lasts_s) ** 2)
    return FoundPartials(
        numbers=numbers[found],
        f_hz=sought.f0_hz * ratios[found] + shift_hz[found],
        variance=variance[found],
        amplitudes=amplitude[found],
    )


def _fit_where_expected(window: _Window, sought: _Sought) -> PartialFit | None:
    """Fit all of a window at once; None where partials do not lie about where they are looked for.

    Once more from where they lie, where they are so near that they cannot be others.
    """
    for _ in range(2):
        fit = _fit_window(window, sought, cold=False, last=False)
        if fit is None or _stands(fit, sought, window.lasts_s):
            return fit
        if _moved_turns(fit, sought, window.lasts_s).max() > _NEAR_TURNS:
            return None
        sought = sought.from_fit(fit, with_b=False)
    return None


def _moved_turns(fit: PartialFit, sought: _Sought, window_s: float) -> Floats:
    """How far partials were found from where they were modelled, times the window's length."""
    after_hz = partial_ratios(fit.numbers, fit.b) * fit.f0_hz
    return np.abs(after_hz - sought.expected_hz(fit.numbers)) * window_s


def _stands(fit: PartialFit, sought: _Sought, window_s: float) -> bool:
    """Were partials modelled so near where they were found that another fit leaves them there?"""
    moved = _moved_turns(fit, sought, window_s)
    left_cents = LN_CENTS * _TURN_LEFT * moved**3 / (window_s * sought.expected_hz(fit.numbers))
    return bool(left_cents.max() < _LEFT_CENTS)


def _warped_clock(pitch_law: Floats, sr: int) -> Floats:
    """Time that runs as fast as the pitch, s: in it a glide stands still."""
    clock = np.zeros(len(pitch_law))
    np.cumsum(pitch_law[1:] + pitch_law[:-1], out=clock[1:])
    clock /= 2.0 * sr * float(pitch_law.mean())
    return clock


def _joint_fit(window: _Window, f0_hz: float, ratios: Floats) -> tuple[Floats, Floats, Floats]:
    """Amplitude, distance from f0 times its ratio (Hz) and variance (Hz^2) of partials, jointly."""
    x, clock = window.x, window.clock
    k, count = len(ratios), len(x)
    waves = turned(ratios, f0_hz * (clock - clock[count // 2])).reshape(2 * k, count)
    unit = (np.arange(1 - count, count, 2) / count).astype(np.float32)
    model = np.concatenate([waves, waves * unit])
    gram = (model @ model.T).astype(np.float64)
    gram.flat[:: 4 * k + 1] += 1e-9 * count
    weights, of_turns = _solved(gram, model @ x)
    rest = x - weights.astype(np.float32) @ model
    noise = float(rest @ rest) / max(count - 4 * k, 0.2 * count)
    noise = max(noise, 1e-12 * float(x @ x) / count, 1e-20)
    a, b, c, d = weights[:k], weights[k : 2 * k], weights[2 * k : 3 * k], weights[3 * k :]
    power = a * a + b * b + 1e-30
    turn = (b * c - a * d) / power
    spread, cross = of_turns.diagonal(), of_turns[k:, :k].diagonal()
    turn_variance = noise * (b * b * spread[:k] + a * a * spread[k:] - 2 * a * b * cross) / power**2
    to_hz = 1.0 / (np.pi * window.lasts_s)
    return np.sqrt(power), turn * to_hz, turn_variance * to_hz**2


def _solved(gram: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """Weights of a fit from its normal equations, and the covariance of the latter half of them.

    By halves (the Schur complement), in half the time of the whole inverse.
    """
    half = len(gram) // 2
    cross = gram[:half, half:]
    through = np.linalg.solve(gram[:half, :half], np.column_stack([cross, onto[:half]]))
    inverse = np.linalg.inv(gram[half:, half:] - cross.T @ through[:, :-1])
    later = inverse @ (onto[half:] - cross.T @ through[:, -1])
    return np.concatenate([through[:, -1] - through[:, :-1] @ later, later]), inverse


def turned(times: Floats, turns: Floats) -> NDArray[np.float32]:
    """Cosines and sines of multiples of some full turns: (2, multiples, turns).

    Within one turn single precision is good to 1e-7 (-140 dB) and takes a fraction of the time; so
    does what stays in the processor's cache, some multiples at a time. Whole multiples, from 1 on,
    are products of two before, in a third of the time and good to 4e-6 (-108 dB).
    """
    waves = np.empty((2, len(times), len(turns)), dtype=np.float32)
    if np.array_equal(times, np.arange(1, len(times) + 1)):
        powers = np.empty(waves.shape[1:], dtype=np.complex64)
        powers[0] = on_circle(2.0 * np.pi * (turns - np.rint(turns)))
        for n in range(2, len(times) + 1):
            np.multiply(powers[n // 2 - 1], powers[n - n // 2 - 1], out=powers[n - 1])
        waves[:] = powers.real, powers.imag
        return waves
    at_once = max(_CACHED // len(turns), 1)
    for first in range(0, len(times), at_once):
        rows = slice(first, first + at_once)
        left = np.multiply.outer(times[rows], turns)
        left -= np.rint(left)
        phase = np.multiply(left, 2.0 * np.pi, out=waves[1, rows], casting="same_kind")
        np.cos(phase, out=waves[0, rows])
        np.sin(phase, out=phase)
    return waves


def on_circle(phase: Floats) -> NDArray[np.complex64]:
    """Give e^(j phase), good to 1e-5 (-100 dB) over some turns, four times as fast as `exp`."""
    narrow = phase.astype(np.float32)
    point = np.empty(phase.shape, dtype=np.complex64)
    np.cos(narrow, out=point.real)
    np.sin(narrow, out=point.imag)
    return point
