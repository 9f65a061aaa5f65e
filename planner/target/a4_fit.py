"""A4 and octave stretch fitted to the notes of an instrument.

Every measured first partial says how far it lies from its nearest note of the temperament. That is
known only modulo a semitone, so the fold is opened first with a circular mean; then one robust fit
finds the offset at A4 together with a smooth stretch that is held to zero around A4, so that the
stretch never moves A4.
"""

from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from planner.model import MeasuredNote
from planner.pitch import A4_MIDI, STANDARD_A4_HZ, cents, hz_to_midi
from planner.words.spread import spread_of

Array = NDArray[np.float64]

FEWEST_NOTES = 3  # chosen: fewer prove nothing about an instrument
WORST_CENTS = 8.0  # chosen: a less certain note is not asked
# Chosen: of a piano's own notes one in ten lies so far under its loud ones, of what leaks into
# it at -30 dB and is heard as notes nine in ten (`tests.sessions.planted`, seeds 49042-49072).
_FAINT_DB = 12.0
OWN_SPREAD_CENTS = 1.0  # chosen: even a well-kept piano's notes scatter so much
LEAST_CONCENTRATION = 0.35  # chosen: length of the circular mean; below, the notes do not agree
# How far each knee of the stretch may be expected to bend, in cents: bass below A2, treble above A5
# (typical piano against equal: A1 -8, A7 +12..+25; common practice, no source).
BEND_CENTS = (8.0, 3.0, 4.0, 12.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """The notes of one or more stems, folded onto one semitone and fitted."""

    offset_cents: float  # of A4 from 440 Hz
    uncertainty_cents: float
    bends: Array  # (4,)
    notes_used: int
    midi: Array  # (k,) intended notes of those used
    spread_cents: float
    off: Array  # (n,) cents of each note from the temperament at 440 Hz
    weight: Array  # (n,) how much each says


def reading_of(
    notes: tuple[MeasuredNote, ...], offsets: Array, near: float, *, stretches: bool = True
) -> Reading | None:
    """Fit A4's offset and the stretch to the notes of one stem; None where too few are usable.

    notes: of one stem; offsets: (12,) cents of the temperament, C first; near: where A4 is looked
        for, cents from 440 Hz.
    stretches: whether the octaves may be stretched; what has no stretch is fitted by A4 alone.
    """
    rows = [
        (m.sustain_hz, m.uncertainty_cents, n.note.length_s)
        for n in _plain_ones(notes)
        if (m := n.measurement).sustain_hz is not None
        and m.uncertainty_cents is not None
        and m.uncertainty_cents <= WORST_CENTS
        and m.confidence in ("firm", "fair")
    ]
    if len(rows) < FEWEST_NOTES:
        return None
    f_hz, sd, length_s = np.array(rows, dtype=float).T
    sd = np.hypot(sd, OWN_SPREAD_CENTS)
    # a long note is heard longer, but does not know its pitch better in proportion
    weight = np.sqrt(np.clip(length_s, 0.1, 2.0)) / sd**2
    place = np.array([hz_to_midi(float(f)) for f in f_hz])
    # A pitch class's own offset is known only once its name is; names follow from the fold, so
    # every fold is tried in turn and the tightest kept.
    folds = [_fold(place, weight, offsets, near, turn) for turn in range(-50, 50, 10)]
    middle, agree = max(folds, key=lambda fold: fold[1])
    if agree < LEAST_CONCENTRATION:
        return None
    midi, off = _named(place, middle, offsets)
    return _fit(midi, off, sd, weight, stretches)


def _plain_ones(notes: tuple[MeasuredNote, ...]) -> tuple[MeasuredNote, ...]:
    """Leave out notes far under the loud ones, unless most are: they may be another stem's."""
    if not notes:
        return notes
    levels_db = np.array([n.note.level_db for n in notes])
    loud = levels_db >= np.percentile(levels_db, 90) - _FAINT_DB
    if 2 * loud.sum() < len(loud):
        return notes
    return tuple(n for n, is_loud in zip(notes, loud, strict=True) if is_loud)


def _named(place: Array, middle: float, offsets: Array) -> tuple[Array, Array]:
    """Name each note for an A4 that lies `middle` cents off, and give its deviation, cents."""
    midi = np.rint(place - middle / 100.0)
    off = 100.0 * (place - midi) - offsets[midi.astype(int) % 12]
    return midi, off


def _fold(
    place: Array, weight: Array, offsets: Array, near: float, turn: float
) -> tuple[float, float]:
    """Circular mean of the deviations modulo 100 cents, and its length (0..1)."""
    middle, length = near + turn, 0.0
    for _ in range(4):
        _, off = _named(place, middle, offsets)
        mean = np.sum(weight * np.exp(2j * np.pi * off / 100.0)) / weight.sum()
        folded = float(np.angle(mean)) * 100.0 / (2 * np.pi)
        middle, length = near + apart_cents(folded, near), float(np.abs(mean))
    return middle, length


def _knees(midi: Array) -> Array:
    """Smooth bends of the stretch, 0 at A4: below A2, A2 to A4, A4 to A5, above A5; (k, 4)."""
    x = (midi - A4_MIDI) / 12.0
    return np.stack(
        [
            -(np.maximum(-2.0 - x, 0.0) ** 2),
            -(np.clip(-x, 0.0, 2.0) ** 2) / 4.0,
            np.clip(x, 0.0, 1.0) ** 2,
            np.maximum(x - 1.0, 0.0) ** 2,
        ],
        axis=1,
    )


def _fit(midi: Array, off: Array, sd: Array, weight: Array, stretches: bool) -> Reading:
    """Fit offset and bends by reweighted least squares (Huber 1964, from memory), bends shrunk."""
    knees = _knees(midi) if stretches else np.zeros((len(midi), 4))
    columns = np.concatenate([np.ones((len(midi), 1)), knees], axis=1)
    shrink = np.diag([0.0, *(1.0 / np.array(BEND_CENTS) ** 2)])
    share = weight / weight.mean()
    solved = np.array([np.median(off), 0.0, 0.0, 0.0, 0.0])
    for _ in range(12):
        rest = off - columns @ solved
        scale = max(spread_of(rest, 0.0), OWN_SPREAD_CENTS)
        pull = np.abs(rest) / np.hypot(scale, sd)
        trust = np.where(pull < 1.5, 1.0, 1.5 / np.maximum(pull, 1.5))
        trust[pull > 5.0] = 0.0  # another note, or a wrong one
        w = share * trust / scale**2
        inverse = np.linalg.inv((columns * w[:, None]).T @ columns + shrink)
        solved = inverse @ (columns.T @ (w * off))
    used = trust > 0
    # weights are uneven, so their sum counts for fewer notes than there are
    crowd = float(share[used].sum() ** 2 / (share[used] ** 2).sum()) / max(int(used.sum()), 1)
    return Reading(
        offset_cents=float(solved[0]),
        uncertainty_cents=float(np.sqrt(inverse[0, 0] / max(crowd, 0.1))),
        bends=solved[1:],
        notes_used=int(used.sum()),
        midi=midi[used],
        spread_cents=scale,
        off=off,
        weight=weight,
    )


def apart_cents(one_cents: float, other_cents: float) -> float:
    """Difference of two offsets that are known modulo a semitone, -50..50 cents."""
    return float(folded_cents(one_cents - other_cents))


@overload
def folded_cents(away: float) -> float: ...
@overload
def folded_cents(away: Array) -> Array: ...
def folded_cents(away: float | Array) -> float | Array:
    """What is known modulo a semitone, -50..50 cents."""
    return (away + 50.0) % 100.0 - 50.0


def stretch_of(reading: Reading, a4_hz: float) -> tuple[tuple[int, float], ...]:
    """Publish the curve at each A and at the notes heard, within their range, cents off equal.

    Without a bend there is no curve to publish.
    """
    if not reading.bends.any():
        return ()
    shift = round((reading.offset_cents - cents(a4_hz, STANDARD_A4_HZ)) / 100.0)
    heard = {int(m) + shift for m in reading.midi}
    every_a = {m for m in range(21, 109, 12) if min(heard) <= m <= max(heard)}
    midi = np.array(sorted(heard | every_a | {A4_MIDI}), dtype=float)
    curve = _knees(midi - shift) @ reading.bends
    if shift:  # the curve was fitted around another note; A4 itself carries none
        curve = curve - float(np.interp(A4_MIDI, midi, curve))
    return tuple((int(m), round(float(c), 2)) for m, c in zip(midi, curve, strict=True))
