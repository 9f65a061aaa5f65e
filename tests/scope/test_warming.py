"""A warming room in invented parts."""

import math

import numpy as np
import pytest
from deciding import A4, line, session, stem

from planner.model import Finding, Role
from planner.scope.warming import warming
from planner.targets import aim, target_for


def found(*parts: tuple[str, Role, float], spread: float = 1.0, n: int = 40) -> tuple[Finding, ...]:
    """Parts that creep by so many cents from their first note to their last."""
    given = {}
    for k, (code, role, creep) in enumerate(parts):
        rng = np.random.default_rng(k)
        errors = creep * np.linspace(0, 1, n) + rng.normal(0, spread, n)
        notes = line(code, [60 + i % 5 for i in range(n)], [float(e) for e in errors])
        where = session(stem(code, role, notes))
        given[code] = (role, tuple(aim(m, target_for(m, role, where, A4)) for m in notes))
    return warming(given)


def test_winds_up_and_strings_down() -> None:
    """A flute that rises by 6 and a guitar that falls by 4 are told, and what to do."""
    (told,) = found(("FL", "woodwind", 6.0), ("GT", "fretted", -4.5), ("LV", "lead-voice", 9.0))
    assert told.severity == "note"
    assert "Winds creep up over the song (FL by " in told.what
    assert "strings down (GT by " in told.what
    assert told.advice == "Tune again between takes."
    assert told.what.endswith(
        "as they do while a room warms; lips that tire and strings that give do the same."
    )


def test_who_does_not_creep_is_told() -> None:
    """What speaks against a room that warms is said beside what speaks for it."""
    (told,) = found(
        ("FL", "woodwind", 6.0), ("GT", "fretted", -6.0), ("VN", "bowed", 0.0), ("OB", "brass", 0.0)
    )
    assert "while a room warms; OB, VN do not; lips" in told.what


@pytest.mark.parametrize(
    "parts",
    [
        (("FL", "woodwind", 6.0),),
        (("GT", "fretted", -6.0),),
        (("FL", "woodwind", 6.0), ("GT", "fretted", 6.0)),
        (("FL", "woodwind", -6.0), ("GT", "fretted", -6.0)),
        (("FL", "woodwind", 6.0), ("GT", "fretted", -6.0), ("TP", "brass", -6.0)),
        (("FL", "woodwind", 0.0), ("GT", "fretted", 0.0)),
    ],
)
def test_nothing_is_said_otherwise(parts: tuple[tuple[str, Role, float], ...]) -> None:
    """One kind alone, or anyone who creeps the other way, says nothing of the room."""
    assert found(*parts) == ()


def test_edges() -> None:
    """Three cents over the song are told, 2.9 are not; nor are eleven notes."""
    exact = {"spread": 1e-9}
    assert found(("FL", "woodwind", 3.0), ("GT", "fretted", -3.0), **exact)
    assert not found(("FL", "woodwind", 2.9), ("GT", "fretted", -3.0), **exact)
    assert found(("FL", "woodwind", 6.0), ("GT", "fretted", -6.0), n=12, spread=0.1)
    assert not found(("FL", "woodwind", 6.0), ("GT", "fretted", -6.0), n=11, spread=0.1)


def test_scatter_is_no_creep() -> None:
    """What scatter could make is not told."""
    assert found(("FL", "woodwind", 4.0), ("GT", "fretted", -4.0), spread=12.0) == ()


@pytest.mark.outside
def test_a_degree_is_three_cents() -> None:
    """Sound in air at 20 and 21 C: 331.3 sqrt(1 + t/273.15) m/s, 3.0 cents apart (textbook)."""
    speed = [331.3 * math.sqrt(1 + t / 273.15) for t in (20.0, 21.0)]
    assert 1200 * math.log2(speed[1] / speed[0]) == pytest.approx(3.0, abs=0.1)
