"""When does something begin: struck, or rising out of silence?

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats, PitchTrack, Stem
from planner.track.frame_blocks import highest_near
from planner.track.readings import LEVEL_S
from planner.tracker import frame_level_db
from planner.words.spread import hann, middle_of, middle_of_known

_ATTACK_FLOOR = 0.045  # nepers of mean spectral rise
_ATTACK_OVER_MEDIAN = 1.6
_ATTACK_RISE_DB = 2.5  # of the pitched level: a re-struck note at least this much louder
_CLEAR_ATTACK = 2.0  # times the threshold: strokes on a ringing string reach 2.3, its ring 1.4
_BEND_AROUND_S = 0.03
_BEND_LEAST = 0.3  # semitones in twice that time: a bend of a semitone in 0.2 s
_BEND_STEADY = 0.5  # of the way in two frames: more, and it is a step
_BROKEN_FRAMES, _BESIDE_FRAMES = 5, 8  # what windows of the track that hold an attack span; beside
_SAME_SEMITONES = 0.5
# Chosen: of the energy, 10 dB down at the most, and so many times what does not repeat beside it.
_BROKEN, _BROKEN_TIMES = 0.1, 3.0
ATTACK_APART_S = 0.055
QUICK_LEVEL_S = 0.016
_LOW_FRAMES = 5  # with the track's window 0.052 s: two periods of 39 Hz
_RISE_BACK_S = 0.045
_RISE_OVER_BEFORE = 1.6  # 4 dB
_RISE_UNDER_AFTER = 0.05  # -26 dB
_RISE_MOST_LEAD_S = 0.020
_RISE_SD_S = 0.0016  # out of silence: two in three of 550 starts of driven notes, 45200-45225
# Of 590 starts of driven notes after a pause, in rooms, in noise and with other stems leaking in
# (seeds 30201 to 30274), 71 in a hundred; with 1, 59.
_HIDDEN_SHARE = 1.5
_BEFORE_MS = 25  # that say what sounded before: a period of 40 Hz


def pitched_level_db(track: PitchTrack) -> Floats:
    """Level of what is periodic in each frame: a drum leaking in lowers the share, not this.

    Where the track's window holds less than two periods, over one that does.
    """
    power = np.pad(10.0 ** (track.level_db / 10.0), _LOW_FRAMES // 2, mode="edge")
    power = np.convolve(power, np.full(_LOW_FRAMES, 1.0 / _LOW_FRAMES), "valid")
    level_db = np.where(_is_low(track), 10.0 * np.log10(power), track.level_db)
    return _unpitched_out_db(level_db, track)


def attack_frames(track: PitchTrack, level_db: Floats, *, struck: bool = False) -> NDArray[np.intp]:
    """Frames at which something begins: peaks of the attack curve with a rise in pitched level.

    A string that is ``struck`` again while it rings need not get louder: there a clear attack is
    enough, unless the string is being bent, which moves all partials too. In what is bowed, blown
    or sung the same may be a consonant or a key.
    """
    curve = track.attack
    frames = len(curve)
    near = round(0.03 / track.hop_s)
    wide = round(0.3 / track.hop_s)
    if frames <= 2:
        return np.empty(0, dtype=np.intp)
    threshold = _ATTACK_FLOOR + _ATTACK_OVER_MEDIAN * _moving_median(curve, wide)
    highest = highest_near(curve, near, near)
    peaks = np.flatnonzero((curve == highest) & (curve > threshold))
    after = round(0.045 / track.hop_s)
    before = round(0.06 / track.hop_s)
    around = round(_BEND_AROUND_S / track.hop_s)
    rising = [
        level_db[p : p + after].max() - level_db[max(0, p - before) : max(1, p)].min()
        > _ATTACK_RISE_DB
        or (
            struck
            and (curve[p] > _CLEAR_ATTACK * threshold[p] or _breaks(track, int(p)))
            and not _bends(track.f0_hz[max(0, p - around) : p + around + 1])
        )
        for p in peaks
    ]
    kept: NDArray[np.intp] = peaks[np.array(rising, dtype=bool)]
    return kept


def _bends(f0_hz: Floats) -> bool:
    """Does the pitch move on gradually through all of these frames?"""
    if len(f0_hz) < 5 or np.isnan(f0_hz).any():
        return False
    line = 12.0 * np.log2(f0_hz)
    moved = abs(float(line[-1] - line[0]))
    quickest = float(np.abs(line[2:] - line[:-2]).max())
    return moved > _BEND_LEAST and quickest < _BEND_STEADY * moved


def _breaks(track: PitchTrack, peak: int) -> bool:
    """Is the period of a string broken for a moment at an attack, and the same pitch goes on?

    What is struck anew begins at another phase, however evenly an amplifier or a compressor keeps
    the level; a string that rings on keeps its own.
    """
    first, last = peak - _BROKEN_FRAMES, peak + _BROKEN_FRAMES + 1
    if first < _BESIDE_FRAMES:
        return False
    sides = slice(first - _BESIDE_FRAMES, first), slice(last, last + _BESIDE_FRAMES)
    before_hz, after_hz = (middle_of_known(track.f0_hz[side]) for side in sides)
    if not abs(12.0 * np.log2(after_hz / before_hz)) < _SAME_SEMITONES:
        return False
    beside = max(1.0 - float(middle_of(track.strength[side])) for side in sides)
    inside = 1.0 - float(track.strength[first:last].min())
    return inside > max(_BROKEN, _BROKEN_TIMES * beside)


def _moving_median(curve: Floats, window: int) -> Floats:
    """Median over blocks, interpolated: good enough for a threshold, and quick."""
    blocks = max(1, len(curve) // max(1, window // 2))
    edges = np.linspace(0, len(curve), blocks + 1).astype(int)
    half = window // 2
    centres = (edges[:-1] + edges[1:]) / 2
    medians = [float(middle_of(curve[max(0, int(c) - half) : int(c) + half + 1])) for c in centres]
    return np.interp(np.arange(len(curve)), centres, medians)


def _unpitched_out_db(level_db: Floats, track: PitchTrack) -> Floats:
    """A level per frame less what is not periodic in it."""
    return level_db + 10.0 * np.log10(np.clip(track.strength, 0.05, 1.0))


def quick_level_db(stem: Stem, track: PitchTrack) -> Floats:
    """The pitched level over half as long a window, where that still holds two periods."""
    quick = frame_level_db(
        stem.samples, stem.analysis_sr, len(track.level_db), window_s=QUICK_LEVEL_S
    )
    high = np.nan_to_num(track.f0_hz) > 2.0 / QUICK_LEVEL_S
    return np.where(high, _unpitched_out_db(quick, track), pitched_level_db(track))


def _is_low(track: PitchTrack) -> NDArray[np.bool_]:
    """Frames of a pitch whose waveform swings the track's level: by 3 dB at 43 Hz."""
    return np.nan_to_num(track.f0_hz, nan=np.inf) < 2.0 / LEVEL_S


def rise_s(stem: Stem, about_s: float, pitch_hz: float) -> tuple[float, float] | None:
    """Find when the sound rises into a note that begins near a moment, and how well that is known.

    The waveform is low-passed at three times the pitch, so that a consonant or a pick before the
    tone does not count; the peak of each millisecond is then compared with what sounded before.
    A soft start passes any threshold late: from where it passes a low and a high one, the start is
    extrapolated along a parabola, which is how smooth attacks begin.

    Returns the moment, and one standard deviation of it: what sounded before hides a rise for as
    long as that takes to come up to it. None where nothing rises.
    """
    sr = stem.analysis_sr
    grain = sr // 1000
    back_s, ahead_s = _RISE_BACK_S, 0.045 + 1.5 / pitch_hz
    first = max(0, round((about_s - back_s - 0.03) * sr))
    piece = stem.samples[first : round((about_s + ahead_s) * sr)]
    grains = len(piece) // grain
    if grains < 40:
        return None
    width = max(3, round(sr / (3 * pitch_hz)) | 1)
    taper = hann(width)
    smooth = np.abs(np.convolve(piece, taper / taper.sum(), "same"))
    peak = smooth[: grains * grain].reshape(grains, grain).max(axis=1) + 1e-7
    # The quietest stretch: of a ring the last one, and the note before may end in between.
    stretches = highest_near(peak, 0, _BEFORE_MS - 1)[: 1 - _BEFORE_MS]
    quiet = int(np.argmin(stretches[: max(len(stretches) - round(1500 / pitch_hz), 1)]))
    before = float(stretches[quiet])
    skip = quiet + _BEFORE_MS - 5
    rising = np.maximum.accumulate(peak[skip:])
    after = float(rising[-1])
    low = max(_RISE_OVER_BEFORE * before, _RISE_UNDER_AFTER * after)
    high = max(0.5 * after, 2.0 * low)
    if after < high:
        return None
    high_at = int(np.argmax(rising >= high))
    # From the high mark back: before the rise, noise may pass the low one now and then.
    half_ms = round(500 / pitch_hz)  # the highest of a period back: between crests a wave is low
    crest = highest_near(peak, 2 * half_ms, 0)
    under = np.flatnonzero(crest[skip : skip + high_at] < low)
    low_at = int(under[-1]) + 1 if len(under) else 0
    # What the note itself adds to what was ringing before, in amplitude.
    low_own, high_own = (np.sqrt(level**2 - before**2) for level in (low, high))
    lead = (high_at - low_at) * np.sqrt(low_own) / (np.sqrt(high_own) - np.sqrt(low_own))
    at = skip + low_at - min(float(lead), _RISE_MOST_LEAD_S * 1000)
    hidden_s = before / (high - low) * max(high_at - low_at, 1) / 1000.0
    sd_s = float(np.hypot(_RISE_SD_S, _HIDDEN_SHARE * hidden_s))
    return (first + max(at, 0.0) * grain) / sr, sd_s
