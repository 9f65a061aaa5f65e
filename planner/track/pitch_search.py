"""Which of the periods that each frame offers is the pitch, or is nothing pitched there?

A Viterbi search (A. Viterbi, IEEE Trans. Information Theory 13, 1967): of all ways through the
frames that which fits best, where long periods and jumps cost something. The ways through stretches
of some frames are sought side by side, from each state that a stretch may begin in; then stretches
are strung together: the same best way in less than half of the time.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats

# Search costs, in units of strength. Chosen on synthetic melodies so that staccato frames stay out
# of the octave below (0.02 was too little) and a bass does not jump an octave up (0.09 too much).
COST_PER_OCTAVE_DOWN = 0.04
_COST_PER_OCTAVE_JUMP = 0.35
_COST_OF_VOICING_CHANGE = 0.25
_UNPITCHED_STRENGTH = 0.55
_SILENCE_BELOW_LOUD_DB = 60.0  # frames this far under the loudest are never pitched
_NEVER = -1e9  # the worth of what is not offered

_STRETCH = 64  # frames: as many stretches side by side make each step worth its call
_AT_ONCE = 64  # stretches


def best_path(f_hz: Floats, strength: Floats, level_db: Floats) -> NDArray[np.intp]:
    """Choose one candidate per frame; the index past the last candidate means nothing pitched.

    f_hz, strength : (frames, k) periods offered and how well they fit; 0 Hz where there are fewer
    level_db : (frames,)
    """
    frames = len(f_hz)
    most = int((f_hz > 0).sum(axis=1).max(initial=0))
    states = most + 1
    quiet = is_silent(level_db)
    score: Floats = np.zeros(states)
    ways, entries, places = [], [], []
    octave_before: Floats = np.zeros((1, most))
    for first in range(0, frames, _STRETCH * _AT_ONCE):
        rows = slice(first, first + _STRETCH * _AT_ONCE)
        # Work grows with the cube of the places: those that no frame fills are left out.
        place = np.argsort(f_hz[rows] <= 0, axis=1, kind="stable")[:, :most]
        f, fits = (np.take_along_axis(offer[rows], place, axis=1) for offer in (f_hz, strength))
        offered = f > 0
        octave = np.log2(np.where(offered, f, 1.0), dtype=np.float64)
        own = _worth(offered, octave, fits, quiet[rows])
        step = _steps(np.concatenate([octave_before, octave]))
        octave_before = octave[-1:]
        if first == 0:
            step[0] = 0.0  # nothing comes before the first frame
        way, entry, score = _through(step, own, score)
        ways.append(way)
        entries.append(entry)
        places.append(place.astype(np.int8))
    path = np.empty((sum(len(way) for way in ways), _STRETCH), dtype=np.intp)
    state, at = int(score.argmax()), len(path)
    for way, entry in zip(reversed(ways), reversed(entries), strict=True):
        for k in range(len(way) - 1, -1, -1):
            at -= 1
            path[at] = way[k, :, state]
            state = int(entry[k, state])
    chosen = path.ravel()[:frames]
    pitched = chosen < most
    if pitched.any():
        chosen[pitched] = np.concatenate(places)[pitched, chosen[pitched]]
    chosen[~pitched] = f_hz.shape[1]
    return chosen


def is_silent(level_db: Floats) -> NDArray[np.bool_]:
    """Frames so far under the loudest that nothing in them is pitched."""
    loud_db = float(np.percentile(level_db, 99)) if len(level_db) else 0.0
    return np.asarray(level_db < loud_db - _SILENCE_BELOW_LOUD_DB)


def _worth(
    offered: NDArray[np.bool_], octave: Floats, strength: Floats, silent: NDArray[np.bool_]
) -> Floats:
    """What each state is worth in each frame, (frames, states)."""
    own = np.full((len(octave), octave.shape[1] + 1), _NEVER)
    own[:, :-1][offered] = (strength + COST_PER_OCTAVE_DOWN * octave)[offered]
    # Where the octave cost neither helps nor hinders being pitched.
    own[:, -1] = _UNPITCHED_STRENGTH + COST_PER_OCTAVE_DOWN * np.log2(180.0) + silent
    return own


def _steps(octave: Floats) -> Floats:
    """What going from state to state costs, below 0: (frames, to, from), from the frame before."""
    jump = np.abs(octave[1:, :, None] - octave[:-1, None, :])
    step = np.zeros((len(jump), jump.shape[1] + 1, jump.shape[1] + 1))
    step[:, :-1, :-1] = -_COST_PER_OCTAVE_JUMP * np.minimum(jump, 1.0 + 0.2 * jump)
    step[:, -1, :-1] = step[:, :-1, -1] = -_COST_OF_VOICING_CHANGE
    return step


def _through(
    step: Floats, own: Floats, score: Floats
) -> tuple[NDArray[np.int8], NDArray[np.int8], Floats]:
    """The best ways through some frames, as stretches side by side, from scores before the first.

    Returns
    -------
    (stretches, frames of one, states) the state in each frame for each that the stretch ends in
    (stretches, states) the state before the stretch, likewise
    (states,) scores after the last frame
    """
    states = own.shape[1]
    count = -(-len(own) // _STRETCH)
    spare = count * _STRETCH - len(own)
    if spare:  # there nothing changes any more
        stays = np.where(np.eye(states, dtype=bool), 0.0, _NEVER)
        step = np.concatenate([step, np.broadcast_to(stays, (spare, states, states))])
        own = np.concatenate([own, np.zeros((spare, states))])
    # By frames of a stretch: (from, to, stretches), and (to, stretches).
    steps = np.ascontiguousarray(
        step.reshape(count, _STRETCH, states, states).transpose(1, 3, 2, 0)
    )
    owns = np.ascontiguousarray(own.reshape(count, _STRETCH, states).transpose(1, 2, 0))
    # The best score in each state from each before the stretch: (before, to, stretches).
    best = steps[0] + owns[0]
    for cost, worth in zip(steps[1:], owns[1:], strict=True):
        best = (best[:, :, None] + cost).max(axis=1) + worth
    scores = np.empty((states, count))
    for k in range(count):
        scores[:, k] = score
        score = (score[:, None] + best[:, :, k]).max(axis=0)
    origins = np.empty((_STRETCH, states, count), dtype=np.int8)
    for origin, cost, worth in zip(origins, steps, owns, strict=True):
        arrived = scores[:, None] + cost
        origin[:] = arrived.argmax(axis=0)
        scores = arrived.max(axis=0) + worth
    way = np.empty((_STRETCH, states, count), dtype=np.int8)
    way[-1] = np.arange(states)[:, None]
    stretch = np.arange(count)
    for frame in range(_STRETCH - 1, 0, -1):
        way[frame - 1] = origins[frame].take(way[frame] * np.intp(count) + stretch)
    entry = origins[0].take(way[0] * np.intp(count) + stretch)
    return way.transpose(2, 0, 1), entry.T, score
