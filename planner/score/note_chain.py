"""Which pairs of a played and a written note follow each other best, in pitch and in time?

A chain of pairs rises in both lists. A pair is worth up to 1; notes passed over cost, and so do
steps in time whose ratio is not the usual one (dynamic programming over pairs of like pitch).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

# Chosen: a note this far from the written one is still that note played out of tune (the limit
# beyond which the tolerances call it a wrong note), and at a semitone it is another.
_SURE_SEMITONES = 0.65
FAR_SEMITONES = 1.0
CHORD_S = 0.06  # chosen: starts this close are one stroke; strums take 10 to 50 ms
_BEFORE = 12  # chosen: notes looked back for the one before; two full chords with a hole between
_SKIP = 0.15  # chosen: a pair outweighs skipping six notes
_JUMP = 2.0  # chosen: more passed over costs no more than this: a verse that was not played
_STEP_JITTER_S = 0.15  # chosen: steps in time are compared with this much added to both
FREE_OCTAVES = 0.2  # log2 of the ratio of two steps; chosen: rubato within 15 % costs nothing
_EXPECTED_BONUS = 0.15  # chosen: of two like verses, the one in its place
_EXPECTED_S = 1.0  # chosen: a bar is longer, a late start is not

_BACK = np.arange(1, _BEFORE + 1)
_SKIPPED = _SKIP * (_BACK[:, None, None] - 1 + _BACK[None, None, :] - 1)


def worthiest_chain(
    t: Array, p: Array, s: Array, m: Array, expected_s: Sequence[float], pace: float
) -> tuple[float, list[tuple[int, int]]]:
    """Find the worthiest chain of pairs, and its worth; 0 and none where no pitch is alike.

    t, p : (n,) starts in s and pitches of the played notes, by stroke
    s, m : (q,) the same of the written ones
    expected_s : how much later than written the playing may be, s
    pace : seconds of the stem to a second of the score
    """
    q = len(s)
    t_padded, s_padded = (np.concatenate([np.zeros(_BEFORE), each]) for each in (t, s))
    # What chains are worth that end in one of the last notes played, the latest first, with each
    # of the score, which `_BEFORE` columns of nothing precede; and the best of all before each.
    recent = np.full((_BEFORE, _BEFORE + q), -np.inf)
    top, top_at = np.full(q + 1, -np.inf), np.full(q + 1, -1)
    came: list[tuple[Ints, Ints]] = []  # a row's columns, and the flat index of the pair before
    for i in range(len(t)):
        off = np.abs(p[i] - m)
        columns = np.flatnonzero(off <= FAR_SEMITONES)
        before = columns[:, None] + _BEFORE - _BACK
        step_s = t[i] - t_padded[i + _BEFORE - _BACK]
        written_s = pace * (s[columns][:, None] - s_padded[before])
        ways = recent[:, before] - _SKIPPED - _unlike(step_s[:, None, None], written_s)
        of_column = ways.transpose(1, 0, 2).reshape(len(columns), _BEFORE**2)
        pick = of_column.argmax(axis=1)
        carried = of_column[np.arange(len(columns)), pick]
        back_i, back_j = np.divmod(pick, _BEFORE)
        origin = (i - 1 - back_i) * q + columns - 1 - back_j
        jump = top[columns] - _JUMP
        origin = np.where(jump > carried, top_at[columns], origin)
        carried = np.maximum(carried, jump)
        came.append((columns, np.where(carried > 0.0, origin, -1)))

        near_s = np.min([np.abs(t[i] - s[columns] - e) for e in expected_s], axis=0)
        value = _alike(off[columns]) + _EXPECTED_BONUS * (near_s <= _EXPECTED_S)
        row = np.full(_BEFORE + q, -np.inf)
        row[_BEFORE + columns] = value + np.maximum(carried, 0.0)
        recent = np.concatenate([row[None], recent[:-1]])
        better = np.append(False, row[_BEFORE:] > top[1:])
        top = np.where(better, row[_BEFORE - 1 :], top)
        top_at = np.where(better, i * q + np.arange(-1, q), top_at)
        top, first = _best_up_to_each(top)
        top_at = top_at[first]
    total = float(top[-1])
    if not np.isfinite(total):
        return 0.0, []
    chain = []
    at = int(top_at[-1])
    while at >= 0:
        i, j = divmod(at, q)
        chain.append((i, j))
        columns, origins = came[i]
        at = int(origins[np.searchsorted(columns, j)])
    return total, chain[::-1]


def _alike(off_semitones: Array) -> Array:
    """What pairs so far apart in pitch are worth: from 1 down to a half at `FAR_SEMITONES`."""
    far = (off_semitones - _SURE_SEMITONES) / (FAR_SEMITONES - _SURE_SEMITONES)
    return np.asarray(1.0 - 0.5 * np.clip(far, 0.0, 1.0))


def _unlike(step_s: Array, written_s: Array) -> Array:
    """What it costs that a step in time is longer or shorter than the written one."""
    ratio = (step_s + _STEP_JITTER_S) / (np.maximum(written_s, 0) + _STEP_JITTER_S)
    return np.asarray(np.maximum(np.abs(np.log2(ratio)) - FREE_OCTAVES, 0.0))


def _best_up_to_each(worth: Array) -> tuple[Array, Ints]:
    """The best of all values up to each, and where it stood first."""
    best = np.maximum.accumulate(worth)
    rises = np.append(True, best[1:] > best[:-1])
    return best, np.maximum.accumulate(np.where(rises, np.arange(len(worth)), 0))


def pace_of(t: Array, s: Array, chain: list[tuple[int, int]]) -> float:
    """Seconds of the stem to a second of the score: the median over steps of several notes."""
    got, asked = np.array([t[i] for i, _ in chain]), np.array([s[j] for _, j in chain])
    far = min(8, len(chain) - 1)
    if far < 1:
        return 1.0
    step, written = got[far:] - got[:-far], asked[far:] - asked[:-far]
    use = (written > CHORD_S) & (step > CHORD_S)
    return float(np.clip(np.median(step[use] / written[use]), 0.25, 4.0)) if use.any() else 1.0
