"""What a plan adds up to: coverage, what was left and why, what could not be measured, biases.

Pure counting over a `Plan`; `planner.summary` and `planner.page` put it into words.
"""

import math
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from planner.model import FIXED_ROLES
from planner.pitch import MIXED_NAMES, NoteNames, note_name
from planner.words.plan_model import EDIT_ACTIONS, Judged, Plan, Row
from planner.words.spelling import names_at
from planner.words.spread import doubt_of_middle, spread_of

# A bias per pitch is told from this many notes on: below, a mean is an anecdote (common practice,
# no source).
PITCH_NOTES_MIN = 4
_FIGURE = re.compile(r"(?<![\w#])\d+(?:\.\d+)?")
_ANOTHER_NOTE_CENTS = 100.0  # further from what a score asks for, another note was played


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How much of what was found could be measured."""

    notes: int
    measured: int
    found_s: float
    measured_s: float

    @property
    def share(self) -> float | None:
        return self.measured / self.notes if self.notes else None

    @property
    def time_share(self) -> float | None:
        return self.measured_s / self.found_s if self.found_s > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Notes that share one reason."""

    rule_name: str  # of the decision table; blank for notes that could not be measured
    reason: str  # the sentence most of them carry
    notes: int
    stems: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchBias:
    """How one pitch of one stem sits, over all its measured notes."""

    stem: str
    midi: int
    notes: int
    mean_cents: float  # of the heard errors, before any edit
    uncertainty_cents: float  # standard error of the mean
    same_side: float  # share of the notes on the side of the mean, 0..1

    names: NoteNames = MIXED_NAMES

    @property
    def name(self) -> str:
        return note_name(self.midi, self.names)


def is_measured(judged: Judged) -> bool:
    """Say whether a note has a pitch reading that errors could be taken from."""
    return any(
        value is not None
        for value in (judged.heard_cents, judged.onset_cents, judged.sustain_cents)
    )


def tells_tuning(judged: Judged) -> bool:
    """Say whether a note says how its part is tuned: measured, and the note that was meant."""
    error = judged.heard_cents
    here = error is not None and abs(error) <= _ANOTHER_NOTE_CENTS
    return here and not judged.target.between_notes


def coverage(plan: Plan) -> Coverage:
    """Count how many notes, and how much of their time, could be measured."""
    measured = [judged for judged in plan.judged if is_measured(judged)]
    return Coverage(
        notes=len(plan.judged),
        measured=len(measured),
        found_s=math.fsum(j.measured.note.length_s for j in plan.judged),
        measured_s=math.fsum(j.measured.note.length_s for j in measured),
    )


def left_on_purpose(plan: Plan) -> tuple[Group, ...]:
    """Group the measured notes that were left alone by the rule that said so, most notes first.

    Notes of the fixed parts are not among them: nobody could move those. Nor are notes that a rule
    over many notes moves: only their rest was left.
    """
    fixed = {stem.code for stem in plan.stems if stem.role in FIXED_ROLES}
    left = [
        judged
        for judged in plan.judged
        if judged.action == "leave"
        and not judged.layers
        and is_measured(judged)
        and judged.measured.note.stem not in fixed
    ]
    return grouped((j.rule_name, j.reason, j) for j in left)


def not_measured(plan: Plan) -> tuple[Group, ...]:
    """Group the notes without a reading by what stood in the way, most notes first."""
    silent = [judged for judged in plan.judged if not is_measured(judged)]
    return grouped(("", j.measured.measurement.not_measured_because or j.reason, j) for j in silent)


def advice(plan: Plan) -> tuple[Row, ...]:
    """Give the advice, which moves nothing, but what a person has refused."""
    return tuple(
        r for r in plan.rows if r.kind == "advice" and r.state not in ("refused", "orphan")
    )


def pitch_biases(plan: Plan) -> tuple[PitchBias, ...]:
    """Average the heard errors of each pitch of each part that can move, by stem and pitch."""
    order = {stem.code: i for i, stem in enumerate(plan.stems) if stem.role not in FIXED_ROLES}
    heard: defaultdict[tuple[str, int], list[float]] = defaultdict(list)
    for judged in plan.judged:
        stem = judged.measured.note.stem
        if judged.heard_cents is not None and stem in order and tells_tuning(judged):
            heard[stem, judged.target.intended_midi].append(judged.heard_cents)
    biases = []
    names = names_at(plan.keys, None)
    for (stem, midi), errors in heard.items():
        n = len(errors)
        if n < PITCH_NOTES_MIN:
            continue
        mean = math.fsum(errors) / n
        # Standard error of a mean: s / sqrt(n), with s over n - 1 (JCGM 100:2008, 4.2.3).
        spread = math.sqrt(math.fsum((e - mean) ** 2 for e in errors) / (n - 1))
        side = sum(1 for e in errors if e * mean > 0)
        biases.append(
            PitchBias(
                stem=stem, midi=midi, notes=n, mean_cents=mean,
                uncertainty_cents=spread / math.sqrt(n), same_side=side / n, names=names,
            )
        )  # fmt: skip
    return tuple(sorted(biases, key=lambda b: (order[b.stem], b.midi)))


def last_against_first(plan: Plan) -> dict[str, tuple[float, float]]:
    """Say how far each stem sits in the last third of its notes from where it sits in the first.

    Gives by stem the cents between the medians of the heard errors, as recorded (plus is sharper
    later), and how unsure that is. Left out are stems with too few notes.
    """
    heard: defaultdict[str, list[tuple[float, float]]] = defaultdict(list)
    for judged in plan.judged:
        error = judged.heard_cents
        if error is not None and abs(error) <= _ANOTHER_NOTE_CENTS:
            note = judged.measured.note
            heard[note.stem].append((note.start_s, error))
    apart = {}
    for stem, notes in heard.items():
        third = len(notes) // 3
        if third >= PITCH_NOTES_MIN:
            errors = [error for _, error in sorted(notes)]
            first, last = errors[:third], errors[-third:]
            doubts = (doubt_of_middle(spread_of(one), third) for one in (first, last))
            apart[stem] = (median(last) - median(first), math.hypot(*doubts))
    return apart


def biggest_rules(plan: Plan, wanted: int) -> tuple[Row, ...]:
    """Pick the rules that move most: cents times notes covered, largest first."""
    rules = [row for row in plan.rows if row.kind == "rule" and row.action in EDIT_ACTIONS]
    weight = {row.id: abs(row.add_cents or 0.0) * row.notes_covered for row in rules}
    return tuple(sorted(rules, key=lambda row: (-weight[row.id], row.id))[:wanted])


def edits(plan: Plan) -> tuple[int, float]:
    """Count the edits a person would make by hand, and the minutes they take."""
    number = sum(1 for row in plan.rows if row.action in EDIT_ACTIONS)
    return number, number * plan.session.seconds_per_edit / 60.0


def notes_moved(plan: Plan) -> int:
    """Count the notes whose sound the plan changes, by a rule or by an edit of their own."""
    return sum(j.is_moved for j in plan.judged)


def _shape(reason: str) -> str:
    """A reason without its figures, those of notes' names aside."""
    return _FIGURE.sub("\0", reason)


def _said_of_all(reasons: Iterable[str]) -> str:
    """The sentence that most reasons share, each figure in it from the least to the most."""
    shapes = defaultdict(list)
    for reason in reasons:
        shapes[_shape(reason)].append(_FIGURE.findall(reason))
    shape, figures = max(shapes.items(), key=lambda item: len(item[1]))
    said, *rest = shape.split("\0")
    for column, after in zip(zip(*figures, strict=True), rest, strict=True):
        low, high = min(column, key=float), max(column, key=float)
        said += (low if float(low) == float(high) else f"{low} to {high}") + after
    return said


def grouped(entries: Iterable[tuple[str, str, Judged]]) -> tuple[Group, ...]:
    """Group notes, each with its rule and reason, by the rule, or where none is named the reason.

    Most notes first; the group says the reason that most of its notes carry. Reasons that differ in
    their figures alone are one.
    """
    together: defaultdict[str, list[tuple[str, Judged]]] = defaultdict(list)
    for rule_name, reason, judged in entries:
        together[rule_name or f"\n{_shape(reason)}"].append((reason, judged))
    groups = []
    for key, members in together.items():
        stems = dict.fromkeys(judged.measured.note.stem for _, judged in members)
        groups.append(
            Group(
                rule_name="" if key.startswith("\n") else key,
                reason=_said_of_all(reason for reason, _ in members),
                notes=len(members),
                stems=tuple(stems),
            )
        )
    return tuple(sorted(groups, key=lambda g: (-g.notes, g.rule_name, g.reason)))
