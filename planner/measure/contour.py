"""Which pitch do the partials of a note share, moment by moment?

Each partial is shifted to zero frequency along a prior pitch and low-passed; the phase advance that
all partials share is the pitch, every 5 ms: for sustain, slope and vibrato. What each partial does
beside it says where it lies: for how partials of a sustain agree, and for the stiffness of strings
heard before. Conventions are those of `planner.harmonics`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.harmonics import AUDIBLE_PARTIAL, HIGHEST_PARTIAL_SHARE, LOCK_RANGE, on_circle, turned
from planner.measure.partial_series import LN_CENTS, FoundPartials, partial_ratios
from planner.model import Floats
from planner.words.spread import MAD_TO_SD, evenly, middle_of

FOLLOW_HOP_S = 0.005

MOST_PARTIALS = 16
_ROUNDS = 3
_LEAST_FRAMES = 4
_LEAST_REST = 1e-14  # of the power: single precision leaves as much
HANN_OVERLAP = 2.0 / 3.0  # squared sum of a Hann window over its sum of squares and its length
_SAMPLES_AT_ONCE = 500_000  # of all partials followed together: a very long note takes turns


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Phases:
    """Each partial of a note, every `FOLLOW_HOP_S`, as it turns against a prior pitch."""

    tracks: NDArray[np.complex128]  # (partials, k)
    ratios: Floats  # (partials,) of their frequencies to f0
    b: float
    t_s: Floats  # (k,) in the middle of each window, from the start of the samples
    turns: Floats  # (k,) of the prior of f0 up to there, as the window sees it
    window_s: float  # each point is a mean over this long a Hann window

    def until(self, end_s: float) -> Phases:
        """The frames up to a moment."""
        kept = slice(int(self.t_s.searchsorted(end_s)))
        return replace(
            self, tracks=self.tracks[:, kept], t_s=self.t_s[kept], turns=self.turns[kept]
        )

    def at_stiffness(self, b: float) -> Phases:
        """The same as they turn against partials of another B near by."""
        ratios = partial_ratios(np.arange(1, len(self.ratios) + 1), b)
        against = on_circle(np.multiply.outer(2.0 * np.pi * (self.ratios - ratios), self.turns))
        return replace(self, tracks=self.tracks * against, ratios=ratios, b=b)

    def lowest(self, most: int) -> Phases:
        """Those of so many partials at the most."""
        return replace(self, tracks=self.tracks[:most], ratios=self.ratios[:most])


def follow_partials(
    samples: Floats,
    sr: int,
    prior_hz: Floats,
    *,
    b: float = 0.0,
    periods: float = 4.0,
    most_partials: int = MOST_PARTIALS,
) -> Contour | None:
    """Follow the pitch that the partials share along a note: `partial_phases`, `contour_of`."""
    phases = partial_phases(
        samples, sr, prior_hz, b=b, periods=periods, most_partials=most_partials
    )
    return None if phases is None else contour_of(phases)


def partial_phases(
    samples: Floats,
    sr: int,
    prior_hz: Floats,
    *,
    b: float = 0.0,
    periods: float = 4.0,
    most_partials: int = MOST_PARTIALS,
) -> Phases | None:
    """Shift each partial of a note to zero frequency along a prior pitch, and low-pass it.

    samples : (n,) from a little before to a little after the span wanted
    prior_hz : (n,) smooth prior of f0, right to about a quarter tone
    b : stiffness
    periods : least length of the Hann window, which lasts two hops at least; with a whole number
        the neighbours of each partial fall into its zeros
    most_partials : how many to follow at most

    Returns None where the samples hold fewer than four frames.
    """
    hop = round(FOLLOW_HOP_S * sr)
    middle_hz = float(middle_of(prior_hz[::hop]))
    # Whole periods to fractions of a sample: rounded to samples, neighbours leak in at -64 dB
    # (median over 82 to 880 Hz, -49 at worst), which shows from 40 dB over the noise on.
    length = max(periods, math.ceil(2 * hop * middle_hz / sr)) * sr / middle_hz
    reach = math.ceil(length / 2) - 1
    window = 2 * reach + 1
    frames = (len(samples) - window) // hop + 1
    if frames < _LEAST_FRAMES:
        return None
    ratios = partial_ratios(np.arange(1, most_partials + 1), b)
    ratios = ratios[ratios * prior_hz.max() < HIGHEST_PARTIAL_SHARE * sr]
    if len(ratios) == 0:
        return None
    turns = np.zeros(len(prior_hz))
    np.cumsum(prior_hz[1:] + prior_hz[:-1], out=turns[1:])
    turns /= 2.0 * sr
    taper = 1.0 + np.cos(2.0 * np.pi * np.arange(-reach, reach + 1) / length)
    taper = (2.0 * taper / taper.sum()).astype(np.float32)
    # As far as the last blocks of `_tapered_sums` reach, past the end nothing.
    spare = max((frames + math.ceil(window / hop) - 1) * hop - len(samples), 0)
    turns = np.concatenate([turns, np.full(spare, turns[-1])])
    samples = np.concatenate([samples, np.zeros(spare, dtype=samples.dtype)])
    tracks = np.empty((len(ratios), frames), dtype=np.complex128)
    at_once = max(_SAMPLES_AT_ONCE // len(samples), 1)
    for first in range(0, len(ratios), at_once):
        rows = slice(first, first + at_once)
        waves = turned(ratios[rows], turns)
        waves *= samples
        tracks.real[rows], tracks.imag[rows] = _tapered_sums(waves, taper, hop, frames)
    return Phases(
        tracks=np.conj(tracks, out=tracks),
        ratios=ratios,
        b=b,
        t_s=(np.arange(frames) * hop + reach) / sr,
        turns=_as_seen(turns, taper, hop, frames),
        window_s=length / sr,
    )


def _as_seen(turns: Floats, taper: Floats, hop: int, frames: int) -> Floats:
    """Mean of a phase over each window.

    Where a prior bends, the low-passed phase of what is steady bends against the prior as its mean
    does, not as it does in the middle of the window.
    """
    # A straight line is its own mean.
    even = turns[0] + (turns[-1] - turns[0]) / (len(turns) - 1) * np.arange(len(turns))
    middle = even[len(taper) // 2 :: hop][:frames]
    bent = _tapered_sums((turns - even)[None], taper.astype(np.float64), hop, frames)[0]
    seen: Floats = middle + bent / float(taper.sum(dtype=np.float64))
    return seen


def contour_of(phases: Phases, rounds: int = _ROUNDS) -> Contour:
    """Tell the pitch that the partials of a note share from how each of them turns.

    rounds : of weighing them by how far each lies off what all share
    """
    tracks = phases.tracks
    turn, off, shares = _shared_turn(tracks, phases.ratios, rounds)
    scatter = np.sqrt(shares @ off**2 / max(len(phases.ratios) - 1, 1))
    prior_step = 2.0 * np.pi * np.diff(phases.turns)
    to_cents = LN_CENTS / np.maximum(prior_step, 1e-9)
    # In noise alone the phase may turn back; an octave under the prior it means nothing any more.
    hop_s = phases.t_s[1] - phases.t_s[0]
    f0 = np.maximum(prior_step + turn, prior_step / 2.0) / (2.0 * np.pi * hop_s)
    power = np.sum(np.abs(tracks) ** 2, axis=0) / 2
    level_db = 10.0 * np.log10(np.maximum((power[1:] + power[:-1]) / 2, 1e-12))
    return Contour(
        t_s=(phases.t_s[1:] + phases.t_s[:-1]) / 2,
        f1_hz=f0 * np.sqrt(1.0 + phases.b),
        sd_cents=scatter * to_cents,
        level_db=level_db,
        window_s=phases.window_s,
        apart_cents=(off * to_cents).astype(np.float32),
        shares=shares,
    )


def partials_along(
    phases: Phases, contour: Contour, span_s: tuple[float, float]
) -> FoundPartials | None:
    """Find the partials of a stretch of a note; None where none stands out of noise.

    Turned back along the contour each partial is ``a + b t``, as in `planner.harmonics`: what turns
    on says how far it lies from where the pitch has it, what is left how well that is known.

    phases, contour : of the note
    span_s : the stretch
    """
    first, last = phases.t_s.searchsorted(span_s)
    count, hop_s = int(last - first), float(phases.t_s[1] - phases.t_s[0])
    if count < _LEAST_FRAMES:
        return None
    f0_hz = contour.f1_hz[first : last - 1] / math.sqrt(1.0 + phases.b)
    along = phases.turns[first] - phases.turns[first:last]
    along[1:] += np.cumsum(f0_hz) * hop_s
    ratios = phases.ratios
    still = phases.tracks[:, first:last] * on_circle(
        np.multiply.outer(-2.0 * np.pi * ratios, along)
    )
    u = evenly(count)
    level = still.sum(axis=1) / count
    lean = still @ u / (u @ u)
    power = level.real**2 + level.imag**2 + 1e-30
    # Level and lean share nothing, so what is left of the power is that of the rest.
    rest = np.sum(np.abs(still) ** 2, axis=1) / count - power
    rest -= (lean.real**2 + lean.imag**2) * float(u @ u) / count
    overlap = max(HANN_OVERLAP * phases.window_s / hop_s, 1.0)
    noise = np.maximum(rest, _LEAST_REST * power) * overlap * count / (count - 2)
    to_hz = 1.0 / (np.pi * (count - 1) * hop_s)
    shift_hz = (lean * level.conj()).imag / power * to_hz
    variance = noise / (2.0 * power * (u @ u)) * to_hz**2
    found = (np.abs(shift_hz) < LOCK_RANGE * np.pi * to_hz) & (
        variance < (AUDIBLE_PARTIAL * np.pi * to_hz) ** 2
    )
    if not found.any():
        return None
    middle_hz = float(np.exp(np.log(f0_hz).mean()))
    return FoundPartials(
        numbers=np.flatnonzero(found) + 1,
        f_hz=ratios[found] * middle_hz + shift_hz[found],
        variance=variance[found],
        amplitudes=np.sqrt(power[found]),
    )


def _tapered_sums(rows: Floats, taper: Floats, hop: int, frames: int) -> Floats:
    """Sums of each row under a taper that moves on by a hop, (..., frames).

    Frames overlap, so by blocks of a hop: each block meets each piece of the taper once, all in
    one product of two matrices, and a frame is the sum of a run of them.
    """
    pieces = -(-len(taper) // hop)
    whole_taper = np.zeros(pieces * hop, dtype=taper.dtype)
    whole_taper[: len(taper)] = taper
    blocks = rows[..., : (frames + pieces - 1) * hop].reshape(*rows.shape[:-1], -1, hop)
    parts = blocks @ whole_taper.reshape(pieces, hop).T
    total = np.zeros((*rows.shape[:-1], frames))
    for piece in range(pieces):
        total += parts[..., piece : piece + frames, piece]
    return total


def _shared_turn(
    tracks: NDArray[np.complex128], ratios: Floats, rounds: int
) -> tuple[Floats, Floats, Floats]:
    """Phase advance per hop that all partials share, what each adds to it, and their shares.

    A partial weighs by how steadily it follows the others over the whole note, not moment by
    moment: only with constant weights do the steps add up to the phase without a random walk.
    """
    product = tracks[:, 1:] * np.conj(tracks[:, :-1])
    power, turned = np.abs(product), np.angle(product)
    low = slice(int(ratios.searchsorted(4.5)))
    seed = np.sum(power[low] * turned[low] / ratios[low, None], axis=0)
    seed /= power[low].sum(axis=0) + 1e-30
    # Unwrap each partial's step around what the low ones say: where the prior is off by some tens
    # of cents the high ones turn more than half a circle in a hop.
    turned += 2.0 * np.pi * np.rint((ratios[:, None] * seed - turned) / (2.0 * np.pi))
    says = turned / ratios[:, None]
    shared = seed
    strength = ratios**2 * power.mean(axis=1)
    for _ in range(rounds):
        off = says - shared
        middle = middle_of(off)
        spread = MAD_TO_SD * middle_of(np.abs(off - middle[:, None]))
        # White noise turns a partial by as much as it is weak: none that sets the common pitch
        # itself is taken for more exact than that.
        noise = middle_of(spread**2 * strength) / (strength + 1e-30)
        share = 1.0 / (np.maximum(spread**2, noise) + middle**2 + 1e-12)
        share /= share.sum()
        shared = share @ says
    return shared, says - shared, share
