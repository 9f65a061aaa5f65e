"""Whether the notes that sound belong to the keys that the session names."""

from collections.abc import Sequence
from typing import Any

import pytest

from planner.pitch import key_fifths, key_of_fifths
from planner.target.typed_keys import key_findings
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import KeyMark, Session, TempoMark
from tests.deciding import line, plan, stem
from tests.target.test_held_chords import sung

MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)  # 2 s a bar
E_MAJOR = (64, 66, 68, 69, 71, 73, 75)
E_MINOR = (64, 66, 67, 69, 71, 72, 74)


def key(tonic: str, mode: str = "major", bar: int = 1) -> KeyMark:
    return KeyMark(bar=bar, tonic=tonic, mode=mode)


def tune(scale: Sequence[int], bars: int = 20, first_bar: int = 1) -> list[Any]:
    """Note after note of a scale, one a bar, 1.8 s each."""
    starts = [2.0 * (first_bar - 1 + k) for k in range(bars)]
    return [sung("LV", scale[k % len(scale)], s, s + 1.8) for k, s in enumerate(starts)]


def said(notes: list[Any], *keys: KeyMark) -> list[str]:
    song = Session(song="x", stems=(), keys=keys)
    return [f.what for f in key_findings(song, 440.0, MAP, notes)]


def test_a_key_a_semitone_off_is_asked_about() -> None:
    """E flat typed for E: of E major's notes, as theory books have it, two are in E flat major."""
    (asked,) = said(tune(E_MAJOR, 21), key("Eb"))
    # G#/Ab and D#/Eb: 2 of 7.
    assert asked == (
        "Notes of Eb major, the key from bar 1 on, sound 29 % of the time, those of E major 100 %."
    )


# Of what A4 = 440 names E, A4 = 415.3 says F, and A4 = 466.2 E flat: a semitone is 2^(1/12)
# (ISO 16:1975 for 440).
@pytest.mark.parametrize(
    ("typed", "a4_hz", "offer"),
    [
        ("F", None, "If F major was played a semitone low, as at an old pitch or with strings "
         "tuned so, write a4_hz: 415.3 instead."),
        ("Eb", None, "Eb major was played a semitone high, as at an old pitch or with strings "
         "tuned so, write a4_hz: 466.2 instead."),
        ("F", 440.0, "where it changes."),  # it has been said where A4 is
        ("F#", None, "where it changes."),
    ],
)  # fmt: skip
def test_a_key_a_semitone_off_may_be_right_at_another_a4(
    typed: str, a4_hz: float | None, offer: str
) -> None:
    """As a semitone is known by the key alone, that is told beside the other way round."""
    song = Session(song="x", stems=(), keys=(key(typed),), a4_hz=a4_hz)
    (asked,) = key_findings(song, 440.0, MAP, tune(E_MAJOR, 21))
    assert asked.advice is not None
    assert asked.advice.endswith(offer)


def test_the_same_tonic_in_another_mode_is_named_by_it() -> None:
    """E major typed for E minor is not told as G major, though that has the same notes."""
    (asked,) = said(tune(E_MINOR, 21), key("E"))
    assert asked.endswith("sound 57 % of the time, those of E minor 100 %.")


@pytest.mark.parametrize(
    ("scale", "typed"),
    [
        (E_MAJOR, key("E")),
        (E_MAJOR, key("C#", "minor")),  # the same signature
        (E_MAJOR, key("B")),  # a fifth away: one note of seven
        (range(60, 72), key("C")),  # keeps to no key: 58 % of C's, and of every other's
        (E_MAJOR[:2], key("Eb")),  # see below: too little
    ],
)
def test_a_key_that_may_be_right_is_not_asked_about(scale: Sequence[int], typed: KeyMark) -> None:
    """Nor what a fifth away, without a key, or of too few seconds tells."""
    assert said(tune(scale, 16 if len(scale) == 2 else 24), typed) == []


def test_each_key_is_held_against_its_own_bars() -> None:
    """A song that goes from E to C: the second key, typed as F sharp, is told with its bar."""
    notes = [*tune(E_MAJOR), *tune((60, 62, 64, 65, 67, 69, 71), 21, first_bar=21)]
    assert said(notes, key("E"), key("C", bar=21)) == []
    (asked,) = said(notes, key("E"), key("F#", bar=21))
    assert "F# major, the key from bar 21 on" in asked
    assert "those of C major 100 %" in asked


def test_a_plan_asks_of_the_session() -> None:
    """The finding stands among what was found."""
    played = stem("LV", "lead-voice", line("LV", list(E_MAJOR) * 4, [0.0] * 28, length_s=1.5))
    made = plan(played, keys=(key("Eb"),))
    (asked,) = [f for f in made.findings if "the key from bar" in f.what]
    assert asked.severity == "question"


def test_keys_are_named_by_their_signatures() -> None:
    """Round the circle of fifths and back, in four modes."""
    for mode in ("major", "minor", "dorian", "lydian"):
        for fifths in range(-5, 7):
            tonic, _, told = key_of_fifths(fifths, mode).partition(" ")
            assert (key_fifths(tonic, told), told) == (fifths, mode)
    assert key_of_fifths(-3, "major") == "Eb major"
    assert key_of_fifths(6, "minor") == "D# minor"
