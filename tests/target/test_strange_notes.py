"""A held note that nobody else has, a semitone beside what somebody holds, may be a wrong one."""

from typing import Any

import pytest

from planner.clashes import SoundingNote
from planner.target.strange_notes import strange_findings
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import KeyMark, Session, TempoMark
from tests.target.test_held_chords import sung

MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)  # 2 s a bar
G_MINOR = KeyMark(bar=1, tonic="G", mode="minor")
C3, CIS3, E3, FIS3 = 48, 49, 52, 54


def said(*notes: SoundingNote, key: KeyMark | None = G_MINOR) -> list[str]:
    session = Session(song="x", stems=(), keys=() if key is None else (key,))
    return [found.what for found in strange_findings(session, MAP, notes)]


def organ(midi: int = C3 + 12, start_s: float = 4.0, end_s: float = 6.0) -> SoundingNote:
    return sung("ORG", midi, start_s, end_s, "tuning-reference")


def cello(midi: int = CIS3, start_s: float = 4.0, end_s: float = 6.0, **more: Any) -> SoundingNote:
    return sung("VC", midi, start_s, end_s, **more)


def test_a_semitone_beside_the_organ_is_asked_about() -> None:
    """C sharp over the organ's C, in G minor: told with its place, and only once."""
    assert said(organ(), cello()) == [
        "VC holds C#3 (bar 3 beat 1.00 (4.00 s)), which is not in G minor, while ORG sounds C: "
        "a wrong note?"
    ]


@pytest.mark.parametrize(
    "notes",
    [
        (organ(), cello(C3)),
        (organ(), cello(end_s=4.59)),  # 0.6 s are held
        (organ(end_s=4.99), cello()),  # half of it
        (organ(), cello(), organ(CIS3)),  # the organ has both
        (organ(), cello(), cello(start_s=8.0), cello(start_s=12.0)),  # how the song goes
        (organ(C3 + 7), cello(E3)),  # E is raised on the way up in minor
        (cello(C3), cello()),  # its own string rings
        (organ(), sung("PNO", CIS3, 4.0, 6.0, "fixed-pitch")),
    ],
    ids=["in key", "short", "not held", "both", "often", "raised", "own", "nobody moves it"],
)
def test_what_may_be_meant_is_not_asked_about(notes: tuple[SoundingNote, ...]) -> None:
    """Common practice, no source."""
    assert said(*notes) == []


def test_without_a_key_nothing_is_strange() -> None:
    """Nobody has said which notes there are."""
    assert said(organ(), cello(), key=None) == []
