"""What can be answered to a question: notes, a yes where it says something, the words to type."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.questions import meant_midi, notes_offered, why_no_yes, words_to_type
from tests.invented_plan import QUESTION, RULE, row

WHICH = replace(
    QUESTION,
    rule_name="between two notes",
    covers=("EGL-0031",),
    intended_midi=62,
    heard_cents=58.0,
)


def test_the_notes_around_what_sounds_are_offered() -> None:
    """58 sharp of D: D and Eb; a score's note further off is offered as well."""
    assert notes_offered(WHICH) == (62, 63)
    assert notes_offered(replace(WHICH, heard_cents=-58.0)) == (61, 62)
    assert notes_offered(replace(WHICH, rule_name="wrong note", heard_cents=-130.0)) == (60, 61, 62)
    assert notes_offered(replace(WHICH, rule_name="late arrival")) == ()


@pytest.mark.parametrize(
    ("name", "midi"),
    [
        ("D4", 62),
        ("Eb", 63),
        ("d#4", 63),
        ("D", 62),
        ("B", 59),
        ("A", 57),
        ("Bb2", 46),
        ("H", None),
    ],
)
def test_a_note_without_its_octave_is_the_nearest(name: str, midi: int | None) -> None:
    """What sounds is D and a half: B and A lie below it."""
    assert meant_midi(name, WHICH) == midi
    assert meant_midi(name, RULE) is None


def test_a_yes_that_says_nothing_is_refused_with_the_words_to_type() -> None:
    """To "which was meant?" and "late, or meant so?" yes is no answer; to "another take?" it is."""
    assert why_no_yes(WHICH) == (
        f"a yes does not answer {WHICH.id}: type {WHICH.id} D4, {WHICH.id} Eb4, "
        f"{WHICH.id} no (leave it) or {WHICH.id} ask"
    )
    late = replace(WHICH, rule_name="late arrival")
    assert why_no_yes(late).endswith(f"type {WHICH.id} no (leave it) or {WHICH.id} ask")
    assert why_no_yes(replace(WHICH, rule_name="wobble")) == ""
    assert words_to_type(replace(WHICH, rule_name="wobble")).startswith(f"{WHICH.id} yes, ")
    assert why_no_yes(row()) == ""
