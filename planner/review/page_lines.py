"""Which lines stand on the review page, and which note stands for each of them.

An offender of a rule is drawn and heard by one typical note of those it covers; an offender that
folds several single edits together knows the others, so that one answer can go to all of them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from planner.ranking import like_this
from planner.words.plan_model import Judged, Offender, Plan, Row
from planner.write.asking import asked
from planner.write.note_curves import heard_curve

_SHOWN_S = 0.5  # chosen: so long a note is seen and heard as one


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line that a producer answers."""

    row: Row
    offender: Offender | None  # None for questions
    note: Judged | None  # drawn and heard; None where the row names no note that is known
    of_notes: int  # how many notes that one stands for
    alike: tuple[str, ...]  # ids of the others that "all like this" speaks of


def page_lines(plan: Plan) -> tuple[Line, ...]:
    """List the offenders above the stop line, at most as many as the session wants, then questions.

    Rules have their line wherever they rank: they are few, and each moves many notes. Questions are
    those that a person is asked (`planner.write.asking`). An offender without a row in the list is
    left out: there is nothing to answer.
    """
    rows = {row.id: row for row in plan.rows}
    notes = {judged.measured.id: judged for judged in plan.judged}
    above = [o for o in plan.offenders if o.above_stop_line and o.row_id in rows]
    wanted = plan.session.offenders_wanted
    shown = above[:wanted] + [o for o in above[wanted:] if rows[o.row_id].kind == "rule"]
    lines = [(rows[o.row_id], o) for o in shown]
    questions = [(one.row, None) for one in asked(plan)]
    return tuple(_line(row, o, notes, plan.rows) for row, o in (*lines, *questions))


def _line(
    row: Row, offender: Offender | None, notes: dict[str, Judged], rows: Iterable[Row]
) -> Line:
    own = [notes[row.id]] if row.id in notes else [notes[i] for i in row.covers if i in notes]
    return Line(
        row=row,
        offender=offender,
        note=_typical(own),
        of_notes=len(own),
        alike=tuple(one.id for one in like_this(row, rows)[1:]),
    )


def _typical(notes: Sequence[Judged]) -> Judged | None:
    """The note that shows what a rule is about: near the middle, drawn as a line, long enough.

    The furthest is a fault of its own, so only the middle half of the notes counts, and of these
    one that begins where it goes on.
    """
    heard = sorted(notes, key=lambda j: (j.heard_cents or 0.0, j.measured.id))
    middle = heard[len(heard) // 4 : len(heard) - len(heard) // 4]
    at = heard[len(heard) // 2].heard_cents or 0.0 if heard else 0.0

    def apart(j: Judged) -> float:
        off = j.heard_cents or 0.0
        return abs(off - at) + abs((j.onset_cents or off) - off)

    return max(
        middle,
        key=lambda j: (
            heard_curve(j) is not None,
            min(j.measured.note.length_s, _SHOWN_S),
            -apart(j),
        ),
        default=None,
    )
