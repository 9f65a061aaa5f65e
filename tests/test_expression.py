from __future__ import annotations

import pytest
from deciding import line, note, stem

from planner.expression import blue_notes, grace_notes, pushed_notes
from planner.pitch import midi_to_hz


@pytest.mark.parametrize(
    ("length", "gap", "found"), [(0.089, 0.0, True), (0.09, 0.0, False), (0.08, 0.04, False)]
)
def test_edges_of_a_grace_note(length: float, gap: float, found: bool) -> None:
    """A grace note is shorter than 90 ms and leans on a longer note."""
    pair = (
        note("V-1", 62, 0, length_s=length),
        note("V-2", 64, 0, start_s=length + gap, length_s=0.5),
    )
    assert grace_notes(pair) == (frozenset({"V-1"}) if found else frozenset())


def test_pushed_notes_are_the_loudest() -> None:
    """The loudest of twenty is pushed, unless all are sung alike or nobody sings."""
    notes = [*line("V", [60] * 19, [0.0] * 19), note("V-0020", 60, 0, start_s=30, level_db=-10.0)]
    assert pushed_notes(stem("V", "lead-voice", notes)) == {"V-0020"}
    assert pushed_notes(stem("V", "fretted", notes)) == frozenset()
    assert pushed_notes(stem("V", "lead-voice", notes[1:])) == frozenset()
    alike = line("V", [60] * 20, [0.0] * 20)
    assert pushed_notes(stem("V", "lead-voice", alike)) == frozenset()


@pytest.mark.parametrize(
    ("above", "found"), [(315, True), (314.9, False), (385, True), (385.1, False), (970, True),
                         (650, True), (700, False)],
)  # fmt: skip
def test_edges_of_blue_notes(above: float, found: bool) -> None:
    """Thirds between minor and major, let-down fifths and low sevenths that come back are blue."""
    notes = (note("V-1", 60, above), note("V-2", 60, above, start_s=2))
    off = {"V-1": 30.0, "V-2": 30.0}
    tonic = dict.fromkeys(off, midi_to_hz(60))
    assert blue_notes(notes, off, tonic) == (frozenset(off) if found else frozenset())
    assert blue_notes(notes[:1], off, tonic) == frozenset()
    assert blue_notes(notes, off, {}) == frozenset()
    assert blue_notes(notes, dict.fromkeys(off, 4.9), tonic) == frozenset()
