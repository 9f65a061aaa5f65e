"""What pitch has a string that is struck while another still rings?

What is new is what rises. The track hears the stroke and the ring in one: it reads the ring, a
period that both share, or nothing pitched at all. Here the power spectrum just before a stroke is
taken from that just after it; what is left belongs to the new note, because a ring only decays.
The autocorrelation of what rose (Wiener and Khinchin: the inverse transform of a power spectrum)
says how well it repeats after each period, on the same scale as the track's own strength.

The track is changed only where the new pitch fits what rose far better than it fits the whole
sound. Where nothing rings both are one, so a bass with weak odd partials keeps the track's octave.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats, PitchTrack, Stem
from planner.polyphony.struck_again import struck_again
from planner.track.readings import LEVEL_S
from planner.track.transforms import quick_length, spectra_of
from planner.tracker import HOP_S
from planner.words.spread import hann, middle_of_known

# Thresholds without another source were chosen on seed 1 of lines like those of
# `tests.bench.rendered`, played on the soundfont FluidR3, and what is firm on
# `tests.bench.melodies --seeds 201 206` too.
# Of windows of 60, 80 and 100 ms the longest read most notes rightly.
_WINDOW_S = 0.100
_LEAST_WINDOW_S = 0.050  # chosen: the shortest note
_STEP_S = 0.025  # chosen
# The attack curve compares frames of 32 ms that lie 15 ms apart, and peaks where the later one
# holds the stroke and the earlier one does not: what lies that far before its peak is the ring.
_BEFORE_S = 0.015
# Chosen: partials lie six bins of the window apart, a Hann window's main lobe is four wide.
_LEAST_PERIODS = 6.0
_TOP_HZ = 4000.0  # chosen: above, strings are stiff and picks click
_RISEN_SHARE = 0.10  # of the power after the stroke
_FITS = 0.85  # of what rose, at the stroke
_GOES_ON = 0.80  # likewise, later in the note
_RING_EXPLAINS = 0.5  # share of the misfit to the whole sound that is left in what rose
_READING_FITS = 0.7  # as in `planner.track.common_periods`: an octave up it says 8 dB
_NEAR_SEMITONES = 0.6
_MOSTLY_READ = 0.75  # of the frames at the stroke
_COST_PER_OCTAVE_DOWN = 0.04  # as in the track: a period's multiples fit as well
_LEAST_STRENGTH = 0.3
_RING_DB_PER_S = 20.0  # at the least: of a hall of 3 s
_ALONE_S = 0.04, 0.02  # windows and what lies clear of the stroke, where one string sounds
_FADES_S = 0.04  # chosen: less is lost in what rooms make of a tone
# Chosen: as a mouth opens, what keeps a note from repeating may fall, once; a ring falls on and on.
_SPEAKS_S, _LATER_S, _LOOKS = 0.03, 0.3, 5
_WINDOWS_KEPT = 16  # lengths: they last 50 to 100 ms in steps of 5


@dataclass(frozen=True, slots=True)
class _Stroke:
    """A stroke, the window that it is heard in, and the ring it is heard over."""

    frame: int
    following: int  # the frame of the next one
    window_s: float
    ring: float  # share of the power before it that rings on

    @property
    def at_s(self) -> float:
        return self.frame * HOP_S

    @property
    def here(self) -> slice:
        """Frames of its window."""
        return slice(self.frame, self.frame + round(self.window_s / HOP_S))


@dataclass(frozen=True, slots=True)
class _Risen:
    """Power spectra of what rose, and of the whole sound."""

    rose: Floats
    whole: Floats
    count: int  # samples of the window


def with_struck_pitches(
    stem: Stem, track: PitchTrack, struck: NDArray[np.intp], *, lowest_hz: float = 0.0
) -> PitchTrack:
    """Give the track the pitch of what is struck where it reads the ring of other strings.

    stem, track : a stem and its coarse pitch
    struck : frames of `planner.segment.attacks.attack_frames`; of what is blown, bowed or sung
        those at which a string would be called struck, for there a release or a room hides the next
        note
    lowest_hz : lower pitches are left as they were read

    Returns pitch and strength changed in some frames from a stroke on.
    """
    f0_hz, strength = track.f0_hz.copy(), track.strength.copy()
    for frame, following in pairwise(map(int, [*struck, len(f0_hz)])):
        window_s = min(_WINDOW_S, (following - frame) * HOP_S)
        if window_s < _LEAST_WINDOW_S:
            continue
        ring = _ring_share(track.level_db, frame, window_s)
        stroke = _Stroke(frame=frame, following=following, window_s=window_s, ring=ring)
        found = _new_pitch(stem, stroke, f0_hz[frame:following], lowest_hz)
        if found is None:
            continue
        (f_hz, fit), here = found, stroke.here
        near = _near(f0_hz[here], f_hz)
        if near.mean() >= _MOSTLY_READ:
            strength[here] = np.where(near, np.maximum(strength[here], fit), strength[here])
            continue
        read_hz = middle_of_known(f0_hz[here])
        f0_hz[here], strength[here] = _corrected(f0_hz[here], strength[here], f_hz, fit, read_hz)
        for later, fit in _goes_on(stem, stroke, f_hz):
            own_hz, own = f0_hz[later], strength[later]
            # Where the track firmly reads any pitch but the one it was wrong about, it is right.
            if (_firm(own, own_hz) & ~_near(own_hz, read_hz)).any():
                break
            f0_hz[later], strength[later] = _corrected(own_hz, own, f_hz, fit, read_hz)
    f0_hz.setflags(write=False)
    strength.setflags(write=False)
    return replace(track, f0_hz=f0_hz, strength=strength)


def _new_pitch(
    stem: Stem, stroke: _Stroke, read_hz: Floats, lowest_hz: float
) -> tuple[float, float] | None:
    """The pitch of what rose at a stroke, and how well it fits; None where it is nothing new.

    read_hz : what the track has from the stroke to the next
    """
    risen = _risen(stem, stroke, stroke.at_s)
    if risen is None:
        return None
    sr, rose = stem.analysis_sr, _repeats(risen.rose, risen.count)
    found = _best_period(rose, stem, stroke.window_s)
    if found is None or found[1] < _FITS or found[0] < lowest_hz:
        return None
    f_hz, fit = found
    whole = _repeats(risen.whole, risen.count)
    if 1.0 - fit > _RING_EXPLAINS * (1.0 - _at_lag(whole, sr / f_hz)):
        return None
    read_here_hz = read_hz[: round(stroke.window_s / HOP_S)]
    if _higher_reading_fits(read_here_hz, f_hz, rose, sr):
        return None
    if lowest_hz:
        return None if _sounds_below(stem, read_hz, f_hz, stroke) else found
    return None if _is_same_string(stem, read_here_hz, f_hz, stroke.frame) else found


def _goes_on(stem: Stem, stroke: _Stroke, f_hz: float) -> Iterator[tuple[slice, float]]:
    """Frames after a stroke's window for as long as what rose is heard there, and how it fits."""
    step = round(_STEP_S / HOP_S)
    for first in range(stroke.here.stop, stroke.following - step + 1, step):
        risen = _risen(stem, stroke, (first + step) * HOP_S - stroke.window_s)
        if risen is None:
            return
        fit = _at_lag(_repeats(risen.rose, risen.count), stem.analysis_sr / f_hz)
        if fit < _GOES_ON:
            return
        yield slice(first, first + step), fit


def _higher_reading_fits(read_hz: Floats, f_hz: float, rose: Floats, sr: int) -> bool:
    """Does the track read a higher pitch, which fits what rose as the track would have it?"""
    usual_hz = middle_of_known(read_hz)
    return _is_multiple(usual_hz, f_hz) and _at_lag(rose, sr / usual_hz) > _READING_FITS


def _is_same_string(stem: Stem, read_hz: Floats, f_hz: float, frame: int) -> bool:
    """Was the string of the reading struck again, of which what rose are but some partials?

    A ring keeps its phases.
    """
    usual_hz = middle_of_known(read_hz)
    if not _is_multiple(f_hz, usual_hz):
        return False
    sr = stem.analysis_sr
    onset = round(frame * HOP_S * sr)
    beside = [(f_hz, 0.0)]
    return struck_again(stem.samples, sr, onset, (usual_hz, 0.0), beside, *_ALONE_S)


def _sounds_below(stem: Stem, read_hz: Floats, f_hz: float, stroke: _Stroke) -> bool:
    """Does what keeps the sound from repeating as it would at the new pitch last, unlike a ring?

    The reading is an octave or more below. A note's own odd partials may have sounded in the note
    before as loud or louder, so that they do not rise. ``read_hz``: from the stroke to the next.
    """
    window_s = stroke.window_s
    count = round(window_s / HOP_S)
    usual_hz, after_hz = middle_of_known(read_hz[:count]), read_hz[count:]
    if not _is_multiple(f_hz, usual_hz):
        return False
    others = np.flatnonzero(~(_near(after_hz, usual_hz) | _near(after_hz, f_hz)))
    lasts_s = window_s + float(others[0] if len(others) else len(after_hz)) * HOP_S - _SPEAKS_S
    window_s = min(window_s, lasts_s / 2.0)
    later_s = min(lasts_s - window_s, _LATER_S)
    if later_s < _FADES_S:
        return False
    # The least: at the end of the window the next note may already begin.
    apart, *later = (
        1.0 - _at_lag(_whole(stem, stroke.at_s + _SPEAKS_S + s, window_s), stem.analysis_sr / f_hz)
        for s in np.linspace(0.0, later_s, _LOOKS)
    )
    return min(later) > float(10.0 ** (-_RING_DB_PER_S * later_s / 10.0)) * apart


def _whole(stem: Stem, from_s: float, window_s: float) -> Floats:
    """How well all that sounds in a window repeats after each lag."""
    count = round(window_s * stem.analysis_sr)
    first = round(from_s * stem.analysis_sr)
    return _repeats(_power(stem.samples[first : first + count], stem.analysis_sr), count)


def _is_multiple(high_hz: float, low_hz: float) -> bool:
    """Is one pitch an octave, a twelfth or so above another? None is, where either is not known."""
    if not (high_hz > 0.0 and low_hz > 0.0):
        return False
    times = round(high_hz / low_hz)
    return times >= 2 and bool(_near(np.array([high_hz]), times * low_hz).any())


def _at_lag(repeats: Floats, lag: float) -> float:
    """How well a sound repeats after a lag between two samples, by a parabola as at its peaks."""
    at = min(max(round(lag), 1), len(repeats) - 2)
    left, middle, right = repeats[at - 1 : at + 2]
    offset = lag - at
    return float(middle + 0.5 * offset * (right - left + offset * (left - 2 * middle + right)))


def _corrected(
    f0_hz: Floats, strength: Floats, f_hz: float, fit: float, read_hz: float
) -> tuple[Floats, Floats]:
    """Put a pitch in where frames are not firm, or read what they were wrong about."""
    other = ~_firm(strength, f0_hz) | _near(f0_hz, read_hz)
    near = _near(f0_hz, f_hz)
    as_good = np.where(near, np.maximum(strength, fit), np.where(other, fit, strength))
    return np.where(other & ~near, f_hz, f0_hz), as_good


def _firm(strength: Floats, f0_hz: Floats) -> NDArray[np.bool_]:
    return np.asarray((strength >= _GOES_ON) & ~np.isnan(f0_hz))


def _near(f0_hz: Floats, f_hz: float) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(12.0 * np.log2(f0_hz / f_hz)) < _NEAR_SEMITONES)


def _ring_share(level_db: Floats, frame: int, window_s: float) -> float:
    """What of the power before a stroke still rings at it: no more than all that sounds just there.

    After a stop only the room may ring, however loud it was before.
    """
    near = round((_BEFORE_S + LEVEL_S / 2.0) / HOP_S)
    first = max(frame - round((window_s + _BEFORE_S) / HOP_S), 0)
    power: Floats = 10.0 ** (level_db[first : frame + 1] / 10.0)
    return min(1.0, float(power[-1 - near :].min() / power.mean()))


def _risen(stem: Stem, stroke: _Stroke, from_s: float) -> _Risen | None:
    """Compare a window from ``from_s`` on with one as long that ends before the stroke.

    None where hardly anything rose.
    """
    sr, count = stem.analysis_sr, round(stroke.window_s * stem.analysis_sr)
    first, before = round(from_s * sr), round((stroke.at_s - _BEFORE_S) * sr) - count
    if before < 0 or first + count > len(stem.samples):
        return None
    after = _power(stem.samples[first : first + count], sr)
    rose = np.maximum(after - stroke.ring * _power(stem.samples[before : before + count], sr), 0.0)
    share = float(rose.sum()) / max(float(after.sum()), 1e-300)
    return _Risen(rose=rose, whole=after, count=count) if share >= _RISEN_SHARE else None


def _power(samples: Floats, sr: int) -> Floats:
    """Power spectrum of a window, without what is constant or above `_TOP_HZ`."""
    taper, size, _ = _window(len(samples))
    spectrum = spectra_of(samples * taper, size)
    power: Floats = spectrum.real**2 + spectrum.imag**2
    power[0] = 0.0
    power[round(_TOP_HZ / sr * size) :] = 0.0
    return power


@lru_cache(maxsize=_WINDOWS_KEPT)
def _window(count: int) -> tuple[Floats, int, Floats]:
    """A Hann window, the size of a transform twice as long, and what the window leaves of repeats.

    The last after lags up to half of it.
    """
    taper = hann(count).astype(np.float32)
    size = quick_length(2 * count)
    own = spectra_of(taper, size)
    left = np.fft.irfft(own * own.conj(), size)[: round(0.5 * count)]
    return taper, size, left / left[0]


def _repeats(power: Floats, count: int) -> Floats:
    """How well a sound of so many samples repeats after each lag, from its power spectrum."""
    _, size, left = _window(count)
    correlation = np.fft.irfft(power.astype(np.complex64), size)[: len(left)]
    repeats: Floats = correlation / (correlation[0] * left)
    return repeats


def _best_period(repeats: Floats, stem: Stem, window_s: float) -> tuple[float, float] | None:
    """The pitch in Hz whose period fits best, short ones preferred, and how well it fits."""
    left, middle, right = repeats[:-2], repeats[1:-1], repeats[2:]
    peak = (middle >= left) & (middle > right) & (middle > _LEAST_STRENGTH)
    at = np.flatnonzero(peak)
    bend = left[at] - 2.0 * middle[at] + right[at]
    offset = np.where(bend < 0, 0.5 * (left[at] - right[at]) / np.where(bend < 0, bend, -1.0), 0.0)
    f_hz = stem.analysis_sr / (at + 1 + offset)
    height = np.minimum(middle[at] - 0.25 * (left[at] - right[at]) * offset, 1.0)
    lowest_hz, highest_hz = stem.range_hz
    offered = (f_hz >= max(lowest_hz, _LEAST_PERIODS / window_s)) & (f_hz <= highest_hz)
    if not offered.any():
        return None
    f_hz, height = f_hz[offered], height[offered]
    best = int(np.argmax(height + _COST_PER_OCTAVE_DOWN * np.log2(f_hz)))
    return float(f_hz[best]), float(height[best])
