"""Steps that parts make together, in invented notes."""

from __future__ import annotations

import numpy as np
from deciding import A4, TOLERANCES, line, plan, session, stem

from planner.model import Finding, Role, StemNotes
from planner.shared_steps import shared_steps
from planner.targets import aim, target_for


def part(code: str, role: Role, step: float, *, k: int = 40, seed: int = 0) -> StemNotes:
    """Eighty notes in tune up to one of them, and so many cents off from there on."""
    errors = np.random.default_rng(seed).normal(0, 1.0, 80)
    errors[k:] += step
    midis = [52 + (5 * i) % 12 for i in range(80)]
    return stem(code, role, line(code, midis, [float(e) for e in errors]))


def told(*stems: StemNotes) -> tuple[Finding, ...]:
    where = session(*stems)
    return shared_steps(
        {
            s.code: (s.role, tuple(aim(n, target_for(n, s.role, where, A4)) for n in s.notes), 0.0)
            for s in stems
        },
        TOLERANCES,
    )


def test_the_piano_steps_with_the_guitar() -> None:
    """Where the piano steps down by 8 as well, it is the machine: told, and no row."""
    piano, guitar = part("PNO", "tuning-reference", -8.0), part("GTR", "fretted", -8.0, seed=1)
    (finding,) = told(piano, guitar)
    assert finding.what.startswith("PNO, which nobody can move, steps down by 7.5: the machine")
    assert finding.at_s is not None
    assert abs(finding.at_s - 36.0) < 1.0
    made = plan(piano, guitar)
    assert [r for r in made.rows if r.scope == "span"] == []
    assert finding in made.findings


def test_one_part_steps_alone() -> None:
    """Where the piano stays, the guitar's stretch is its own: a row and nothing told."""
    piano, guitar = part("PNO", "tuning-reference", 0.0), part("GTR", "fretted", -8.0, seed=1)
    assert told(piano, guitar) == ()
    assert [r.scope for r in plan(piano, guitar).rows] == ["span"]


def test_all_parts_step_without_a_piano() -> None:
    """Three parts that step together are told; two, or one at another place, are not."""
    three = [part(code, "fretted", 8.0, seed=k) for k, code in enumerate(("A", "B", "C"))]
    (finding,) = told(*three)
    assert finding.what.startswith("All parts step up by ")
    assert told(*three[:2]) == ()
    assert told(*three[:2], part("C", "fretted", 8.0, k=60, seed=3)) == ()
    assert told(*three[:2], part("C", "fretted", -8.0, seed=3)) == ()


def test_a_part_of_few_notes_says_nothing() -> None:
    """A stem with fewer notes than two stretches need is passed over."""
    few = stem("PNO", "tuning-reference", line("PNO", [60] * 23, [0.0] * 11 + [9.0] * 12))
    assert told(few) == ()
