"""Which notes the whole song has, and which part sounds a note while another does."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.clashes import SoundingNote, part_numbers
from planner.model import Floats, Role

_MOST_OF_IT = 0.5  # chosen: of the note's length the other part's sounds
_SUNG_TOGETHER: dict[Role, tuple[Role, ...]] = {
    "lead-voice": ("voice-double",),
    "voice-double": ("lead-voice", "voice-double"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Song:
    """The notes of all stems, in one order."""

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


def song_of(notes: Iterable[SoundingNote], between: Collection[str] = ()) -> Song:
    """Lay out the notes of all stems; drums have none.

    between : ids of the notes of which it is not known which were meant; they are left out
    """
    sure = [n for n in notes if n.id not in between and n.role != "drum-tones"]
    return Song(
        start_s=np.array([n.start_s for n in sure]),
        end_s=np.array([n.end_s for n in sure]),
        pitch_class=np.array([n.midi % 12 for n in sure]),
        stem=part_numbers(sure),
        role=np.array([n.role for n in sure]),
        codes=tuple(sorted({n.stem for n in sure})),
    )
