"""A string that is off is found as one rule, proven on other frets than it was found on."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from deciding import A4, TOLERANCES, made_of, note, part_ground, plan, session, stem
from guitars import ACOUSTIC_B, GUITAR, NAMES, take
from tones.exact import measured_notes, stem_of

from planner.demo.tones import SR
from planner.model import MeasuredNote
from planner.pitch import note_name
from planner.scope.scope_rule import ScopeRule
from planner.scope.string_scope import string_rules, without_odd_strings
from planner.scope.strings import StringGuess
from planner.scopes import find_rules
from planner.targets import Aimed, aim, target_for
from planner.words.plan_model import Plan

Played = tuple[int, int, float]  # open note of the string, fret, cents off


def line(played: Iterable[Played]) -> tuple[tuple[Aimed, ...], dict[str, StringGuess]]:
    notes = [
        note(f"X-{k + 1:04d}", string + fret, off, start_s=0.9 * k, length_s=0.8)
        for k, (string, fret, off) in enumerate(played)
    ]
    where = session(stem("X", "fretted", notes))
    aimed = tuple(aim(n, target_for(n, "fretted", where, A4, 0.0)) for n in notes)
    guesses = {
        n.id: StringGuess(string_midi=string, called=NAMES[string], fret=fret, told="firm")
        for n, (string, fret, _) in zip(notes, played, strict=True)
    }
    return aimed, guesses


def rules_of(played: list[Played]) -> tuple[ScopeRule, ...]:
    aimed, guesses = line(played)
    return find_rules(aimed, part_ground("fretted", strings=guesses))


def in_tune(strings: Iterable[int] = (40, 50, 55, 59)) -> list[Played]:
    return [(s, f, 1.0 if f % 2 else -1.0) for s in strings for f in range(8)]


@pytest.mark.parametrize(("factor", "found"), [(1.7, 1), (1.9, 0)])
def test_a_string_is_judged_as_its_notes_are(factor: float, found: int) -> None:
    """9 flat is a rule up to 5 times the factor of the notes on the string."""
    aimed, guesses = line([*in_tune(), *[(45, f, -9.0 + (f % 3 - 1)) for f in range(8)]])
    factors = {k: factor for k, guess in guesses.items() if guess.string_midi == 45}
    assert (
        len(string_rules(aimed, part_ground("fretted", strings=guesses, factors=factors))) == found
    )


def test_a_flat_string_is_one_rule() -> None:
    """The A string 9 flat at every fret: one row over its notes, raised by 9, the part left."""
    flat: list[Played] = [(45, f, -9.0 + (f % 3 - 1)) for f in range(8)]
    (rule,) = rules_of([*in_tune(), *flat])
    assert (rule.action, rule.scope, rule.string_midi) == ("raise-lower", "string", 45)
    assert rule.applied
    assert len(rule.covers) == 8
    assert rule.add_cents == pytest.approx(9.0, abs=0.3)
    assert rule.reason.startswith("the A string is 9")
    assert "flat, frets 0 to 7: one move for all its notes" in rule.reason


def test_a_flat_string_does_not_pull_the_part() -> None:
    """Half of the notes on one flat string: still that string's rule, and none for the part."""
    flat: list[Played] = [(45, f % 8, -9.0) for f in range(32)]
    assert [r.scope for r in rules_of([*in_tune(), *flat])] == ["string"]


@pytest.mark.parametrize(
    ("one", "other", "kept"),
    [
        (0.0, -9.0, 8),  # the one in tune says that the other is out
        (2.0, -9.0, 8),
        (2.1, -9.0, 16),
        (-5.0, -12.0, 16),  # both off: the part may be flat, and one of them flatter
        (0.0, -4.0, 16),
    ],
)
def test_of_two_strings_the_one_in_tune_is_not_the_odd_one(
    one: float, other: float, kept: int
) -> None:
    """Where neither is in tune nobody can say which is out: all notes speak for the part."""
    played: list[Played] = [(s, f, e) for s, e in ((50, one), (45, other)) for f in range(8)]
    assert len(without_odd_strings(*line(played), "fretted", TOLERANCES)) == kept


def test_a_flat_string_beside_notes_that_nothing_tells_is_that_strings_rule() -> None:
    """A riff mostly on the low E, 9 flat, the rest in tune and told of no string."""
    notes, guesses = line([*[(40, f % 4, -9.0) for f in range(20)], *in_tune((50,))])
    unsure = {k: g if g.string_midi == 40 else StringGuess() for k, g in guesses.items()}
    (rule,) = find_rules(notes, part_ground("fretted", strings=unsure))
    assert (rule.scope, rule.string_midi, len(rule.covers)) == ("string", 40, 20)


def test_strings_stand_apart_from_most_others() -> None:
    """Of four, one is left out."""
    more, known = line([*in_tune((40, 50, 55)), *[(45, f, -9.0) for f in range(8)]])
    assert len(without_odd_strings(more, known, "fretted", TOLERANCES)) == 24


def test_a_flat_part_with_one_string_flatter() -> None:
    """Everything 6 flat and one string 9 more: the part first, then what is left of the string."""
    base: list[Played] = [(s, f, e - 6.0) for s, f, e in in_tune()]
    flat: list[Played] = [(45, f, -15.0) for f in range(8)]
    part, string = rules_of([*base, *flat])
    assert (part.scope, string.scope) == ("part", "string")
    assert part.add_cents == pytest.approx(6.0, abs=0.5)
    assert string.add_cents == pytest.approx(9.0, abs=0.5)


@pytest.mark.parametrize(("off", "found"), [(5.0, 1), (4.9, 0), (-5.0, 1), (-4.9, 0)])
def test_edge_of_the_offset(off: float, found: int) -> None:
    """A string 5.0 off is a rule, one 4.9 off is none."""
    assert len(rules_of([*in_tune(), *[(45, f, off) for f in range(6)]])) == found


@pytest.mark.parametrize(("n", "found"), [(6, 1), (5, 0)])
def test_edge_of_the_notes(n: int, found: int) -> None:
    """Six notes make a string, five do not."""
    assert len(rules_of([*in_tune(), *[(45, f, -9.0) for f in range(n)]])) == found


@pytest.mark.parametrize(
    ("off", "scopes"),
    [
        ((-9.0, -9.0), ["string"]),
        ((-9.0, -7.0), ["string"]),
        ((-12.0, -8.0), ["string"]),
        ((-12.1, -8.0), ["pitch", "pitch"]),  # as far as pitches stand apart
        ((-9.0, 0.0), ["pitch"]),
        ((-9.0,), ["pitch"]),
        ((-9.0, -9.0, -9.0), ["string"]),
    ],
)
def test_two_frets_show_a_string_where_they_are_off_alike(
    off: tuple[float, ...], scopes: list[str]
) -> None:
    """As many notes on one string, at one to three frets: one row only where they agree."""
    flat: list[Played] = [(50, k % len(off), off[k % len(off)] + k // 6 % 2) for k in range(12)]
    assert [r.scope for r in rules_of([*in_tune((40, 55, 59)), *flat])] == scopes


def test_two_frets_need_as_many_notes_as_two_pitches() -> None:
    """Three notes at one of two frets do not say that it is off: the other is its pitch's rule."""
    for other, scopes in ((4, ["string"]), (3, ["pitch"])):
        flat: list[Played] = [*[(50, 0, -9.0)] * 6, *[(50, 2, -9.0)] * other]
        assert [r.scope for r in rules_of([*in_tune((40, 55, 59)), *flat])] == scopes


def test_one_bad_fret_is_no_string() -> None:
    """One fret 20 sharp that holds half of a string's notes is its pitch's rule."""
    bad: list[Played] = [(45, 3, 20.0)] * 6
    fine: list[Played] = [(45, f, 0.0) for f in (0, 2, 4, 5, 7)]
    scopes = [(r.scope, r.intended_midi) for r in rules_of([*in_tune((55, 59, 64)), *bad, *fine])]
    assert scopes == [("pitch", 48)]


@pytest.mark.parametrize(("wrong", "found"), [(3, 1), (4, 0)])
def test_edge_of_the_side(wrong: int, found: int) -> None:
    """Seven tenths of the notes must lie on one side."""
    off = [(45, k % 8, 1.0 if k < wrong else -9.0) for k in range(10)]
    aimed, guesses = line(off)
    limits = replace(TOLERANCES.string_rule, uncertainty_cents=9.0, gain_share=0.0)
    tolerances = replace(TOLERANCES, string_rule=limits)
    assert (
        len(string_rules(aimed, part_ground("fretted", strings=guesses, tolerances=tolerances)))
        == found
    )


def test_edge_of_the_gain() -> None:
    """A rule must take a tenth off the error of frets that it was not found on."""
    for spread, found in ((7.2, 1), (7.8, 0)):
        off = [(45, k, -9.0 + (spread if k % 2 else -spread)) for k in range(16)]
        aimed, guesses = line([(s, f % 13, e) for s, f, e in off])
        limits = replace(TOLERANCES.string_rule, uncertainty_cents=9.0)
        tolerances = replace(TOLERANCES, string_rule=limits)
        assert (
            len(string_rules(aimed, part_ground("fretted", strings=guesses, tolerances=tolerances)))
            == found
        )


@pytest.mark.parametrize(("off", "found"), [(8.6, 1), (8.2, 0)])
def test_few_notes_far_off_are_as_sure_as_many(off: float, found: int) -> None:
    """Six notes that scatter by 6.6 leave 2.8 of doubt: 8.6 off is three of it, 8.2 is not."""
    away = (-8.0, 8.0, -6.0, 6.0, -3.0, 3.0)
    aimed, guesses = line([(45, fret, off + e) for fret, e in enumerate(away)])
    assert len(string_rules(aimed, part_ground("fretted", strings=guesses))) == found


def test_a_string_is_found_under_a_players_scatter() -> None:
    """Of 40 guitars of 90 notes that scatter by 5, at least 36 flat A strings, and no other one."""
    rng = np.random.default_rng(5)
    found = others = 0
    for _ in range(40):
        strings, frets = rng.choice(GUITAR, 90), rng.integers(0, 8, 90)
        off = rng.normal(0.0, 5.0, 90) - 9.0 * (strings == 45)
        rules = rules_of(
            [(int(s), int(f), float(e)) for s, f, e in zip(strings, frets, off, strict=True)]
        )
        told = [r.string_midi for r in rules if r.scope == "string"]
        found += told == [45] and not any(r.scope == "part" for r in rules)
        others += any(string != 45 for string in told)
    assert found >= 36
    assert others == 0


def test_notes_that_are_not_told_are_not_covered() -> None:
    """Only notes whose string is told are moved with it."""
    aimed, guesses = line([*in_tune(), *[(45, f, -9.0) for f in range(8)]])
    guesses[aimed[-1].measured.id] = StringGuess(told="not told apart")
    (rule,) = string_rules(aimed, part_ground("fretted", strings=guesses))
    assert aimed[-1].measured.id not in rule.covers
    assert len(rule.covers) == 7


@pytest.mark.parametrize(("firm", "sure"), [(4, True), (3, False)])
def test_a_rule_is_as_sure_as_its_strings(firm: int, sure: bool) -> None:
    """With fewer than half of its notes surely on the string, a rule is fair at most."""
    aimed, guesses = line([(45, f, -9.0) for f in range(8)])
    for a in aimed[firm:]:
        guesses[a.measured.id] = replace(guesses[a.measured.id], told="fair")
    (rule,) = string_rules(aimed, part_ground("fretted", strings=guesses))
    assert rule.surely == sure
    assert f"({firm} of the 8 are surely on it)" in rule.reason


def sounded(seed: int, off_cents: dict[int, float]) -> tuple[Plan, dict[str, tuple[int, int]]]:
    """Plan a sounding take on the measured guitar; and string and fret of each note in truth."""
    samples, truth = take(ACOUSTIC_B, seed, off_cents=off_cents)
    found = measured_notes(stem_of(samples, SR, "fretted", range_hz=(70.0, 1400.0)))
    notes = [
        MeasuredNote(id=f"X-{k + 1:04d}", note=replace(n, stem="X"), measurement=m)
        for k, (n, m) in enumerate(found)
    ]
    where = session(stem("X", "fretted", notes))
    where = replace(where, stems=(replace(where.stems[0], strings=GUITAR),))
    made = made_of(where, (stem("X", "fretted", notes),))
    played = {}
    for n in notes:
        _, string, fret, _ = min(truth, key=lambda x: abs(x[0] - n.note.start_s))
        played[n.id] = (string, fret)
    return made, played


@pytest.mark.parametrize(("seed", "string", "off"), [(5, 45, -9.0), (8, 55, 9.0)])
def test_a_string_off_is_heard_in_a_take(seed: int, string: int, off: float) -> None:
    """From sound to row: one string off by 9 becomes one row over its notes, and no other rule."""
    made, played = sounded(seed, {string: off})
    (row,) = [r for r in made.rows if r.kind == "rule"]
    assert (row.scope, row.action, row.word) == (
        "string", "raise-lower", f"{'A2' if string == 45 else 'G3'} string",
    )  # fmt: skip
    own = {k for k, (s, _) in played.items() if s == string}
    assert set(row.covers) <= own
    assert len(row.covers) >= 0.9 * len(own)
    # Tension still raises the sustain by a cent or so: it is part of what is heard.
    assert row.add_cents == pytest.approx(-off, abs=2.0)


def test_a_take_in_tune_gives_no_string_rule() -> None:
    """A guitar in tune with itself gets no rule for a string."""
    made, _ = sounded(7, {})
    assert [r for r in made.rows if r.kind == "rule"] == []


FLAT_A = {45: -9.0, 47: -8.0, 48: -10.0}
BESIDE = {40: 1.0, 43: -1.0, 50: 0.0, 52: 1.0}


def untold(errors: dict[int, float], **told: StringGuess) -> list[ScopeRule]:
    """Each pitch four times, on strings that nothing tells."""
    notes = [
        note(f"X-{m}{k}", m, off + (k % 2) - 0.5, start_s=4.0 * k + m / 30, length_s=0.8)
        for k in range(4)
        for m, off in errors.items()
    ]
    where = session(stem("X", "fretted", notes))
    line_of = tuple(aim(n, target_for(n, "fretted", where, A4, 0.0)) for n in notes)
    changed = {key.replace("_", "-"): guess for key, guess in told.items()}
    guesses = {n.id: StringGuess() for n in notes} | changed
    return string_rules(line_of, part_ground("fretted", strings=guesses))


@pytest.mark.parametrize("up", [0, 2, 5])
def test_neighbouring_pitches_off_alike_are_one_string(up: int) -> None:
    """Three pitches 9 flat, what lies beside them in tune: one row, wherever the hand lies."""
    (rule,) = untold({m + up: off for m, off in {**FLAT_A, **BESIDE}.items()})
    assert (rule.string_midi, rule.scope, len(rule.covers)) == (None, "string", 12)
    assert rule.add_cents == pytest.approx(9.0, abs=0.3)
    assert not rule.surely
    low, high = note_name(45 + up), note_name(48 + up)
    assert rule.reason == (
        f"{low} to {high} are 9 flat alike and their neighbours are not, as of one string: one "
        "move for all of them"
    )


@pytest.mark.parametrize(
    "errors",
    [
        {**FLAT_A, 47: 0.0, **BESIDE},  # one of its pitches is in tune
        {**FLAT_A, 40: -6.0, 43: -8.0, 50: 0.0, 52: 1.0},  # those below share it
        {**FLAT_A, 40: 1.0, 43: -1.0, 50: -6.0, 52: -7.0},  # or those above
        FLAT_A,  # nothing beside them speaks for or against it
        {45: -13.0, 47: -7.0, **BESIDE},  # two pitches that are not off alike
        {**FLAT_A, 44: -9.0, 49: -9.0, **BESIDE},  # six frets are more than a hand holds
    ],
)
def test_what_else_may_be_is_no_string(errors: dict[int, float]) -> None:
    """Each pitch must come out better, and all that lies beside them must be apart."""
    assert untold(errors) == []


def test_two_neighbouring_pitches_off_alike_are_one_string_too() -> None:
    """A and B 9 flat, what lies beside them in tune."""
    (rule,) = untold({45: -9.0, 47: -8.0, **BESIDE})
    assert (rule.scope, len(rule.covers)) == ("string", 8)


def test_a_note_surely_on_a_string_is_none_of_another() -> None:
    """C3 played at the low E's eighth fret, as its stiffness says, is not moved with the A."""
    elsewhere = StringGuess(string_midi=40, called="low E", fret=8, told="firm")
    (rule,) = untold({**FLAT_A, **BESIDE}, X_480=elsewhere)
    assert len(rule.covers) == 11
    assert "X-480" not in rule.covers


def test_notes_of_a_string_that_is_told_are_moved_once() -> None:
    """Low E played from the fifth fret on, fairly told: its pitches are no second string."""
    flat: list[Played] = [(40, 5 + f % 5, -9.0 + f % 3) for f in range(20)]
    notes, guesses = line([*in_tune((50, 55, 59)), *flat])
    fair = {k: replace(g, told="fair") if g.string_midi == 40 else g for k, g in guesses.items()}
    (rule,) = find_rules(notes, part_ground("fretted", strings=fair))
    assert (rule.string_midi, len(rule.covers)) == (40, 20)


def test_notes_without_strings_have_no_string_rule() -> None:
    """Other roles are planned as before."""
    midis = [60 + k % 5 for k in range(20)]
    notes = [note(f"X-{k:04d}", m, -9.0, start_s=0.9 * k) for k, m in enumerate(midis)]
    assert {r.scope for r in plan(stem("X", "bowed", notes)).rows if r.kind == "rule"} == {"part"}
