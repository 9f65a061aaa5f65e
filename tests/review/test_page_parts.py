import xml.etree.ElementTree as ET

import pytest
from invented_plan import judged, plan

from planner.page import review_page
from planner.review.page_parts import LANE, LANES_MOST, draw_parts
from planner.summary import summary_markdown
from planner.words.plan_model import StemSummary
from planner.write.along_song import THE_SONG, AlongSong, PartAlong, Sits


def part(stem: str, *cents: float | None, left: float = 0.0) -> PartAlong:
    return PartAlong(
        stem=stem,
        at=tuple(
            None if c is None else Sits(cents=c, uncertainty_cents=1.0, left_cents=left)
            for c in cents
        ),
    )


def along(*parts: PartAlong) -> AlongSong:
    return AlongSong(unit="bars", stretches=((1, 2), (3, 4), (5, 6)), parts=parts)


def summary(code: str, offset: float = -3.6) -> StemSummary:
    return StemSummary(
        code=code, role="fretted", notes=9, measured=9, measured_time_share=1.0,
        offset_cents=offset, offset_uncertainty_cents=0.2, spread_cents=0.4,
        onset_minus_sustain_cents=None, edits=1,
    )  # fmt: skip


def test_sharp_is_up_and_all_lanes_have_one_scale() -> None:
    """10 sharp lies as far over its reference line as 10 flat lies under it, in another lane."""
    drawn = draw_parts(along(part("BAS", 10, 10, 10), part("GTR", -10, -10, -5)), ())
    bass, guitar = drawn.lanes
    assert bass.y - bass.dots[0].y == pytest.approx(guitar.dots[0].y - guitar.y)
    assert bass.dots[0].y < bass.y
    assert guitar.y - bass.y == LANE
    assert guitar.dots[2].y - guitar.y == pytest.approx((guitar.dots[0].y - guitar.y) / 2, abs=0.1)
    assert drawn.reach == "10 cents"


def test_a_lane_holds_what_it_draws() -> None:
    """Beyond 40 cents, and for whiskers at full reach, nothing is drawn over the next lane."""
    drawn = draw_parts(along(part("LV", 90, -90, 40)), ())
    (lane,) = drawn.lanes
    ys = [y for dot in lane.dots for y in (dot.y, dot.low_y, dot.high_y)]
    assert all(lane.top < y < lane.top + LANE for y in ys)
    assert drawn.reach == "40 cents"


def test_the_line_breaks_where_a_part_rests() -> None:
    """No line leads through a stretch without notes, recorded or planned."""
    (lane,) = draw_parts(along(part("BV", 3, None, 4)), ()).lanes
    assert lane.recorded.count("M") == lane.planned.count("M") == 2
    assert len(lane.dots) == 2


def test_words_say_the_same() -> None:
    """Beside its lane stand offset and spread; in words, what it does along the song."""
    drawn = draw_parts(along(part("AGT", -3.6, -3.6, -3.9), part("EGL", 2, 2, 2)), [summary("AGT")])
    assert [label.text for label in drawn.lanes[0].labels] == ["3.6 flat", "spread 0.4"]
    assert drawn.described == "AGT 3.6 flat, 3.6 flat, 3.9 flat; EGL 2 sharp"
    assert [text for _, text in drawn.stretches] == ["1", "3", "5"]


def test_the_song_has_a_line_of_its_own_and_no_plan() -> None:
    """Where all move, that is drawn as recorded alone: no part is mended for it."""
    song, bass = draw_parts(along(part(THE_SONG, -4, 0, 4), part("BAS", 0, 0, 0)), ()).lanes
    assert (song.stem, song.planned) == (THE_SONG, "")
    assert [label.text for label in song.labels] == ["moves by 8"]
    assert bass.planned


def test_of_many_parts_those_farthest_off_are_drawn() -> None:
    """Ten lanes at most, in the session's order; the others are counted."""
    parts = [part(f"S{k:02d}", float(k), 0.0, 0.0) for k in range(15)]
    drawn = draw_parts(along(*parts), ())
    assert [lane.stem for lane in drawn.lanes] == [f"S{k:02d}" for k in range(5, 15)]
    assert len(drawn.lanes) == LANES_MOST
    assert drawn.left_out == "5 more stems"
    assert draw_parts(along(*parts[:10]), ()).left_out == ""


def test_page_and_summary_show_it() -> None:
    """The page draws a lane for each part with its words; the summary has the same as a table."""
    notes = [judged(f"BAS-{k:04d}", 33, start_s=0.5 * k, heard_cents=-8.5) for k in range(40)]
    made = plan(judged=tuple(notes))
    page = review_page(made)
    section = page[page.index("All parts along the song") : page.index("Left on purpose")]
    (drawing,) = (
        ET.fromstring(f"<svg{svg.split('</svg>')[0]}</svg>") for svg in section.split("<svg")[1:]
    )
    assert drawing.get("aria-label") == "BAS 8.5 flat"
    assert len(drawing.findall("circle")) == 7  # stretches of three seconds
    assert "A lane reaches 10 cents to either side of the reference" in section
    table = summary_markdown(made).split("## Along the song")[1].split("##")[0]
    assert "| BAS |" + " 8.5 flat |" * 7 in table


def test_without_notes_nothing_is_drawn() -> None:
    """Parts of a note or two leave neither a drawing nor a table."""
    made = plan(judged=(judged(),))
    assert "All parts along the song" not in review_page(made)
    assert "Along the song" not in summary_markdown(made)
