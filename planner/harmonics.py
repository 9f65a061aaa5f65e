"""Where exactly do the partials of a note lie, and which pitch do they agree on?

The pitch of a note is that of its first partial, f1 = f0 sqrt(1 + B), where the partials of a
stiff string lie at f_n = n f0 sqrt(1 + B n^2) (H. Fletcher, "Normal vibration frequencies of a
stiff piano string", JASA 36, 1964). A period-based reading of such a note is sharp, and sharper
at the attack, where the high partials are strong; the partial series is not.

Two measurements, as unlike as can be:

`fit_partials`
    Joint least squares of all partials on one window, from 2.5 periods up: for short windows
    that must not look outside themselves (the onset), and for the stiffness B.
`follow_partials`
    Each partial is shifted to zero frequency along a prior pitch and low-passed; the phase
    advance that all partials share is the pitch, every 5 ms: for sustain, slope and vibrato.

Conventions
-----------
Samples are float arrays at ``sr``, worked on in single precision (-140 dB); frequencies in Hz;
an uncertainty is one standard deviation.
``LN_CENTS`` turns a small relative change into cents: 1200 / ln 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit  # type: ignore[import-untyped,unused-ignore]

from planner.model import Floats

LN_CENTS = 1200.0 / np.log(2.0)
FOLLOW_HOP_S = 0.005

_HIGHEST_PARTIAL_SHARE = 0.45  # of the sampling rate: above, the resampler's edge begins
_FIRST_PERIODS = 5.0
_FIRST_WINDOW_S = 0.02
# Partials in each round from a cold start: each says well enough where to look for the next.
# Where B is not known yet, high partials lie further from where they are looked for.
_ROUNDS, _ROUNDS_WITHOUT_B = (3, 7, 16), (3, 6, 12, 24)
# A partial known to a hundredth of 1/T is a twenty-fifth of 1/T off in a window four times as long.
_GROWTH, _LAST_GROWTH = 4, 6
_STILL = 0.05  # times 1/T: a partial found so near was modelled where it is
_LOCK_RANGE = 0.8  # times 1/T: a partial further from where it is looked for is not believed
_AUDIBLE_PARTIAL = 0.25  # times 1/T: a partial whose place is known worse than this is noise
_MAX_B = 5e-3  # stiffer than any string below 2.5 kHz that is meant to have a pitch
_OUTLIER_MADS = 4.0
_BELOW_ONE_SD = 0.8413  # of normal errors
_LEAST_FREEDOM = 1e-3  # where one partial is all there is, nothing differs from it
_SAMPLES_AT_ONCE = 500_000  # of all partials followed together: a very long note takes turns
# No partial is trusted better than this, relative to its frequency: with 1e-5 (0.017 cents) a
# single strong partial cannot outvote the others on model errors such as a changing amplitude.
_RELATIVE_FLOOR = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFit:
    """What the partials of one window agree on."""

    f0_hz: float
    b: float
    sd_cents: float  # of f1, widened by how badly the partials agree
    apart_sd_cents: float  # of f1, from how far the partials lie apart alone
    b_sd: float | None  # None where B was given
    numbers: NDArray[np.int64]  # of the partials used
    misfit_cents: Floats  # of the partials used, against the series
    amplitudes: Floats  # of the partials used

    @property
    def f1_hz(self) -> float:
        return float(self.f0_hz * np.sqrt(1.0 + self.b))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contour:
    """First partial along a note, every `FOLLOW_HOP_S`, and how well partials agree on it."""

    t_s: Floats  # (k,) seconds from the start of the samples given
    f1_hz: Floats  # (k,)
    sd_cents: Floats  # (k,) scatter of the partials around their common pitch
    level_db: Floats  # (k,) of all partials together, dBFS
    window_s: float  # each point is a mean over this long a Hann window
    apart_cents: Floats  # (partials, k) what each partial says, over what all say together
    shares: Floats  # (partials,) of what all say together, sum 1


def partial_ratios(numbers: NDArray[np.int64], b: float) -> Floats:
    """Frequencies of partials as multiples of f0: n sqrt(1 + B n^2)."""
    n = numbers.astype(float)
    ratios: Floats = n * np.sqrt(1.0 + b * n * n)
    return ratios


def fit_partials(
    samples: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float = 0.0,
    fit_b: bool = False,
    pitch_law: Floats | None = None,
    most_partials: int = 40,
) -> PartialFit | None:
    """Measure the pitch of one window from all its partials at once.

    Every partial is modelled as (a + b t) e^{j 2 pi f t}, linear in a and b, so that a decaying
    amplitude is part of the model and the imaginary part of b/a is how far the partial lies from
    where it was looked for. The frequencies are then tied to f0 (and B) by weighted least
    squares. The fit starts on a few periods in the middle, where a partial is still found when
    it lies far from where it is looked for, and the window grows from there until it is whole.

    Parameters
    ----------
    samples : (n,) the window, nothing outside is looked at
    f0_hz : where to start, right to about half a semitone
    b : stiffness to start from, or to hold
    fit_b : whether to measure B too (needs four partials)
    pitch_law : (n,) any smooth curve proportional to the pitch inside the window; it takes glide
        and vibrato out, and the result is the mean along it
    most_partials : how many to model at most. At 41 Hz forty reach 1.6 kHz; one that is left out
        and sounds costs a short window a factor of ten, a long one little

    Returns
    -------
    PartialFit or None
        None where the window holds fewer than 2.2 periods, no partial can be found, or the pitch
        runs away by more than a semitone.
    """
    count = len(samples)
    if count < 2.2 * sr / f0_hz or count < 32:
        return None
    x = np.asarray(samples, dtype=np.float32)
    clock = np.arange(count) / sr if pitch_law is None else _warped_clock(pitch_law, sr)
    length = min(round(max(_FIRST_PERIODS * sr / f0_hz, _FIRST_WINDOW_S * sr)), count)
    fit: PartialFit | None = None
    start_hz = f0_hz
    while True:
        first = (count - length) // 2
        window = slice(first, first + length)
        fit = _fit_window(
            x[window],
            clock[window],
            sr,
            f0_hz,
            b=b,
            fit_b=fit_b,
            most=most_partials,
            cold=fit is None,
            last=length == count,
        )
        if fit is None or abs(np.log2(fit.f0_hz / start_hz)) > 1 / 12:
            return None
        f0_hz = fit.f0_hz
        b = fit.b if fit.b_sd is not None else b
        if length == count:
            return fit
        length = count if count <= _LAST_GROWTH * length else _GROWTH * length


def _fit_window(
    x: Floats,
    clock: Floats,
    sr: int,
    f0_hz: float,
    *,
    b: float,
    fit_b: bool,
    most: int,
    cold: bool,
    last: bool,
) -> PartialFit | None:
    """Fit one window; from a cold start with more partials in each round, at last with all.

    The last window is fitted again, from where its partials have been found, unless they were
    found where they had been looked for; on the way there once is enough, since the next window
    starts from it.
    """
    count = len(x)
    window_s = count / sr
    highest = _HIGHEST_PARTIAL_SHARE * sr
    most = int(min(most, highest / f0_hz, count / 6))
    fit: PartialFit | None = None
    rounds = _ROUNDS_WITHOUT_B if fit_b else _ROUNDS
    ramp = [k for k in rounds if k < most] if cold else []
    for wanted in [*ramp, most, most] if last else [*ramp, most]:
        numbers = np.arange(1, wanted + 1)
        ratios = partial_ratios(numbers, b)
        keep = ratios * f0_hz < highest
        numbers, ratios = numbers[keep], ratios[keep]
        if len(numbers) == 0:
            return fit
        amplitude, shift_hz, variance = _joint_fit(x, clock, ratios * f0_hz, window_s)
        found = np.abs(shift_hz) < _LOCK_RANGE / window_s
        found &= np.sqrt(variance) < _AUDIBLE_PARTIAL / window_s
        if not found.any():
            return fit
        fit = _tie(
            numbers[found],
            ratios[found] * f0_hz + shift_hz[found],
            variance[found],
            amplitude[found],
            b=b,
            fit_b=fit_b and found.sum() >= 4,
        )
        moved = partial_ratios(fit.numbers, fit.b) * fit.f0_hz - ratios[fit.numbers - 1] * f0_hz
        f0_hz = fit.f0_hz
        b = fit.b
        if wanted == most and np.abs(moved).max() < _STILL / window_s:
            break
    return fit


def _warped_clock(pitch_law: Floats, sr: int) -> Floats:
    """Time that runs as fast as the pitch, s: in it a glide stands still."""
    relative = np.asarray(pitch_law, dtype=np.float64) / np.mean(pitch_law)
    clock: Floats = np.concatenate([[0.0], np.cumsum((relative[1:] + relative[:-1]) / 2)]) / sr
    return clock


def _joint_fit(
    x: Floats, clock: Floats, f_hz: Floats, window_s: float
) -> tuple[Floats, Floats, Floats]:
    """Amplitude, distance from f_hz (Hz) and its variance (Hz^2) of every partial, jointly."""
    k = len(f_hz)
    clock = clock - clock.mean()
    unit = np.linspace(-1.0, 1.0, len(x), dtype=np.float32) * np.float32(1.0 - 1.0 / len(x))
    cosine, sine = _one_turn(np.outer(clock, f_hz))
    model = np.empty((len(x), 4 * k), dtype=np.float32)
    model[:, :k], model[:, k : 2 * k] = cosine, sine
    np.multiply(model[:, : 2 * k], unit[:, None], out=model[:, 2 * k :])
    gram = (model.T @ model).astype(np.float64)
    gram[np.diag_indices_from(gram)] += 1e-9 * len(x)
    inverse = np.linalg.inv(gram)
    weights = inverse @ (model.T @ x)
    rest = x - model @ weights.astype(np.float32)
    noise = float(rest @ rest) / max(len(x) - 4 * k, 0.2 * len(x))
    noise = max(noise, 1e-12 * float(x @ x) / len(x), 1e-20)
    a, b, c, d = weights[:k], weights[k : 2 * k], weights[2 * k : 3 * k], weights[3 * k :]
    power = a * a + b * b + 1e-30
    turn = (b * c - a * d) / power
    spread = np.diagonal(inverse)
    cross = inverse[2 * k + np.arange(k), 3 * k + np.arange(k)]
    turn_variance = (
        noise
        * (b * b * spread[2 * k : 3 * k] + a * a * spread[3 * k :] - 2 * a * b * cross)
        / power**2
    )
    to_hz = 1.0 / (np.pi * window_s)
    return np.sqrt(power), turn * to_hz, turn_variance * to_hz**2


def _one_turn(turns: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Cosine and sine of full turns.

    Within one turn single precision is good to 1e-7 (-140 dB) and takes a fraction of the time.
    """
    phase = (2.0 * np.pi * (turns - np.rint(turns))).astype(np.float32)
    return np.cos(phase), np.sin(phase)


def _tie(
    numbers: NDArray[np.int64],
    f_hz: Floats,
    variance: Floats,
    amplitudes: Floats,
    *,
    b: float,
    fit_b: bool,
) -> PartialFit:
    """Tie partial frequencies to f0 and B by weighted least squares, once more without outliers."""
    variance = variance + (_RELATIVE_FLOOR * f_hz) ** 2
    keep = np.ones(len(f_hz), dtype=bool)
    for _ in range(2):
        f0, stiffness, cov = _solve_series(
            numbers[keep], f_hz[keep], variance[keep], b=b, fit_b=fit_b
        )
        misfit = f_hz - partial_ratios(numbers, stiffness) * f0
        score = np.abs(misfit) / np.sqrt(variance)
        limit = _OUTLIER_MADS * max(1.4826 * float(_middle(score[keep])), 1.0)
        inliers = score < limit
        if inliers.sum() < (4 if fit_b else 1) or (inliers == keep).all():
            break
        keep = inliers
    freedom = keep.sum() - (2 if fit_b else 1)
    chi2 = float(np.sum(misfit[keep] ** 2 / variance[keep]))
    widen = max(1.0, chi2 / freedom) if freedom > 0 else 1.0
    sd_cents = LN_CENTS * np.sqrt(cov[0, 0] * widen) / f0
    share = f_hz[keep] ** 2 / variance[keep]
    return PartialFit(
        f0_hz=float(f0),
        b=float(stiffness),
        sd_cents=float(sd_cents),
        apart_sd_cents=sd_of_mean(LN_CENTS * misfit[keep] / f_hz[keep], share / share.sum()),
        b_sd=float(np.sqrt(cov[1, 1] * widen)) if fit_b else None,
        numbers=numbers[keep],
        misfit_cents=LN_CENTS * misfit[keep] / f_hz[keep],
        amplitudes=amplitudes[keep],
    )


def sd_of_mean(each: Floats, shares: Floats) -> float:
    """How well a weighted mean is known from how what it is the mean of differs, in its units.

    Of as many figures as their shares, which sum to 1, are worth (L. Kish's effective number), and
    as much more as Student's t is wider than a normal error at two in three.
    """
    freedom = max(1.0 / float(shares @ shares) - 1.0, _LEAST_FREEDOM)
    variance = float(shares @ (each - shares @ each) ** 2) / freedom
    return float(stdtrit(max(freedom, 1.0), _BELOW_ONE_SD)) * float(np.sqrt(variance))


def _middle(values: Floats) -> Floats:
    """Median along the last axis; np.median says the same and takes ten times as long on a few."""
    count = values.shape[-1]
    low, high = (count - 1) // 2, count // 2
    ordered = np.partition(values, (low, high), axis=-1)
    median: Floats = (ordered[..., low] + ordered[..., high]) / 2.0
    return median


def _solve_series(
    numbers: NDArray[np.int64],
    f_hz: Floats,
    variance: Floats,
    *,
    b: float,
    fit_b: bool,
) -> tuple[float, float, Floats]:
    """Least squares for f_n = n f0 sqrt(1 + B n^2); returns f0, B and their covariance.

    With B given f0 is linear. With both unknown (f_n / n)^2 = f0^2 + f0^2 B n^2 is, and its
    weights follow from the variance of f_n, which is small beside f_n.
    """
    n = numbers.astype(float)
    if not fit_b:
        ratios = n * np.sqrt(1.0 + b * n * n)
        weight = ratios / variance
        total = float(weight @ ratios)
        return float(weight @ f_hz) / total, b, np.array([[1.0 / total]])
    level = (f_hz / n) ** 2
    weight = (n * n / (2.0 * f_hz)) ** 2 / variance
    square = n * n
    sums = [float(weight @ square**power) for power in range(3)]
    onto = [float(weight @ level), float(weight @ (square * level))]
    determinant = sums[0] * sums[2] - sums[1] ** 2
    if determinant <= 1e-12 * sums[0] * sums[2]:
        return _solve_series(numbers, f_hz, variance, b=b, fit_b=False)
    f0_squared = (sums[2] * onto[0] - sums[1] * onto[1]) / determinant
    bent = (sums[0] * onto[1] - sums[1] * onto[0]) / determinant
    f0, stiffness = float(np.sqrt(max(f0_squared, 1e-12))), bent / f0_squared
    # From the covariance of (f0^2, f0^2 B) to that of (f0, B).
    covariance = np.array([[sums[2], -sums[1]], [-sums[1], sums[0]]]) / determinant
    change = np.array([[0.5 / f0, 0.0], [-stiffness / f0_squared, 1.0 / f0_squared]])
    return f0, float(np.clip(stiffness, -2e-4, _MAX_B)), change @ covariance @ change.T


def follow_partials(
    samples: Floats,
    sr: int,
    prior_hz: Floats,
    *,
    b: float = 0.0,
    periods: float = 4.0,
    most_partials: int = 16,
) -> Contour | None:
    """Follow the pitch that the partials share along a note.

    Parameters
    ----------
    samples : (n,) from a little before to a little after the span wanted
    prior_hz : (n,) smooth prior of f0, right to about a quarter tone
    b : stiffness
    periods : length of the Hann window; with a whole number the neighbours of each partial fall
        into its zeros
    most_partials : how many to follow at most

    Returns
    -------
    Contour or None
        None where the samples hold fewer than four frames.
    """
    middle_hz = float(np.median(prior_hz))
    hop = round(FOLLOW_HOP_S * sr)
    window = max(round(periods * sr / middle_hz), 2 * hop) | 1
    frames = (len(samples) - window) // hop + 1
    if frames < 4:
        return None
    numbers = np.arange(1, most_partials + 1)
    ratios = partial_ratios(numbers, b)
    ratios = ratios[ratios * prior_hz.max() < _HIGHEST_PARTIAL_SHARE * sr]
    if len(ratios) == 0:
        return None
    turns = np.concatenate([[0.0], np.cumsum((prior_hz[1:] + prior_hz[:-1]) / 2)]) / sr
    taper = np.hanning(window + 2)[1:-1]
    taper = (2.0 * taper / taper.sum()).astype(np.float32)
    x = samples.astype(np.float32)
    tracks = np.empty((len(ratios), frames), dtype=np.complex128)
    at_once = max(_SAMPLES_AT_ONCE // len(x), 1)
    for first in range(0, len(ratios), at_once):
        rows = slice(first, first + at_once)
        cosine, sine = _one_turn(ratios[rows, None] * turns)
        tracks.real[rows] = _tapered_sums(x * cosine, taper, hop, frames)
        tracks.imag[rows] = -_tapered_sums(x * sine, taper, hop, frames)
    centre = np.arange(frames) * hop + window // 2
    turn, off, shares = _shared_turn(tracks, ratios)
    scatter = np.sqrt(shares @ off**2 / max(len(ratios) - 1, 1))
    prior_step = 2.0 * np.pi * np.diff(turns[centre])
    to_cents = LN_CENTS / np.maximum(prior_step, 1e-9)
    f0 = (prior_step + turn) / (2.0 * np.pi) * (sr / hop)
    t_s = (centre[1:] + centre[:-1]) / 2 / sr
    power = np.sum(np.abs(tracks) ** 2, axis=0) / 2
    level_db = 10.0 * np.log10(np.maximum((power[1:] + power[:-1]) / 2, 1e-12))
    return Contour(
        t_s=t_s,
        f1_hz=f0 * np.sqrt(1.0 + b),
        sd_cents=scatter * to_cents,
        level_db=level_db,
        window_s=window / sr,
        apart_cents=(off * to_cents).astype(np.float32),
        shares=shares,
    )


def _tapered_sums(rows: Floats, taper: Floats, hop: int, frames: int) -> Floats:
    """Sums of each row under a taper that moves on by a hop, (rows, frames).

    Frames overlap, so by blocks of a hop: each block meets each piece of the taper once, all in
    one product of two matrices, and a frame is the sum of a run of them.
    """
    pieces = -(-len(taper) // hop)
    blocks = frames + pieces - 1
    taper = np.pad(taper, (0, pieces * hop - len(taper))).reshape(pieces, hop)
    rows = rows[:, : blocks * hop]
    rows = np.pad(rows, ((0, 0), (0, blocks * hop - rows.shape[1])))
    parts = rows.reshape(len(rows), blocks, hop) @ taper.T
    total = np.zeros((len(rows), frames))
    for piece in range(pieces):
        total += parts[:, piece : piece + frames, piece]
    return total


def _shared_turn(tracks: NDArray[np.complex128], ratios: Floats) -> tuple[Floats, Floats, Floats]:
    """Phase advance per hop that all partials share, what each adds to it, and their shares.

    A partial weighs by how steadily it follows the others over the whole note, not moment by
    moment: only with constant weights do the steps add up to the phase without a random walk.
    """
    product = tracks[:, 1:] * np.conj(tracks[:, :-1])
    power = np.abs(product)
    low = ratios < 4.5
    seed = np.sum((power * np.angle(product) / ratios[:, None])[low], axis=0)
    seed /= power[low].sum(axis=0) + 1e-30
    # Unwrap each partial's step around what the low ones say: where the prior is off by some tens
    # of cents the high ones turn more than half a circle in a hop.
    expected = ratios[:, None] * seed
    steps = expected + np.angle(product * np.exp(-1j * expected))
    shared = seed
    weight = np.ones(len(ratios))
    for _ in range(3):
        off = (steps - ratios[:, None] * shared) / ratios[:, None]
        middle = _middle(off)
        spread = 1.4826 * _middle(np.abs(off - middle[:, None]))
        bias = np.abs(middle)
        weight = 1.0 / (spread**2 + bias**2 + 1e-12) / ratios**2
        shared = (weight * ratios) @ steps / (weight @ ratios**2)
    off = steps / ratios[:, None] - shared
    share = weight * ratios**2
    return shared, off, share / share.sum()
