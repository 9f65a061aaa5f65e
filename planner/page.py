"""The review page: one self-contained HTML file that a producer reads on a phone, offline.

The page loads nothing: no script, no font, no picture from anywhere; its content policy says so.
Every text of the session is escaped by the template.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import jinja2

from planner.page_plot import BOX, Plot, plot_note
from planner.pitch import note_name
from planner.plan_model import Judged, Offender, Plan
from planner.summary import CAUTIONS, coverage_sentence, reference_sentences, stop_line
from planner.tally import biggest_rules, edits, left_on_purpose, not_measured
from planner.wording import SIGN_RULE, count, minutes, place, terms

RULES_ON_TOP = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """One offender as the page shows it."""

    offender: Offender
    where: str
    why: str
    one_of: str  # for rules: which of their notes is drawn
    plot: Plot | None


def review_page(plan: Plan) -> str:
    """Write the page: the song at a glance, the offenders with a drawing each, what was left.

    Offenders below the stop line are counted, not shown.
    """
    number, time = edits(plan)
    shown = [o for o in plan.offenders if o.above_stop_line][: plan.session.offenders_wanted]
    notes = {judged.measured.id: judged for judged in plan.judged}
    covered = {row.id: row.covers for row in plan.rows}
    html = _template().render(
        song=plan.session.song,
        artist=plan.session.artist,
        sign_rule=SIGN_RULE,
        reference=reference_sentences(plan),
        sour_before=plan.sour_before_s,
        sour_after=plan.sour_after_s,
        edits=count(number, "edit"),
        minutes=minutes(time),
        coverage=coverage_sentence(plan),
        missing=plan.missing,
        rules=biggest_rules(plan, RULES_ON_TOP),
        entries=[_entry(o, notes, covered) for o in shown],
        more=len(plan.offenders) - len(shown),
        stop_line=stop_line(plan),
        questions=[(row, place(row.start_bar, row.start_beat, row.start_s))
                   for row in plan.rows if row.kind == "question"],
        left=left_on_purpose(plan),
        unmeasured=not_measured(plan),
        cautions=CAUTIONS,
        count=count,
        box=BOX,
    )  # fmt: skip
    return html if html.endswith("\n") else html + "\n"


def _entry(
    offender: Offender, notes: dict[str, Judged], covered: dict[str, tuple[str, ...]]
) -> _Entry:
    drawn = notes.get(offender.row_id)
    one_of = ""
    if drawn is None:
        members = [notes[i] for i in covered.get(offender.row_id, ()) if i in notes]
        if members:
            # A typical note shows what the rule is about; the furthest is a fault of its own.
            heard = sorted(members, key=lambda j: (j.heard_cents or 0.0, j.measured.id))
            drawn = heard[len(heard) // 2]
            if len(members) > 1:
                one_of = f"Drawn: {drawn.measured.id}, a typical one of {len(members)} notes."
    plot = None if drawn is None else plot_note(drawn, note_name(drawn.target.intended_midi))
    return _Entry(
        offender=offender,
        where=place(offender.start_bar, offender.start_beat, offender.start_s),
        why=terms(offender.terms),
        one_of=one_of,
        plot=plot,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("planner", "page_assets"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("review.html.j2")
