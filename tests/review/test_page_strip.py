"""Bar lines and the strip of the review page's drawings: right place, right name, no overlap."""

from itertools import pairwise

from invented_plan import judged

from planner.review.page_plot import HEIGHT, plot_note
from planner.review.page_strip import CHARACTER, LINES_MOST, Window, bar_lines, strip_lines
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import TempoMark

WINDOW = Window(start_s=10.0, end_s=12.0, left=50.0, right=250.0)


def test_only_what_sounds_meanwhile_is_named() -> None:
    """A note that ends as the drawing begins, or begins as it ends, is not in it."""
    others = [
        judged("BAS-0001", 33, start_s=8.6),  # ends at 10.0
        judged("PNO-0001", 62, start_s=9.0),
        judged("CEL-0001", 50, start_s=12.0),
    ]
    lines, without_room = strip_lines(WINDOW, others, 200.0)
    assert [line.said for line in lines] == ["PNO D4"]
    assert without_room == 0
    (piece,) = lines[0].pieces
    assert (piece.x1, piece.x2, piece.starts) == (50.0, 90.0, False)  # 0.4 s of 2 s in 200


def test_notes_that_begin_together_are_one_chord() -> None:
    """A chord is named from the lowest note up, once."""
    chord = [
        judged(f"PNO-{k:04d}", midi, start_s=10.5 + 0.01 * k)
        for k, midi in enumerate((69, 62, 66, 62), start=1)
    ]
    lines, _ = strip_lines(WINDOW, chord, 200.0)
    assert [piece.text for piece in lines[0].pieces] == ["D4 F#4 A4"]
    assert lines[0].pieces[0].starts


def test_names_do_not_cover_each_other() -> None:
    """Where notes follow closely some are not named in the drawing, but all are in its words."""
    run = [judged(f"EGL-{k:04d}", 60 + k, start_s=10.0 + 0.06 * k) for k in range(20)]
    lines, _ = strip_lines(WINDOW, run, 200.0)
    named = [piece for piece in lines[0].pieces if piece.text]
    assert 3 < len(named) < 20
    for one, after in pairwise(named):
        assert one.x1 + len(one.text) * CHARACTER < after.x1
    assert named[-1].x1 + len(named[-1].text) * CHARACTER <= WINDOW.right
    assert lines[0].said.count(",") == 19


def test_the_note_that_is_beaten_with_is_named() -> None:
    """The tail of another note takes no room from the one that the headline names."""
    others = [judged("GTR-0001", 64, start_s=8.65), judged("GTR-0002", 59, start_s=10.1)]
    (line,), _ = strip_lines(WINDOW, others, 200.0)
    assert [piece.text for piece in line.pieces] == ["E4", ""]
    (line,), _ = strip_lines(WINDOW, others, 200.0, beats_with="GTR-0002")
    assert [piece.text for piece in line.pieces] == ["", "B3"]


def test_the_partner_is_named_first_and_the_rest_counted() -> None:
    """The stem that the note beats with comes first; stems without room are counted."""
    others = [judged(f"S{k}-0001", 60, start_s=10.0) for k in range(LINES_MOST + 2)]
    lines, without_room = strip_lines(WINDOW, others, 200.0, beats_with="S4-0001")
    assert [line.stem for line in lines] == ["S4", "S0", "S1", "S2", "S3", "S5"]
    assert without_room == 2
    drawn = plot_note(judged(start_s=10.0), "D5", others=others)
    assert drawn is not None
    assert drawn.strip_more == "and 2 more stems"
    assert drawn.height > HEIGHT + LINES_MOST * 15
    assert "meanwhile S0 C4; S1 C4" in drawn.described


def test_a_file_that_starts_late_is_put_in_its_place() -> None:
    """Seconds of another file are moved by what its clock is later."""
    lines, _ = strip_lines(
        WINDOW, [judged("CEL-0001", 50, start_s=8.0)], 200.0, later_s=lambda stem: 3.0
    )
    assert lines[0].pieces[0].x1 == 150.0  # 11 s, the middle


def test_bar_lines_stand_where_the_map_says() -> None:
    """At 60 to the minute in 3/4 with bar 1 at 1 s, bar 4 begins at 10 s; beats follow."""
    tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=60.0, meter=(3, 4))], bar_one_at_s=1.0)
    lines = bar_lines(Window(start_s=8.5, end_s=11.5, left=0.0, right=300.0), tempo_map)
    assert [(line.x, line.whole, line.text) for line in lines] == [
        (50.0, False, "beat 3"), (150.0, True, "bar 4"), (250.0, False, "beat 2"),
    ]  # fmt: skip


def test_bar_lines_follow_the_clock_of_a_late_file() -> None:
    """A file whose clock is 1 s later sees every bar 1 s earlier."""
    tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=60.0, meter=(3, 4))], bar_one_at_s=1.0)
    window = Window(start_s=8.5, end_s=10.0, left=0.0, right=150.0)
    assert [(b.x, b.text) for b in bar_lines(window, tempo_map, 1.0)] == [(50.0, "bar 4")]


def test_long_notes_show_bars_without_beats() -> None:
    """Many beats would hide the curve: bars alone stay."""
    tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)
    lines = bar_lines(Window(start_s=0.0, end_s=30.0, left=0.0, right=300.0), tempo_map)
    assert len(lines) == 15
    assert all(line.whole for line in lines)


def test_without_a_map_there_are_no_bar_lines() -> None:
    """Bars are not invented."""
    assert bar_lines(WINDOW, None) == ()
