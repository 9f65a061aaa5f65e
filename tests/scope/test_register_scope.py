"""A register that is off beside notes in tune is one rule, and a part that is off is not cut."""

import numpy as np
import pytest
from deciding import A4, note, part_ground, session, stem

from planner.model import Role
from planner.pitch import note_name
from planner.scope.register_scope import register_rule
from planner.scope.scope_rule import ScopeRule
from planner.scopes import find_rules
from planner.targets import Aimed, aim, target_for

LOW, HIGH = range(50, 57), range(57, 68)  # a cello's notes under its A string, and on it


def played(errors_of: dict[int, list[float]], role: Role = "bowed") -> tuple[Aimed, ...]:
    """Notes of 0.8 s at these pitches, so many cents off."""
    pairs = [(midi, e) for midi, errors in errors_of.items() for e in errors]
    pairs = [pairs[k] for k in np.random.default_rng(54461).permutation(len(pairs))]
    notes = [
        note(f"X-{k:04d}", m, e, start_s=float(k), length_s=0.8) for k, (m, e) in enumerate(pairs)
    ]
    where = session(stem("X", role, notes))
    return tuple(aim(n, target_for(n, role, where, A4, 0.0)) for n in notes)


def around(cents: float, pitches: range, away: float = 2.0) -> dict[int, list[float]]:
    """Two notes of each pitch, on either side of some cents."""
    return {m: [cents - away, cents + away] for m in pitches}


def register(errors_of: dict[int, list[float]]) -> ScopeRule | None:
    return register_rule(played(errors_of), part_ground("bowed"))


@pytest.mark.parametrize(
    ("low", "high", "where"), [(0.0, 8.0, "A3 and higher"), (-9.0, 0.5, "G#3 and lower")]
)
def test_one_side_of_a_part_is_one_rule(low: float, high: float, where: str) -> None:
    """The A string of a cello 8 sharp, or those under it 9 flat: one row, its neighbours left."""
    rules = find_rules(played(around(low, LOW) | around(high, HIGH)), part_ground("bowed"))
    (rule,) = rules
    off, pitches = (high, HIGH) if abs(high) > 1 else (low, LOW)
    assert (rule.scope, rule.action, len(rule.covers)) == (
        "string",
        "raise-lower",
        2 * len(pitches),
    )
    assert rule.add_cents == pytest.approx(-off, abs=0.4)
    assert rule.reason.startswith(where)


def test_a_register_between_notes_in_tune_is_named_by_its_ends() -> None:
    """A clarinet's throat: G4 to A#4 are sharp, what lies under and over them is in tune."""
    errors = around(0.0, range(55, 67)) | around(14.0, range(67, 71)) | around(0.0, range(71, 80))
    found = register(errors)
    assert found is not None
    assert found.reason.startswith(f"{note_name(67)} to {note_name(70)} are 14 sharp")


def test_a_part_off_everywhere_has_no_register() -> None:
    """All pitches 7 sharp: the whole part is moved, though some notes scatter to in tune."""
    errors = around(7.0, range(50, 68), away=4.0)
    assert register(errors) is None
    (rule,) = find_rules(played(errors), part_ground("bowed"))
    assert rule.scope == "part"


@pytest.mark.parametrize(("beside", "found"), [(2.0, True), (2.2, False)])
def test_edge_of_what_is_in_tune_beside(beside: float, found: bool) -> None:
    """What lies beside may be 2 off, and no more."""
    assert (register(around(beside, LOW) | around(12.0, HIGH)) is not None) is found


@pytest.mark.parametrize(("off", "found"), [(5.0, True), (4.9, False)])
def test_edge_of_how_far_a_register_is_off(off: float, found: bool) -> None:
    """As far as a string must be."""
    assert (register(around(0.0, LOW, 0.5) | around(off, HIGH, 0.5)) is not None) is found


@pytest.mark.parametrize(("pitches", "found"), [(3, False), (4, True)])
def test_edge_of_how_many_pitches_make_a_register(pitches: int, found: bool) -> None:
    """Three neighbours may each be off by their fingering, and have their own rows."""
    errors = around(0.0, range(50, 60)) | around(9.0, range(60, 60 + pitches))
    assert (register(errors) is not None) is found


@pytest.mark.parametrize(("pitches", "found"), [(1, False), (2, True)])
def test_edge_of_how_many_pitches_lie_beside(pitches: int, found: bool) -> None:
    """One pitch in tune may be the odd one of a part that is off."""
    beside = {50 + k: [-0.5, 0.5, 0.0, 0.0] for k in range(pitches)}
    assert (register(beside | around(9.0, HIGH)) is not None) is found


def test_what_chance_puts_in_tune_is_no_side() -> None:
    """A hundred parts 7 sharp with a player's scatter: none is cut."""
    rng = np.random.default_rng(54460)
    cut = 0
    for _ in range(100):
        errors = {m: list(rng.normal(7.0 + rng.normal(0, 2), 4.0, 2)) for m in range(50, 68)}
        cut += register(errors) is not None
    assert cut <= 1


def test_voices_and_frets_have_no_registers() -> None:
    """How a voice lies high and low is how it is sung; frets tell their strings themselves."""
    errors = around(0.0, LOW) | around(8.0, HIGH)
    for role in ("lead-voice", "fretted"):
        rules = find_rules(played(errors, role), part_ground(role))
        assert not any("register" in rule.reason for rule in rules)
