"""Which rows the plan keeps: none that adds sour time, none that leaves a beating in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.fewest_moves import Backbone, fewest_moves
from planner.giving_way import Leeway, giving_way
from planner.move_lines import LEAST_S, Proposal
from planner.parts import Part, sounding
from planner.plan_model import EDIT_ACTIONS, MOVING_ACTIONS, Judged, Row
from planner.ranking import fault_of
from planner.scope_rule import ScopeRule
from planner.session_model import Session
from planner.sour_time import Change, Now, SourMap, apply, as_recorded, change_of, sour_map
from planner.tolerances import Limits
from planner.worth_clearing import WORTH_A_TOUCH_S, WORTH_AN_EDIT_S, worth_clearing

SOUR_FROM_S = 0.5  # chosen: shorter notes beyond their tolerance do not count as sour time
_MOST_TRIES = 20  # chosen: each takes as long as a plan; sessions of the tests leave five at most
_LEFT_WORTH_TAKING_CENTS = 1.0  # chosen: less than that is the rounding of an edit

RuleKey = tuple[str, str, int | None, str]  # stem, scope, pitch, first note


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the search for the fewest moves has found out about the notes so far."""

    beats_if_moved: dict[str, str]  # note id -> id of the note it would beat with, or nothing
    nothing_left: frozenset[str]  # notes in which what an edit usually leaves would beat
    refused: frozenset[RuleKey]  # rules that would add sour time
    worth_clearing: frozenset[str]  # notes inside their tolerance that fill sour time by beating
    part_way: dict[str, float]  # note id -> cents to leave in, where more of the move would clash
    gives_way: dict[str, float]  # note id -> error to leave, on the side where it beats with nobody

    def refuses(self, rule: ScopeRule) -> bool:
        return rule_key(rule) in self.refused

    @property
    def not_as_a_whole(self) -> frozenset[str]:
        """The stems that are not moved as a whole after all."""
        return frozenset(stem for stem, scope, _, _ in self.refused if scope == "part")


NOTHING_YET = Kept(
    beats_if_moved={}, nothing_left=frozenset(), refused=frozenset(), worth_clearing=frozenset(),
    part_way={}, gives_way={},
)  # fmt: skip


def rule_key(rule: ScopeRule) -> RuleKey:
    """Name a rule by what it is about, whatever its cents."""
    return (rule.stem, rule.scope, rule.intended_midi, rule.covers[0])


def held_limits(judged: Mapping[str, Judged]) -> dict[str, float]:
    """Give the tolerance of every note that is held long enough to be sour by itself."""
    return {
        note_id: j.tolerance_cents
        for note_id, j in judged.items()
        if j.tolerance_cents is not None
        and j.heard_cents is not None
        and j.measured.note.length_s >= SOUR_FROM_S
    }


def proposals(
    rows: Sequence[Row], rules: Mapping[str, ScopeRule], judged: Mapping[str, Judged]
) -> tuple[Proposal, ...]:
    """Say what each row adds to the notes it moves, and which rows must be made before it."""
    found = []
    for row in rows:
        if row.action not in EDIT_ACTIONS:
            continue
        if row.id in rules:
            rule = rules[row.id]
            notes = tuple((note_id, rule.add_cents) for note_id in rule.covers)
            needs: frozenset[str] = frozenset()
        else:
            j = judged[row.id]
            notes = ((row.id, own_cents(j)),)
            needs = frozenset(rule_id for rule_id, _ in j.layers)
        found.append(
            Proposal(
                id=row.id,
                notes=notes,
                severity=row.severity or 0.0,
                fault=fault_of(row),
                stem=row.stem,
                needs=needs,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """Everything that was decided about a session, given what is kept."""

    parts: dict[str, Part]
    rules: dict[str, ScopeRule]
    judged: dict[str, Judged]
    tool: dict[str, Judged]  # what is decided without anybody's answers
    rows: tuple[Row, ...]  # edits, with their severities
    terms: dict[str, tuple[tuple[str, float], ...]]

    @property
    def moves(self) -> bool:
        """Whether anything is moved at all."""
        return any(row.action in MOVING_ACTIONS for row in self.rows)


def cleared(
    decide: Callable[[Kept], Decided], session: Session, limits: Limits
) -> tuple[Decided, Backbone, Kept]:
    """Decide so that no row adds sour time, and order the rows by what they clear.

    What would add sour time is left alone and all is decided again, until every row has its place.
    Then what is left in is taken out where it beats, and notes that fill sour time from inside
    their tolerance are added; for those the search begins anew. Last, each thing left alone is
    tried once more, as what stood against it may have gone.

    Parameters
    ----------
    decide : callable
        Decides about the whole session.
    """
    few = session.touch_at_most is not None
    worth_s = WORTH_A_TOUCH_S if few else WORTH_AN_EDIT_S
    kept = NOTHING_YET
    while True:  # ends: the wishes only grow, and for given wishes what is left alone only grows
        made, backbone, kept = _left_alone(decide, session, kept)
        made, backbone, kept = _tried_again(decide, session, (made, backbone, kept))
        wished = _wishes(made, kept, limits, worth_s)
        if wished == kept:
            return made, backbone, kept
        kept = replace(wished, beats_if_moved={}, refused=frozenset())


def _once(
    decide: Callable[[Kept], Decided],
    session: Session,
    kept: Kept,
) -> tuple[Decided, Backbone]:
    made = decide(kept)
    return made, ordered(made, session)


def ordered(
    made: Decided,
    session: Session,
    later: frozenset[str] | None = None,
    *,
    at_stop_line: bool = False,
) -> Backbone:
    """Order the rows by what they clear.

    Parameters
    ----------
    later : frozenset, optional
        Ids of the rows that a plan of the result added.
    at_stop_line : bool
        Whether what stands above the stop line is chosen for that number of edits, which takes
        time and leaves the same out.
    """
    cut = int(session.edit_minutes * 60.0 // session.seconds_per_edit)
    return fewest_moves(
        _sour(made),
        proposals(made.rows, made.rules, made.judged),
        first_cut=cut if at_stop_line else None,
        first_screen=session.offenders_wanted,
        later=later,
    )


def _sour(made: Decided) -> SourMap:
    return sour_map(sounding(made.parts, {}), held_limits(made.judged))


def _left_alone(
    decide: Callable[[Kept], Decided],
    session: Session,
    kept: Kept,
) -> tuple[Decided, Backbone, Kept]:
    """Leave alone what would add sour time, until nothing would."""
    while True:
        made, backbone = _once(decide, session, kept)
        if not backbone.left_out:
            return made, backbone, kept
        out = {left.id: left.against for left in backbone.left_out}
        wider = replace(
            kept,
            beats_if_moved=kept.beats_if_moved
            | {k: against for k, against in out.items() if k in made.judged},
            refused=kept.refused | {rule_key(made.rules[k]) for k in out if k in made.rules},
        )
        if wider == kept:  # a person set the rest by hand, whatever it clashes with
            return made, backbone, kept
        kept = wider


def _tried_again(
    decide: Callable[[Kept], Decided],
    session: Session,
    found: tuple[Decided, Backbone, Kept],
) -> tuple[Decided, Backbone, Kept]:
    """Take back one thing left alone after the other where that adds no sour time any more."""
    again = True
    while again:
        again = False
        kept = found[2]
        left: list[RuleKey | str] = [*sorted(kept.refused, key=str), *sorted(kept.beats_if_moved)]
        for one in left[:_MOST_TRIES]:
            fewer = _without(found[2], one)
            made, backbone = _once(decide, session, fewer)
            if backbone.left_out or backbone.after_s > found[1].after_s:
                continue
            again = again or len(made.rows) > len(found[0].rows)
            found = (made, backbone, fewer)
    return found


def _without(kept: Kept, one: RuleKey | str) -> Kept:
    return replace(
        kept,
        refused=kept.refused - {one},
        beats_if_moved={k: v for k, v in kept.beats_if_moved.items() if k != one},
    )


def _wishes(made: Decided, kept: Kept, limits: Limits, worth_s: float) -> Kept:
    sour = _sour(made)
    now = _carried_out(sour, made.judged)
    # What a person has set is nobody else's to change.
    own = {
        k: j
        for k, j in made.judged.items()
        if (j.action, j.remaining_cents) == (made.tool[k].action, made.tool[k].remaining_cents)
    }
    return replace(
        kept,
        nothing_left=kept.nothing_left | _better_with_nothing_left(sour, now, own),
        worth_clearing=kept.worth_clearing | _worth_clearing(sour, now, own, kept, worth_s),
        part_way=_part_way(sour, now, own, kept, worth_s) | kept.part_way,
        gives_way=giving_way(sour, now, _leeways(sour, now, own, kept, limits, worth_s))
        | kept.gives_way,
    )


def _carried_out(sour: SourMap, judged: Mapping[str, Judged]) -> Now:
    """The state once every rule and every edit is made."""
    now = as_recorded(sour)
    adds = {
        sour.index[k]: sum(c for _, c in j.layers) + own_cents(j)
        for k, j in judged.items()
        if k in sour.index
    }
    notes = np.array(sorted(adds), dtype=np.int64)
    apply(sour, now, change_of(sour, now, notes, np.array([adds[int(k)] for k in notes])))
    return now


def _better_with_nothing_left(
    sour: SourMap, now: Now, judged: Mapping[str, Judged]
) -> frozenset[str]:
    """Notes moved by one number whose rest beats: with nothing left in it would not."""
    better = set()
    for note_id in sorted(judged):
        j = judged[note_id]
        rest = j.remaining_cents or 0.0
        if j.action != "raise-lower" or abs(rest) < _LEFT_WORTH_TAKING_CENTS:
            continue
        change = _moved(sour, now, note_id, -float(round(rest)))
        if change.gain_s > 0 or (change.gain_s == 0 and change.shared_s > 0):
            apply(sour, now, change)
            better.add(note_id)
    return frozenset(better)


def _worth_clearing(
    sour: SourMap, now: Now, judged: Mapping[str, Judged], kept: Kept, worth_s: float
) -> frozenset[str]:
    """Notes inside their tolerance that are worth an edit."""
    waiting = {
        note_id: -float(round(j.remaining_cents or 0.0))
        for note_id, j in judged.items()
        if j.clearable and note_id not in kept.beats_if_moved
    }
    return worth_clearing(sour, now, waiting, worth_s)


def _part_way(
    sour: SourMap, now: Now, judged: Mapping[str, Judged], kept: Kept, worth_s: float
) -> dict[str, float]:
    """Notes left because their move would clash, and where on the way to their target they clear.

    Of all whole cents the ones that clear most, and of these the furthest; what the tolerances
    take for too small a move is none.
    """
    found = {}
    for note_id in sorted(kept.beats_if_moved):
        j = judged.get(note_id)
        if j is None or j.rule_name != "would clash" or note_id not in sour.index:
            continue
        error = j.remaining_cents or 0.0
        tries = [
            (_moved(sour, now, note_id, -float(np.sign(error)) * add), add)
            for add in range(1, round(abs(error)))
        ]
        best, add = max(
            tries, key=lambda one: (one[0].gain_s, one[0].shared_s, one[1]), default=(None, 0)
        )
        if best is not None and best.gain_s >= worth_s:
            apply(sour, now, best)
            found[note_id] = round(abs(error) - add, 1)
    return found


def _leeways(
    sour: SourMap,
    now: Now,
    judged: Mapping[str, Judged],
    kept: Kept,
    limits: Limits,
    worth_s: float,
) -> dict[str, Leeway]:
    """How far each note may give way to one it beats with."""
    found = {}
    for note_id, j in judged.items():
        least = j.gives_way_from_cents
        if least is None or note_id not in sour.index or note_id in kept.beats_if_moved:
            continue
        k = sour.index[note_id]
        rest = round(float(sour.error_cents[k] + now.moved_cents[k]), 1)
        if abs(rest - (j.remaining_cents or 0.0)) > 0.1:
            continue  # it has just been found to be better off elsewhere
        found[note_id] = Leeway(
            rest_cents=rest,
            most_left_cents=limits.smallest_left_cents,
            least_move_cents=least,
            # What is moved anyhow costs no edit more.
            least_gain_s=worth_s if j.action == "leave" else LEAST_S,
        )
    return found


def _moved(sour: SourMap, now: Now, note_id: str, add_cents: float) -> Change:
    one = np.array([sour.index[note_id]], dtype=np.int64)
    return change_of(sour, now, one, np.array([add_cents]))


def own_cents(j: Judged) -> float:
    """Say what a note's own edit adds to what is heard, beyond its rules."""
    if j.action not in EDIT_ACTIONS:
        return 0.0
    layer = sum(c for _, c in j.layers)
    return (j.remaining_cents or 0.0) - (j.heard_cents or 0.0) - layer
