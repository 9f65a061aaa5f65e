"""Whether a score is used, and what is said about it."""

from dataclasses import replace

import pytest
from deciding import line, note, stem

from planner.model import StemNotes
from planner.score.score_match import ScoreNote, StemScore
from planner.score.score_use import several_at_once, transposed_in_words, use_score
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import TempoMark

# 0.9 s a note, as `deciding.line` lays them; a tune that repeats nowhere.
TUNE = [62, 64, 66, 67, 69, 66, 62, 71, 69, 67, 64, 66, 62, 61, 62, 69]
MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=100.0)], bar_one_at_s=0.0)  # 2.4 s a bar


def played(midis: list[int] = TUNE) -> StemNotes:
    return stem("CEL", "bowed", line("CEL", midis, [3.0, -4.0] * (len(midis) // 2)))


def written(up: int = 0, later_s: float = 0.0, **fields: object) -> StemScore:
    notes: list[ScoreNote] = [
        (0.9 * k - later_s, 0.9 * k - later_s + 0.8, m + up) for k, m in enumerate(TUNE)
    ]
    fields = {"name": "track Cello of cello_part.mid", **fields}
    return StemScore(notes=tuple(n for n in notes if n[0] >= 0), **fields)  # type: ignore[arg-type]


def test_a_score_that_fits_says_what_was_meant() -> None:
    """Every note gets its note, and one line counts them."""
    said = use_score(played(), written(), 440.0, MAP)
    meant, (told,) = said.meant, said.findings
    assert list(meant.values()) == TUNE
    assert told.severity == "note"
    assert told.what == (
        "CEL: 16 of 16 notes agree with the score. Score: track Cello of cello_part.mid."
    )


def test_an_octave_is_taken_and_said() -> None:
    """A part written an octave above its sound is used, with a word about it."""
    said = use_score(played(), written(12), 440.0, MAP)
    meant, (first, _) = said.meant, said.findings
    assert list(meant.values()) == TUNE
    assert "CEL sounds an octave lower than its score" in first.what
    assert first.did == "Taken so."


def test_another_pitch_and_place_is_a_question() -> None:
    """A major second lower and two bars later: nothing is used, and both answers are given."""
    shifted = stem("CEL", "bowed", [
        replace(n, note=replace(n.note, start_s=n.note.start_s + 4.8, end_s=n.note.end_s + 4.8))
        for n in played().notes
    ])  # fmt: skip
    said = use_score(shifted, written(2), 440.0, MAP)
    meant, (asked,) = said.meant, said.findings
    assert meant == {}
    assert asked.severity == "question"
    assert asked.what == (
        "The score of CEL (track Cello of cello_part.mid) fits a major second lower and 2 bars "
        "later: 16 of 16 notes agree. Use it so?"
    )
    assert "write transpose: -2, later_s: 4.80 beside the score's file" in asked.advice
    answered = written(2, transpose=-2, later_s=0.0)
    meant = use_score(shifted, replace(answered, later_s=4.8), 440.0, MAP).meant
    assert list(meant.values()) == TUNE


def test_without_a_tempo_map_a_place_is_in_seconds() -> None:
    """Earlier and in seconds: the score has a bar of rests in front that the stem has not."""
    score = written()
    late = replace(score, notes=tuple((a + 3.0, b + 3.0, m) for a, b, m in score.notes))
    (asked,) = use_score(played(), late, 440.0, None).findings
    assert "fits 3.00 s earlier: 16 of 16 notes agree" in asked.what
    assert "later_s: -3.00" in asked.advice


@pytest.mark.parametrize(("later_s", "used"), [(0.99, True), (1.01, False)])
def test_edge_of_being_in_place(later_s: float, used: bool) -> None:
    """Up to a second from where it should be a score is in its place; beyond, that is asked."""
    score = written()
    moved = replace(score, notes=tuple((a + 9.0, b + 9.0, m) for a, b, m in score.notes))
    moved = replace(moved, zero_s=(-9.0 + later_s,))
    meant = use_score(played(), moved, 440.0, None).meant
    assert bool(meant) == used


def test_a_score_may_begin_with_bar_one() -> None:
    """Where bar 1 lies 4 s into the stems, a score whose tick 0 is bar 1 is in its place."""
    score = written()
    inside = replace(score, notes=tuple((a - 4.5, b - 4.5, m) for a, b, m in score.notes[5:]))
    assert use_score(played(), inside, 440.0, None).meant == {}
    meant = use_score(played(), replace(inside, zero_s=(0.0, 4.5)), 440.0, None).meant
    assert list(meant.values()) == TUNE[5:]


def test_another_tune_is_not_used() -> None:
    """A score of something else is left aside, with counts and what is asked for."""
    other = [60, 55, 57, 60, 65, 64, 58, 57, 70, 58, 60, 65, 63, 72, 60, 58]
    said = use_score(played(other), written(), 440.0, MAP)
    meant, (told,) = said.meant, said.findings
    assert meant == {}
    assert told.severity == "warning"
    assert told.what.startswith("CEL: ")
    assert (
        "agree with its score (track Cello of cello_part.mid, 16 notes); 70 % of them" in told.what
    )
    assert told.did.startswith("The score was not used")


@pytest.mark.parametrize(("count", "used"), [(3, False), (4, True)])
def test_few_notes(count: int, used: bool) -> None:
    """Four notes that agree where and as written are enough, three are not."""
    few = stem("CEL", "bowed", line("CEL", TUNE[:count], [0.0] * count))
    assert bool(use_score(few, written(), 440.0, None).meant) == used


def test_notes_beside_the_score_and_notes_not_found_are_counted() -> None:
    """A grace note, a wrong note and two notes left out are told, by bars, and kindly."""
    notes = list(played().notes)
    del notes[8], notes[3]
    wrong = note("CEL-0006", TUNE[5] + 2, 0.0, start_s=4.5, length_s=0.8)
    notes[4] = wrong
    notes.insert(1, note("CEL-0099", 74, 0.0, start_s=0.45, length_s=0.1))
    said = use_score(stem("CEL", "bowed", notes), written(), 440.0, MAP)
    meant, (told,) = said.meant, said.findings
    assert meant["CEL-0006"] == TUNE[5]
    assert "CEL-0099" not in meant
    assert told.what == (
        "CEL: 13 of 15 notes agree with the score; 1 in its place more than a semitone away; "
        "1 beside it (bar 1); 2 notes of the score not found (bar 2, bar 4). "
        "Score: track Cello of cello_part.mid."
    )
    assert "nothing to do unless it surprises you" in told.advice


@pytest.mark.parametrize(
    ("semitones", "words"),
    [(-2, "a major second lower"), (12, "an octave higher"), (-24, "2 octaves lower"),
     (19, "an octave and a fifth higher"), (-1, "a semitone lower"), (6, "a tritone higher")],
)  # fmt: skip
def test_transpositions_in_words(semitones: int, words: str) -> None:
    """Intervals are called as in any textbook of harmony (common practice)."""
    assert transposed_in_words(semitones) == words


def chords(every: int, overlap_s: float = 0.0) -> StemScore:
    """The tune, with a third under every so many notes, or its notes held over the next."""
    line = [(0.9 * k, 0.9 * k + 0.8 + overlap_s, m) for k, m in enumerate(TUNE)]
    under = [(a, b, m - 4) for k, (a, b, m) in enumerate(line) if every and k % every == 0]
    return StemScore(name="guitar.mid", notes=tuple(sorted([*line, *under])))


@pytest.mark.parametrize(("every", "told"), [(1, 32), (8, 4), (16, 2)])
def test_a_score_of_chords_for_a_single_line_is_asked_about(every: int, told: int) -> None:
    """A tenth of the notes and more at once is no line; here 32 of 32, 4 of 18, 2 of 17."""
    (asked,) = several_at_once(played(), chords(every))
    assert asked.severity == "question"
    assert asked.what.startswith(f"{told} of {16 + 16 // every} notes of CEL's score (guitar.mid)")
    assert "its role, bowed, is read as one note at a time: does it play chords?" in asked.what
    assert "several_notes: true" in asked.advice


def test_a_line_is_not_asked_about() -> None:
    """Legato notes overlap, a double stop comes once, chord parts may play chords."""
    assert several_at_once(played(), chords(0)) == ()
    assert several_at_once(played(), chords(0, overlap_s=0.4)) == ()
    whole = chords(16).notes
    longer = StemScore(name="x", notes=(*whole, *((20.0 + k, 20.5 + k, 60) for k in range(4))))
    assert several_at_once(played(), longer) == ()
    assert several_at_once(replace(played(), role="fretted-chords"), chords(1)) == ()
