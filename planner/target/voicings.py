"""Held chords of a fixed instrument that sound sour: nobody can move them, but they can be voiced.

Two notes of a chord beat where a partial of one nearly meets a partial of the other. Partials are
taken where the measured first partial and stiffness put them, so that an octave tuned to its own
strings counts as clean. A tempered third beats by nature: what counts is the beating beyond that of
the two targets (keys out of tune), and thirds and sixths so low that they beat slowly enough to be
heard as growling.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.clashes import EXPOSED_WEIGHT, SORE_KINDS, clash_kind, shared_weights
from planner.pitch import note_name
from planner.targets import Aimed

HELD_S = 1.0  # chosen: a shorter chord is gone before it is heard to beat
LOW_HELD_S = 2.0  # chosen: the longest class of the tolerances
LOW_MIDI = 48  # C3; thirds and sixths about or below it growl (common practice, no source)
APART_CENTS = 4.0  # common practice, no source: two fixed pitches nearer than this are accepted
MIDDLE_C = 60
MOST_CHORDS = 8  # chosen: as many as one sitting at the piano mends
# The lowest partials that meet, by semitones: p of the lower note with q of the upper.
MEETING = {
    0: (1, 1), 3: (6, 5), 4: (5, 4), 5: (4, 3), 7: (3, 2), 8: (8, 5), 9: (5, 3), 12: (2, 1),
    15: (12, 5), 16: (5, 2), 17: (8, 3), 19: (3, 1), 24: (4, 1), 28: (5, 1), 31: (6, 1),
}  # fmt: skip
THIRDS_AND_SIXTHS = frozenset({3, 4, 8, 9})
_PER_CENT = np.log(2.0) / 1200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourPair:
    """Two notes of a held chord that beat."""

    lower: str  # note ids
    upper: str
    lower_midi: int
    upper_midi: int
    beating_hz: float
    given_hz: float  # what the targets would beat
    start_s: float  # of the time they sound together, the stem's own clock
    end_s: float
    low: bool  # a third or sixth too low, not one out of tune
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SourChord:
    """A held chord that sounds sour, everywhere it comes."""

    midi: tuple[int, ...]  # ascending
    places: tuple[tuple[float, float], ...]  # (start_s, end_s), by start
    covers: tuple[str, ...]  # ids of all its notes
    worst: SourPair
    ways: tuple[str, ...]  # what a player could do, in words


def sour_chords(aimed: Sequence[Aimed]) -> tuple[SourChord, ...]:
    """Find the held chords of one stem that sound sour, worst first, at most `MOST_CHORDS`.

    Chords of the same keys count as one that comes several times.
    """
    held, pairs = _held(aimed), pairs_held(aimed)
    groups: dict[tuple[int, ...], list[tuple[SourPair, tuple[Aimed, ...]]]] = defaultdict(list)
    for pair in pairs:
        chord = _with(pair, held)
        groups[tuple(sorted({a.target.intended_midi for a in chord}))].append((pair, chord))
    chords = []
    for midi, found in groups.items():
        worst = max((pair for pair, _ in found), key=_points)
        spans = sorted({_span(chord) for _, chord in found})
        ids = {a.measured.id for _, chord in found for a in chord}
        chords.append(
            SourChord(
                midi=midi,
                places=tuple(spans),
                covers=tuple(sorted(ids)),
                worst=worst,
                ways=_ways(midi, worst),
            )
        )
    chords.sort(key=lambda c: (-_points(c.worst) * np.sqrt(len(c.places)), c.places[0], c.midi))
    return tuple(chords[:MOST_CHORDS])


def pairs_held(aimed: Sequence[Aimed]) -> list[SourPair]:
    """Find the pairs of held notes of one stem that beat sourly together, by their starts."""
    together = (sour_pair(one, two) for one, two in _together(_held(aimed)))
    return [pair for pair in together if pair is not None]


def _held(aimed: Sequence[Aimed]) -> list[Aimed]:
    measured = [a for a in aimed if a.measured.measurement.heard_hz is not None]
    return [a for a in measured if a.measured.note.length_s >= HELD_S]


def _together(held: Sequence[Aimed]) -> Iterator[tuple[Aimed, Aimed]]:
    """Go through the pairs of notes that sound together long enough."""
    ordered = sorted(held, key=lambda a: (a.measured.note.start_s, a.measured.id))
    for k, one in enumerate(ordered):
        for two in ordered[k + 1 :]:
            if two.measured.note.start_s > one.measured.note.end_s - HELD_S:
                break
            yield one, two


def sour_pair(one: Aimed, two: Aimed) -> SourPair | None:
    """Say whether two notes of one stem beat sourly together; None where they do not."""
    lower, upper = sorted((one, two), key=lambda a: a.target.intended_midi)
    steps = upper.target.intended_midi - lower.target.intended_midi
    start_s = max(one.measured.note.start_s, two.measured.note.start_s)
    end_s = min(one.measured.note.end_s, two.measured.note.end_s)
    if steps == 0 or steps not in MEETING or round(end_s - start_s, 6) < HELD_S:
        return None
    p, q = MEETING[steps]
    beats = abs(_partial_hz(upper, q) - _partial_hz(lower, p))
    given = abs(_partial_hz(upper, q, aimed_at=True) - _partial_hz(lower, p, aimed_at=True))
    doubt = _PER_CENT * float(
        np.hypot(_partial_hz(upper, q) * _unsure(upper), _partial_hz(lower, p) * _unsure(lower))
    )
    level = np.array([[a.measured.note.level_db] for a in (lower, upper)])
    level -= level.max()
    weight = float(shared_weights(level[0], level[1], np.array([p]), np.array([q]))[0])
    kind = clash_kind(beats - given, end_s - start_s)
    out_of_tune = (
        kind in SORE_KINDS
        and beats - given > 2.0 * doubt
        and weight >= EXPOSED_WEIGHT
        and round(abs((upper.heard_cents or 0.0) - (lower.heard_cents or 0.0)), 1) >= APART_CENTS
    )
    middle = (lower.target.intended_midi + upper.target.intended_midi) / 2
    growls = clash_kind(beats, end_s - start_s) in SORE_KINDS and end_s - start_s >= LOW_HELD_S
    low = steps in THIRDS_AND_SIXTHS and middle < LOW_MIDI and growls
    if not (out_of_tune or low):
        return None
    return SourPair(
        lower=lower.measured.id,
        upper=upper.measured.id,
        lower_midi=lower.target.intended_midi,
        upper_midi=upper.target.intended_midi,
        beating_hz=beats,
        given_hz=given,
        start_s=start_s,
        end_s=end_s,
        low=not out_of_tune,
        weight=weight,
    )


def _partial_hz(a: Aimed, number: int, *, aimed_at: bool = False) -> float:
    """Partial of a note where it was measured, or where its target would put it, Hz."""
    m = a.measured.measurement
    f1_hz = a.target.target_hz if aimed_at else (m.heard_hz or a.target.target_hz)
    b = m.inharmonicity_b or 0.0
    return float(number * f1_hz * np.sqrt((1.0 + b * number**2) / (1.0 + b)))


def _unsure(a: Aimed) -> float:
    return a.measured.measurement.uncertainty_cents or 0.0


def _points(pair: SourPair) -> float:
    """How sour a pair is for how long; one out of tune counts above one that is only low."""
    length_s = min(pair.end_s - pair.start_s, 4.0)
    return (1.0 if pair.low else 3.0) * float(np.sqrt(pair.weight)) * length_s


def _with(pair: SourPair, held: Sequence[Aimed]) -> tuple[Aimed, ...]:
    """All held notes that sound through most of a pair's time."""
    least_s = 0.5 * (pair.end_s - pair.start_s)
    return tuple(
        a
        for a in held
        if min(a.measured.note.end_s, pair.end_s) - max(a.measured.note.start_s, pair.start_s)
        >= least_s
    )


def _span(chord: Sequence[Aimed]) -> tuple[float, float]:
    notes = [a.measured.note for a in chord]
    return round(min(n.start_s for n in notes), 4), round(max(n.end_s for n in notes), 4)


def _ways(midi: Sequence[int], worst: SourPair) -> tuple[str, ...]:
    """What a player could do about a chord (common practice, no source)."""
    steps = worst.upper_midi - worst.lower_midi
    lower, upper = note_name(worst.lower_midi), note_name(worst.upper_midi)
    ways = []
    if steps in THIRDS_AND_SIXTHS and worst.lower_midi + worst.upper_midi < 2 * LOW_MIDI:
        ways.append(f"open the low {'third' if steps < 5 else 'sixth'} {lower} {upper}")
    elif steps % 12 in THIRDS_AND_SIXTHS and worst.upper_midi < MIDDLE_C:
        ways.append(f"lift {upper} above middle C")
    doubled = [m for m in midi if m % 12 == worst.upper_midi % 12]
    if len(doubled) > 1:
        ways.append(f"leave out one of {' and '.join(note_name(m) for m in doubled)}")
    return (*ways, "hold it shorter", "use less pedal")
