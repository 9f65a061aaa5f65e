"""Which note a pitch far from every note was meant for, where the song leaves no doubt.

Forty cents over E lie nearer to E, but may be a low F. Where the song has E often and F hardly
ever, or the piano holds an E while nobody plays an F, nobody needs to ask.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import pairwise

import numpy as np

from planner.clashes import LEAST_OVERLAP_S, SoundingNote, part_numbers
from planner.pitch import cents, note_name
from planner.target.held_chords import HELD_S
from planner.target.typed_keys import notes_of
from planner.words.session_model import KeyMark

_MOST_OF_IT = 0.5  # chosen: of the note's length the other part's sounds
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
    sure = [n for n in notes if n.id not in between and n.role != "drum-tones"]
    start_s, end_s = np.array([n.start_s for n in sure]), np.array([n.end_s for n in sure])
    pitch_class, stem = np.array([n.midi % 12 for n in sure]), part_numbers(sure)
    codes = sorted({n.stem for n in sure})
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
        is_strange, is_near = pitch_class == strange % 12, pitch_class == n.midi % 12
        times, rare = int(is_near.sum()), int(is_strange.sum())
        if times + 1 >= _RARER * (rare + 1):
            said = "never" if not rare else "once" if rare == 1 else f"{rare} times"
            found[n.id] = f"the song has it {times} times and {note_name(strange)} {said}"
            continue
        together_s = np.minimum(end_s, n.end_s) - np.maximum(start_s, n.start_s)
        if in_key is None or (is_strange & (together_s >= LEAST_OVERLAP_S)).any():
            continue
        own = codes.index(n.stem) if n.stem in codes else -1
        same = is_near & (stem != own) & (together_s > 0.0)
        lasts_s = np.bincount(stem[same], weights=together_s[same], minlength=len(codes))
        if len(codes) and lasts_s.max() >= _MOST_OF_IT * (n.end_s - n.start_s):
            found[n.id] = f"{codes[int(lasts_s.argmax())]} sounds it too"
    return found


def _neighbours(notes: Iterable[SoundingNote]) -> dict[str, set[int]]:
    """The notes before and after each one in its own stem (MIDI), by its id."""
    found: dict[str, set[int]] = defaultdict(set)
    for before, after in pairwise(sorted(notes, key=lambda n: (n.stem, n.start_s, n.id))):
        if before.stem == after.stem:
            found[before.id].add(after.midi)
            found[after.id].add(before.midi)
    return found
