"""Which note a pitch far from every note was meant for, where the song leaves no doubt.

Forty cents over E lie nearer to E, but may be a low F. Where the song has E often and F hardly
ever, or the piano holds an E while nobody plays an F, nobody needs to ask. And thirty over a C in
A major lie nearer to C, but may be a low C sharp: there somebody must be asked sooner.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.clashes import LEAST_OVERLAP_S, SoundingNote, part_numbers
from planner.decide.cases import LeansToKey
from planner.model import Floats, Role
from planner.pitch import cents, note_name
from planner.target.held_chords import HELD_S
from planner.target.typed_keys import notes_of
from planner.words.session_model import KeyMark
from planner.words.spread import spread_of

_MOST_OF_IT = 0.5  # chosen: of the note's length the other part's sounds
# Chosen: one in twenty. Of a note that was played k times the next one is expected as k + 1 (the
# rule of succession: Laplace, 1814), whatever speaks for the nearer of two notes besides.
_RARER = 19
_SUNG_TOGETHER: dict[Role, tuple[Role, ...]] = {
    "lead-voice": ("voice-double",),
    "voice-double": ("lead-voice", "voice-double"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Song:
    """The notes of which it is known which were meant, of all stems."""

    start_s: Floats
    end_s: Floats
    pitch_class: NDArray[np.int64]
    stem: NDArray[np.int64]  # number of its stem in `codes`
    role: NDArray[np.str_]
    codes: tuple[str, ...]

    def times(self, midi: int) -> int:
        """How often the song has a note, in any octave."""
        return int((self.pitch_class == midi % 12).sum())

    def together_s(self, n: SoundingNote) -> Floats:
        """How long each note sounds together with one; below 0 where it does not."""
        found: Floats = np.minimum(self.end_s, n.end_s) - np.maximum(self.start_s, n.start_s)
        return found

    def also_in(self, n: SoundingNote) -> str:
        """The part besides its own that sounds a note's name for most of it; empty for none.

        A double and its lead are no witnesses for each other: what one slips in, so does the other.
        """
        own = self.codes.index(n.stem) if n.stem in self.codes else -1
        lasts_s = self.together_s(n)
        kin = (self.stem == own) | np.isin(self.role, _SUNG_TOGETHER.get(n.role, ()))
        same = (self.pitch_class == n.midi % 12) & ~kin & (lasts_s > 0.0)
        by_part_s = np.bincount(self.stem[same], weights=lasts_s[same], minlength=len(self.codes))
        if not self.codes or by_part_s.max() < _MOST_OF_IT * (n.end_s - n.start_s):
            return ""
        return self.codes[int(by_part_s.argmax())]


def _song(notes: Iterable[SoundingNote], between: Collection[str]) -> _Song:
    sure = [n for n in notes if n.id not in between and n.role != "drum-tones"]
    return _Song(
        start_s=np.array([n.start_s for n in sure]),
        end_s=np.array([n.end_s for n in sure]),
        pitch_class=np.array([n.midi % 12 for n in sure]),
        stem=part_numbers(sure),
        role=np.array([n.role for n in sure]),
        codes=tuple(sorted({n.stem for n in sure})),
    )


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
    song = _song(notes, between)
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
    song, found = _song(notes, between), {}
    scatter = _scatter(notes, key_at)
    for n in notes:
        key = key_at(n.start_s)
        in_key = None if key is None else notes_of(key)
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
    notes: Iterable[SoundingNote], key_at: Callable[[float], KeyMark | None]
) -> dict[str, float]:
    """How widely the notes of the typed key lie about their middle in each part, in cents."""
    errors: dict[str, list[float]] = defaultdict(list)
    for n in notes:
        key = key_at(n.start_s)
        in_key = None if key is None else notes_of(key)
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
