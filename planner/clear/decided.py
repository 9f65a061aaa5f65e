"""A session that is decided: its rows as moves, and what of it is sour before and after them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from planner.clashes import Clash, SoundingNote, clashes_at
from planner.clear.move_lines import Proposal
from planner.clear.sour_time import Now, SourMap, limits_of, sour_map, with_added
from planner.decide.clash_words import points_of_named
from planner.plan.parts import Part, sounding
from planner.ranking import fault_of
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import EDIT_ACTIONS, MOVING_ACTIONS, Judged, Row

SOUR_FROM_S = 0.5  # chosen: shorter notes beyond their tolerance do not count as sour time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recorded:
    """A session that is aimed, as it sounds before any move: the same whatever is decided."""

    notes: dict[str, SoundingNote]  # by id
    sour: SourMap  # of all that meets; no held note is sour by itself
    clashes: tuple[Clash, ...]
    points: dict[str, float]  # note id -> of the worst clash that it is named in


def recorded(parts: Mapping[str, Part]) -> Recorded:
    """Lay out what sounds in a session, and what beats in it as it was recorded."""
    notes = sounding(parts, {})
    by_id = {note.id: note for note in notes}
    sour = sour_map(notes, {})
    clashes = clashes_at(sour.met, sour.heard_hz)
    points = points_of_named(clashes, by_id)
    return Recorded(notes=by_id, sour=sour, clashes=clashes, points=points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """Everything that was decided about a session, given what is kept."""

    parts: dict[str, Part]
    recorded: Recorded  # of these parts
    rules: dict[str, ScopeRule]
    judged: dict[str, Judged]
    tool: dict[str, Judged]  # what is decided without anybody's answers
    rows: tuple[Row, ...]  # edits, with their severities
    terms: dict[str, tuple[tuple[str, float], ...]]

    @property
    def moves(self) -> bool:
        """Whether anything is moved at all."""
        return any(row.action in MOVING_ACTIONS for row in self.rows)


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
            notes = ((row.id, j.own_cents),)
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


def sour_of(made: Decided) -> SourMap:
    """Lay out all that can be sour in a session that is decided, as it was recorded."""
    sour, limits = made.recorded.sour, held_limits(made.judged)
    return replace(sour, limit_cents=limits_of(sour.met, limits))


def once_made(sour: SourMap, judged: Mapping[str, Judged]) -> Now:
    """Give the state once every rule and every edit is made."""
    return with_added(sour, {k: j.added_cents for k, j in judged.items()})
