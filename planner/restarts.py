"""Where does a sound that goes on begin again: a bow that turns, a new syllable?

The level of what is pitched dips and comes back. In vibrato it does so too, several times a
second, because partials swing through the resonances of a body or a vowel; that much of a dip
follows the pitch and is taken out before the dip is judged. A bow turns and a tongue strikes within
some 50 ms; a level that takes longer to come back is a tone that swells. In a voice a consonant
shows as hiss above 4 kHz, and beside one even a slight dip is a new syllable. Two signs speak for
each other: a dip that does not stand out by itself is a border where the pitch is another after it,
or where something hisses or is struck.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d  # type: ignore[import-untyped,unused-ignore]

from planner.attacks import ATTACK_APART_S, QUICK_LEVEL_S, quick_level_db
from planner.model import HARMONIC_ROLES, VOICE_ROLES, Floats, PitchTrack, Stem
from planner.tracker import HOP_S, frame_level_db

_REACH_S = 0.10  # the level is back this soon on both sides
_LEAST_DIP_DB = 1.5
_DIP_DB = 2.5  # without a consonant: a bow change lowers the level at least this much
_OVER_SCATTER = 4.5  # times what pitch and slow swells leave unexplained around it
_OVER_SCATTER_OF_TWO = 3.0  # where a second sign speaks for it
_OVER_SCATTER_STRUCK = 2.0  # where the spectrum says so as well
# A dip at half its depth. Turned bows and tongues of our synthetic lines take 25 to 50 ms; swells
# and tremulants of recorded winds and brass 55 to 110.
_TURN_S = 0.057
_SLOW_TURN_S, _SLOW_TURN_DB, _SLOW_OVER_OTHERS = 0.08, 6.5, 2.0  # a slow bow falls far
_SWINGS_SEMITONES = 0.15  # from trough to crest: a slight vibrato
_TURN_OF_VIBRATO_S = 0.15  # holds a trough and a crest of 4 Hz
_OVER_OTHERS_SWINGING = 1.5  # there other dips, just as brief, come with every turn of the pitch
_STRUCK_AHEAD_S, _STRUCK_AFTER_S = 0.02, 0.07  # of a dip: an attack is where it is left
_LOUDER_DB = 6.0  # a stroke this much louder needs no dip
_LONGEST_RISE_S = 0.3  # of a soft reed; a crescendo that is tongued at its end takes longer
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
_VOICED_HZ = 1500.0  # chosen: below the hiss of consonants, above the first partials of a soprano
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
    hop_s = track.hop_s
    dips, depth_db = level_dips(level_db, hop_s)
    hiss = np.full(len(dips), -np.inf)
    if stem.role in VOICE_ROLES:
        hiss_db = _band_level_db(stem, len(level_db), _HISS_HZ, "highpass")
        hiss = np.array([hiss_rise_db(hiss_db, dip, hop_s) for dip in dips])
    unexplained = [unexplained_dip(level_db, swing, dip, hop_s) for dip in dips]
    left_db, scatters = np.array(unexplained).reshape(-1, 2).T
    clear_db = np.minimum(depth_db, left_db)
    lead = _lead_to(dips, struck, hop_s)
    steps = [pitch_steps_at(track.f0_hz, swing, dip, hop_s) for dip in dips]
    alone = scatters > _OVER_SCATTER
    alone &= _deeper_than_others(dips, depth_db, hop_s)
    alone |= lead.any(axis=1) & (scatters > _OVER_SCATTER_STRUCK)
    alone &= clear_db > _DIP_DB
    second = (hiss > _HISS_OVER_CHANCE_DB) | np.array(steps, dtype=bool)
    alone |= (clear_db > _LEAST_DIP_DB) & (scatters > _OVER_SCATTER_OF_TWO) & second
    loudest_db = _deepest_other(dips, depth_db, hop_s)
    width_s = dip_widths_s(level_db, dips, depth_db, hop_s)
    brief = width_s < _TURN_S
    brief |= (
        (width_s < _SLOW_TURN_S)
        & (clear_db > _SLOW_TURN_DB)
        & (clear_db > _SLOW_OVER_OTHERS * loudest_db)
    )
    swung = _swings(swing, dips, hop_s) & (left_db < _OVER_OTHERS_SWINGING * loudest_db)
    real = (hiss > _HISS_RISE_DB) & (hiss + depth_db > _HISS_AND_DIP_DB)
    # Where the pitch is another after it, a dip of any length is one note fading into the next.
    brief |= np.array([not _stays(dip, track.f0_hz, swing, hop_s) for dip in dips], dtype=bool)
    real |= alone & brief & ~swung
    real &= _clearest(dips, np.where(real, depth_db + np.maximum(hiss, 0.0), 0.0), hop_s)
    begins = [
        _far_louder(frame, level_db, hop_s) or not _stays(frame, track.f0_hz, swing, hop_s)
        for frame in struck
    ]
    struck = struck[lead[real].any(axis=0) | np.array(begins, dtype=bool)]
    struck = _not_of_one_rise(struck, level_db, track)
    spoken = hiss[real] > _HISS_OVER_CHANCE_DB
    dips, depth_db = dips[real], depth_db[real]
    if spoken.any():  # what hisses covers the tone: under it the dip seems to come early
        voiced_db = _band_level_db(stem, len(level_db), _VOICED_HZ, "lowpass")
        dips = np.where(spoken, _lowest_after(voiced_db, dips, hop_s), dips)
    deep, shallow = dips[depth_db >= _DEEP_DIP_DB], dips[depth_db < _DEEP_DIP_DB]
    apart = round(ATTACK_APART_S / hop_s)
    if len(shallow):
        struck = struck[np.abs(struck[:, None] - shallow).min(axis=1) > apart]
    settling = round(_ARTICULATION_S / hop_s)
    struck, shallow = (
        _not_just_after(struck, struck, settling),
        _not_just_after(shallow, struck, settling),
    )
    return np.union1d(struck, deep).astype(np.intp), shallow


def _lead_to(dips: NDArray[np.intp], struck: NDArray[np.intp], hop_s: float) -> NDArray[np.bool_]:
    """Which dips (rows) lead to which strokes (columns)."""
    after = struck[None, :] - dips[:, None]
    ahead, reach = round(_STRUCK_AHEAD_S / hop_s), round(_STRUCK_AFTER_S / hop_s)
    near: NDArray[np.bool_] = (after >= -ahead) & (after <= reach)
    return near


def _stays(frame: int, f0_hz: Floats, swing: Floats, hop_s: float) -> bool:
    """Is one pitch, vibrato taken out, heard all through 0.1 s either side of a frame?"""
    near, settled = round(_REACH_S / hop_s), round(_STEP_FROM_S / hop_s)
    if frame < near or frame + near > len(f0_hz):
        return False
    around = slice(frame - near, frame + near)
    line = 1200.0 * np.log2(f0_hz[around]) - 100.0 * swing[around]
    before, after = np.median(line[: near - settled]), np.median(line[near + settled :])
    return not np.isnan(line).any() and bool(abs(after - before) < _SAME_NOTE_CENTS)


def _far_louder(frame: int, level_db: Floats, hop_s: float) -> bool:
    near = round(_REACH_S / hop_s)
    before, after = level_db[max(0, frame - near) : frame + 1], level_db[frame : frame + near]
    return bool(after.max() - before.min() > _LOUDER_DB)


def _not_of_one_rise(
    struck: NDArray[np.intp], level_db: Floats, track: PitchTrack
) -> NDArray[np.intp]:
    """Strokes without those up to which the level has only grown since something began.

    That is the stroke before, or where a pitch came to be heard.
    """
    appears = np.flatnonzero(np.isnan(track.f0_hz[:-1]) & ~np.isnan(track.f0_hz[1:])) + 1
    reach, apart = round(_LONGEST_RISE_S / track.hop_s), round(ATTACK_APART_S / track.hop_s)
    kept: list[int] = []
    for frame in struck:
        began = [
            f for f in (*kept[-1:], *appears[appears < frame - apart][-1:]) if frame - f < reach
        ]
        rise = level_db[max(began, default=frame) : frame + 1]
        rise = np.maximum(rise, level_db[frame : frame + apart].max() - _SILENT_DB)
        if len(rise) < 2 or (np.maximum.accumulate(rise) - rise).max() > _LEAST_DIP_DB:
            kept.append(int(frame))
    return np.array(kept, dtype=np.intp)


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


def dip_widths_s(
    level_db: Floats, dips: NDArray[np.intp], depth_db: Floats, hop_s: float
) -> Floats:
    """How long each dip lies under half its depth, s."""
    reach = round(_REACH_S / hop_s)
    widths = []
    for dip, depth in zip(dips, depth_db, strict=True):
        over = level_db[max(0, dip - reach) : dip + reach + 1] > level_db[dip] + depth / 2.0
        at = min(dip, reach)
        left, right = np.flatnonzero(over[:at]), np.flatnonzero(over[at:])
        first = left[-1] if len(left) else -1
        last = at + right[0] if len(right) else len(over)
        widths.append((last - first - 1) * hop_s)
    return np.array(widths)


def _others(dips: NDArray[np.intp], dip: int, hop_s: float) -> NDArray[np.bool_]:
    """Which dips lie around one, itself and what belongs to it left out."""
    away = np.abs(dips - dip)
    others: NDArray[np.bool_] = (away > _REACH_S / 4 / hop_s) & (away < _OTHERS_S / hop_s)
    return others


def _deeper_than_others(
    dips: NDArray[np.intp], depth_db: Floats, hop_s: float
) -> NDArray[np.bool_]:
    """Which dips are clearly deeper than those around: an unsteady tone has many like them."""
    around = [depth_db[_others(dips, dip, hop_s)] for dip in dips]
    usual = [_OVER_OTHERS * float(np.median(others)) if len(others) else 0.0 for others in around]
    return depth_db > np.array(usual)


def _deepest_other(dips: NDArray[np.intp], depth_db: Floats, hop_s: float) -> Floats:
    """How deep the deepest dip around each dip is, dB; 0 where there is none."""
    return np.array([depth_db[_others(dips, dip, hop_s)].max(initial=0.0) for dip in dips])


def _swings(swing: Floats, dips: NDArray[np.intp], hop_s: float) -> NDArray[np.bool_]:
    """Which dips have a vibrato either side."""
    reach = round(_TURN_OF_VIBRATO_S / hop_s)
    spans = [
        min(np.ptp(swing[max(0, dip - reach) : dip + 1]), np.ptp(swing[dip : dip + reach + 1]))
        for dip in dips
    ]
    return np.array(spans, dtype=float) > _SWINGS_SEMITONES


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


def _lowest_after(level_db: Floats, dips: NDArray[np.intp], hop_s: float) -> NDArray[np.intp]:
    """The frames from some dips on, as far as a consonant reaches, at which a level is lowest."""
    reach = round(_CONSONANT_S / hop_s)
    after = [int(np.argmin(level_db[dip : dip + reach + 1])) for dip in dips]
    return dips + np.array(after, dtype=np.intp)


def _band_level_db(stem: Stem, frames: int, edge_hz: float, kind: str) -> Floats:
    """Level of what lies above or below a frequency, piece by piece: memory stays flat."""
    sr, hop = stem.analysis_sr, round(HOP_S * stem.analysis_sr)
    # Loaded here: it takes half a second, and what is struck does without.
    from scipy.signal import butter, sosfiltfilt  # type: ignore[import-untyped,unused-ignore]

    sections = butter(4, edge_hz, kind, fs=sr, output="sos")
    level_db = np.empty(frames)
    for first in range(0, frames, _HISS_FRAMES):
        count = min(_HISS_FRAMES, frames - first)
        start = max(0, first - _HISS_MARGIN_FRAMES)
        ahead = first - start
        stop = first + count + _HISS_MARGIN_FRAMES
        band = sosfiltfilt(sections, stem.samples[start * hop : stop * hop])
        piece_db = frame_level_db(band, sr, ahead + count, window_s=QUICK_LEVEL_S)
        level_db[first : first + count] = piece_db[ahead:]
    return level_db
