"""Where does a sound that goes on begin again: a bow that turns, a new syllable?

The level of what is pitched dips and comes back. In vibrato it does so too, several times a
second, because partials swing through the resonances of a body or a vowel; that much of a dip
follows the pitch and is taken out before the dip is judged. A consonant shows as hiss above 4 kHz,
and beside one even a slight dip is a new syllable. Two signs speak for each other: a dip that does
not stand out by itself is a border where the pitch is another after it, or where something hisses.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d  # type: ignore[import-untyped,unused-ignore]

from planner.attacks import ATTACK_APART_S, QUICK_LEVEL_S, quick_level_db
from planner.model import HARMONIC_ROLES, Floats, PitchTrack, Stem
from planner.tracker import HOP_S, frame_level_db

_REACH_S = 0.10  # the level is back this soon on both sides
_LEAST_DIP_DB = 1.5
_DIP_DB = 2.5  # without a consonant: a bow change lowers the level at least this much
_OVER_SCATTER = 4.5  # times what pitch and slow swells leave unexplained around it
_OVER_SCATTER_OF_TWO = 3.0  # where a second sign speaks for it
_HISS_OVER_CHANCE_DB = 1.0  # noise of this bandwidth reaches 0.5 in the windows looked at
_STEP_CENTS = 8.0  # about as far apart as two notes meant to be one pitch are played
_STEP_OVER_REST = 4.0  # times what line and step leave unexplained
_SAME_NOTE_CENTS = 60.0  # further apart they are two notes by their pitch, and end where it moves
_STEP_FROM_S, _STEP_TO_S = 0.04, 0.20  # either side: outside the dip, within the shortest notes
_SCATTER_FLOOR_DB = 0.2
_DEEP_DIP_DB = 12.0
_OTHERS_S = 0.50
_OVER_OTHERS = 1.2
_ARTICULATION_S = 0.10  # a tongue or a lip takes this long to settle a tone it has begun
_AROUND_S = 0.35
_ASIDE_S = 0.06  # the dip itself is no part of what explains it
_SILENT_DB = 45.0
_HISS_HZ = 4000.0
_HISS_FRAMES = 12_000  # a minute at a time
_HISS_MARGIN_FRAMES = 10  # 50 ms: by then the filter has forgotten the cut
_HISS_RISE_DB = 3.0
_HISS_AND_DIP_DB = 6.0
_CONSONANT_S = 0.08  # it ends about where the level is lowest
_FITS = 4


def restarts(
    stem: Stem, track: PitchTrack, struck: NDArray[np.intp], swing: Floats
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Frames at which something is struck, and frames at which a driven sound swells again.

    A bow that turns, or a soft consonant, leaves a shallow dip, and its lowest point is the border
    of the two notes; after a deep gap, as after a stroke, the note begins where it rises.

    Parameters
    ----------
    stem, track : the stem and its coarse pitch
    struck : frames of `planner.attacks.attack_frames`
    swing : (frames,) semitones by which vibrato lies off its midline, 0 where there is none
    """
    if stem.role not in HARMONIC_ROLES:
        return struck, np.empty(0, dtype=np.intp)
    level_db = quick_level_db(stem, track)
    dips, depth_db = level_dips(level_db, track.hop_s)
    hiss_db = _hiss_db(stem, len(level_db))
    hiss = np.array([hiss_rise_db(hiss_db, dip, track.hop_s) for dip in dips])
    unexplained = [unexplained_dip(level_db, swing, dip, track.hop_s) for dip in dips]
    left_db, scatters = np.array(unexplained).reshape(-1, 2).T
    clear_db = np.minimum(depth_db, left_db)
    real = (hiss > _HISS_RISE_DB) & (hiss + depth_db > _HISS_AND_DIP_DB)
    real |= (
        (clear_db > _DIP_DB)
        & (scatters > _OVER_SCATTER)
        & _deeper_than_others(dips, depth_db, track.hop_s)
    )
    steps = [pitch_steps_at(track.f0_hz, swing, dip, track.hop_s) for dip in dips]
    second = (hiss > _HISS_OVER_CHANCE_DB) | np.array(steps, dtype=bool)
    real |= (clear_db > _LEAST_DIP_DB) & (scatters > _OVER_SCATTER_OF_TWO) & second
    real &= _clearest(dips, np.where(real, depth_db + np.maximum(hiss, 0.0), 0.0), track.hop_s)
    dips, depth_db = dips[real], depth_db[real]
    deep, shallow = dips[depth_db >= _DEEP_DIP_DB], dips[depth_db < _DEEP_DIP_DB]
    apart = round(ATTACK_APART_S / track.hop_s)
    if len(shallow):
        struck = struck[np.abs(struck[:, None] - shallow).min(axis=1) > apart]
    settling = round(_ARTICULATION_S / track.hop_s)
    struck, shallow = (
        _not_just_after(struck, struck, settling),
        _not_just_after(shallow, struck, settling),
    )
    return np.union1d(struck, deep).astype(np.intp), shallow


def _not_just_after(
    frames: NDArray[np.intp], begun: NDArray[np.intp], settling: int
) -> NDArray[np.intp]:
    """Frames that do not follow, within a tone's own articulation, on a frame where it began."""
    after = frames[:, None] - begun
    return frames[~((after > 0) & (after < settling)).any(axis=1)]


def level_dips(level_db: Floats, hop_s: float) -> tuple[NDArray[np.intp], Floats]:
    """Frames at which a level is lowest before it comes back, and how deep in dB."""
    reach = round(_REACH_S / hop_s)
    if len(level_db) < 2 * reach + 1:
        return np.empty(0, dtype=np.intp), np.empty(0)
    floor = level_db.max() - _SILENT_DB
    view = np.lib.stride_tricks.sliding_window_view(
        np.pad(level_db, reach, mode="edge"), 2 * reach + 1
    )
    left = view[:, : reach + 1].max(axis=1) - level_db
    right = view[:, reach:].max(axis=1) - level_db
    depth = np.minimum(left, right)
    near = max(1, round(0.02 / hop_s))
    lowest = minimum_filter1d(level_db, 2 * near + 1, mode="nearest")
    dips = np.flatnonzero(
        (level_db == lowest) & (depth > _LEAST_DIP_DB) & (level_db + depth > floor)
    )
    return dips, depth[dips]


def _deeper_than_others(
    dips: NDArray[np.intp], depth_db: Floats, hop_s: float
) -> NDArray[np.bool_]:
    """Which dips are clearly deeper than those around: an unsteady tone has many like them."""
    near, far = _REACH_S / 4 / hop_s, _OTHERS_S / hop_s
    kept = []
    for dip, depth in zip(dips, depth_db, strict=True):
        others = (np.abs(dips - dip) > near) & (np.abs(dips - dip) < far)
        kept.append(not others.any() or depth > _OVER_OTHERS * np.median(depth_db[others]))
    return np.array(kept, dtype=bool)


def _clearest(dips: NDArray[np.intp], clear_db: Floats, hop_s: float) -> NDArray[np.bool_]:
    """Which dips are the clearest of those so close together that one consonant made them."""
    near = _CONSONANT_S / hop_s
    kept = [
        clear >= clear_db[np.abs(dips - dip) < near].max()
        for dip, clear in zip(dips, clear_db, strict=True)
    ]
    return np.array(kept, dtype=bool)


def unexplained_dip(level_db: Floats, swing: Floats, dip: int, hop_s: float) -> tuple[float, float]:
    """How much of a dip the pitch's own swing, and slow swells, leave unexplained.

    The level is fitted by a parabola in time and one in the swing, which a room makes lag, robustly
    (Huber weights), on what lies around the dip but not in it. Returned in dB, and as a multiple of
    what the fit leaves unexplained around the dip.
    """
    around, aside, reach = (round(s / hop_s) for s in (_AROUND_S, _ASIDE_S, _REACH_S))
    first, last = max(0, dip - around), min(len(level_db), dip + around + 1)
    time = np.arange(first - dip, last - dip) / around
    outside = np.abs(time) > aside / around
    off = swing[first:last]
    lag = np.gradient(off)
    model = np.stack([np.ones_like(time), time, time**2, off, off**2, lag], axis=1)
    level = level_db[first:last]
    weight = np.ones(int(outside.sum()))
    for _ in range(_FITS):
        shape = np.linalg.lstsq(
            model[outside] * weight[:, None], level[outside] * weight, rcond=None
        )[0]
        rest = level - model @ shape
        scatter = 1.4826 * float(np.median(np.abs(rest[outside]))) + _SCATTER_FLOOR_DB
        weight = 1.0 / np.sqrt(np.maximum(1.0, np.abs(rest[outside]) / (1.5 * scatter)))
    at = dip - first
    left = rest[max(0, at - reach) : at + 1].max() - rest[at]
    right = rest[at : at + reach + 1].max() - rest[at]
    unexplained = min(float(left), float(right))
    return unexplained, unexplained / scatter


def pitch_steps_at(f0_hz: Floats, swing: Floats, dip: int, hop_s: float) -> bool:
    """Is the pitch, vibrato taken out, another after a dip than one line through both sides says?

    A line and a step are fitted on what lies either side of the dip; the step must stand out from
    what is left, as well as be worth a new note.
    """
    near, far = round(_STEP_FROM_S / hop_s), round(_STEP_TO_S / hop_s)
    at = np.concatenate([np.arange(-far, -near), np.arange(near, far)])
    at = at[(dip + at >= 0) & (dip + at < len(f0_hz))]
    line = 1200.0 * np.log2(f0_hz[dip + at]) - 100.0 * swing[dip + at]
    known = ~np.isnan(line)
    at, line = at[known], line[known]
    if min((at < 0).sum(), (at > 0).sum()) < (far - near) // 2:
        return False
    model = np.stack([np.ones(len(at)), at / far, np.sign(at) / 2], axis=1)
    shape = np.linalg.lstsq(model, line, rcond=None)[0]
    rest = line - model @ shape
    least = max(_STEP_CENTS, _STEP_OVER_REST * float(np.sqrt(np.mean(rest**2))))
    return bool(least < abs(shape[2]) < _SAME_NOTE_CENTS)


def hiss_rise_db(hiss_db: Floats, dip: int, hop_s: float) -> float:
    """How far a hiss at a dip stands over the loudest around, dB: high partials swing too."""
    ahead, after = round(_CONSONANT_S / hop_s), round(0.02 / hop_s)
    far, near = round(_AROUND_S / hop_s), round(_REACH_S / hop_s)
    sides = [hiss_db[max(0, dip - far) : max(0, dip - near)], hiss_db[dip + near : dip + far]]
    usual = [float(np.percentile(side, 90)) for side in sides if len(side)]
    here = hiss_db[max(0, dip - ahead) : dip + after]
    return float(here.max()) - max(usual, default=np.inf)


def _hiss_db(stem: Stem, frames: int) -> Floats:
    """Level of what lies above the pitched range, piece by piece: memory stays flat."""
    sr, hop = stem.analysis_sr, round(HOP_S * stem.analysis_sr)
    # Loaded here: it takes half a second, and what is struck does without.
    from scipy.signal import butter, sosfiltfilt  # type: ignore[import-untyped,unused-ignore]

    sections = butter(4, _HISS_HZ, "highpass", fs=sr, output="sos")
    level_db = np.empty(frames)
    for first in range(0, frames, _HISS_FRAMES):
        count = min(_HISS_FRAMES, frames - first)
        start = max(0, first - _HISS_MARGIN_FRAMES)
        ahead = first - start
        stop = first + count + _HISS_MARGIN_FRAMES
        high = sosfiltfilt(sections, stem.samples[start * hop : stop * hop])
        piece_db = frame_level_db(high, sr, ahead + count, window_s=QUICK_LEVEL_S)
        level_db[first : first + count] = piece_db[ahead:]
    return level_db
