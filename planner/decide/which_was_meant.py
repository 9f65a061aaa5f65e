"""Which note a pitch far from every note was meant for, where the song leaves no doubt.

Forty cents over E lie nearer to E, but may be a low F. Where the song has E often and F hardly
ever, or the piano holds an E while nobody plays an F, nobody needs to ask. And thirty over a C in
A major lie nearer to C, but may be a low C sharp: there somebody must be asked sooner.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import pairwise

import numpy as np

from planner.clashes import LEAST_OVERLAP_S, SoundingNote
from planner.decide.cases import LeansToKey
from planner.pitch import cents, note_name
from planner.target.held_chords import HELD_S
from planner.target.song_notes import song_of
from planner.target.typed_keys import notes_of
from planner.words.session_model import KeyMark
from planner.words.spread import spread_of

# Chosen: one in twenty. Of a note that was played k times the next one is expected as k + 1 (the
# rule of succession: Laplace, 1814), whatever speaks for the nearer of two notes besides.
_RARER = 19


def known_by_the_song(
    notes: Sequence[SoundingNote],
    between: Collection[str],
    least_cents: float,
    key_at: Callable[[float], KeyMark | None],
) -> dict[str, str]:
    """Say which notes are known, and by what.

    The note a semitone on, to the side on which the pitch lies, must not be in the typed key. Then
    it is enough that the song has it hardly ever, beside the nearest one; or, in a key, that
    another part sounds the nearest one, in any octave, and none the other meanwhile. A line that
    comes from or goes to the note beyond the strange one may step through it in passing: then a
    note that is not held is not known.

    notes : of all stems
    between : ids of the notes of which it is not known which were meant; they say nothing of others
    least_cents : nearer to its target than this, no note is asked about
    key_at : the key that is typed for a moment in s, if any

    Returns note id -> why no other note was meant, as the rest of a sentence.
    """
    song = song_of(notes, between)
    neighbours = _neighbours(notes)
    found = {}
    for n in notes:
        off_cents = cents(n.heard_hz, n.target_hz)
        step = 1 if off_cents > 0 else -1
        in_passing = round(n.end_s - n.start_s, 3) < HELD_S
        if abs(off_cents) <= least_cents or (
            in_passing and n.midi + 2 * step in neighbours.get(n.id, ())
        ):
            continue
        strange = n.midi + step
        key = key_at(n.start_s)
        in_key = None if key is None else notes_of(key)
        if in_key is not None and strange % 12 in in_key:
            continue
        times, rare = song.times(n.midi), song.times(strange)
        if times + 1 >= _RARER * (rare + 1):
            said = "never" if not rare else "once" if rare == 1 else f"{rare} times"
            found[n.id] = f"the song has it {times} times and {note_name(strange)} {said}"
            continue
        is_strange = song.pitch_class == strange % 12
        if in_key is None or (is_strange & (song.together_s(n) >= LEAST_OVERLAP_S)).any():
            continue
        if also_in := song.also_in(n):
            found[n.id] = f"{also_in} sounds it too"
    return found


def leaning_to_the_key(
    notes: Sequence[SoundingNote],
    between: Collection[str],
    ask_beyond_cents: float,
    key_at: Callable[[float], KeyMark | None],
) -> dict[str, LeansToKey]:
    """Say which notes outside the typed key lean to one in it, and from where on that may be meant.

    Pitches of a note lie around it by half of ``ask_beyond_cents`` (a category is as wide as two
    standard deviations to either side), or as its part's notes of the key scatter, if that is more.
    How much likelier the note of the key is, as the song has both, moves the middle between the two
    toward the strange one, by ``sd^2 ln(odds) / 100``. A note that another part sounds as well is
    not strange.

    notes, between, key_at : as in `known_by_the_song`

    Returns note id -> what it leans to.
    """
    song, found = song_of(notes, between), {}
    keys = [key_at(n.start_s) for n in notes]
    in_keys = [None if key is None else notes_of(key) for key in keys]
    scatter = _scatter(notes, in_keys)
    for n, key, in_key in zip(notes, keys, in_keys, strict=True):
        beside = n.midi + (1 if n.heard_hz > n.target_hz else -1)
        if key is None or in_key is None or n.midi % 12 in in_key or beside % 12 not in in_key:
            continue
        besides = song.times(n.midi) - (n.id not in between)
        odds = (song.times(beside) + 1) / (besides + 1)
        if odds > 1.0 and not song.also_in(n):
            sd_cents = max(ask_beyond_cents / 2, scatter.get(n.stem, 0.0))
            nearer_cents = sd_cents**2 * float(np.log(odds)) / 100.0
            found[n.id] = LeansToKey(
                midi=beside,
                key=f"{key.tonic} {key.mode}",
                from_cents=ask_beyond_cents - nearer_cents,
            )
    return found


def _scatter(
    notes: Sequence[SoundingNote], in_keys: Sequence[frozenset[int] | None]
) -> dict[str, float]:
    """How widely the notes of the typed key lie about their middle in each part, in cents."""
    errors: dict[str, list[float]] = defaultdict(list)
    for n, in_key in zip(notes, in_keys, strict=True):
        if in_key is not None and n.midi % 12 in in_key:
            errors[n.stem].append(cents(n.heard_hz, n.target_hz))
    return {stem: spread_of(of_stem) for stem, of_stem in errors.items()}


def _neighbours(notes: Iterable[SoundingNote]) -> dict[str, set[int]]:
    """The notes before and after each one in its own stem (MIDI), by its id."""
    found: dict[str, set[int]] = defaultdict(set)
    for before, after in pairwise(sorted(notes, key=lambda n: (n.stem, n.start_s, n.id))):
        if before.stem == after.stem:
            found[before.id].add(after.midi)
            found[after.id].add(before.midi)
    return found
