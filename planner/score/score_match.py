"""Which played note is which note of the score: two lists of notes laid beside each other.

The score keeps its own time and the playing its own; the score may be written at another pitch. So
notes are chained by pitch and by how the steps in time compare, the chain says where each score
note falls in the stem, and the pairs are taken there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.score.note_chain import (
    CHORD_S,
    FAR_SEMITONES,
    FREE_OCTAVES,
    Array,
    Ints,
    pace_of,
    worthiest_chain,
)

ScoreNote = tuple[float, float, int]  # start_s, end_s, MIDI note; by start, then pitch

_NEIGHBOUR_SEMITONES = 3.0  # chosen: a wrong note in its place is a step or a small third away
_NEIGHBOUR_S = 0.12  # chosen: and it starts where the written one does
# Chosen: how far from where the score puts it a note may start. In slow music, where the pace is
# known from few notes, half of the way to the next note.
_NEAR_S, _NEAR_SLOW_S = 0.25, 0.7
_LOCAL_PAIRS = 9  # chosen: some two bars around a note say how fast the playing goes there
_STRAY_S = 0.5  # chosen: further from its neighbours' line than any rubato bends it
_OCTAVES = (12, -12, 24, -24)
_OTHERS_TRIED = 3  # chosen: besides as written and octaves, the likeliest transpositions
_PLAIN_SHARE = 0.8  # chosen: a chain worth so much of all notes leaves no other reading
# A tie goes to the likelier reading: as written, then octaves. Chosen.
_AS_WRITTEN, _BY_OCTAVES = 1.15, 1.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StemScore:
    """The score of one stem as a session gives it; plain data that a worker can take along."""

    name: str  # for sentences: "track Cello of cello_part.mid"
    notes: tuple[ScoreNote, ...]
    transpose: int | None = None  # semitones that the part sounds above the score, typed
    later_s: float | None = None  # how much later it sounds than the score says, typed
    # Where tick 0 of the score may lie in the stem: its first sample, bar 1, a guide's start.
    zero_s: tuple[float, ...] = (0.0,)
    words: tuple[str, ...] = ()  # sung on each note, empty where the score has none

    @property
    def expected_s(self) -> tuple[float, ...]:
        return self.zero_s if self.later_s is None else (self.later_s,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoreMatch:
    """How a stem and its score lie beside each other."""

    pairs: tuple[tuple[int, int], ...]  # (index of the found note, of the score note), by score
    transpose: int  # semitones that the playing sounds above the score
    offset_semitones: float  # how far the playing stands off beyond that, its middle
    later_s: float  # at the first notes that match
    zero_s: float  # where the score's tick 0 falls, as the tempo of the first notes goes
    placed_s: Array  # (m,) where each score note falls in the stem
    agree: int  # pairs within a semitone
    steady: int  # of these, those at the pace of the notes around them
    found: int  # notes of the stem
    found_in_span: int  # found notes between the first and the last of the score's

    @property
    def share(self) -> float:
        """Of the notes found where the score has notes, those that agree at its pace; 0..1."""
        return self.steady / self.found_in_span if self.found_in_span else 0.0


def match_score(
    start_s: Sequence[float], midi: Sequence[float], score: StemScore, *, one_at_a_time: bool
) -> ScoreMatch | None:
    """Lay the found notes of a stem beside its score.

    start_s, midi : (n,) starts in s and pitches as fractional MIDI notes, in any order
    score : its notes in s of its own clock. A typed `transpose` is the only one tried.
    one_at_a_time : whether the stem plays a single line: then a note in the right place a small
        third or less from the written one is taken for it, played wrong

    Returns None where nothing agrees at all.

    Dynamic programming over pairs of like pitch: a pair is worth up to 1, notes passed over and
    steps in time whose ratio differs from the usual one cost. Transpositions are tried as written,
    by octaves, and where the pitch histograms agree best.
    """
    if not len(start_s) or not score.notes:
        return None
    time_s, pitch = np.asarray(start_s, dtype=float), np.asarray(midi, dtype=float)
    written_s = np.array([note[0] for note in score.notes])
    written = np.array([note[2] for note in score.notes], dtype=float)
    order, score_order = _in_strokes(time_s, pitch), _in_strokes(written_s, written)
    t, p, s, m = time_s[order], pitch[order], written_s[score_order], written[score_order]

    best: tuple[float, int, list[tuple[int, int]]] | None = None
    for k in _transpositions(p, m) if score.transpose is None else (score.transpose,):
        worth, chain = worthiest_chain(t, p, s, m + k, score.expected_s, 1.0)
        worth *= _AS_WRITTEN if k == 0 else _BY_OCTAVES if k % 12 == 0 else 1.0
        if chain and (best is None or worth > best[0]):
            best = worth, k, chain
        if k % 12 == 0 and worth >= _PLAIN_SHARE * min(len(t), len(s)):
            break
    if best is None:
        return None
    _, k, chain = best
    pace = pace_of(t, s, chain)
    if abs(np.log2(pace)) > 0.5 * FREE_OCTAVES:
        chain = worthiest_chain(t, p, s, m + k, score.expected_s, pace)[1] or chain
    offset = float(np.clip(np.median([p[i] - m[j] - k for i, j in chain]), -1.0, 1.0))
    placed = _placed(t, s, chain, written_s)
    pairs = _pairs(time_s, pitch - offset - k, placed, written, one_at_a_time)
    # A chain finds its way through any tune; only what also lies on a steady pace agrees.
    steady, near_s = _on_lines(*_strokes(t, s, chain), written_s), _reach(placed)
    alike = [(i, j) for i, j in pairs if abs(pitch[i] - offset - k - written[j]) <= FAR_SEMITONES]
    agree = len(alike)
    paced = sum(abs(time_s[i] - steady[j]) <= near_s[j] for i, j in alike)
    if not agree:
        return None
    slack = _NEAR_S
    first = chain[: min(5, len(chain))]
    return ScoreMatch(
        pairs=tuple(pairs),
        transpose=k,
        offset_semitones=offset,
        later_s=float(np.median([t[i] - s[j] for i, j in first])),
        zero_s=float(_placed(t, s, chain, np.zeros(1))[0]),
        placed_s=placed,
        agree=agree,
        steady=int(paced),
        found=len(time_s),
        found_in_span=int(
            ((time_s >= placed.min() - slack) & (time_s <= placed.max() + slack)).sum()
        ),
    )


def _in_strokes(time_s: Array, pitch: Array) -> Ints:
    """Order notes by stroke, and within a stroke by pitch: a strum's order says nothing."""
    order = np.lexsort((pitch, time_s))
    stroke = np.zeros(len(order), dtype=int)
    begins = time_s[order[0]]
    for place, index in enumerate(order):
        if time_s[index] - begins > CHORD_S:
            begins = time_s[index]
            stroke[place] = stroke[place - 1] + 1
        elif place:
            stroke[place] = stroke[place - 1]
    return np.asarray(order[np.lexsort((pitch[order], stroke))])


def _transpositions(pitch: Array, written: Array) -> list[int]:
    """As written, by octaves, and those under which the pitches are taken equally often."""
    high = 160
    found = np.bincount(np.clip(np.rint(pitch), 0, 127).astype(int), minlength=high) / len(pitch)
    asked = np.bincount(written.astype(int), minlength=high) / len(written)
    shared = {k: float(np.minimum(found, np.roll(asked, k)).sum()) for k in range(-24, 25)}
    others = sorted((k for k in shared if k % 12), key=lambda k: (-shared[k], abs(k), k))
    return [0, *(k for k in _OCTAVES if shared[k] > 0), *others[:_OTHERS_TRIED]]


def _placed(t: Array, s: Array, chain: list[tuple[int, int]], wanted_s: Array) -> Array:
    """Say where moments of the score fall in the stem: between the strokes of the chain.

    Strokes far from the line through those around them are wrong pairs and left out; before the
    first and after the last stroke that line goes on.
    """
    at, got = _strokes(t, s, chain)
    kept = np.abs(_on_lines(at, got, at) - got) <= _STRAY_S
    if not kept.any():
        return _on_lines(at, got, wanted_s)
    placed = np.interp(wanted_s, at[kept], got[kept])
    beyond = (wanted_s < at[kept][0]) | (wanted_s > at[kept][-1])
    return np.asarray(np.where(beyond, _on_lines(at[kept], got[kept], wanted_s), placed))


def _strokes(t: Array, s: Array, chain: list[tuple[int, int]]) -> tuple[Array, Array]:
    """Join the pairs of one stroke of the score: when it is written, and when it is played."""
    strokes: dict[float, list[float]] = {}
    for i, j in chain:
        strokes.setdefault(float(s[j]), []).append(float(t[i]))
    at = np.array(sorted(strokes))
    return at, np.array([np.median(strokes[x]) for x in at])


def _on_lines(at: Array, got: Array, wanted_s: Array) -> Array:
    """Read moments off local lines through strokes (at, got).

    Through the `_LOCAL_PAIRS` nearest strokes goes the line of median slope and median height
    (Theil 1950, Sen 1968), which a wrong pair among them does not bend.
    """
    count = min(_LOCAL_PAIRS, len(at))
    middle = np.searchsorted(at, wanted_s)
    first = np.clip(middle - count // 2, 0, len(at) - count)
    near = first[:, None] + np.arange(count)[None, :]
    x, y = at[near], got[near]
    one, other = np.triu_indices(count, 1)
    apart = x[:, other] - x[:, one]
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.where(apart > CHORD_S, (y[:, other] - y[:, one]) / apart, np.nan)
    slope = np.ones(len(wanted_s))
    known = np.isfinite(slopes).any(axis=1)
    if known.any():
        slope[known] = np.clip(np.nanmedian(slopes[known], axis=1), 0.25, 4.0)
    return np.asarray(np.median(y - slope[:, None] * x, axis=1) + slope * wanted_s)


def _pairs(
    time_s: Array, pitch: Array, placed_s: Array, written: Array, one_at_a_time: bool
) -> list[tuple[int, int]]:
    """Pair notes, the plainest first; pitch (n,) on the score's own notes, its offset taken out."""
    order = np.argsort(time_s, kind="stable")
    near_s = _reach(placed_s)
    lo = np.searchsorted(time_s[order], placed_s - near_s, side="left")
    hi = np.searchsorted(time_s[order], placed_s + near_s, side="right")
    ways: list[tuple[float, int, int]] = []
    for j in range(len(written)):
        for i in order[lo[j] : hi[j]]:
            late, off = abs(time_s[i] - placed_s[j]), abs(pitch[i] - written[j])
            beside = one_at_a_time and off <= _NEIGHBOUR_SEMITONES and late <= _NEIGHBOUR_S
            if off <= FAR_SEMITONES or beside:
                ways.append((late / near_s[j] + 2.0 * max(off - 0.5, 0.0), int(i), j))
    taken_i: set[int] = set()
    taken_j: set[int] = set()
    pairs = []
    for _, i, j in sorted(ways):
        if i not in taken_i and j not in taken_j:
            taken_i.add(i)
            taken_j.add(j)
            pairs.append((i, j))
    return sorted(pairs, key=lambda pair: pair[1])


def _reach(placed_s: Array) -> Array:
    """Say how far from its place each score note is looked for, in s."""
    strokes = np.unique(np.round(placed_s / CHORD_S)) * CHORD_S
    if len(strokes) < 2:
        return np.full(len(placed_s), _NEAR_S)
    gaps = np.diff(strokes)
    to_next = np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0]))
    at = np.searchsorted(0.5 * (strokes[1:] + strokes[:-1]), placed_s)
    return np.asarray(np.clip(0.5 * to_next[at], _NEAR_S, _NEAR_SLOW_S))
