"""Is a step of a stem's pitch a note, or only a ring, a breath, bleed or handling?

A note is long, loud and periodic enough. Softly it may begin with a stroke, or go on from the note
before; what nothing starts, far under the loud notes or the note before, only rings.

All thresholds below are in the units of their names; where no source is named they are common
practice without one, checked on synthetic melodies in rooms and on recorded instruments.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from planner.harmonics import fit_partials
from planner.model import HARMONIC_ROLES, Floats, PitchTrack, Stem
from planner.segment.own_rise import rises
from planner.segment.pitch_levels import MIN_NOTE_S
from planner.segment.pitch_steps import Step
from planner.track.readings import LEVEL_S, reading_window_s
from planner.words.spread import middle_of, middle_of_known

LEAST_STRENGTH = 0.80  # breath and consonants reach 0.7; a noisy but pitched note 0.85
_SOFT_NOTE_DB = 20.0  # under the loud notes, only a clean note counts
_SOFT_MEDIAN_STRENGTH = 0.92
_WEAK_NOTE_DB = 32.0  # under the loud notes of the stem: bleed, handling, string noise
_LOUD_MOMENT_DB = 15.0
_PITCHED_STEM_SHARE = 0.3
_UNSTARTED_PLUCK_DB = 14.0  # a pluck that nothing starts is, this far under the loud ones, a ring
_UNSTARTED_DB = 20.0  # likewise for bow, breath and voice, which can start softly
_RING_DB = 14.0  # a "note" without attack this far under the one before is that note's ring
_STIFF_S, _STIFF_PARTIALS = 0.25, 20  # as for a string's stiffness (`planner.measure.stiffness`)
_STIFF_SDS = 4.0  # above zero: what noise makes of one in 30,000 strings that are not stiff
_SLIDES_S = 0.2  # chosen: a hand's way over a few frets; a hammer-on takes a tenth of it
_EITHER_SIDE_S = 0.025  # chosen: long enough for a mixture to show, within the shortest note
_SLUR_FALLS_DB = 6.0  # a fast decay of 40 dB a second included; a stopped note falls more
_AT_PITCH = 0.5  # semitones
# Semitones: an octave or more is another string, or, above a tone that is driven, a partial of it
# left alone.
_HAND_REACHES = 11.0


def loud_level_db(track: PitchTrack, level_db: Floats, steps: list[Step]) -> float:
    """Give the level of the stem's loud notes, by which faint ones are judged, dBFS."""
    return max(_notes_db(level_db, steps), _unpitched_floor_db(track))


def is_note(
    stem: Stem,
    step: Step,
    step_before: Step | None,
    previous: Step | None,
    track: PitchTrack,
    level_db: Floats,
    loud_db: float,
) -> bool:
    """Tell whether a step is a note.

    stem, track : the stem and its coarse pitch
    step, step_before, previous : frames of one pitch, of the pitch before, and the note before
    level_db : (frames,) level of what is pitched
    loud_db : level of the stem's loud notes, of `loud_level_db`
    """
    span = slice(step.first, step.last)
    if (step.last - step.first) * track.hop_s < MIN_NOTE_S:
        return False
    peak = level_db[span].max()
    if peak < loud_db - _WEAK_NOTE_DB:
        return False
    soft = peak < loud_db - _SOFT_NOTE_DB
    driven = stem.role in HARMONIC_ROLES
    strength = _own_strength(track, step)
    if step.begins == "attack" and not driven:
        strength = max(strength, _struck_strength(track, step))
        if strength < LEAST_STRENGTH:
            strength = max(strength, _stiff_strength(stem, track, step))
    if strength < (_SOFT_MEDIAN_STRENGTH if soft else LEAST_STRENGTH):
        return False
    if (
        step_before is not None
        and step.begins in ("legato", "soft")
        and _slurred(stem, track, step_before, step)
    ):
        return True
    if step.begins not in ("attack", "swell"):
        peak = _stays_db(track, level_db, step)
        if peak < loud_db - (_UNSTARTED_DB if driven else _UNSTARTED_PLUCK_DB):
            return False
    close = previous is not None and step.first - previous.last < round(0.15 / track.hop_s)
    if previous is not None and close and step.begins != "attack":
        before = level_db[previous.first : previous.last].max()
        if peak < before - _RING_DB:
            return False
    return True


def _stays_db(track: PitchTrack, level_db: Floats, step: Step) -> float:
    """Level of a step once it has lasted as long as a note, and before the next is heard.

    What rings when a note stops begins as loud as the note ends, and may last until the next.
    """
    until = max(step.last - _reach(_usual_hz(track, step), track), step.first + 1)
    since = min(step.first + round(MIN_NOTE_S / track.hop_s), until - 1)
    return float(level_db[since:until].max())


def _notes_db(level_db: Floats, steps: list[Step]) -> float:
    """Level of the stem's loud notes: the 90th percentile, by time, of the notes' own peaks."""
    if not steps:
        return 0.0
    peaks = np.array([level_db[s.first : s.last].max() for s in steps])
    lengths = np.array([s.last - s.first for s in steps])
    order = peaks.argsort()
    reached = np.cumsum(lengths[order]) / lengths.sum()
    return float(peaks[order][np.searchsorted(reached, 0.9)])


def _unpitched_floor_db(track: PitchTrack) -> float:
    """Level that counts as loud in a stem whose loud moments are not pitched; -inf elsewhere.

    Where a shaker or a drum is what the stem is about, the faint pitched moments between are
    other instruments leaking in.
    """
    sounding = track.level_db > -100.0
    if not sounding.any():
        return -np.inf
    loud_db = float(np.percentile(track.level_db[sounding], 97))
    loud = track.level_db > loud_db - _LOUD_MOMENT_DB
    pitched = ~np.isnan(track.f0_hz[loud])
    if pitched.mean() > _PITCHED_STEM_SHARE:
        return -np.inf
    return loud_db - _LOUD_MOMENT_DB + _WEAK_NOTE_DB


def _slurred(stem: Stem, track: PitchTrack, before: Step, step: Step) -> bool:
    """Whether the sound of one step goes on at the pitch of the next, however faint by then.

    A hammer-on, a slide or a slur takes the string's own sound along: clean up to the change and
    soon after it, and no softer. What is left when a note stops is softer than it was; what is
    uncovered when a note fades is mixed with it for a while. Where the noise of a stroke is all
    that such a mixture may be, the next pitch must not have sounded before.
    """
    pitches_hz = [_usual_hz(track, s) for s in (before, step)]
    leaves = before.last - 1 - int(np.argmax(_at(pitches_hz[0], track, before)[::-1]))
    arrives = step.first + int(np.argmax(_at(pitches_hz[1], track, step)))
    aside = _reach(min(pitches_hz), track)
    reach = round(_EITHER_SIDE_S / track.hop_s)
    if (arrives - leaves) * track.hop_s > _SLIDES_S:
        return False
    sides = [
        slice(max(before.first, leaves - aside - reach), leaves - aside),
        slice(arrives + aside, min(step.last, arrives + aside + reach)),
    ]
    if any(side.stop - side.start < reach for side in sides):
        return False
    unclean = [(track.strength[side] < _SOFT_MEDIAN_STRENGTH).any() for side in sides]
    if unclean[1] or (
        unclean[0] and not rises(stem, arrives * track.hop_s, pitches_hz[1], pitches_hz[0])
    ):
        return False
    driven = stem.role in HARMONIC_ROLES
    moved = 12 * np.log2(pitches_hz[1] / pitches_hz[0])
    fall_db = middle_of(track.level_db[sides[0]]) - middle_of(track.level_db[sides[1]])
    reached = moved < _HAND_REACHES if driven else abs(moved) < _HAND_REACHES
    return bool(reached and fall_db < _SLUR_FALLS_DB)


def _at(pitch_hz: float, track: PitchTrack, step: Step) -> NDArray[np.bool_]:
    """Which frames of a step are at a pitch."""
    off = 12 * np.log2(track.f0_hz[step.first : step.last] / pitch_hz)
    at: NDArray[np.bool_] = np.abs(off) < _AT_PITCH
    return at


def _usual_hz(track: PitchTrack, step: Step) -> float:
    return middle_of_known(track.f0_hz[step.first : step.last])


def _own_strength(track: PitchTrack, step: Step) -> float:
    """How periodic a step is, its neighbours aside.

    The window that reads a low note looks past both ends of a short one.
    """
    strength = float(middle_of(track.strength[step.first : step.last]))
    reach = _reach(_usual_hz(track, step), track)
    inner = track.strength[step.first + reach : max(step.last - reach, step.first + reach)]
    if len(inner) == 0 or reach * track.hop_s <= LEVEL_S / 2:
        return strength
    return max(strength, float(middle_of(inner)))


def _reach(pitch_hz: float, track: PitchTrack) -> int:
    """How many frames either side a reading of a pitch looks, a little less than half a window."""
    return round(max(LEVEL_S / 2, reading_window_s(pitch_hz) / 2 - track.hop_s) / track.hop_s)


def _struck_strength(track: PitchTrack, step: Step) -> float:
    """How periodic a stroke is where it is clearest.

    The noise of the stroke goes before, and strings that go on sounding come after.
    """
    frames = round(_EITHER_SIDE_S / track.hop_s)
    strength = sliding_window_view(track.strength[step.first : step.last], frames)
    return float(middle_of(strength).max())


def _stiff_strength(stem: Stem, track: PitchTrack, step: Step) -> float:
    """How much of a stroke's sound the partials of one stiff string are; 0 where it is not stiff.

    Its partials repeat with no common period: as strength, which is the share of the sound that
    repeats, counts the share that lies in them.
    """
    sr, hop_s = stem.analysis_sr, track.hop_s
    first = round((step.first * hop_s + LEVEL_S) * sr)  # past the noise of the stroke
    last = min(first + round(_STIFF_S * sr), round(step.last * hop_s * sr))
    samples = stem.samples[first:last]
    fit = fit_partials(
        samples, sr, _usual_hz(track, step), fit_b=True, most_partials=_STIFF_PARTIALS
    )
    if fit is None or fit.b_sd is None or fit.b < _STIFF_SDS * fit.b_sd:
        return 0.0
    return float(np.sum(fit.amplitudes**2) / 2.0 / np.mean(samples**2))
