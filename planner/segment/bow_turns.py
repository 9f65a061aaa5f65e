"""At which moments does a bow turn, as the waves on the string tell?

A bowed string moves in a sawtooth (H. von Helmholtz): once a period its corner is let go and
caught, and the bow's direction says whether the waves rise slowly and fall fast or the other way
round. Where the bow turns, the sawtooth is mirrored, which turns all partials by half a cycle.
So of partials m, n and m + n the phase of the last less those of the first two turns by half a
cycle, whichever they are. It does not turn with time, level, pitch or a vibrato, for partials of a
bowed string are harmonic, nor with what a body does to them while the pitch is the same (the
bispectrum: M. R. Raghuveer and C. L. Nikias, IEEE Trans. ASSP 33, 1985).
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from planner.model import Floats, PitchTrack, Stem
from planner.words.spread import middle_of_known

Waves = NDArray[np.complex128]

_PARTIALS = 6  # chosen: nine sets of three, of the partials that a body lets through loudest
_LEAST_PARTIALS = 3  # two sets: one alone may turn by chance
_TOP_HZ = 3000.0  # chosen: above, a bow's hiss is as loud as partials
_TURNING_S = 0.03  # either side of a dip: a string takes this long to settle
_HEARD_S = 0.15  # before and after that: a cycle of most vibratos
_LEAST_HEARD_S = 0.10  # a tone takes this long to settle (`planner.segment.restarts`)
_OTHERS = np.pi / 3.0  # chosen: of half a turn, as far as a thick string ever comes
_OVER_UNSETTLED = 3.0  # as usual of scatter
_NEAR_SEMITONES = 0.6
_PERIODS = 4.0  # of a Hann window: its main lobe reaches the next partials' zero
_PITCH_SIDE_S = 0.10  # what the pitch before and after is


def bow_turns(stem: Stem, track: PitchTrack, frames: NDArray[np.intp]) -> NDArray[np.intp]:
    """Where does the bow turn near some frames: there a string's waves are as before no more.

    stem, track : a bowed stem and its coarse pitch
    frames : of the track, at which a bow may turn while the pitch stays

    Returns
    -------
    (len(frames),) frames of the track; -1 where the waves stay or are not settled either side,
    another pitch follows, or too little is heard.
    """
    return np.array([_turn(stem, track, int(frame)) for frame in frames], dtype=np.intp)


def _turn(stem: Stem, track: PitchTrack, frame: int) -> int:
    heard = _threes(stem, track, frame)
    if heard is None:
        return -1
    threes, was, is_now, first = heard
    before, after = threes[:, was], threes[:, is_now]
    unsettled = max(_apart(*np.array_split(side, 2, axis=1)) for side in (before, after))
    if _apart(before, after) <= max(_OTHERS, _OVER_UNSETTLED * unsettled):
        return -1
    turning = range(was.stop, is_now.start)
    as_before = [at for at in turning if _apart(before, threes[:, at, None]) < _OTHERS]
    return first + max(as_before, default=was.stop - 1) + 1


def _threes(stem: Stem, track: PitchTrack, frame: int) -> tuple[Waves, slice, slice, int] | None:
    """Partials m and n against m + n around a frame: (sets, frames); None if too little is heard.

    With them which are settled before, and which after, and the frame of the track of the first.
    """
    sr, hop = stem.analysis_sr, round(track.hop_s * stem.analysis_sr)
    f_hz = _pitch_hz(track.f0_hz, frame, round(_PITCH_SIDE_S / track.hop_s))
    number = np.arange(1, min(_PARTIALS, int(_TOP_HZ / f_hz)) + 1)
    if len(number) < _LEAST_PARTIALS:
        return None
    taper = np.hanning(round(_PERIODS * sr / f_hz) | 1)
    half, heard = len(taper) // 2, round(_HEARD_S / track.hop_s)
    aside = max(round(_TURNING_S / track.hop_s), half // hop)  # no window holds both
    first, last = max(0, frame - aside - heard), min(len(track.f0_hz), frame + aside + heard + 1)
    here, f0_hz = frame - first, track.f0_hz[first:last]
    with np.errstate(invalid="ignore"):
        near = np.abs(12.0 * np.log2(f0_hz / f_hz)) < _NEAR_SEMITONES
    before, after = _up_to(near[: max(0, here - aside)][::-1]), _up_to(near[here + aside :])
    if min(before, after) < _LEAST_HEARD_S / track.hop_s:
        return None
    at = np.arange(first * hop - half, (last - 1) * hop + half + 1)
    known = np.flatnonzero(near)
    cycles = np.cumsum(np.interp(at, (first + known) * hop, f0_hz[known])) / sr
    samples = stem.samples[at.clip(0, len(stem.samples) - 1)]
    turned = samples * np.exp(-2j * np.pi * number[:, None] * cycles)
    waves = sliding_window_view(turned, len(taper), axis=1)[:, ::hop] @ taper
    m, n = np.array([(m, n) for m in number for n in number if m <= n and m + n <= number[-1]]).T
    threes = waves[m + n - 1] * (waves[m - 1] * waves[n - 1]).conj()
    # The cube root: as loud as one partial, so that one loud set does not speak for all.
    threes /= np.maximum(np.abs(threes), np.finfo(float).tiny) ** (2.0 / 3.0)
    was = slice(here - aside - before, here - aside)
    is_now = slice(here + aside, here + aside + after)
    return threes, was, is_now, first


def _apart(one: Waves, other: Waves) -> float:
    """How far the phases of sets lie from those of others, radians from 0 to pi."""
    a, b = one.mean(axis=1), other.mean(axis=1)
    weight = float(np.abs(a) @ np.abs(b))
    return float(np.arccos(np.clip(np.real(a @ b.conj()) / weight, -1.0, 1.0))) if weight else 0.0


def _pitch_hz(f0_hz: Floats, frame: int, side: int) -> float:
    """The pitch that is heard both before and after a frame; infinite where there is none."""
    sides = f0_hz[max(0, frame - side) : frame], f0_hz[frame : frame + side]
    before_hz, after_hz = (middle_of_known(one) for one in sides)
    stays = abs(12.0 * np.log2(after_hz / before_hz)) < _NEAR_SEMITONES
    return float(np.sqrt(before_hz * after_hz)) if stays else np.inf


def _up_to(near: NDArray[np.bool_]) -> int:
    """How many frames from the first on are near."""
    return int(np.argmin(near)) if not near.all() else len(near)
