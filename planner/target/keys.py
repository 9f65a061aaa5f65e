"""Where each key of a fixed instrument stands, so that one bad key shows among good ones.

A key's mean is taken over all its notes, against the session A4 with the reference's smooth
stretch. How far notes of one key scatter is known from all keys together, so that two notes do not
seem surer than they are. What stands out is judged against the keys around it, not against the
curve alone: where the curve fits badly, neighbours share its error.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from planner.model import FIXED_ROLES, KeyReading, MeasuredNote, SessionA4, StemNotes
from planner.pitch import cents, hz_to_midi
from planner.words.session_model import Session
from planner.words.spread import doubt_of_middle, spread_of

Array = NDArray[np.float64]

WORST_CENTS = 8.0  # chosen: a less certain note is not asked, as for the session A4
SAME_KEY_CENTS = 0.3  # chosen: two strokes of one key never read closer (touch, what else sounds)
TUNERS_CENTS = 0.5  # chosen: the best-kept instrument's keys scatter so much about a smooth curve
FEWEST_NOTES = 2  # one stroke may be another note's partial
TOLD_CENTS = 4.0  # common practice, no source: fixed pitches this close are accepted
CLIPPED = 2.5  # chosen: beyond so many deviations a key counts as bad
CLIPPED_KEEPS = 0.9546  # of the deviation: a normal spread cut at 2.5 to either side
FALSE_ALARM = 0.01  # chosen: one instrument in a hundred without a bad key may show one
NEIGHBOURS, NEAR_SEMITONES, FEWEST_NEIGHBOURS = 6, 12, 3  # chosen: within an octave, a median of 3
STRINGS_TOLD_CENTS = 1.0  # chosen: unisons closer than this count as clean (beats of seconds)
LONG_S = 2.0  # chosen: a single note so long may say of its strings what two others would


@dataclass(frozen=True, slots=True, kw_only=True)
class _Key:
    """The notes of one key: deviations and their uncertainties, cents."""

    notes: tuple[MeasuredNote, ...]
    off: Array
    sd: Array


def with_keys(
    session: Session, stems: Sequence[StemNotes], a4: SessionA4, curve: Mapping[int, float]
) -> SessionA4:
    """Add to the session A4 where each key of every fixed instrument stands.

    curve: Hz of every MIDI note where the session A4, the temperament and all of the stretch put
    it (see `planner.targets.curve_hz`). The pitch reference's keys come first, then stem by stem
    in alphabetical order.
    """
    fixed = sorted(
        (stem for stem in stems if stem.role in FIXED_ROLES),
        key=lambda stem: (stem.code != session.reference_from, stem.code),
    )
    return replace(a4, keys=tuple(key for stem in fixed for key in key_readings(stem, curve)))


def followed_key(midi: int, session: Session, a4: SessionA4) -> KeyReading | None:
    """Give the pitch reference's reading of one key; None where it was not heard twice."""
    if not a4.keys or session.reference_from not in (None, a4.keys[0].stem):
        return None
    for key in a4.keys:
        if key.stem == a4.keys[0].stem and key.midi == midi and key.notes >= FEWEST_NOTES:
            return key
    return None


def key_readings(stem: StemNotes, curve: Mapping[int, float]) -> tuple[KeyReading, ...]:
    """Read every key of one instrument, lowest first."""
    keys = _by_key(stem, curve)
    if not keys:
        return ()
    same = _scatter_within(keys.values())
    means = {midi: _mean(key, same) for midi, key in keys.items()}
    several = [m for m, key in keys.items() if len(key.off) >= FEWEST_NOTES]
    tuner = _scatter_between([means[m] for m in several])
    limit = _limit(len(several))
    readings = []
    for midi in sorted(keys):
        mean, doubt = means[midi]
        near = sorted((m for m in several if 0 < abs(m - midi) <= NEAR_SEMITONES),
                      key=lambda m: (abs(m - midi), m))[:NEIGHBOURS]  # fmt: skip
        beside, stands_out = None, False
        if len(near) >= FEWEST_NEIGHBOURS and midi in several:
            beside = mean - float(np.median([means[m][0] for m in near]))
            expected = np.hypot(doubt, tuner * np.sqrt(1.0 + doubt_of_middle(1.0, len(near)) ** 2))
            stands_out = round(abs(beside), 1) >= TOLD_CENTS and abs(beside) > limit * expected
        apart, apart_doubt, counted = _strings(keys[midi].notes)
        readings.append(
            KeyReading(
                stem=stem.code,
                midi=midi,
                notes=len(keys[midi].off),
                mean_cents=mean,
                uncertainty_cents=doubt,
                drawn_cents=_drawn(mean, doubt, tuner),
                beside_cents=beside,
                stands_out=bool(stands_out),
                strings_apart_cents=apart,
                strings_uncertainty_cents=apart_doubt,
                strings_notes=counted,
            )
        )
    return tuple(readings)


def notes_of_key(
    stem: StemNotes, midi: int, curve: Mapping[int, float]
) -> tuple[MeasuredNote, ...]:
    """Give the measured notes of one key, by start."""
    key = _by_key(stem, curve).get(midi)
    return key.notes if key is not None else ()


def _by_key(stem: StemNotes, curve: Mapping[int, float]) -> dict[int, _Key]:
    found: dict[int, list[tuple[MeasuredNote, float, float]]] = defaultdict(list)
    for n in stem.notes:
        m = n.measurement
        if m.sustain_hz is None or m.uncertainty_cents is None:
            continue
        if m.uncertainty_cents > WORST_CENTS or m.confidence not in ("firm", "fair"):
            continue
        about = round(hz_to_midi(m.sustain_hz))
        near = [k for k in (about - 1, about, about + 1) if k in curve]
        if not near:
            continue
        midi = min(near, key=lambda k: abs(cents(m.sustain_hz or 0.0, curve[k])))
        found[midi].append((n, cents(m.sustain_hz, curve[midi]), m.uncertainty_cents))
    return {
        midi: _Key(
            notes=tuple(row[0] for row in rows),
            off=np.array([row[1] for row in rows]),
            sd=np.array([row[2] for row in rows]),
        )
        for midi, rows in found.items()
    }


def _scatter_within(keys: Iterable[_Key]) -> float:
    """How far strokes of one key lie apart beyond their own uncertainty, all keys together."""
    keys = list(keys)
    away = [
        # n notes lie nearer their own middle than the true one by sqrt((n - 1) / n)
        (key.off - np.median(key.off)) * np.sqrt(len(key.off) / (len(key.off) - 1.0))
        for key in keys
        if len(key.off) >= FEWEST_NOTES
    ]
    if not away:
        return 2.0 * SAME_KEY_CENTS
    scale = spread_of(np.concatenate(away), 0.0)
    stated = float(np.median(np.concatenate([key.sd for key in keys])))
    return float(np.sqrt(max(scale**2 - stated**2, SAME_KEY_CENTS**2)))


def _mean(key: _Key, same_cents: float) -> tuple[float, float]:
    """Mean of a key's strokes and its uncertainty; strokes far from the others are left out."""
    sd = np.hypot(key.sd, same_cents)
    near = np.abs(key.off - np.median(key.off)) <= 5.0 * sd
    if near.sum() < min(FEWEST_NOTES, len(sd)):
        near = np.ones(len(sd), dtype=bool)  # two strokes that contradict each other: both count
    weight = 1.0 / sd[near] ** 2
    mean = float((weight * key.off[near]).sum() / weight.sum())
    doubt = float(np.sqrt(1.0 / weight.sum()))
    if near.sum() >= 2:
        chi = float((weight * (key.off[near] - mean) ** 2).sum() / (near.sum() - 1))
        doubt *= float(np.sqrt(max(1.0, chi)))
    return mean, doubt


def _scatter_between(means: Sequence[tuple[float, float]]) -> float:
    """How far good keys lie from the smooth curve: the tuner's own scatter, cents."""
    if len(means) < FEWEST_NEIGHBOURS:
        return 2.0 * TUNERS_CENTS
    mean, doubt = np.array(means).T
    away = np.abs(mean - np.median(mean))
    scale = max(spread_of(away, 0.0), TUNERS_CENTS)
    for _ in range(5):  # the bad keys left out, whose share a normal spread would lose besides
        near = away <= CLIPPED * scale
        scale = max(float(np.sqrt(np.mean(away[near] ** 2))) / CLIPPED_KEEPS, TUNERS_CENTS)
    return float(np.sqrt(max(scale**2 - float(np.median(doubt)) ** 2, TUNERS_CENTS**2)))


def _limit(keys: int) -> float:
    """How many of its own deviations a key must lie off to stand out of so many.

    Student's t at `FALSE_ALARM`, shared out over the keys and both sides (Bonferroni), since the
    deviation itself comes from the same keys; as a series (Abramowitz and Stegun, Handbook of
    Mathematical Functions, 26.7.5, from memory).
    """
    z = NormalDist().inv_cdf(1.0 - FALSE_ALARM / (2.0 * max(keys, 1)))
    free = max(keys - 1, 1)
    return z + (z**3 + z) / (4.0 * free) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * free**2)


def _drawn(mean: float, doubt: float, tuner: float) -> float:
    """Draw a mean to the curve by what is uncertain of it, never by more than its uncertainty.

    Limited translation (B. Efron and C. Morris, Journal of the American Statistical Association
    67, 1972, 130, from memory): a key far from the others is no likelier to be an error.
    """
    by = mean * doubt**2 / (doubt**2 + tuner**2)
    return mean - float(np.clip(by, -doubt, doubt))


def _strings(notes: Sequence[MeasuredNote]) -> tuple[float | None, float | None, tuple[int, int]]:
    """Distance of a key's strings as far as its notes agree: cents, uncertainty, counts."""
    told = [
        (m.strings_apart_cents, m.strings_apart_uncertainty_cents, n.note.length_s)
        for n in notes
        if (m := n.measurement).strings_apart_cents is not None
        and m.strings_apart_uncertainty_cents is not None
    ]
    beating = [one for one in told if one[0] > 0.0]
    if not beating:
        return None, None, (0, len(told))
    middle = float(np.median([apart for apart, _, _ in beating]))
    agree = [one for one in beating if abs(one[0] - middle) <= 3.0 * one[1] + 0.2 * middle]
    # A note with one pitch speaks against it only where it would have shown the distance.
    could = len(beating) + sum(apart == 0.0 and least < middle for apart, least, _ in told)
    counted = (len(agree), could)
    enough = len(agree) >= 2 or (len(agree) == 1 and agree[0][2] >= LONG_S)
    if not enough or 2 * len(agree) <= could:
        return None, None, counted
    apart, sd, _ = np.array(agree).T
    weight = 1.0 / sd**2
    mean = float((weight * apart).sum() / weight.sum())
    scatter = float(np.std(apart, ddof=1) / np.sqrt(len(apart))) if len(apart) > 1 else 0.0
    return mean, max(float(np.sqrt(1.0 / weight.sum())), scatter), counted
