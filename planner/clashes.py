"""Notes of different stems that sound together and beat, beyond what their temperament gives."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.clear.band_share import band_shares, partial_level
from planner.model import FIXED_ROLES, Floats, Role

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
ClashKind = Literal["soft", "sour", "harsh", "rough"]

# A clash needs this much time together: chosen, a fifth of a second holds half a beat of the
# slowest beating that is called sour below.
LEAST_OVERLAP_S = 0.15

# Partials that two notes can share: p of the lower with q of the upper. Small-integer ratios, of
# partials that the ear tells from those beside them: five to seven of a tone (R. Plomp, JASA 36,
# 1964, 1628; from memory). Higher ones beat among louder neighbours: dissonant intervals are only
# crudely judged (Hall and Hess, Music Perception 2, 1984, 166).
_RATIOS = np.array(
    [(1, 1), (6, 5), (5, 4), (4, 3), (3, 2), (5, 3), (2, 1), (5, 2), (3, 1), (4, 1), (5, 1),
     (6, 1)],
    dtype=float,
)  # fmt: skip
_RATIO_CENTS = 1200.0 * np.log2(_RATIOS[:, 0] / _RATIOS[:, 1])
_NEAR_RATIO_CENTS = 60.0  # chosen: wider than any temperament's thirds, less than a semitone

# Beats a second and beats in all; common practice, no source. Below half a beat there is no
# beating, only a pitch beside another; beyond 15 a second it is heard as roughness.
_LEAST_CYCLES = 0.5
_FULL_CYCLES = 1.0
_SOUR_HZ, _HARSH_HZ, _ROUGH_HZ = 0.5, 6.0, 15.0
# Chosen: an interval that beats by its temperament must beat half as fast again to be heard as
# worse. A tempered third is then 7 cents wider yet, near the 8 that a held harmony is allowed.
# Dissonant intervals are only crudely judged (Hall and Hess, Music Perception 2, 1984, 166).
_FASTER_SHARE = 0.5

EXPOSED_WEIGHT = 0.15  # chosen: two equal notes a third apart weigh 0.2
SORE_KINDS = frozenset({"sour", "harsh", "rough"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundingNote:
    """One note as the other stems meet it, on the session's common clock."""

    id: str
    stem: str
    role: Role
    midi: int  # intended
    start_s: float
    end_s: float
    heard_hz: float
    target_hz: float
    level_db: float  # against the loud notes of its own part
    uncertainty_cents: float = 0.0
    vibrato_half_cents: float = 0.0
    upper_db: float = math.inf  # all partials above the first, against it; inf: not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Clash:
    """Two notes of different stems that beat more than their targets would."""

    lower_id: str
    upper_id: str
    p: int  # partial of the lower note
    q: int  # partial of the upper note
    beating_hz: float  # as it sounds
    given_hz: float  # what the targets themselves would beat
    cycles: float  # beats beyond what is given, over the whole overlap
    start_s: float
    end_s: float
    kind: ClashKind
    weight: float  # 0..1, how plainly it can be heard among all that sounds


def beating_hz(lower_hz: float, upper_hz: float, p: int, q: int) -> float:
    """Give the beats a second between partial p of the lower and q of the upper note.

    ``|q f_upper - p f_lower|`` (Helmholtz, On the Sensations of Tone, part II).
    """
    return abs(q * upper_hz - p * lower_hz)


def clash_kind(excess_hz: float, overlap_s: float) -> ClashKind | None:
    """Say what a beating of so many a second is heard as over an overlap; None is nothing."""
    cycles = excess_hz * overlap_s
    if cycles < _LEAST_CYCLES:
        return None
    if excess_hz > _ROUGH_HZ:
        return "rough"
    if excess_hz > _HARSH_HZ:
        return "harsh"
    if excess_hz >= _SOUR_HZ and cycles >= _FULL_CYCLES:
        return "sour"
    return "soft"


def overlapping_pairs(
    start_s: Floats, end_s: Floats, part: Ints, least_s: float
) -> tuple[Ints, Ints, Floats]:
    """Find all pairs of notes of different parts that sound together long enough.

    start_s, end_s : (n,) in s; ``start_s`` must rise
    part : (n,) which part each note belongs to
    least_s : shortest overlap in s

    Returns
    -------
    first, second : (m,) indices, the note that starts first in ``first``
    overlap_s : array (m,)
    """
    n = len(start_s)
    # Whatever starts after a note and before its end overlaps it: one stretch of the sorted starts.
    # A microsecond of slack, then rounded: a common delay must not decide at the edge.
    stop = np.searchsorted(start_s, end_s - least_s + 1e-6, side="right")
    counts = np.maximum(stop - np.arange(n) - 1, 0)
    first = np.repeat(np.arange(n), counts)
    steps = np.arange(len(first)) - np.repeat(np.cumsum(counts) - counts, counts)
    second = first + 1 + steps
    overlap_s = np.round(np.minimum(end_s[first], end_s[second]) - start_s[second], 6)
    keep = (part[first] != part[second]) & (overlap_s >= least_s)
    return first[keep], second[keep], overlap_s[keep]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Meetings:
    """Which notes of different stems sound together, and which partials they share.

    Rests on targets, times and levels alone, so it holds however the notes are moved.
    """

    notes: tuple[SoundingNote, ...]  # by start, then id
    low: Ints  # (m,) index of the note whose target is lower
    high: Ints
    p: Floats  # (m,) partial of the lower note
    q: Floats
    start_s: Floats
    overlap_s: Floats
    given_hz: Floats  # what the targets themselves would beat
    weight: Floats  # 0..1, how plainly a beating can be heard among all that sounds
    unsure_cents: Floats  # (n,) of each note
    vibrato_half_cents: Floats  # (n,)


def find_meetings(notes: Iterable[SoundingNote]) -> Meetings:
    """Find the pairs of notes of different stems that sound together and share partials."""
    ordered = tuple(sorted(notes, key=lambda n: (n.start_s, n.id)))
    start_s = np.array([n.start_s for n in ordered])
    end_s = np.array([n.end_s for n in ordered])
    first, second, overlap_s = overlapping_pairs(
        start_s, end_s, part_numbers(ordered), LEAST_OVERLAP_S
    )
    target = np.array([n.target_hz for n in ordered])
    level = np.array([n.level_db for n in ordered])
    upper = np.array([n.upper_db for n in ordered])

    swap = target[first] > target[second]
    # Equal targets: the order of the ids, so that the order of the stems says nothing.
    ids = np.array([n.id for n in ordered])
    swap |= (target[first] == target[second]) & (ids[first] > ids[second])
    low = np.where(swap, second, first)
    high = np.where(swap, first, second)
    interval = 1200.0 * np.log2(target[high] / target[low])
    away = np.abs(interval[:, None] - _RATIO_CENTS[None, :])
    which = away.argmin(axis=1) if len(away) else np.zeros(0, dtype=int)
    near = away.min(axis=1, initial=np.inf) <= _NEAR_RATIO_CENTS
    low, high, which = low[near], high[near], which[near]
    p, q = _RATIOS[which, 0], _RATIOS[which, 1]
    share = band_shares((start_s, end_s), target, level, upper, (low, high), (p, q))
    return Meetings(
        notes=ordered,
        low=low,
        high=high,
        p=p,
        q=q,
        start_s=start_s[second[near]],
        overlap_s=overlap_s[near],
        given_hz=np.abs(q * target[high] - p * target[low]),
        weight=share * shared_weights(level[low], level[high], p, q, (upper[low], upper[high])),
        unsure_cents=np.array([n.uncertainty_cents for n in ordered]),
        vibrato_half_cents=np.array([n.vibrato_half_cents for n in ordered]),
    )


def can_be_sore(met: Meetings) -> Bools:
    """Say which meetings are plain enough to be heard sour."""
    return np.asarray(met.weight >= EXPOSED_WEIGHT)


def nobodys(met: Meetings) -> Bools:
    """Say which meetings are of two notes that nobody can move: no plan makes or clears them."""
    fixed = np.array([n.role in FIXED_ROLES for n in met.notes], dtype=bool)
    return np.asarray(fixed[met.low] & fixed[met.high])


def sounds_sour(met: Meetings, heard_hz: Floats, chosen: Ints) -> Bools:
    """Say which of some meetings are sour, of those that can be (`can_be_sore`); array (k,)."""
    _, excess, counts, still = _beating(met, heard_hz, chosen)
    enough = excess * met.overlap_s[chosen] >= _FULL_CYCLES
    return counts & still & ((excess > _HARSH_HZ) | ((excess >= _SOUR_HZ) & enough))


def _beating(met: Meetings, heard_hz: Floats, chosen: Ints) -> tuple[Floats, Floats, Bools, Bools]:
    """Beats a second, what of them is not given, where that counts as beating, and stands still.

    It counts where it makes half a beat at least, exceeds twice its uncertainty, and half of what
    is given. It does not stand where a vibrato reaches as far as the notes lie off: each swing then
    passes the place where they do not beat (vibrato does away with the beats of mistuned intervals:
    J. Sundberg, The perception of singing, in D. Deutsch, The Psychology of Music; from memory).
    """
    low, high, p, q = met.low[chosen], met.high[chosen], met.p[chosen], met.q[chosen]
    unsure, given = met.unsure_cents, met.given_hz[chosen]
    upper, lower = q * heard_hz[high], p * heard_hz[low]
    beats = np.abs(upper - lower)
    excess = beats - given
    hz_a_cent = np.log(2.0) / 1200.0
    doubt = hz_a_cent * np.hypot(upper * unsure[high], lower * unsure[low])
    swing = np.maximum(met.vibrato_half_cents[low], met.vibrato_half_cents[high])
    cycles = excess * met.overlap_s[chosen]
    counts = (cycles >= _LEAST_CYCLES) & (excess > 2.0 * doubt) & (excess >= _FASTER_SHARE * given)
    return beats, excess, counts, excess > hz_a_cent * swing * upper


def find_clashes(notes: Iterable[SoundingNote]) -> tuple[Clash, ...]:
    """Find the pairs of notes of different stems that beat beyond what their targets give.

    A tempered third beats by nature, so only the beating above that of the two targets counts, and
    only where it exceeds twice its uncertainty and half of what is given. Sorted by time, then ids.
    """
    met = find_meetings(notes)
    return clashes_at(met, np.array([n.heard_hz for n in met.notes]))


def clashes_at(met: Meetings, heard_hz: Floats) -> tuple[Clash, ...]:
    """Find the clashes among notes that have met, as `find_clashes`, wherever they are moved to."""
    if not met.notes:
        return ()
    beats, excess, counts, still = _beating(met, heard_hz, np.arange(len(met.low)))
    clashes = []
    for k in np.flatnonzero(counts):
        excess_hz, overlap_s = float(excess[k]), float(met.overlap_s[k])
        kind = clash_kind(excess_hz, overlap_s)
        if kind is None:
            continue
        began = float(met.start_s[k])
        clashes.append(
            Clash(
                lower_id=met.notes[met.low[k]].id,
                upper_id=met.notes[met.high[k]].id,
                p=int(met.p[k]),
                q=int(met.q[k]),
                beating_hz=float(beats[k]),
                given_hz=float(met.given_hz[k]),
                cycles=excess_hz * overlap_s,
                start_s=began,
                end_s=began + overlap_s,
                kind=kind if still[k] else "soft",
                weight=float(met.weight[k]),
            )
        )
    return tuple(sorted(clashes, key=lambda c: (c.start_s, c.lower_id, c.upper_id)))


def worst_clashes(clashes: Iterable[Clash]) -> dict[str, Clash]:
    """Give each note's worst clash, by how bad, how plain and how long it is."""
    rank = {"soft": 0, "sour": 1, "harsh": 2, "rough": 3}
    worst: dict[str, tuple[tuple[float, int, float, str, str], Clash]] = {}
    for clash in clashes:
        plain = _plainer(clash, rank)
        for note_id in (clash.lower_id, clash.upper_id):
            other = worst.get(note_id)
            if other is None or plain > other[0]:
                worst[note_id] = plain, clash
    return {note_id: clash for note_id, (_, clash) in worst.items()}


def _plainer(clash: Clash, rank: dict[str, int]) -> tuple[float, int, float, str, str]:
    """By how plain, how bad and how long; then by ids, so that no order of finding decides."""
    lasts = round(clash.end_s - clash.start_s, 6)
    points = round(clash_points(clash), 6)
    return (points, rank[clash.kind], lasts, clash.lower_id, clash.upper_id)


def clash_points(clash: Clash) -> float:
    """Weigh a clash from 0 to 25 for the ranking: its kind times how plainly it is heard."""
    # Chosen: harsh is worst, since rough is heard as a wrong note more than as beating.
    kinds = {"soft": 5.0, "sour": 18.0, "harsh": 25.0, "rough": 20.0}
    return kinds[clash.kind] * math.sqrt(clash.weight)


def part_numbers(notes: Iterable[SoundingNote]) -> Ints:
    """Number the stems of some notes, in the alphabetical order of their codes."""
    stems = [n.stem for n in notes]
    number = {code: k for k, code in enumerate(sorted(set(stems)))}
    return np.array([number[code] for code in stems], dtype=np.int64)


def shared_weights(
    low_db: Floats,
    high_db: Floats,
    p: Floats,
    q: Floats,
    upper_db: tuple[Floats, Floats] | None = None,
) -> Floats:
    """How plainly a beating can be heard, 0 to 1: equal, strong shared partials beat deepest.

    The depth is the smaller over the larger of the two partials, the strength the larger one
    against the mean of the two notes.

    upper_db: of the low and the high notes, all partials above the first, against it
    """
    low, high = 10.0 ** (low_db / 20.0), 10.0 ** (high_db / 20.0)
    low_upper, high_upper = upper_db or (np.zeros(len(p)), np.zeros(len(q)))
    a, b = low * partial_level(p, low_upper), high * partial_level(q, high_upper)
    depth = np.minimum(a, b) / np.maximum(a, b)
    strength = np.minimum(1.0, 2.0 * np.maximum(a, b) / (low + high))
    return np.asarray(depth * strength)
