"""Which word is sung on which note: from the lines of a session file, or from a score's lyrics.

Words only label rows; nothing is decided by them, but that a word of the title weighs a little.
"""

import re
from collections.abc import Sequence

from planner.model import MeasuredNote
from planner.timeline import TempoMap
from planner.words.session_model import Session

_EARLY_S = 0.12  # chosen: how far before its beat a singer may take a word up
_RUN_ON_S = 0.1  # chosen: a note that follows this soon without a syllable goes on with the last
_SAME_TIME_S = 0.02  # chosen: a lyric event and the note it belongs to share a tick, or nearly
_TITLE_LETTERS = 4  # chosen: shorter words of a title are "the" and "of"


def words_by_line(
    notes: Sequence[MeasuredNote], shift_s: float, session: Session, tempo_map: TempoMap | None
) -> dict[str, str]:
    """Give each note the word of its line (note id -> word, or the whole line).

    A line lasts to the next. Where it has as many notes as syllables (``ac-counts`` are two), each
    note has its word; where not, nobody knows which, and the note has the line.
    """
    if tempo_map is None or not session.lyrics:
        return {}
    starts = [tempo_map.seconds_at(line.bar, line.beat) - _EARLY_S for line in session.lyrics]
    found: dict[str, str] = {}
    for line, start_s, end_s in zip(
        session.lyrics, starts, [*starts[1:], float("inf")], strict=True
    ):
        own = [n for n in notes if start_s <= n.note.start_s + shift_s < end_s]
        said = " ".join(line.words.split())
        sung = [word.replace("-", "") for word in said.split() for _ in _syllables(word)]
        if len(sung) != len(own):
            sung = [said.replace("-", "")] * len(own)
        found |= {n.id: word for n, word in zip(own, sung, strict=True)}
    return found


def _syllables(word: str) -> list[str]:
    return [part for part in word.split("-") if part] or [word]


def words_of_score(
    notes: Sequence[tuple[float, float, int]], events: Sequence[tuple[float, str]]
) -> tuple[str, ...]:
    """Give each note of a score its word; empty where it has none.

    notes: sequence of (start_s, end_s, MIDI); by start.
    events: sequence of (s, text); lyric events as they stand in the file, by time, on the same
        clock.

    In some files a word ends where its last syllable ends in a blank or a new line (MIDI
    Association RP-017, from memory), in others syllables that go on end in a hyphen.
    """
    texts = _words([text for _, text in events])
    words: list[str] = []
    last_end_s = float("-inf")
    last = ""
    for start_s, end_s, _ in notes:
        here = [
            word for (at_s, _), word in zip(events, texts, strict=True)
            if abs(at_s - start_s) <= _SAME_TIME_S
        ]  # fmt: skip
        if here:
            last = here[-1]
        elif start_s - last_end_s > _RUN_ON_S:
            last = ""
        words.append(last)
        last_end_s = max(last_end_s, end_s)
    return tuple(words)


def _words(texts: Sequence[str]) -> list[str]:
    """The whole word that each syllable belongs to."""
    by_blank = any(text[-1:].isspace() for text in texts)
    groups: list[list[str]] = [[]]
    for text in texts:
        opens = by_blank and text[:1].isspace() and groups[-1]
        if opens:
            groups.append([])
        groups[-1].append(text)
        ends = text[-1:].isspace() if by_blank else not text.rstrip().endswith("-")
        if ends:
            groups.append([])
    found = []
    for group in groups:
        word = "".join(text.strip().removesuffix("-") for text in group)
        found += [" ".join(word.split())] * len(group)
    return found


def title_words(song: str) -> frozenset[str]:
    """Give the words of a song's title that are long enough to mean something, in small letters."""
    return frozenset(
        w for w in re.findall(r"[^\W\d_]+", song.casefold()) if len(w) >= _TITLE_LETTERS
    )


def is_title_word(word: str, song: str) -> bool:
    """Say whether one sung word stands in the song's title."""
    plain = re.sub(r"[^\w]+", "", word.casefold())
    return plain in title_words(song)
