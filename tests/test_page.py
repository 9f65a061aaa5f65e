"""The review page: one file, no network, everything escaped, the drawing true to the numbers."""

import base64
import hashlib
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from invented_plan import OFFENDER, QUESTION, judged, plan, row

from planner.model import Measurement
from planner.page import review_page
from planner.review.page_plot import BOX, LABEL_GAP, plot_note
from planner.review.page_sound import Excerpt, Span
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import TempoMark
from planner.write.note_curves import planned_add_cents
from planner.write.provenance import plan_id, run_record

VOID = {"meta", "br", "hr", "img", "link", "input"}


class Outline(HTMLParser):
    """Collects tags, attributes and headings, and checks that tags close in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "h2":
            self.headings.append(data)


def data_of(html: str) -> Any:
    """What the page's script is told."""
    return json.loads(html.partition('id="plan-data">')[2].partition("</script>")[0])


def sounding(row_id: str = "LV-0147", seconds: float = 1.0) -> Excerpt:
    """An excerpt of the invented note, silent."""
    span = Span(
        row_id=row_id, stem="LV", start_s=84.0, end_s=84.0 + seconds, note_start_s=84.7826,
        note_end_s=85.0, whole=False,
    )  # fmt: skip
    return Excerpt(span=span, wav=b"R" * (44 + 2 * round(22050 * seconds)), note_rms=0.08)


def drawings(html: str) -> list[ET.Element]:
    return [ET.fromstring(svg) for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL)]


def test_advice_is_on_the_page() -> None:
    """What would help and is no edit is read there as well, each with its place."""
    retake = row(id="A-002", kind="advice", scope="part", stem="AGT", action="retake",
                 add_cents=None, reason="sour in 15 s")  # fmt: skip
    page = review_page(replace(plan(), rows=(*plan().rows, retake)))
    assert "<li>A-002, AGT, throughout: sour in 15 s.</li>" in page
    assert "Advice, which is no edit" not in review_page(plan())


def test_page_says_things_in_the_agreed_order() -> None:
    """Offenders come first, then questions, what was left, and what could not be measured."""
    assert Outline(review_page(plan())).headings == [
        "Most relief first", "Questions", "Your answers", "All parts along the song",
        "Left on purpose", "Could not be measured", "Before you listen and edit",
    ]  # fmt: skip


def test_page_loads_nothing() -> None:
    """The policy allows the page's own script, style and sound; nothing names an address."""
    html = review_page(plan(), None, [sounding()])
    tags = Outline(html).tags
    (policy,) = [a["content"] for _, a in tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules.pop("default-src") == "'none'"
    assert rules.pop("media-src") == "data:"
    for name, tag in (("script-src", "script"), ("style-src", "style")):
        inside = html.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
        # W3C CSP Level 3, 6.7.2.3: the SHA-256 of the element's text, in base64.
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert rules.pop(name) == f"'sha256-{digest}'"
    assert rules == {"base-uri": "'none'", "form-action": "'none'"}
    assert not {tag for tag, _ in tags} & {"link", "img", "iframe", "object", "base", "form"}
    loading = {"srcset", "action", "style", "autoplay"}
    assert not [a for _, attrs in tags for a in attrs if a in loading or a.startswith("on")]
    assert {attrs["href"][:1] for _, attrs in tags if attrs.get("href")} == {"#"}  # type: ignore[index]
    assert {attrs["src"][:22] for _, attrs in tags if attrs.get("src")} == {  # type: ignore[index]
        "data:audio/wav;base64,"
    }
    assert "url(" not in html
    assert "http:" not in html.replace("http-equiv", "")
    assert "https:" not in html


def test_page_fits_a_phone() -> None:
    """The page takes the width of the screen it is on."""
    tags = Outline(review_page(plan())).tags
    content = "width=device-width, initial-scale=1"
    assert ("meta", {"name": "viewport", "content": content}) in tags


def test_top_names_song_reference_sour_seconds_and_rules() -> None:
    """The first screen has the song, session A4, sour seconds, edits, minutes and rules."""
    top = review_page(plan()).partition("Most relief first")[0]
    for said in (
        "Low Tide Ledger", "441.0 Hz", "41 as recorded, 7 if every edit is made",
        "3 edits, about 2 minutes by hand", "BAS, 24 notes: raise by 4.3, give or take 0.4",
        "plus is sharp", "CEL",
    ):  # fmt: skip
        assert said in top


def test_top_says_of_the_reference_what_a_producer_needs() -> None:
    """One sentence; a typed A4 far from what was measured is told there as well."""
    whole = plan()
    far = replace(whole, a4=replace(whole.a4, measured_hz=443.0))
    for made, told in ((whole, False), (far, True)):
        top = review_page(made).partition("<dl>")[0]
        assert ("WHAT WAS MEASURED DISAGREES: it is 7.8 sharp of that" in top) is told
        assert "Set the guide instrument" not in top
        assert "A person typed" not in top.replace(
            "A person typed 441 Hz, and that is used; WHAT", ""
        )


def test_sour_seconds_that_are_not_known_are_not_shown() -> None:
    """Without sour seconds there is no line for them, rather than a nought."""
    html = review_page(plan(sour_before_s=None, sour_after_s=None))
    assert "Sour seconds" not in html


def test_a_page_with_audio_says_so() -> None:
    """Unreleased audio is named as such; a page without it says nothing of the kind."""
    said = "Holds unreleased audio: not for forwarding."
    with_audio = review_page(plan(), None, [sounding()])
    assert said in with_audio
    assert with_audio.count("<audio") == 1
    assert "Heard: the first 0.2174 s of the note." in with_audio
    assert "No excerpt here: the page would grow too large." in with_audio  # of the second line
    silent = review_page(plan())
    assert said not in silent
    assert "<audio" not in silent
    assert "No excerpt here" not in silent


def test_page_grows_no_larger_than_the_session_allows() -> None:
    """Excerpts are left out from the last on until the page fits."""
    session = replace(plan().session, page_size_mb=1.0)
    # 10 s are 441 044 bytes of WAV, 588 060 in base64 (RFC 4648: 4 characters for 3 bytes).
    excerpts = [sounding("LV-0147", 10.0), sounding("R-001", 10.0)]
    html = review_page(plan(session=session), None, excerpts)
    assert 588_060 < len(html.encode()) <= 1_000_000
    assert html.count("<audio") == 1
    assert 'aria-label="LV-0147 as recorded"' in html
    assert review_page(plan(), None, excerpts).count("<audio") == 2


def test_script_is_told_what_to_play() -> None:
    """Target, level 12 dB under the excerpt, and the note's place in it stand in the page."""
    told = data_of(review_page(plan(), None, [sounding()]))
    line = told["lines"][0]
    assert line["target_hz"] == pytest.approx(588.664, abs=0.001)  # D5 at A4 = 441 Hz
    assert line["tone_rms"] == pytest.approx(0.08 * 10 ** (-12 / 20), rel=1e-3)
    assert line["note_s"] == [0.7826, 1.0]
    assert told["song"] == "Low Tide Ledger"
    assert told["file"] == "answers_low_tide_ledger.txt"
    assert re.fullmatch(r"[0-9a-f]{12}", told["plan"])


def test_answers_name_the_plan_that_run_yaml_names() -> None:
    """The plan's name follows what it says, and is the one of the run record."""
    told = data_of(review_page(plan()))["plan"]
    assert run_record(plan(), {})["plan_id"] == told
    assert plan_id(plan(rows=(row(add_cents=15.0),))) != told


def test_a_question_between_two_notes_offers_both() -> None:
    """Buttons name the notes; there is no yes, which would say nothing."""
    rows = tuple(
        replace(r, rule_name="between two notes", intended_midi=62, heard_cents=58.0)
        if r.kind == "question" else r
        for r in plan().rows
    )  # fmt: skip
    page = review_page(plan(rows=rows))
    asked = page.partition("<h2>Questions</h2>")[2].partition("</article>")[0]
    assert re.findall(r'data-answer="([^"]+)"', asked) == ["meant D4", "meant Eb4", "no", "ask"]
    assert "Q-001: D4 / Eb4 / no / ask, note" in asked


def test_ten_questions_are_asked_and_few_are_printed() -> None:
    """Of twenty questions ten are asked; the notes of the others are told."""
    rows = tuple(replace(QUESTION, id=f"Q-{k:03d}") for k in range(1, 21))
    page = review_page(plan(rows=rows, offenders=()))
    assert page.count("<article") == 10
    assert "6 further questions: on the screen, and in the edit list." in page
    assert "First what a whole stem hangs on, then what is about the most seconds." in page
    told = page.partition("Not settled, and not asked")[2].partition("</table>")[0]
    assert "<td>10</td><td>it is not clear which note was meant;" in told
    assert "Not settled" not in review_page(plan(rows=rows[:10], offenders=()))


def test_what_is_asked_in_several_places_is_answered_once() -> None:
    """One question stands for all places with the same choice, and its button says how many."""
    which = replace(QUESTION, rule_name="between two notes", intended_midi=62, heard_cents=58.0)
    rows = tuple(replace(which, id=f"Q-{k:03d}") for k in range(1, 4))
    page = review_page(plan(rows=rows, offenders=()))
    assert page.count("<article") == 1
    assert "and 2 places more" in page
    assert "all 3 like this" in page


def test_questions_offer_no_half() -> None:
    """A question proposes nothing that could be halved."""
    html = review_page(plan())
    asked = html.partition('id="question-1"')[2].partition("</article>")[0]
    assert re.findall(r'data-answer="(\w+)"', asked) == ["yes", "no", "ask"]
    first = html.partition('id="offender-1"')[2].partition("</article>")[0]
    assert re.findall(r'data-answer="(\w+)"', first) == ["yes", "no", "ask", "half"]


def test_a_line_says_on_the_page_what_it_says_in_the_list() -> None:
    """Where few moments come clear, both tell the beating that it ends."""
    told = replace(OFFENDER, clears_s=1.0, thins_s=25.0, sour_left_s=40.0, beating_left_s=50.0)
    quiet = plan(offenders=(told,))
    assert "LV-0147, clears 1 sour second, rank 61 of 100" in review_page(quiet)
    crowd = replace(quiet, beating_before_s=75.0)
    assert "LV-0147, ends 25 s of beating, rank 61 of 100" in review_page(crowd)


def test_names_of_the_answers_file_suit_every_disk() -> None:
    """Odd songs give plain file names."""
    for song, name in (("Élégie / 2", "answers_l_gie_2.txt"), ("夜", "answers_song.txt")):
        session = replace(plan().session, song=song)
        assert data_of(review_page(plan(session=session)))["file"] == name


def test_every_text_is_escaped() -> None:
    """Markup in names, headlines and reasons stays text."""
    evil = '<script>alert("x")</script><b onclick=x>'
    session = replace(plan().session, song=evil, artist=evil)
    html = review_page(
        plan(
            session=session,
            offenders=(replace(OFFENDER, headline=evil, fix=evil, row_id=evil, intended=evil),),
            judged=(judged(action="leave", reason=evil, rule_name=evil),),
            rows=(
                row(id=evil),
                row(id="Q-1", kind="question", reason=evil),
                row(id="R-1", kind="rule", in_words=evil),
            ),
            missing=(evil,),
        )
    )
    tags = [tag for tag, _ in Outline(html).tags]
    assert tags.count("script") == 2  # the page's data and its own script
    assert "b" not in tags
    assert "&lt;script&gt;" in html
    assert data_of(html)["lines"][0]["id"] == evil


def test_only_offenders_above_the_stop_line_are_shown() -> None:
    """Those above get an entry each, worst first; the rest is counted in words."""
    html = review_page(plan())
    assert [a["id"] for tag, a in Outline(html).tags if tag == "article"] == [
        "offender-1", "offender-2", "question-1",
    ]  # fmt: skip
    assert "1 further line in the list" in html
    assert "the next line buys 5 % more" in html


def test_number_of_offenders_follows_the_session() -> None:
    """No more offenders are shown than the session asks for, but for rules, and the top says so."""
    session = replace(plan().session, offenders_wanted=1)
    html = review_page(plan(session=session))
    tags = Outline(html).tags
    ids = [a["id"] for tag, a in tags if tag == "article"]
    assert ids == ["offender-1", "offender-2", "question-1"]
    assert '(<a href="#offender-2">line 2</a>)' in html
    assert "2 lines, 1 question. A line without an answer stays proposed, a question open." in html
    again = replace(OFFENDER, rank=2, row_id="LV-0150")
    rows = (row(), row(id="LV-0150"))
    html = review_page(plan(session=session, offenders=(OFFENDER, again), rows=rows))
    assert "1 further line in the list of offenders, 1 of them above the stop line." in html


def test_empty_plan_still_makes_a_page() -> None:
    """A session in tune gives a page that says so."""
    html = review_page(plan(judged=(), rows=(), offenders=(), stems=(), missing=()))
    Outline(html)
    assert "Nothing here needs doing." in html
    assert "Every note found was measured." in html


def test_rule_shows_a_typical_note() -> None:
    """The drawing of a rule is that of the note in the middle of its notes."""
    html = review_page(plan())
    assert "Drawn: BAS-0001, at 1.00 s, a typical one of 2 notes." in html


def test_a_line_names_only_what_there_is() -> None:
    """Where a rule has no one note, no gap is left for it; sentences begin with capitals."""
    html = review_page(plan())
    assert ", ," not in html
    headings = re.findall(r"<h3[^>]*>[-Q\d]+\. (.)", html)
    assert len(headings) == 3
    for heading in headings:
        assert heading == heading.upper()


def test_drawing_is_sound_and_in_one_ink() -> None:
    """Each drawing is well-formed, carries a description, and names no colour of its own."""
    found = drawings(review_page(plan()))
    assert len(found) == 4  # two offenders, a question, all parts
    for svg in found:
        assert svg.attrib["aria-label"].startswith(("LV-0147", "BAS"))
        for element in svg.iter():
            assert not {"fill", "stroke", "style"} & set(element.attrib)
    css = review_page(plan()).partition("<style>")[2].partition("</style>")[0]
    hues = re.findall(r"#([0-9a-f]{6})", css)
    for hue in hues:
        red, green, blue = (int(hue[i : i + 2], 16) for i in (0, 2, 4))
        assert max(red, green, blue) - min(red, green, blue) < 20  # greys only


def test_bars_and_other_stems_surround_the_drawing() -> None:
    """With a tempo map bars are drawn and named; what other stems sound stands in a strip."""
    notes = (judged(), judged("PNO-0009", 62, start_s=85.0))
    session = replace(plan().session, offenders_wanted=1)
    tuned = plan(judged=notes, rows=(row(),), session=session)
    # 92 to the minute in 4/4: bar 34 begins at 33 x 4 x 60 / 92 = 86.09 s, inside the note.
    tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=92.0)], bar_one_at_s=0.0)
    html = review_page(tuned, tempo_map)
    assert ">bar 34</text>" in html
    assert ">PNO</text>" in html
    assert ">D4</text>" in html
    assert "meanwhile PNO D4" in html
    assert ">bar 34</text>" not in review_page(tuned)


def test_lines_are_labelled_at_their_ends() -> None:
    """Target, limits, measured and planned line are named in words, none over another."""
    drawn = plot_note(judged(), "D5")
    assert drawn is not None
    assert sorted(label.text for label in drawn.end_labels) == [
        "limit 16 flat", "limit 16 sharp", "measured", "planned", "target D5",
    ]  # fmt: skip
    line_y = {label.text: label.line_y for label in drawn.end_labels}
    assert line_y["target D5"] == drawn.target_y
    assert {y for text, y in line_y.items() if text.startswith("limit")} == set(drawn.limit_ys)
    ys = [label.y for label in drawn.end_labels]
    assert all(b - a >= LABEL_GAP - 0.11 for a, b in pairwise(ys))
    assert min(ys) >= BOX["top"] - 0.1
    assert max(ys) <= BOX["bottom"] + 0.1


def test_measured_line_breaks_where_pitch_is_unknown() -> None:
    """One unknown frame makes two strokes, and nothing is drawn across it."""
    drawn = plot_note(judged(), "D5")
    assert drawn is not None
    assert drawn.measured.count("M") == 2
    assert "nan" not in drawn.measured


def test_sharp_is_up() -> None:
    """A flat note lies below the target line, its planned line nearer to it."""
    drawn = plot_note(judged(), "D5")
    assert drawn is not None
    sustain = drawn.whiskers[1]
    assert sustain.name == "sustain"
    assert sustain.y > drawn.target_y
    assert sustain.low_y > sustain.y > sustain.high_y
    last = [float(re.findall(r" ([\d.]+)$", path)[0]) for path in (drawn.measured, drawn.planned)]
    assert drawn.target_y < last[1] < last[0]


def test_note_without_a_move_has_no_planned_line() -> None:
    """A note that is left shows what was measured and nothing else."""
    drawn = plot_note(judged(action="leave", add_cents=None), "D5")
    assert drawn is not None
    assert drawn.planned == ""
    assert "planned" not in {label.text for label in drawn.end_labels}


def test_note_without_readings_has_no_drawing() -> None:
    """What was not measured is not drawn."""
    assert plot_note(plan().judged[-1], "D5") is None


def test_note_without_trace_shows_its_readings() -> None:
    """Read as a whole, as in a chord, it is a level line, and the plan another; else whiskers."""
    drawn = plot_note(judged(measurement=Measurement(sustain_hz=581.0)), "D5")
    assert drawn is not None
    assert [line.count("L") for line in (drawn.measured, drawn.planned)] == [1, 1]
    assert len(drawn.whiskers) == 3
    drawn = plot_note(judged(measurement=Measurement(), sustain_cents=None), "D5")
    assert drawn is not None
    assert drawn.measured == drawn.planned == ""
    assert len(drawn.whiskers) == 2


def test_trace_of_silence_counts_as_none() -> None:
    """A trace with no known frame draws no line."""
    found = Measurement(contour_s=np.arange(3.0), contour_hz=np.full(3, np.nan))
    drawn = plot_note(judged(measurement=found, sustain_cents=None), "D5")
    assert drawn is not None
    assert drawn.measured == ""


def test_a_line_that_leaves_the_drawing_is_not_held_at_its_edge() -> None:
    """From 400 flat up to the target: the way into the drawing is seen, nothing before it."""
    times = np.linspace(84.7826, 86.18, 100)
    hz = 587.3 * 2.0 ** (np.where(times < 85.3, -400.0, 0.0) / 1200.0)
    drawn = plot_note(judged(measurement=Measurement(contour_s=times, contour_hz=hz)), "D5")
    assert drawn is not None
    ys = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", drawn.measured)]
    assert ys.count(BOX["bottom"]) == 1
    assert len(ys) == 1 + np.sum(times >= 85.3)


def test_long_notes_are_thinned() -> None:
    """A trace of thousands of frames becomes at most a few hundred points."""
    times = np.linspace(84.7826, 86.18, 5000)
    found = Measurement(contour_s=times, contour_hz=np.full(5000, 588.0))
    drawn = plot_note(judged(measurement=found), "D5")
    assert drawn is not None
    assert drawn.measured.count("L") < 250


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"add_cents": 16.0}, [16.0, 16.0, 16.0]),
        ({"add_cents": None}, [0.0, 0.0, 0.0]),
        ({"layers": (("R-1", 4.0), ("R-2", -9.0)), "add_cents": None}, [-5.0, -5.0, -5.0]),
        ({"cut_s": 10.5, "onset_add_cents": -8.0, "sustain_add_cents": None}, [-8.0, 0.0, 0.0]),
        ({"points": ((0.5, 0.0), (1.5, 20.0))}, [0.0, 10.0, 20.0]),
    ],
)
def test_planned_line_adds_what_the_edit_says(
    changes: dict[str, Any], expected: list[float]
) -> None:
    """Layers, one number, a cut and points each move the line as the edit list words them."""
    one = judged(start_s=10.0, **changes)
    found = planned_add_cents(one, np.array([10.0, 11.0, 12.0]))
    assert found.tolist() == expected


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (W3C, WCAG 2.1, definition of relative luminance)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    lights = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * lights[0] + 0.7152 * lights[1] + 0.0722 * lights[2]


@pytest.mark.outside
def test_it_reads_without_colour() -> None:
    """Ink, soft ink, rule and paper are all the colours there are, all but grey, and well apart.

    WCAG 2.1, success criteria 1.4.1 (use of colour), 1.4.3 (text, 4.5 to 1) and 1.4.6 (7 to 1).
    """
    style = re.search(r"<style>(.*?)</style>", review_page(plan()), re.DOTALL)
    assert style is not None
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", style[1]))
    assert set(colours) == {"ink", "soft", "rule", "paper"}
    named = set(re.findall(r"(?:color|background|stroke|fill|border[\w-]*):\s*([^;}]+)", style[1]))
    words = {w for value in named for w in re.findall(r"[a-z]+(?:\([^)]*\))?", value)}
    assert {w for w in words if w.startswith("var")} == {f"var(--{name})" for name in colours}
    assert words - {f"var(--{name})" for name in colours} == {
        "collapse", "none", "px", "solid", "transparent",
    }  # fmt: skip
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?!;)|rgb|hsl", style[1])
    for colour in colours.values():
        parts = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert max(parts) - min(parts) <= 16  # as good as grey
    light = {name: luminance(colour) for name, colour in colours.items()}

    def contrast(one: str, other: str) -> float:
        low, high = sorted((light[one], light[other]))
        return (high + 0.05) / (low + 0.05)

    assert contrast("ink", "paper") >= 7.0
    assert contrast("soft", "paper") >= 4.5
