"""Which rows the plan keeps: none that adds sour time, none that leaves a beating in."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from planner.clear.decided import Decided, proposals, sour_of
from planner.clear.fewest_moves import Backbone, LeftOut, fewest_moves
from planner.clear.kept import NOTHING_YET, Kept, RuleKey, rule_key
from planner.clear.wishes import wishes, worth_a_touch_s, worth_an_edit_s
from planner.decide.tolerances import Limits
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import Judged
from planner.words.roles import is_chordal
from planner.words.session_model import Session

_MOST_SPARED = 0.05  # of a rule's notes; chosen: as many as are gross by chance
# Names of decisions that leave a note where its rules take it, however far off that is.
_LEFT_AS_THEY_ARE = frozenset({"comes round the same", "between two notes"})
_MOST_TRIES = 20  # chosen: each takes as long as a plan; sessions of the tests leave five at most


def cleared(
    decide: Callable[[Kept], Decided], session: Session, limits: Limits
) -> tuple[Decided, Backbone, Kept]:
    """Decide so that no row adds sour time, and order the rows by what they clear.

    What would add sour time is left alone and all is decided again, until every row has its place;
    rules over many notes only if edits on top of them do not clear what they add. Then what is
    left in is taken out where it beats, and notes that fill sour time from inside their tolerance
    are added; for those the search begins anew. Last, each thing left alone is tried once more, as
    what stood against it may have gone.

    decide : decides about the whole session
    """
    few = session.touch_at_most is not None
    price_s = worth_a_touch_s if few else worth_an_edit_s
    kept = _with_edits_on_rules(decide, session, limits, price_s)
    while True:  # ends: the wishes only grow, and for given wishes what is left alone only grows
        made, backbone, kept = _left_alone(decide, session, limits, kept)
        made, backbone, kept = _tried_again(decide, session, (made, backbone, kept))
        wished = wishes(made, kept, limits, price_s)
        if wished == kept:
            return made, backbone, kept
        kept = replace(wished, beats_if_moved={}, refused=frozenset())


def _once(
    decide: Callable[[Kept], Decided], session: Session, kept: Kept
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

    later : ids of the rows that a plan of the result added
    at_stop_line : whether what stands above the stop line is chosen for that number of edits, which
        takes time and leaves the same out
    """
    cut = int(session.edit_minutes * 60.0 // session.seconds_per_edit)
    return fewest_moves(
        sour_of(made),
        proposals(made.rows, made.rules, made.judged),
        first_cut=cut if at_stop_line else None,
        first_screen=session.offenders_wanted,
        later=later,
    )


def _with_edits_on_rules(
    decide: Callable[[Kept], Decided],
    session: Session,
    limits: Limits,
    price_s: Callable[[Judged], float],
) -> Kept:
    """Add edits on top of rules that would add sour time: a whole part goes before its notes."""
    kept = NOTHING_YET
    while True:  # ends: the wishes only grow
        made, backbone = _once(decide, session, kept)
        rules = [made.rules[out.id] for out in backbone.left_out if out.id in made.rules]
        notes = frozenset(note_id for rule in rules for note_id in rule.covers)
        more = kept.with_wishes_of(wishes(made, kept, limits, price_s), notes) if notes else kept
        if more == kept:
            return kept
        kept = more


def _left_alone(
    decide: Callable[[Kept], Decided], session: Session, limits: Limits, kept: Kept
) -> tuple[Decided, Backbone, Kept]:
    """Leave alone what would add sour time, until nothing would."""
    while True:
        made, backbone = _once(decide, session, kept)
        spared = _sparable(made.rules, backbone.left_out) | _taken_back(made, limits)
        if spared - kept.spared:
            kept = replace(kept, spared=kept.spared | spared)
            continue
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


def _sparable(rules: Mapping[str, ScopeRule], left_out: Iterable[LeftOut]) -> frozenset[str]:
    """Notes by which alone rules would add sour time, where those are few of a rule's."""
    found: set[str] = set()
    for out in left_out:
        covers = rules[out.id].covers if out.id in rules else ()
        if out.by.issubset(covers) and len(out.by) <= _MOST_SPARED * len(covers):
            found |= out.by
    return frozenset(found)


def _taken_back(made: Decided, limits: Limits) -> frozenset[str]:
    """Notes that rules take further off: surely, or so that they are taken back or asked about.

    What a person set a rule to holds for all its notes; of chords no note is left out by itself.
    """
    by_hand = {k for k, rule in made.rules.items() if rule.set_by_hand}
    in_chords = {code for code, part in made.parts.items() if is_chordal(part.stem)}
    return frozenset(
        k
        for k, j in made.tool.items()
        if by_hand.isdisjoint(rule for rule, _ in j.layers)
        and _is_worse(j, limits, alone=j.measured.note.stem not in in_chords)
    )


def _is_worse(judged: Judged, limits: Limits, *, alone: bool) -> bool:
    """Whether a note is not for its rules; surely is by as much as a move must gain."""
    further = round(abs(judged.rest_cents or 0.0) - abs(judged.heard_cents or 0.0), 1)
    back = judged.layer_cents * judged.own_cents < 0.0 or judged.rule_name in _LEFT_AS_THEY_ARE
    known = alone and judged.measured.measurement.confidence in ("firm", "fair")
    return further > 0.0 and (back or (known and further >= limits.smallest_gain_cents))


def _tried_again(
    decide: Callable[[Kept], Decided], session: Session, found: tuple[Decided, Backbone, Kept]
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
