"""The repeat test: what is off by the same amount each time a phrase comes round is meant so.

A slip does not come back; an intention, or a habit that is part of the song by now, does. Frets and
fingerings come back as well, so instruments are asked for more, and of fretted ones bends alone
pass: a string that is pulled has the pitch that the player gives it.
"""

from collections.abc import Iterable

import numpy as np

from planner.model import VOICE_ROLES, Floats, Role
from planner.targets import Aimed

# A phrase is this many notes on this many pitches, the same ones in the same rhythm each time:
# chosen, three notes of a scale come back by chance, and a drone is no phrase.
_PHRASE_NOTES = 4
_PHRASE_PITCHES = 3
# From one note's start to the next; chosen: a singer's repeats lie within a tenth, a dotted rhythm
# against an even one is a third.
_SAME_RHYTHM_SHARE = 0.2
_SAME_RHYTHM_S = 0.08
_TIMES = 3  # chosen: the phrase and two repeats of it; twice could be chance
# The same deviation within 8 cents in 60 % of the repeats: common practice, no source. Less than
# that away from its neighbours, a place does not stand out.
_SAME_CENTS = 8.0
_SAME_SHARE = 0.6
_PULLED_CENTS = 35.0  # from start to rest; chosen: a stroke never lies so far under its string
_ELSEWHERE = 2  # chosen: so many notes of the same pitch elsewhere say how that pitch is tuned

# No frets, but fingers, valves and keys: one pitch may be off wherever it comes.
_BENT: frozenset[str] = frozenset({"fretted", "bass-fretted"})
_FINGERED: frozenset[str] = frozenset({"bowed", "woodwind", "brass", "bass-fretless"})


def repeated_places(aimed: tuple[Aimed, ...], role: Role, in_tune_cents: float) -> dict[str, str]:
    """Find notes that are off by the same amount each time their phrase comes round.

    aimed : the notes of one stem in play order, errors before any rule
    in_tune_cents : float
        How far off the neighbours in the phrase may be on average (the role's base tolerance).

    Returns note id -> what to say of it. Transposed phrases do not count as repeats.

    Errors are taken against the middle of the part, so that a part tuned elsewhere is no intention.
    A place counts only if its pitch is not off in the same way elsewhere; for fingered instruments
    it must be known to be in tune there. Shaky readings say nothing: they agree by chance, as those
    of short sounds at the start of a note do.
    """
    if role not in VOICE_ROLES | _FINGERED or len(aimed) < _TIMES * _PHRASE_NOTES:
        return {}
    heard = np.array([np.nan if (cents := _known(a)) is None else cents for a in aimed])
    if np.isnan(heard).all():
        return {}
    off = heard - float(np.nanmedian(heard))
    midi = np.array([a.target.intended_midi for a in aimed])
    start_s = np.array([a.measured.note.start_s for a in aimed])
    runs = _repeated_runs(midi, start_s)
    places = _places(len(aimed), runs)
    word = "sung" if role in VOICE_ROLES else "played"
    found = {}
    for group in places:
        told = np.array([k for k in group if np.isfinite(off[k])])
        if len(told) < _TIMES:
            continue
        middle = float(np.median(off[told]))
        same = told[np.round(np.abs(off[told] - middle), 1) <= _SAME_CENTS]
        few = len(same) < max(_TIMES, _SAME_SHARE * len(told))
        if few or round(abs(middle), 1) <= _SAME_CENTS:
            continue
        if not _stands_out(middle, group, runs, off, in_tune_cents):
            continue
        if _pitch_is_so(middle, group, midi, off, needs_proof=role in _FINGERED):
            continue
        for k in same:
            found[aimed[int(k)].measured.id] = (
                f"{word} the same way {len(same)} of the {len(told)} times it comes round"
            )
    return found


def bends(aimed: tuple[Aimed, ...], role: Role) -> tuple[Aimed, ...]:
    """Find the notes of a fretted part whose string was pulled: no fret says where they come to.

    One whose start was not measured is not known as one.
    """
    if role not in _BENT:
        return ()
    return tuple(
        a
        for a in aimed
        if a.sustain_cents is not None and a.onset_cents is not None and _known(a) is not None
        and round(a.sustain_cents - a.onset_cents, 1) > _PULLED_CENTS
    )  # fmt: skip


def bent_alike(bent: Iterable[Aimed]) -> dict[str, str]:
    """Find bends to one note that come to rest at the same place each time, off it or not.

    bent : the bends of one stem, errors before any rule

    Returns note id -> what to say of it.
    """
    to_note: dict[int, list[tuple[str, float]]] = {}
    for a in bent:
        to_note.setdefault(a.target.intended_midi, []).append(
            (a.measured.id, a.sustain_cents or 0.0)
        )
    found: dict[str, str] = {}
    for told in to_note.values():
        middle = float(np.median([rest for _, rest in told]))
        same = [k for k, rest in told if round(abs(rest - middle), 1) <= _SAME_CENTS]
        if len(same) >= max(_TIMES, _SAME_SHARE * len(told)):
            said = f"bent to the same place {len(same)} of the {len(told)} times it is bent there"
            found |= dict.fromkeys(same, said)
    return found


def _known(aimed: Aimed) -> float | None:
    """What is heard of a note, if its reading can be held against another's."""
    return None if aimed.measured.measurement.confidence == "shaky" else aimed.heard_cents


def _repeated_runs(midi: Floats, start_s: Floats) -> list[tuple[int, int, int]]:
    """All repeats, as (first note, number of notes, how many notes later it comes again)."""
    step_s = np.diff(start_s)
    runs = []
    for lag in range(_PHRASE_NOTES, len(midi) - _PHRASE_NOTES + 1):
        same_note = midi[:-lag] == midi[lag:]
        one, two = step_s[:-lag], step_s[lag:]
        near = np.maximum(_SAME_RHYTHM_SHARE * np.minimum(one, two), _SAME_RHYTHM_S)
        same_step = np.round(np.abs(one - two), 6) <= near
        # Whether a note and the next both come again, in the same rhythm; runs of them are phrases.
        goes_on = same_step[: len(same_note) - 1] & same_note[:-1] & same_note[1:]
        edges = np.diff(np.concatenate([[0], goes_on.astype(int), [0]]))
        for first, last in zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0), strict=True):
            length = int(last - first) + 1
            phrase = midi[first : first + min(length, lag)]
            if len(phrase) >= _PHRASE_NOTES and len(np.unique(phrase)) >= _PHRASE_PITCHES:
                runs.append((int(first), length, lag))
    return runs


def _places(n: int, runs: Iterable[tuple[int, int, int]]) -> list[list[int]]:
    """Groups of notes that are the same place of the same phrase, each in play order."""
    leader = list(range(n))

    def top(k: int) -> int:
        while leader[k] != k:
            leader[k] = leader[leader[k]]
            k = leader[k]
        return k

    for first, length, lag in runs:
        for k in range(first, first + length):
            a, b = sorted((top(k), top(k + lag)))
            leader[b] = a
    groups: dict[int, list[int]] = {}
    for k in range(n):
        groups.setdefault(top(k), []).append(k)
    return [group for group in groups.values() if len(group) >= _TIMES]


def _stands_out(
    middle: float,
    group: list[int],
    runs: Iterable[tuple[int, int, int]],
    off: Floats,
    in_tune_cents: float,
) -> bool:
    """Whether the notes beside this place in its phrase are in tune, and it is not."""
    own = set(group)
    beside = {
        near
        for first, length, lag in runs
        for begin in (first, first + lag)
        for k in own & set(range(begin, begin + length))
        for near in (k - 2, k - 1, k + 1, k + 2)
        if begin <= near < begin + length and near not in own
    }
    errors = off[sorted(beside)]
    errors = errors[np.isfinite(errors)]
    if len(errors) < _TIMES:
        return False
    usual = float(np.median(np.abs(errors)))
    return usual <= in_tune_cents and round(abs(middle - float(np.median(errors))), 1) > _SAME_CENTS


def _pitch_is_so(
    middle: float, group: list[int], midi: Floats, off: Floats, *, needs_proof: bool
) -> bool:
    """Whether the pitch itself is off in this way: then it is no matter of the place."""
    elsewhere = [
        float(off[k])
        for k in np.flatnonzero(midi == midi[group[0]])
        if k not in set(group) and np.isfinite(off[k])
    ]
    if len(elsewhere) < _ELSEWHERE:
        return needs_proof
    return round(abs(float(np.median(elsewhere)) - middle), 1) <= _SAME_CENTS
