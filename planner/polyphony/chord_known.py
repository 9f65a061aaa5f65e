"""Which of the notes that a score names are heard in a stretch of a chord stem.

A note that is known beforehand needs less evidence than one that is not, but it needs some: its
partials must stand where no other note puts any, or stand higher there than the others explain.
"""

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_partials import (
    CENTS_PER_NEPER,
    HIGHEST_HZ,
    Note,
    first_partials,
    partial_hz,
    typical_b,
)
from planner.polyphony.chord_peaks import (
    B_FACTORS,
    RISE_DB,
    Named,
    Notes,
    Peaks,
    covered,
    match_partials,
    partials_found,
    polish,
)

Array = NDArray[np.float64]
Envelope = tuple[Note, Array, Array]  # a note, logarithms of partial numbers, levels in dB

REACH_CENTS = 45.0  # chosen: a note further from where the score has it is not that note
SCORE_REACH_S = 0.15  # chosen: a score placed by the notes around it is seldom further out
LOOKED_AT = 8  # partials; chosen: higher ones are weak in strings and close to others'
LEAST_FREE = 2  # chosen: fewer free partials decide nothing
# Of the free ones that must rise. Chosen on four synthetic piano sessions of ours: of 245 notes
# that were struck 1 in 50 had less, of 31 that were only in the score 9 in 10.
LEAST_SHARE = 0.6
# Mean level of shared partials over what the lower notes' own ones lead one to expect. Chosen on
# the same: of 47 octaves and twelfths struck 1 in 12 lay below, of 33
# that were only in the score 1 in 7 above. tests/polyphony/test_chord_known.py counts both on
# others.
LEAST_EXCESS_DB = 2.5


def place_known(
    starts: list[tuple[float, bool]],
    expected: tuple[tuple[float, float], ...],
    shortest_s: float,
    length_s: float,
) -> tuple[list[tuple[float, bool]], dict[int, list[float]]]:
    """Give each note of the score to the onset it belongs to; where there is none, add a place.

    starts: (s, whether it is a place to look and no onset); expected: (s, Hz); shortest_s: places
    nearer than this are one; length_s: of the stem, outside of which nothing is placed. Returns the
    starts with those places, and the notes (Hz) by the index of their start.
    """
    placed: list[tuple[float, float]] = []
    added: list[float] = []
    onsets = np.array([start_s for start_s, soft in starts if not soft] or [np.inf])
    for start_s, f1_hz in sorted(expected):
        if not -SCORE_REACH_S <= start_s < length_s:
            continue
        nearest = float(onsets[np.abs(onsets - start_s).argmin()])
        if abs(nearest - start_s) > SCORE_REACH_S:
            if not added or start_s - added[-1] > shortest_s:
                added.append(start_s)
            nearest = added[-1]
        placed.append((nearest, f1_hz))
    far = [
        s for s in starts
        if not s[1] or all(abs(s[0] - a) > shortest_s for a in added) or s[0] == 0.0
    ]  # fmt: skip
    both = sorted([*far, *((a, True) for a in added if a > 0.0)])
    at = {start_s: i for i, (start_s, _) in enumerate(both)}
    known: dict[int, list[float]] = {}
    for start_s, f1_hz in placed:
        known.setdefault(at.get(start_s, 0), []).append(f1_hz)
    return both, known


def hear_known(peaks: Peaks, sounding: Notes, known_hz: list[float]) -> list[Named]:
    """Name the notes of the score that begin with a stretch.

    sounding: notes that ring on from before; known_hz: first partials where the
    score expects them. From the lowest up, so that what a low note explains is known first.
    """
    if not len(peaks.f_hz) or not known_hz:
        return []
    placed = [_place(peaks, f1_hz) for f1_hz in sorted(known_hz)]
    notes = [note for note in placed if note is not None]
    heard: list[Named] = []
    for k, note in enumerate(notes):
        below = [one[:2] for one in heard]
        share = _evidence(peaks, note, below, below + notes[k + 1 :], sounding)
        if share > 0.0:
            heard.append((*note, share))
    return heard


def _place(peaks: Peaks, f1_hz: float) -> Note | None:
    """Find f0 and B near an expected first partial under which most of the loud peaks fit."""
    number = np.arange(1, 7, dtype=float)
    usual = min(typical_b(f1_hz), 1e-2)
    f0s, bs = [f1_hz], [0.5 * usual]
    for b in usual * B_FACTORS:
        law = partial_hz(f1_hz / np.sqrt(1.0 + b), float(b), number)
        off = CENTS_PER_NEPER * np.log(peaks.f_hz[None, :] / law[:, None])
        for n, peak in zip(*np.nonzero(np.abs(off) < REACH_CENTS), strict=True):
            f0s.append(float(peaks.f_hz[peak] / (number[n] * np.sqrt(1.0 + b * number[n] ** 2))))
            bs.append(float(b))
    hit, index = match_partials(peaks, np.array(f0s), np.array(bs), LOOKED_AT)
    top_db = peaks.level_db.max()
    worth = np.clip((peaks.level_db - top_db + 60.0) / 60.0, 0.02, 1.0)
    worth = worth * np.where(peaks.rise_db > RISE_DB, 1.0, 0.5)
    weight = 1.0 / np.sqrt(np.arange(1, LOOKED_AT + 1))
    score = (hit * worth[index] * weight).sum(axis=1)
    best = int(np.argmax(score))
    if not hit[best].any():
        return None
    own = index[best][hit[best]]
    numbers = np.flatnonzero(hit[best]).astype(float) + 1.0
    f0_hz, b = polish(peaks.f_hz[own], np.asarray(numbers, dtype=float), bs[best])
    if abs(CENTS_PER_NEPER * np.log(f0_hz * np.sqrt(1.0 + b) / f1_hz)) > REACH_CENTS:
        return f0s[best], bs[best]
    return f0_hz, b


def _evidence(peaks: Peaks, note: Note, below: Notes, others: Notes, sounding: Notes) -> float:
    """Give the share of a note's partials that speak for it; 0 where it is not heard."""
    law = first_partials(note, LOOKED_AT)
    law = law[law < 0.9 * HIGHEST_HZ]
    if not len(law):
        return 0.0
    hit, index = partials_found(peaks, note, len(law))
    risen = hit & (peaks.rise_db[index] > RISE_DB)
    # What rang before does not rise: a peak that does is free of it.
    free = ~covered(peaks, law, others) & (~covered(peaks, law, sounding) | risen)
    if free.sum() >= LEAST_FREE:
        speaks = float((risen & free).sum() / free.sum())
        return speaks if speaks >= LEAST_SHARE and (risen & free).sum() >= 2 else 0.0
    if not risen[: min(4, len(law))].any():
        return 0.0
    expected = expected_db(peaks, law, below, [note, *others])
    shared = np.flatnonzero(hit)[:5]
    if not len(shared):
        return 0.0
    excess = float(np.mean(np.clip(peaks.level_db[index[shared]] - expected[shared], -12.0, 12.0)))
    return float(hit.mean()) if excess >= LEAST_EXCESS_DB else 0.0


def expected_db(peaks: Peaks, law: Array, below: Notes, notes: Notes) -> Array:
    """Say how loud some partials would be if only the notes below sounded, dBFS.

    Each note below has an envelope: the levels of those partials that no higher note shares, less
    what still lower notes put there, joined by straight lines in dB over the logarithm of their
    number.
    """
    envelopes: list[Envelope] = []
    for note in below:
        theirs = first_partials(note, 40)
        theirs = theirs[theirs < HIGHEST_HZ]
        hit, index = partials_found(peaks, note, len(theirs))
        higher = [n for n in (*notes, *below) if n[0] > note[0]]
        own = ~covered(peaks, theirs, higher)
        if not own.any():
            continue
        power = np.where(hit, 10.0 ** (peaks.level_db[index] / 10.0), 1e-9)
        # What lower notes explain is taken away, but for a tenth: envelopes are no truer than that.
        power = np.maximum(power - _power(peaks, theirs, envelopes), 0.1 * power)
        level = 10.0 * np.log10(power)
        envelopes.append((note, np.log(np.flatnonzero(own) + 1.0), level[own]))
    return np.asarray(10.0 * np.log10(_power(peaks, law, envelopes) + 1e-12))


def _power(peaks: Peaks, law: Array, envelopes: list[Envelope]) -> Array:
    """Add up what notes of known envelopes put on some partials, as power."""
    power = np.zeros(len(law))
    for note, log_number, level_db in envelopes:
        apart = np.abs(law[:, None] - first_partials(note, 40)[None, :])
        near = apart.min(axis=1) < np.maximum(1.5 * peaks.width_hz, 0.006 * law)
        joined = np.interp(np.log(apart.argmin(axis=1) + 1.0), log_number, level_db)
        power += np.where(near, 10.0 ** (joined / 10.0), 0.0)
    return power
