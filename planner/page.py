"""The review page: one self-contained HTML file that a producer reads, hears and answers offline.

The page loads nothing from anywhere, and its content policy says so: the one script and the one
style sheet are named by their sums, sound comes from the page itself. Every text of the session
is escaped by the template. Without scripts the page is a readable report.
"""

import base64
import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import jinja2
from markupsafe import Markup

from planner.answer.questions import (
    ROLE_QUESTIONS,
    asks_far_off,
    asks_role,
    asks_several,
    notes_offered,
    why_no_yes,
)
from planner.answer.said_bars import with_last_bar
from planner.editlist import clean_text
from planner.pitch import NoteNames, note_name
from planner.plan.parts import clock_shifts
from planner.review.page_lines import Line, page_lines
from planner.review.page_parts import draw_parts
from planner.review.page_plot import BOX, Plot, plot_note
from planner.review.page_sound import NOTE_RMS, Curves, Excerpt, curves
from planner.timeline import TempoMap, bars_of
from planner.words.plan_model import Judged, Plan, Row
from planner.words.spelling import names_at
from planner.words.wording import SIGN_RULE, count, minutes, place, row_place, terms
from planner.write.along_song import along_song
from planner.write.asking import not_asked
from planner.write.in_short import CAUTIONS, coverage_sentence, reference_in_short
from planner.write.offenders_text import often, relief_of, stop_line
from planner.write.provenance import plan_id
from planner.write.relief import is_crowded
from planner.write.tally import advice, biggest_rules, edits, left_on_purpose, not_measured

RULES_ON_TOP = 3
# What two sheets of A4 hold, as the style sheet has it (chosen, and printed in the tests).
PRINTED = {
    "lines": 12, "drawings": 3, "questions": 4, "unsettled": 2, "left": 4, "unmeasured": 2,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Button:
    """A button of a line: what it gives to the script, its word, and what it means at length."""

    value: str  # of an answer: what is written into the answers
    word: str
    means: str


_YES = Button("yes", "yes", "make this edit")
_NO = Button("no", "no", "leave it as it is")
_ASK = Button("ask", "ask", "ask the player first")
_HALF = Button("half", "half", "make half of this edit")
_RECORDED = Button("recorded", "recorded", "the excerpt as it is")
_WITH_TARGET = Button("target", "with target", "the excerpt, and the target as a tone")
_IN_THE_MIX = Button("mix", "in the mix", "the excerpt in the rough mix")


def review_page(
    plan: Plan, tempo_map: TempoMap | None = None, excerpts: Sequence[Excerpt] = ()
) -> str:
    """Write the page: the song at a glance, the offenders with drawing and sound, what was left.

    Offenders below the stop line are counted, not shown. Excerpts are left out from the last on
    until the page is no larger than the session allows.

    tempo_map: for bar lines.
    excerpts: what may be heard, first things first; without any the page holds no audio.
    """
    html = _render(plan, tempo_map, excerpts)
    over = len(html.encode("utf-8")) - plan.session.page_size_mb * 1e6
    kept = list(excerpts)
    while kept and over > 0:
        over -= kept.pop().span.page_bytes
    return html if len(kept) == len(excerpts) else _render(plan, tempo_map, kept)


def _render(plan: Plan, tempo_map: TempoMap | None, excerpts: Sequence[Excerpt]) -> str:
    number, time = edits(plan)
    lines = page_lines(plan)
    offenders = [line for line in lines if line.offender is not None]
    questions = [line for line in lines if line.offender is None]
    shifts = clock_shifts(plan.session, dict(plan.facts))
    sounds = {one.span.row_id: one for one in excerpts}
    notes = [j.measured for j in plan.judged]
    starts = ((n.id, n.note.start_s + shifts.get(n.note.stem, 0.0)) for n in notes)
    bars = bars_of(starts, tempo_map)

    def entry(line: Line, anchor: str, drawn: bool) -> dict[str, Any]:
        plot = _plot(line.note, plan, tempo_map, shifts) if line.note and drawn else None
        names = names_at(plan.keys, line.row.start_bar)
        line = replace(line, row=with_last_bar(line.row, bars))
        return _entry(line, anchor, plot, sounds.get(line.row.id), bool(excerpts), names)

    wanted = plan.session.offenders_wanted
    along = along_song(plan, tempo_map)
    css, js = _asset("review.css"), _asset("review.js")
    song = clean_text(" ".join(plan.session.song.splitlines()))
    html = _environment().get_template("review.html.j2").render(
        policy=_policy(css, js),
        css=Markup(css),
        js=Markup(js),
        data={
            "song": song,
            "plan": plan_id(plan),
            "file": f"answers_{_slug(song)}.txt",
            "lines": [_played(line, sounds.get(line.row.id), plan) for line in lines],
        },
        song=plan.session.song,
        artist=plan.session.artist,
        sounding=bool(sounds),
        level_caution=f"Start low: plain tones sound louder than their meter reading. Tones lie "
        f"{-plan.session.tone_level_db:g} dB under the excerpts and begin softly; nothing plays "
        "by itself.",
        sign_rule=SIGN_RULE,
        reference=reference_in_short(plan),
        sour_before=plan.sour_before_s,
        sour_after=plan.sour_after_s,
        edits=count(number, "edit"),
        minutes=minutes(time),
        coverage=coverage_sentence(plan),
        missing=plan.missing,
        rules=biggest_rules(plan, RULES_ON_TOP),
        entries=[entry(one, f"offender-{one.offender.rank}", True)
                 for one in offenders if one.offender is not None],
        more=len(plan.offenders) - len(offenders),
        above=sum(1 for one in plan.offenders if one.above_stop_line),
        drawn_more=len(offenders) > PRINTED["drawings"] or bool(questions),
        stop_line=stop_line(plan),
        questions=[entry(one, f"question-{k}", k <= wanted)
                   for k, one in enumerate(questions, start=1)],
        printed=PRINTED,
        parts=None if along is None else draw_parts(along, plan.stems),
        unsettled=not_asked(plan),
        advice=advice(plan),
        row_place=row_place,
        left=left_on_purpose(plan),
        unmeasured=not_measured(plan),
        cautions=CAUTIONS,
        count=count,
        often=often,
        relief=partial(relief_of, crowded=is_crowded(plan)),
        box=BOX,
    )  # fmt: skip
    return html if html.endswith("\n") else html + "\n"


def _plot(
    note: Judged, plan: Plan, tempo_map: TempoMap | None, shifts: dict[str, float]
) -> Plot | None:
    stem = note.measured.note.stem
    return plot_note(
        note,
        note_name(note.target.intended_midi, note.names),
        others=[other for other in plan.judged if other.measured.note.stem != stem],
        tempo_map=tempo_map,
        later_s=lambda code: shifts.get(code, 0.0),
    )


def _entry(
    line: Line,
    anchor: str,
    plot: Plot | None,
    sound: Excerpt | None,
    sounding: bool,
    names: NoteNames,
) -> dict[str, Any]:
    """Give one line as the template shows it."""
    row, offender = line.row, line.offender
    return {
        "id": row.id,
        "anchor": anchor,
        "offender": offender,
        "stem": row.stem,
        "intended": f"{row.intended}, {row.word}" if row.intended and row.word else row.intended,
        "reason": row.reason,
        "where": row_place(row),
        "why": terms(offender.terms) if offender is not None else "",
        "one_of": _one_of(line, heard=sound is not None),
        "plot": plot,
        "audio": "" if sound is None else base64.b64encode(sound.wav).decode("ascii"),
        "mix": "" if sound is None else base64.b64encode(sound.mix).decode("ascii"),
        "heard": _about_the_excerpt(line, sound, missed=sounding and plot is not None),
        "sounds": tuple(_sounds_of(line, sound)),
        "answers": _answers_to(row, names) if offender is None else _answers_to_an_edit(row),
        "alike": line.alike,
        "bars": _bars(row),  # of a stretch between two tunings: where it may lie otherwise
    }


def _one_of(line: Line, *, heard: bool) -> str:
    """Say which note of a rule is drawn; nothing where the line is about one note."""
    if line.offender is None or line.note is None or line.of_notes <= 1:
        return ""
    at_s = line.note.measured.note.start_s
    return (
        f"{'Drawn and heard' if heard else 'Drawn'}: {line.note.measured.id}, "
        f"{place(None, None, at_s)}, a typical one of {line.of_notes} notes."
    )


def _about_the_excerpt(line: Line, sound: Excerpt | None, *, missed: bool) -> str:
    """Say that only a part of the note is heard, or none of it where an excerpt is missed."""
    if sound is None:
        return "No excerpt here: the page would grow too large." if missed else ""
    if sound.span.whole:
        return ""
    shown = sound.span.note_end_s - sound.span.note_start_s
    part = "last" if line.note is not None and line.note.action == "hold-end" else "first"
    return f"Heard: the {part} {shown:g} s of the note."


def _sounds_of(line: Line, sound: Excerpt | None) -> Iterator[Button]:
    """The ways in which a line can be heard."""
    if sound is not None:
        yield _RECORDED
        yield _WITH_TARGET
    found = None if line.note is None else _curves(line.note, sound)
    if found is not None:
        second = "planned" if found.planned else "target"
        yield Button("curves", "as tones", f"the measured curve, then the {second}")
    if sound is not None and sound.mix:
        yield _IN_THE_MIX


def _answers_to_an_edit(row: Row) -> tuple[Button, ...]:
    """What can be said of a proposed edit; a note of another take cannot be halved."""
    return (_YES, _NO, _ASK) if row.action == "other-take" else (_YES, _NO, _ASK, _HALF)


def _bars(row: Row) -> tuple[int, int] | None:
    if row.scope != "span" or row.start_bar is None or row.end_bar is None:
        return None
    return row.start_bar, row.end_bar


def _answers_to(question: Row, names: NoteNames) -> tuple[Button, ...]:
    """The notes that it offers; a yes where it says something; no half, as there is no edit."""
    if asks_role(question):
        roles = ROLE_QUESTIONS[question.rule_name]
        said = (Button(f"role {role}", role, f"{question.stem} is {role}") for role in roles)
        return (*said, Button("yes", "yes", "the role is right"), _ASK)
    if asks_several(question):
        several = Button("yes", "yes", "several notes sound at once")
        return several, Button("no", "no", "one note sounds at a time"), _ASK
    if asks_far_off(question):
        so = Button("yes", "yes", f"{question.stem} was played so")
        return so, Button("no", "no", f"{question.stem} waits for a right file"), _ASK
    notes = [note_name(midi, names) for midi in notes_offered(question)]
    offered = (Button(f"meant {name}", name, f"{name} was meant") for name in notes)
    yes = () if why_no_yes(question) else (Button("yes", "yes", "yes, it is so"),)
    return (*offered, *yes, _NO, _ASK)


def _played(line: Line, sound: Excerpt | None, plan: Plan) -> dict[str, Any]:
    """What the page's script must know to play and answer one line."""
    played: dict[str, Any] = {"id": line.row.id, "alike": list(line.alike)}
    if line.note is None:
        return played
    level = NOTE_RMS if sound is None else sound.note_rms
    played["target_hz"] = round(line.note.target.target_hz, 3)
    played["tone_rms"] = round(level * 10 ** (plan.session.tone_level_db / 20), 5)
    if sound is not None:
        span = sound.span
        played["note_s"] = [
            round(at_s - span.start_s, 4) for at_s in (span.note_start_s, span.note_end_s)
        ]
    found = _curves(line.note, sound)
    if found is not None:
        played |= {"step_s": found.step_s, "measured": found.measured, "planned": found.planned}
    return played


def _curves(note: Judged, sound: Excerpt | None) -> Curves | None:
    if sound is not None:
        return curves(note, sound.span.note_start_s, sound.span.note_end_s)
    return curves(note, note.measured.note.start_s, note.measured.note.end_s)


def _policy(css: str, js: str) -> str:
    """Say what the page may do: this script, this style, sound out of itself, nothing else.

    W3C, Content Security Policy Level 3: inline content is allowed by its SHA-256 in base64.
    """
    sums = [
        base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
        for text in (js, css)
    ]
    return (
        f"default-src 'none'; script-src 'sha256-{sums[0]}'; style-src 'sha256-{sums[1]}'; "
        "media-src data:; base-uri 'none'; form-action 'none'"
    )


def _slug(song: str) -> str:
    """Give a name that every file system takes."""
    return re.sub(r"[^a-z0-9]+", "_", song.lower()).strip("_")[:40] or "song"


_LOADER = jinja2.PackageLoader("planner", "page_assets")


@cache
def _asset(name: str) -> str:
    return _LOADER.get_source(_environment(), name)[0]


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=_LOADER,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
