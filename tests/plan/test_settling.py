"""What was found in an earlier try is taken again only where the same is asked."""

from dataclasses import replace

from planner.answer.ruled_rows import NOTHING
from planner.decide.cases import Case
from planner.model import StemNotes
from planner.plan.ground import Ground
from planner.plan.note_decisions import Known
from planner.plan.parts import Part, part_of
from planner.plan.settling import Seen, beside_mended
from planner.rules import decide
from planner.scope.scope_rule import ScopeRule
from planner.targets import Aimed
from planner.words.session_model import Session, StemSpec
from tests.deciding import A4, PLAIN, TOLERANCES, note

GROUND = Ground(
    session=Session(song="Invented", stems=(StemSpec(code="GTR", file="g.wav", role="fretted"),)),
    a4=A4, tolerances=TOLERANCES, judging=PLAIN, tempo_map=None, shifts={"GTR": 0.0},
    recalled=NOTHING, meant={},
)  # fmt: skip


def _part(cents: float) -> Part:
    """A guitar whose notes all lie as far out."""
    notes = tuple(
        note(f"GTR-{k:04d}", 60 + k % 5, cents + 0.1 * (k % 3), start_s=1.0 * k) for k in range(20)
    )
    return part_of(GROUND, StemNotes(code="GTR", role="fretted", facts=None, notes=notes))


def _case(aimed: Aimed, **fields: object) -> Case:
    return Case(aimed=aimed, role="fretted", judging=PLAIN, tolerances=TOLERANCES, **fields)  # type: ignore[arg-type]


def test_the_same_case_is_decided_once_and_another_one_anew() -> None:
    """A note seen before keeps its decision; once something else is known of it, it is decided."""
    aimed = _part(20.0).aimed[0]
    known = Known()
    first = known.decided(_case(aimed))
    assert known.decided(_case(aimed)) is first
    other = _case(aimed, beats_if_moved="PNO's D5")
    assert known.decided(other) == decide(other)
    assert known.decided(other).action == "leave" != first.action
    assert known.decided(_case(aimed)) == first


def test_rules_are_looked_for_again_once_the_notes_lie_elsewhere() -> None:
    """Rules of a stem hold for the errors that they were found in, and for that part alone."""
    part, seen = _part(20.0), Seen()
    found = seen.rules_of(GROUND, part)
    assert [rule.scope for rule in found.rules] == ["part"]
    assert seen.rules_of(GROUND, part) is found
    mended = tuple(decide(_case(a, layers=(("R-001", -20.0),))) for a in part.aimed)
    assert seen.rules_of(GROUND, part, mended).rules == ()
    left = tuple(decide(_case(a, protected_by="a lock")) for a in part.aimed)
    assert seen.rules_of(GROUND, part, left).rules is found.rules
    right = _part(0.0)
    assert seen.rules_of(GROUND, right).rules == ()
    assert seen.rules_of(GROUND, part) is found


def test_a_rule_found_late_takes_no_mended_note_further_off() -> None:
    """Notes 8 flat get a rule; one mended to 1 flat is left out, one mended to 6 flat gains by it.

    Without that a bass 11 flat was raised by 11, and by a rule of 8.5 on top of it.
    """
    part = _part(0.0)
    rests = [-8.0, -1.0, -6.0, -8.0]
    aimed = tuple(replace(a, heard_cents=rest) for a, rest in zip(part.aimed, rests, strict=False))
    rule = ScopeRule(
        stem="GTR", action="whole-part", scope="part",
        covers=tuple(a.measured.id for a in aimed), bias_cents=-8.0, add_cents=8.0,
        uncertainty_cents=0.5, name="whole part", reason="off",
    )  # fmt: skip
    mended = frozenset(rule.covers[1:3])
    found = beside_mended(rule, aimed, mended)
    assert found.covers == (rule.covers[0], *rule.covers[2:])
    assert found.reason == "off; 1 note mended by itself left out"
    assert beside_mended(rule, aimed, frozenset(rule.covers[2:3])) == rule
    assert beside_mended(rule, aimed, frozenset()) == rule
