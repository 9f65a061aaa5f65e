"""Where does a sound that goes on begin again: a bow that turns, a new syllable?

The level of what is pitched dips and comes back. In vibrato it does so too, several times a second,
because partials swing through the resonances of a body or a vowel; that much of a dip follows the
pitch and is taken out before the dip is judged. Where half the sound, or of what is blown half of
its upper partials, is gone for a moment and its period broken too, it began anew, whatever else
dips around. A bow turns and a tongue strikes within some 50 ms; a level that takes longer to come
back is a tone that swells. In a voice a consonant shows as hiss above 4 kHz, and beside one even a
slight dip is a new syllable. Two signs speak for each other: a dip that does not stand out by
itself is a border where the pitch is another after it, or where something hisses or is struck.

All thresholds are common practice without a source, checked on synthetic melodies in rooms and on
recorded instruments.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.model import HARMONIC_ROLES, VOICE_ROLES, Floats, PitchTrack, Stem
from planner.segment.attacks import ATTACK_APART_S, QUICK_LEVEL_S, quick_level_db
from planner.segment.bow_turns import bow_turns
from planner.segment.dips import (
    CONSONANT_S,
    LEAST_DIP_DB,
    REACH_S,
    SILENT_DB,
    clearest,
    deeper_than_others,
    deepest_other_db,
    dip_widths_s,
    hiss_rise_db,
    in_vibrato,
    level_dips,
    lowest_after,
    others_db,
    unexplained_dips,
)
from planner.segment.pitch_levels import LEAP
from planner.track.bands import Filter, high_pass, low_pass, through
from planner.track.frame_blocks import ByThePiece, highest_near
from planner.track.readings import LEVEL_S
from planner.tracker import frame_level_db
from planner.words.spread import middle_of, middle_of_known

_DIP_DB = 2.5  # without a consonant: a bow change lowers the level at least this much
_OVER_SCATTER = 4.5  # times what pitch and slow swells leave unexplained around it
_OVER_SCATTER_OF_TWO = 3.0  # where a second sign speaks for it
_OVER_SCATTER_STRUCK = 2.0  # where the spectrum says so as well
# A dip at half its depth. Turned bows and tongues of our synthetic lines take 25 to 50 ms; swells
# and tremulants of recorded winds and brass 55 to 110.
_TURN_S = 0.057
_BROKEN_DB = 6.0  # chosen: half the sound
# Of 24 voiced consonants on one pitch that nothing else told (`tests.tones.singing`, seeds 30001 to
# 30006) 16 take more of what lies above `_VOICED_HZ`, of 1283 other dips on one pitch one does.
_CLOSED_DB = 8.0
# Chosen: half the sound gone for 25 ms at the most, and the period lost. In 8 minutes of held
# winds, brass and strings what falls so far and so briefly keeps its period, but for noise.
_CUT_S, _BREAKS, _CLEAR = 0.0275, 0.97, 0.997
_SLOW_TURN_S, _SLOW_TURN_DB, _SLOW_OVER_OTHERS = 0.08, 6.5, 2.0  # a slow bow falls far
_SLOW_REACH_S = 0.20  # chosen: a thick string speaks as late
_OVER_OTHERS_SWINGING = 1.5  # there other dips, just as brief, come with every turn of the pitch
_STRUCK_AHEAD_S, _STRUCK_AFTER_S = 0.02, 0.07  # of a dip: an attack is where it is left
_LOUDER_DB = 6.0  # a stroke this much louder needs no dip
_LONGEST_RISE_S = 0.3  # of a soft reed; a crescendo that is tongued at its end takes longer
_HISS_OVER_CHANCE_DB = 1.0  # noise of this bandwidth reaches 0.5 in the windows looked at
_STEP_CENTS = 8.0  # about as far apart as two notes meant to be one pitch are played
_STEP_OVER_REST = 4.0  # times what line and step leave unexplained
_SAME_NOTE_CENTS = 60.0  # further apart they are two notes by their pitch, and end where it moves
_STEP_FROM_S, _STEP_TO_S = 0.04, 0.20  # either side: outside the dip, within the shortest notes
_DEEP_DIP_DB = 12.0
_BLOWN = ("woodwind", "brass")
_ARTICULATION_S = 0.10  # a tongue or a lip takes this long to settle a tone it has begun
_HISS_HZ = 4000.0
_VOICED_HZ = 1500.0  # chosen: below the hiss of consonants, above the first partials of a soprano
_ORDER = 4  # of the filter at either, through and back
_HISS_RISE_DB = 3.0
_HISS_AND_DIP_DB = 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Dips:
    """Where a level dips, how deep, and how long at half its depth."""

    at: NDArray[np.intp]
    depth_db: Floats
    width_s: Floats


def restarts(
    stem: Stem, track: PitchTrack, struck: NDArray[np.intp], swing: Floats
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Frames at which something is struck, at which a driven sound swells again, or is broken.

    A bow that turns, or a soft consonant, leaves a shallow dip, and its lowest point is the border
    of the two notes; after a deep gap, as after a stroke, the note begins where it rises. Where a
    sound is broken for a moment, one note need not end, but neither does a glide lead across.

    stem, track : the stem and its coarse pitch
    struck : frames of `planner.segment.attacks.attack_frames`
    swing : (frames,) semitones by which vibrato lies off its midline, 0 where there is none
    """
    if stem.role not in HARMONIC_ROLES:
        return struck, np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    level_db, hop_s = quick_level_db(stem, track), track.hop_s
    dips, depth_db = level_dips(level_db, hop_s)
    hiss = _hisses(stem, dips, len(level_db), hop_s)
    ahead, reach = round(_STRUCK_AHEAD_S / hop_s), round(_STRUCK_AFTER_S / hop_s)
    leads = _one_within(struck, dips - ahead, dips + reach)
    real = (hiss > _HISS_RISE_DB) & (hiss + depth_db > _HISS_AND_DIP_DB)
    width_s = dip_widths_s(level_db, dips, depth_db, hop_s)
    found = _Dips(at=dips, depth_db=depth_db, width_s=width_s)
    real |= _turned(level_db, found, track, swing, hiss, leads)
    far = depth_db > _BROKEN_DB
    cut = (width_s < _CUT_S) & _breaks(dips, track) & ~in_vibrato(dips, swing, hop_s)
    cut[cut] = far[cut] | _dulled(stem, dips[cut], swing, hop_s)
    real |= cut | _closed(stem, track, dips, swing)
    broken = dips[far & (width_s < _TURN_S)]
    real &= clearest(dips, np.where(real, depth_db + np.maximum(hiss, 0.0), 0.0), hop_s)
    after_dip = _one_within(dips[real], struck - reach, struck + ahead)
    struck = _that_begin(struck, after_dip, level_db, track, swing)
    spoken = hiss[real] > _HISS_OVER_CHANCE_DB
    dips, depth_db = dips[real], depth_db[real]
    if stem.role == "bowed":
        dips, depth_db = _with_turned_bows(stem, track, level_db, dips, depth_db)
    if spoken.any():  # what hisses covers the tone: under it the dip seems to come early
        voiced_db = _band_level_db(stem, len(level_db), low_pass, _VOICED_HZ)
        dips = np.where(spoken, lowest_after(voiced_db, dips, hop_s), dips)
    deep, shallow = dips[depth_db >= _DEEP_DIP_DB], dips[depth_db < _DEEP_DIP_DB]
    apart = round(ATTACK_APART_S / hop_s)
    # A stroke is the same border, and of a voice may be the end of one consonant.
    ahead = round(CONSONANT_S / hop_s) if stem.role in VOICE_ROLES else apart
    struck = struck[~_one_within(shallow, struck - ahead, struck + apart)]
    settling = round(_ARTICULATION_S / hop_s)
    struck, shallow = (
        _not_just_after(struck, struck, settling),
        _not_just_after(shallow, struck, settling),
    )
    return np.union1d(struck, deep).astype(np.intp), shallow, broken


def _with_turned_bows(
    stem: Stem, track: PitchTrack, level_db: Floats, dips: NDArray[np.intp], depth_db: Floats
) -> tuple[NDArray[np.intp], Floats]:
    """Add the dips, slow ones too, at which a string's waves say that the bow turned."""
    slow, slow_db = level_dips(level_db, track.hop_s, _SLOW_REACH_S)
    away = round(REACH_S / track.hop_s)
    new = ~_one_within(dips, slow - away, slow + away)
    turns, turned_db = bow_turns(stem, track, slow[new]), slow_db[new]
    turned = (turns >= 0) & clearest(slow[new], np.where(turns >= 0, turned_db, 0.0), track.hop_s)
    at = np.concatenate([dips, turns[turned]])
    order = np.argsort(at)
    return at[order], np.concatenate([depth_db, turned_db[turned]])[order]


def _hisses(stem: Stem, dips: NDArray[np.intp], frames: int, hop_s: float) -> Floats:
    """How far a hiss stands over the usual at each dip, dB; consonants are a voice's alone."""
    if stem.role not in VOICE_ROLES:
        return np.full(len(dips), -np.inf)
    hiss_db = _band_level_db(stem, frames, high_pass, _HISS_HZ)
    return np.array([hiss_rise_db(hiss_db, dip, hop_s) for dip in dips])


def _dulled(stem: Stem, dips: NDArray[np.intp], swing: Floats, hop_s: float) -> NDArray[np.bool_]:
    """At which dips half of the upper partials of what is blown are gone.

    A tongue that hardly stops a reed damps them first.
    """
    if stem.role not in _BLOWN or len(dips) == 0:
        return np.zeros(len(dips), dtype=bool)
    _, _, left_db = _upper_dips(stem, dips, swing, hop_s)
    dulled: NDArray[np.bool_] = left_db > _BROKEN_DB
    return dulled


def _closed(
    stem: Stem, track: PitchTrack, dips: NDArray[np.intp], swing: Floats
) -> NDArray[np.bool_]:
    """At which dips on one pitch a voice's upper partials are gone and come back.

    A consonant that is hummed may leave the first partial as loud as it was. What had not been
    open before it closed, but for half, is the hum that a syllable begins with.
    """
    closed = np.zeros(len(dips), dtype=bool)
    if stem.role in VOICE_ROLES:
        closed[:] = [_stays(dip, track.f0_hz, swing, track.hop_s) for dip in dips]
    if closed.any():
        before_db, after_db, left_db = _upper_dips(stem, dips[closed], swing, track.hop_s)
        least_db = np.minimum(np.minimum(before_db, after_db), left_db)
        closed[closed] = (least_db > _CLOSED_DB) & (after_db - before_db < _BROKEN_DB)
    return closed


def _upper_dips(
    stem: Stem, dips: NDArray[np.intp], swing: Floats, hop_s: float
) -> tuple[Floats, Floats, Floats]:
    """How far upper partials fall at some dips and rise again, and what the pitch leaves, dB."""
    upper_db = _band_level_db(stem, len(swing), high_pass, _VOICED_HZ)
    near, reach = round(_STRUCK_AHEAD_S / hop_s), round(REACH_S / hop_s)
    lowest = np.array(
        [
            max(0, dip - near) + int(upper_db[max(0, dip - near) : dip + near + 1].argmin())
            for dip in dips
        ],
        dtype=np.intp,
    )
    left_db, _ = unexplained_dips(upper_db, swing, lowest, hop_s)
    lowest_db = upper_db[lowest]
    before_db, after_db = highest_near(upper_db, reach, 0), highest_near(upper_db, 0, reach)
    return before_db[lowest] - lowest_db, after_db[lowest] - lowest_db, left_db


def _turned(
    level_db: Floats,
    found: _Dips,
    track: PitchTrack,
    swing: Floats,
    hiss: Floats,
    struck: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Which dips a turned bow, a tongue or a lip has made; ``struck``: those a stroke follows."""
    hop_s, f0_hz = track.hop_s, track.f0_hz
    dips, depth_db, width_s = found.at, found.depth_db, found.width_s
    left_db, scatters = unexplained_dips(level_db, swing, dips, hop_s)
    clear_db = np.minimum(depth_db, left_db)
    # With a second sign beside it, a dip counts that stands out less.
    two = (scatters > _OVER_SCATTER_OF_TWO) & (clear_db > LEAST_DIP_DB)
    for k in np.flatnonzero(two & (hiss <= _HISS_OVER_CHANCE_DB)):
        two[k] = pitch_steps_at(f0_hz, swing, int(dips[k]), hop_s)
    # Where the pitch is another after it, a dip of any length is one note fading into the next, and
    # says nothing of how unsteady a tone is.
    fades = np.array([not _stays(dip, f0_hz, swing, hop_s) for dip in dips], dtype=bool)
    within = np.array(
        [
            stays or not _moves(dip, f0_hz, swing, hop_s)
            for dip, stays in zip(dips, ~fades, strict=True)
        ],
        dtype=bool,
    )
    others = others_db(dips, depth_db, within, hop_s)
    stands_out = (scatters > _OVER_SCATTER) & deeper_than_others(depth_db, others)
    stands_out |= struck & (scatters > _OVER_SCATTER_STRUCK)
    stands_out &= clear_db > _DIP_DB
    stands_out |= two
    loudest_db = deepest_other_db(others)
    slow = (width_s < _SLOW_TURN_S) & (clear_db > _SLOW_TURN_DB)
    slow &= clear_db > _SLOW_OVER_OTHERS * loudest_db
    swung = in_vibrato(dips, swing, hop_s) & (left_db < _OVER_OTHERS_SWINGING * loudest_db)
    turned: NDArray[np.bool_] = stands_out & ((width_s < _TURN_S) | slow | fades) & ~swung
    return turned


def _breaks(dips: NDArray[np.intp], track: PitchTrack) -> NDArray[np.bool_]:
    """At which dips a clear sound does not repeat from before to after: one tone's waves go on.

    What leaks in, or a room, shows in a dip as well and is no new tone.
    """
    near, reach = round(LEVEL_S / 2.0 / track.hop_s), round(REACH_S / track.hop_s)
    broken = []
    for dip in dips:
        before = track.strength[max(0, dip - reach) : max(0, dip - near)]
        after = track.strength[dip + near + 1 : dip + reach + 1]
        inside = track.strength[max(0, dip - near) : dip + near + 1]
        heard = len(before) and len(after)
        clear = min(middle_of(side) for side in (before, after)) if heard else 0.0
        broken.append(clear > _CLEAR and inside.min() < _BREAKS)
    return np.array(broken, dtype=bool)


def _that_begin(
    struck: NDArray[np.intp],
    after_dip: NDArray[np.bool_],
    level_db: Floats,
    track: PitchTrack,
    swing: Floats,
) -> NDArray[np.intp]:
    """Strokes that begin a note: after a dip, far louder, or at another pitch; once a rise."""
    begins = [
        _far_louder(frame, level_db, track.hop_s)
        or not _stays(frame, track.f0_hz, swing, track.hop_s)
        for frame in struck
    ]
    return _not_of_one_rise(struck[after_dip | np.array(begins, dtype=bool)], level_db, track)


def _one_within(
    frames: NDArray[np.intp], first: NDArray[np.intp], last: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Which spans, from a first frame to a last one, hold one of some frames in order of time."""
    held: NDArray[np.bool_] = np.searchsorted(frames, first) < np.searchsorted(
        frames, last, "right"
    )
    return held


def _stays(frame: int, f0_hz: Floats, swing: Floats, hop_s: float) -> bool:
    """Is one pitch, vibrato taken out, heard all through 0.1 s either side of a frame?"""
    near = round(REACH_S / hop_s)
    if (
        frame < near
        or frame + near > len(f0_hz)
        or np.isnan(f0_hz[frame - near : frame + near]).any()
    ):
        return False
    return not _moves(frame, f0_hz, swing, hop_s)


def _moves(frame: int, f0_hz: Floats, swing: Floats, hop_s: float) -> bool:
    """Is another pitch heard after a frame than before it, as far as one is heard?"""
    near, settled = round(REACH_S / hop_s), round(_STEP_FROM_S / hop_s)
    sides = (
        slice(max(0, frame - near), max(0, frame - settled)),
        slice(frame + settled, frame + near),
    )
    before, after = (
        middle_of_known(1200.0 * np.log2(f0_hz[side]) - 100.0 * swing[side]) for side in sides
    )
    return bool(abs(after - before) >= _SAME_NOTE_CENTS)


def _far_louder(frame: int, level_db: Floats, hop_s: float) -> bool:
    near = round(REACH_S / hop_s)
    before, after = level_db[max(0, frame - near) : frame + 1], level_db[frame : frame + near]
    return bool(after.max() - before.min() > _LOUDER_DB)


def _not_of_one_rise(
    struck: NDArray[np.intp], level_db: Floats, track: PitchTrack
) -> NDArray[np.intp]:
    """Strokes without those up to which the level has only grown since something began.

    That is the stroke before, or where a pitch, or another one, came to be heard.
    """
    with np.errstate(invalid="ignore"):
        stays = np.abs(12.0 * np.log2(track.f0_hz[1:] / track.f0_hz[:-1])) < LEAP
    appears = np.flatnonzero(~stays & ~np.isnan(track.f0_hz[1:])) + 1
    reach, apart = round(_LONGEST_RISE_S / track.hop_s), round(ATTACK_APART_S / track.hop_s)
    kept: list[int] = []
    for frame in struck:
        began = [
            f for f in (*kept[-1:], *appears[appears <= frame - apart][-1:]) if frame - f < reach
        ]
        rise = level_db[max(began, default=frame) : frame + 1]
        rise = np.maximum(rise, level_db[frame : frame + apart].max() - SILENT_DB)
        if len(rise) < 2 or (np.maximum.accumulate(rise) - rise).max() > LEAST_DIP_DB:
            kept.append(int(frame))
    return np.array(kept, dtype=np.intp)


def _not_just_after(
    frames: NDArray[np.intp], begun: NDArray[np.intp], settling: int
) -> NDArray[np.intp]:
    """Frames that do not follow, within a tone's own articulation, on a frame where it began."""
    return frames[~_one_within(begun, frames - settling + 1, frames - 1)]


def pitch_steps_at(f0_hz: Floats, swing: Floats, dip: int, hop_s: float) -> bool:
    """Is the pitch, vibrato taken out, another after a dip than one line through both sides says?

    A line and a step are fitted on what lies either side of the dip; the step must stand out from
    what is left, as well as be worth a new note. Nor may the line undo it: where a pitch swings too
    little to be flattened, it is as high in the mean on either side.
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
    shape = np.linalg.solve(model.T @ model, model.T @ line)
    rest = line - model @ shape
    least = max(_STEP_CENTS, _STEP_OVER_REST * float(np.sqrt(np.mean(rest**2))))
    apart = np.sign(shape[2]) * (line[at > 0].mean() - line[at < 0].mean())
    return bool(least < min(abs(shape[2]), apart) and abs(shape[2]) < _SAME_NOTE_CENTS)


def _band_level_db(stem: Stem, frames: int, filtered: Filter, edge_hz: float) -> Floats:
    """Level of what lies above or below a frequency, seen without delay."""
    sr = stem.analysis_sr

    def response(f_hz: Floats) -> Floats:
        return np.abs(filtered(f_hz, edge_hz, _ORDER, sr)) ** 2

    band = ByThePiece(stem.samples, sr, lambda piece: through(piece, sr, response))
    return frame_level_db(band, sr, frames, window_s=QUICK_LEVEL_S)
