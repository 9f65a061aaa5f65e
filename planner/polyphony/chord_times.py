"""When a note of a chord begins and ends: by the level of the partials that are its own."""

import math

import numpy as np
from numpy.typing import NDArray

from planner.harmonics import turned
from planner.model import Floats
from planner.polyphony.chord_search import SWELL_S

Array = NDArray[np.float64]

# Chosen: two entries further apart are heard as two. On seeds 45300 and 45301 of
# tests.bench.chorded 0.06 to 0.2 s took string sections from F1 .63 to .71-.76 by the starts heard.
TOGETHER_S = 0.2
# Under its loudest; chosen: what lower a note rises from is what the strings struck before it leak
# into a window of 40 ms, whose side lobes lie 31 dB down (F. J. Harris, Proc. IEEE 66, 1978, 51).
LEAKS_DB = 26.0
STROKE_S = 0.06  # from first to last; common practice for a strum that is heard as one, no source
TELLING_STARTS = 3  # chosen: of two nobody says which is the beat's
LOUD_DB = 18.0  # chosen: a window's middle must not lie deep in the decay
# Two equal voices that beat are so far under their loudest for a sixth of the time (arc cosine of a
# quarter): 5 cents apart at C3, where few notes of held chords are lower, for half a second.
SUNK_DB, BEAT_S = 12.0, 0.5
_RISE_WINDOW_S, _RISE_HOP_S, _RISE_HOPS = 0.04, 0.005, 8  # a rise is told over one window
# A Hann window has a tenth of its weight in its first 0.26 (x - sin(2 pi x) / 2 pi), half in 0.5.
_STEP_S = 0.24 * _RISE_WINDOW_S  # that a step takes from a tenth to half


def piece_of(samples: Floats, first: int, last: int) -> Array:
    """A stretch in double precision: the whole stem so would take twice its memory."""
    return np.asarray(samples[max(first, 0) : max(last, 0)], dtype=float)


def loud_part(stretch: Array, sr: int) -> Array:
    """Cut a stretch where it has died away: what follows would only blur the spectrum."""
    block = int(0.05 * sr)
    count = len(stretch) // block
    if count < 4:
        return stretch
    level = 10.0 * np.log10(
        (stretch[: count * block].reshape(count, block) ** 2).mean(axis=1) + 1e-12
    )
    loud = np.flatnonzero(level > level.max() - LOUD_DB)
    return stretch[: max(int(loud[-1]) + 1, 4) * block]


def begun_s(
    samples: Floats,
    sr: int,
    own_hz: Array,
    about_s: float,
    *,
    early_s: float,
    late_s: float,
    struck: bool = True,
) -> float:
    """Find where a note's own partials begin to rise, s: strums, and notes that swell in.

    own_hz : (k,) the note's lowest partials that no other note covers
    about_s : where the note was found to begin; given back where nothing rises by 6 dB
    early_s, late_s : how far either side to look
    struck : it is there at once; else it may take its time, and begins before it rises most
    """
    from_s = max(about_s - early_s, 0.0)
    size, hop = int(_RISE_WINDOW_S * sr), int(_RISE_HOP_S * sr)
    ahead = _RISE_HOPS // 2 * hop + size // 2
    first = int(from_s * sr) - ahead
    swells = 0 if struck else round(SWELL_S / _RISE_HOP_S)
    last = int((about_s + late_s) * sr) + ahead + swells * hop
    # As long at either end of the stem.
    span = np.pad(piece_of(samples, first, last), (max(-first, 0), max(last - len(samples), 0)))
    level = _own_level_db(span, sr, own_hz, size, hop)
    looked_at = level[: len(level) - swells]
    if len(looked_at) < _RISE_HOPS + 2:
        return about_s
    level = np.maximum(level, looked_at.max() - LEAKS_DB)
    rise = level[_RISE_HOPS : len(looked_at)] - level[: len(looked_at) - _RISE_HOPS]
    best = int(np.argmax(rise))
    if rise[best] < 6.0:
        return about_s
    most_s = from_s + best * hop / sr
    if struck:
        return most_s
    amplitude = 10.0 ** (level[best : best + _RISE_HOPS + swells + 1] / 20.0)
    return min(most_s, max(most_s + _foot_s(amplitude) - _RISE_HOPS / 2 * _RISE_HOP_S, from_s))


def _foot_s(amplitude: Array) -> float:
    """Where a rise begins that may be slow, s from the first frame, which lies before it.

    A straight rise takes 0.4 of its time from a tenth to half of its height, and half of it from
    its foot: 1.25 times as long. What the window adds counts as widths add, by their squares.
    """
    share = (amplitude - amplitude[0]) / (amplitude.max() - amplitude[0])
    half, tenth = (_passed(share, part) * _RISE_HOP_S for part in (0.5, 0.1))
    return half - 1.25 * math.sqrt(max((half - tenth) ** 2 - _STEP_S**2, 0.0))


def _passed(share: Array, part: float) -> float:
    """Where a curve that begins at 0 last passes a part of its height before the top, frames."""
    above = share[: int(np.argmax(share)) + 1] >= part
    k = len(above) - 1 - int(np.argmin(above[::-1]))
    return float(k + (part - share[k]) / (share[k + 1] - share[k]))


def begun_together_s(places_s: list[float], starts_s: list[float]) -> list[float]:
    """Let notes that swell in at one place begin together, s: each alone is heard too unsurely.

    Who reads from one page, or sits at one keyboard, begins a chord at once. Nothing rises before
    it begins, but where players beat, a note's few free partials may rise late: the lower quartile
    of what the notes and their place say is a better start of each than its own. places_s: where
    each note was found; starts_s: where its own partials rise. Starts further than `TOGETHER_S`
    from the middle stay.
    """
    places, starts = np.array(places_s), np.array(starts_s)
    result = starts.copy()
    for place in np.unique(places):
        own = places == place
        near = own & (np.abs(starts - np.median(starts[own])) < TOGETHER_S)
        if near.any():
            result[near] = np.percentile([place, *starts[near]], 25)
    return [float(start_s) for start_s in result]


def begun_in_stroke_s(places_s: list[float], starts_s: list[float]) -> list[float]:
    """Let no note begin further from the middle of its strum or chord than a hand takes, s.

    What else rings on a note's few free partials beats, and its strongest rise may be a beat's.
    places_s: where each note was found; starts_s: where its own partials rise.
    """
    places, starts = np.array(places_s), np.array(starts_s)
    result = starts.copy()
    for place in np.unique(places):
        own = places == place
        middle = float(np.median(starts[own]))
        if own.sum() >= TELLING_STARTS:
            result[own & (np.abs(starts - middle) > STROKE_S)] = middle
    return [float(start_s) for start_s in result]


def ended_s(samples: Floats, sr: int, own_hz: Array, start_s: float, last_s: float) -> float:
    """Find where a note's own partials fall to the floor, or are damped, in seconds."""
    size, hop = int(0.08 * sr), int(0.02 * sr)
    first = max(int(start_s * sr), 0)
    piece = piece_of(samples, first, int(last_s * sr) + size)
    level = _own_level_db(piece, sr, own_hz, size, hop)
    if len(level) < 9:
        return last_s
    ago = 8  # hops: 0.16 s
    index = np.arange(len(level))
    low = level < max(float(level.max()) - 35.0, -75.0)
    fell = np.zeros(len(level), dtype=bool)
    # soon after its start a note may fall fast by itself
    fell[ago:] = level[ago:] < level[:-ago] - np.where(index[ago:] < 20, 24.0, 12.0)
    over = np.flatnonzero((low | fell) & (index > 4))
    if len(over) == 0:
        return last_s
    # the fall was underway for some 0.06 s when it was noticed; the frame counts from its middle
    end_s = start_s + over[0] * hop / sr + size / sr / 2 - 0.06
    return float(min(max(end_s, start_s + 0.03), last_s))


def held_until_s(
    samples: Floats, sr: int, own_hz: Array, start_s: float, last_s: float, begins_s: Array
) -> float:
    """Find where a note whose partials are bands stops sounding, in seconds.

    Its players or oscillators beat: one partial after another sinks and comes back, hardly half of
    them at once, so half say whether it sounds. A gap no longer than a beat's is none, unless
    somebody begins in it, who might be what is heard after it.

    begins_s: (k,) where the stem's notes begin, in order.
    """
    size, hop = int(0.08 * sr), int(0.02 * sr)
    piece = piece_of(samples, max(int(start_s * sr), 0), int(last_s * sr) + size)
    each_db = _decibels(_own_power(piece, sr, own_hz, size, hop))
    if each_db.shape[1] < 9:
        return last_s
    held_db = np.percentile(each_db, 90, axis=1, keepdims=True)
    sounds = np.flatnonzero(np.median(each_db - held_db, axis=0) > -SUNK_DB)
    at_s = start_s + sounds * hop / sr + size / sr / 2
    at_s = at_s[: 1 + _first_end(at_s, begins_s)] if len(at_s) else np.array([last_s])
    return float(min(max(at_s[-1] + hop / sr, start_s + 0.03), last_s))


def _first_end(at_s: Array, begins_s: Array) -> int:
    """Which frame of those that sound is followed by a gap that ends the note; else the last."""
    before_s, after_s = at_s[:-1], at_s[1:]
    begun = np.searchsorted(begins_s, after_s + 0.02) > np.searchsorted(begins_s, before_s - 0.05)
    gap_s = after_s - before_s
    ends = np.flatnonzero((gap_s > BEAT_S) | ((gap_s > 0.03) & begun))
    return int(ends[0]) if len(ends) else len(at_s) - 1


def _own_level_db(span: Array, sr: int, own_hz: Array, size: int, hop: int) -> Array:
    """Follow the level of a note's lowest free partials; frame i begins at sample i * hop."""
    return _decibels(_own_power(span, sr, own_hz, size, hop).sum(axis=0))


def _decibels(power: Array) -> Array:
    return np.asarray(10.0 * np.log10(power + 1e-9), dtype=float)


def _own_power(span: Array, sr: int, own_hz: Array, size: int, hop: int) -> Array:
    """Follow the power of each of a note's lowest free partials: (partials, frames)."""
    if len(span) <= size:
        return np.zeros((len(own_hz[:6]), 0))
    frames = np.lib.stride_tricks.sliding_window_view(span, size)[::hop]
    waves = turned(own_hz[:6], np.arange(size) / sr).reshape(-1, size)
    waves *= np.hanning(size).astype(np.float32)
    both = (waves @ frames.astype(np.float32).T).reshape(2, len(own_hz[:6]), -1)
    return np.asarray((both**2).sum(axis=0) * (4.0 / size) ** 2)
