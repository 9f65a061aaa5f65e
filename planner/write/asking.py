"""Which questions a person is asked, and which notes are only told as not settled.

A question is asked where its answer changes what is planned: which note was meant, whether one is
as far off as it can be read, which role a stem has. A wobble or a join of takes can be listened to,
but no word about it changes the plan; and of what is over before the ear knows its pitch, or moves
all along, no ear can tell. A producer answers ten questions, not two hundred: what comes round the
same is asked once, and what is heard longest comes first.
"""

import math
from collections import defaultdict
from dataclasses import dataclass, replace

from planner.answer.questions import asks_role, is_open_question
from planner.model import Finding
from planner.ranking import likeness_of
from planner.words.plan_model import Plan, Row
from planner.write.tally import Group, grouped

ASKED_AT_MOST = 10  # chosen: what a producer answers beside the offenders in a quarter of an hour
# Up to here the ear tells a pitch the better the longer it lasts (B. C. J. Moore, "Frequency
# difference limens for short-duration tones", JASA 54, 1973).
_TOLD_BY_EAR_S = 0.2
_MOVING = "off as it is heard, and moving throughout: listen"
# Rules of the decision table whose notes can only be listened to, and what is told of many of them.
_ONLY_HEARD = {
    "wobble": "a slow or uneven wobble: another take may be better",
    "join inside": "a join of takes lies inside the note: listen",
    "off and moving": _MOVING,
    "moving throughout": _MOVING,
}
_TOO_SHORT = "over before an ear can tell its pitch"
_SHORTER = "it is not clear which note was meant; others that last longer are asked about first"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One question that a person is asked."""

    row: Row  # the longest of those alike
    alike: tuple[str, ...]  # ids of the others


def asked(plan: Plan) -> tuple[Asked, ...]:
    """Give the open questions whose answer changes the plan, at most ten, weightiest first.

    Those about a stem come before those about notes, and these by the seconds they are about, with
    all places where the same is asked.
    """
    return _worth_asking(plan)[:ASKED_AT_MOST]


def with_asked(plan: Plan) -> Plan:
    """Write beside each question of the list by which one the page asks it, if it does."""
    by = {key: one.row.id for one in asked(plan) for key in (one.row.id, *one.alike)}
    rows = (replace(row, asked_on_page=by.get(row.id, "")) for row in plan.rows)
    return replace(plan, rows=tuple(rows))


def asked_of_the_session(plan: Plan) -> tuple[Finding, ...]:
    """Give the questions that no row stands for: they are answered in the session file."""
    found = (*plan.a4.findings, *plan.findings)
    return tuple(dict.fromkeys(f for f in found if f.severity == "question" and not f.asks))


def not_asked(plan: Plan) -> tuple[Group, ...]:
    """Group the notes that nothing is asked about though they are not settled, most notes first."""
    spoken_for = {key for one in asked(plan) for key in (one.row.id, *one.alike)}
    rest = [r for r in plan.rows if is_open_question(r) and r.id not in spoken_for]
    judged = {j.measured.id: j for j in plan.judged}
    return grouped(
        (row.rule_name, _why_not_asked(row), judged[note_id])
        for row in rest
        for note_id in row.covers
        if note_id in judged
    )


def _worth_asking(plan: Plan) -> tuple[Asked, ...]:
    """All open questions whose answer changes the plan, those alike as one, weightiest first."""
    together: defaultdict[tuple[object, ...], list[Row]] = defaultdict(list)
    for row in plan.rows:
        if is_open_question(row) and row.rule_name not in _ONLY_HEARD:
            together[likeness_of(row)].append(row)
    groups = [sorted(rows, key=lambda r: (-_lasts_s(r), r.id)) for rows in together.values()]
    groups = [rows for rows in groups if not _too_short(rows[0])]
    groups.sort(key=lambda rows: (-round(sum(map(_lasts_s, rows)), 1), rows[0].id))
    return tuple(Asked(row=first, alike=tuple(r.id for r in rest)) for first, *rest in groups)


def _why_not_asked(question: Row) -> str:
    shorter = _TOO_SHORT if _too_short(question) else _SHORTER
    return _ONLY_HEARD.get(question.rule_name, shorter)


def _too_short(question: Row) -> bool:
    return round(_lasts_s(question), 3) < _TOLD_BY_EAR_S


def _lasts_s(question: Row) -> float:
    if asks_role(question) or question.start_s is None or question.end_s is None:
        return math.inf  # about a stem as a whole
    return question.end_s - question.start_s
