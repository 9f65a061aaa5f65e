"""People's rulings carried into targets and notes.

The tool's own value always stands beside a person's, in the reason.
"""

from collections.abc import Callable, Container, Iterable
from dataclasses import replace

import numpy as np

from planner.answer.answers import Override, Ruling, Rulings
from planner.answer.ruled_rules import REFUSED
from planner.decide.moves import unmoved
from planner.pitch import note_name
from planner.scope.scope_rule import ScopeRule
from planner.targets import Aimed
from planner.words.plan_model import EDIT_ACTIONS, MOVING_ACTIONS, Judged, OwnFigure, Row
from planner.words.wording import flat_or_sharp, raise_or_lower

SET_BY_HAND = "set by hand"
_FOUND_WITHIN_S = 0.040  # as in `planner.answer.note_ids`: further off, the whole file was moved
_NO_ROW = ("ask", "wrong-note")  # these become questions


def re_aimed(
    aimed: tuple[Aimed, ...], rulings: Rulings, aim_at: Callable[[Aimed, Override, str], Aimed]
) -> tuple[Aimed, ...]:
    """Aim notes where a person says they belong; ``aim_at(note, what was said, who)`` does it."""

    def meant(a: Aimed) -> Aimed:
        ruling = rulings.get(a.measured.id)
        override = ruling.override if ruling else None
        if ruling is None or override is None:
            return a
        if override.intended_midi is None and override.target_cents is None:
            return a
        return aim_at(a, override, ruling.who)

    return tuple(meant(a) for a in aimed)


def asks_for_own_figures(rulings: Rulings, held: Container[str], notes: Iterable[str]) -> bool:
    """Whether lists must show what the planner would decide had nobody answered.

    They show it beside notes that people set, refused or locked, and notes in locked places. Beside
    an answer to a rule stands the rule's own figure, which is found before any answer.

    held: ids of the notes that lie in a locked place.
    notes: ids of all notes.
    """
    otherwise = frozenset(k for k, ruling in rulings.items() if ruling.says_otherwise)
    return bool(otherwise) and any(k in otherwise or k in held for k in notes)


def own_figure(judged: Judged) -> OwnFigure:
    """Keep of a decision what stands beside a person's."""
    return OwnFigure(action=judged.action, add_cents=judged.add_cents, reason=judged.reason)


def ruled_note(
    judged: Judged,
    ruling: Ruling | None,
    held: str = "",
    planners: OwnFigure | None = None,
    *,
    still: bool = False,
    made: bool = False,
) -> Judged:
    """Carry a ruling into one note's decision; hands off goes before everything.

    held: which lock the note lies under, where its place is locked and not its row.
    planners: what the planner decides where nobody has answered anything: the figure of its own
        that stands beside a person's, and stays the same whatever else is answered.
    still: whether hands are off that place, whatever was answered to the note.
    made: whether the note has been moved as ruled; then it stays where it is.
    """
    if ruling is None and not held:
        return judged
    planners = planners or own_figure(judged)
    tool = f"the planner says {said_move(planners)}: {planners.reason}"
    if ruling is None or still:
        return _in_a_locked_place(judged, held, tool)
    if judged.rule_name == "hands off":
        return judged
    if made:
        return _stays(judged, ruling)
    if ruling.frozen is not None:
        return _as_locked(judged, ruling.frozen)
    return _as_ruled(judged, ruling, tool)


def _in_a_locked_place(judged: Judged, held: str, tool: str) -> Judged:
    """Leave a note whose place is locked: nothing new is planned there, nothing new is asked."""
    if judged.action not in MOVING_ACTIONS and judged.action not in _NO_ROW:
        return judged
    reason = f"{held}: nothing new is planned there; {tool}"
    still = unmoved(judged)
    return replace(still, action="leave", rule_name="locked place", reason=reason)


def _stays(judged: Judged, ruling: Ruling) -> Judged:
    """Leave a note that has been moved as a person said: it is not moved any further."""
    if judged.action not in MOVING_ACTIONS or not ruling.says_otherwise:
        return judged
    return replace(
        unmoved(judged),
        action="leave", rule_name="set by a person", reason=f"as {ruling.who} said",
        clearable=False, gives_way_from_cents=None,
    )  # fmt: skip


def as_its_rule(
    judged: Judged, rule_id: str, rule: ScopeRule, ruling: Ruling, *, made: bool = False
) -> Judged:
    """Leave a note whose edit would do what a person did not want of a rule that covers it.

    Who refuses or halves that has heard its notes. What is off by itself, against the middle of
    what the rule covers and beyond its own tolerance, is another matter.

    made: whether the note has been moved by the rule as ruled.
    """
    add, heard = judged.add_cents, judged.heard_cents
    less = ruling.state == "refused" or (ruling.state == "approved" and ruling.factor < 1.0)
    if not less or add is None or heard is None or judged.action not in EDIT_ACTIONS:
        return judged
    middle = rule.bias_cents if rule.heard_cents is None else rule.heard_cents
    middle += rule.add_cents if made else 0.0
    if add * middle >= 0.0 or round(abs(heard - middle), 1) > (judged.tolerance_cents or 0.0):
        return judged
    said = ruling.refused_by if ruling.state == "refused" else f"to be made by {ruling.share} only"
    return replace(
        unmoved(judged),
        action="leave", rule_name="as its rule", reason=f"{rule_id}, which covers it, was {said}",
        clearable=False, gives_way_from_cents=None,
    )  # fmt: skip


def _as_ruled(judged: Judged, ruling: Ruling, tool: str) -> Judged:
    """Carry what a person said of a note into it: a value of theirs, a no, a half."""
    override = ruling.override
    if override is not None and (override.moves or override.action is not None):
        return _as_set(judged, override, ruling, tool)
    another = override is not None and override.intended_midi is not None
    if another and judged.action == "wrong-note":
        return _too_far(judged, ruling)
    if ruling.state == "refused" and judged.action not in _NO_ROW:
        return _refused(judged, ruling, tool)
    if ruling.factor != 1.0 and judged.action in MOVING_ACTIONS:
        return _scaled(judged, ruling, tool)
    return judged


def _too_far(judged: Judged, ruling: Ruling) -> Judged:
    """Advise another take: the note that was meant is known, and too far off for an edit."""
    return replace(
        unmoved(judged),
        action="other-take",
        rule_name="another note was meant",
        reason=f"{flat_or_sharp(judged.heard_cents)} of "
        f"{note_name(judged.target.intended_midi)}, which {ruling.who} says was meant: "
        "too far for an edit",
    )


def _refused(judged: Judged, ruling: Ruling, tool: str) -> Judged:
    reason = ruling.refused_by
    if judged.action in EDIT_ACTIONS:
        reason += f"; {tool}"
    still = unmoved(judged)
    return replace(still, action="leave", rule_name=REFUSED, reason=reason)


def moved_s(frozen: Row, start_s: float) -> float:
    """Give by how many s a locked row's file was moved since; within a match's reach it was not."""
    late_s = 0.0 if frozen.start_s is None else start_s - frozen.start_s
    return late_s if round(abs(late_s), 6) > _FOUND_WITHIN_S else 0.0


def _as_locked(judged: Judged, row: Row) -> Judged:
    """A note whose row is locked, as it stood there."""
    if row.kind != "note":
        return judged
    late_s = moved_s(row, judged.measured.note.start_s)
    return replace(
        judged, action=row.action, rule_name=row.rule_name, reason=row.reason,
        add_cents=row.add_cents, onset_add_cents=row.onset_add_cents,
        cut_s=None if row.cut_s is None else row.cut_s + late_s,
        sustain_add_cents=row.sustain_add_cents, points=row.points,
        remaining_cents=judged.rest_cents if row.remaining_cents is None else row.remaining_cents,
        take=judged.take if row.action == "other-take" else None,
    )  # fmt: skip


def _as_set(judged: Judged, override: Override, ruling: Ruling, tool: str) -> Judged:
    """A note with a person's number, points or action in place of the planner's."""
    still = unmoved(judged)
    length_s, rest = judged.measured.note.length_s, still.remaining_cents
    if override.add_cents is not None:
        add = round(override.add_cents, 1)
        return replace(
            still,
            action="raise-lower",
            rule_name=SET_BY_HAND,
            reason=f"{ruling.set_by}; {tool}",
            add_cents=add,
            points=((0.0, add), (length_s, add)),
            remaining_cents=None if rest is None else round(rest + add, 1),
        )
    if override.points:
        along = _along(override.points, length_s)
        return replace(
            still,
            action="shape",
            rule_name=SET_BY_HAND,
            reason=f"{ruling.set_by}; {tool}",
            points=override.points,
            remaining_cents=None if rest is None else round(rest + along, 1),
        )
    if override.action is None or override.action == judged.action:
        return judged
    return replace(
        still,
        action=override.action,
        rule_name=SET_BY_HAND,
        reason=f"{override.action}, says {ruling.who}; {tool}",
    )


def keeps_row(judged: Judged, rulings: Rulings) -> bool:
    """Whether a note that is not moved has a row all the same, because a person spoke of it."""
    return judged.measured.id in rulings and judged.action not in _NO_ROW


def _scaled(judged: Judged, ruling: Ruling, tool: str) -> Judged:
    f, rest = ruling.factor, judged.rest_cents

    def part(value: float | None) -> float | None:
        return None if value is None else round(f * value, 1)

    left = judged.remaining_cents
    return replace(
        judged,
        add_cents=part(judged.add_cents),
        onset_add_cents=part(judged.onset_add_cents),
        sustain_add_cents=part(judged.sustain_add_cents),
        points=tuple((t, round(f * c, 1)) for t, c in judged.points),
        remaining_cents=left
        if left is None or rest is None
        else round(rest + f * (left - rest), 1),
        reason=f"{ruling.share} of it, says {ruling.who}; {tool}",
    )


def _along(points: tuple[tuple[float, float], ...], length_s: float) -> float:
    """What points add on average along a note: straight lines in between, flat beyond the ends."""
    at_s = np.linspace(0.0, length_s, 201)  # chosen: half a percent of the note
    times, cents = zip(*points, strict=True)
    return float(np.mean(np.interp(at_s, times, cents)))


def said_move(figure: OwnFigure) -> str:
    """Say what is done with a note in a few words."""
    if figure.add_cents is not None:
        return raise_or_lower(figure.add_cents)
    return figure.action
