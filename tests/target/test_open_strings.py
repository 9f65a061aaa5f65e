"""Open strings in pure fifths: told by what their notes do, each edge on both sides."""

import pytest
from deciding import A4, line, made_of, note, part_ground, session, stem

from planner.model import MeasuredNote
from planner.scopes import find_rules
from planner.target.open_strings import at_open_strings
from planner.targets import Aimed, aim, target_for
from planner.words.session_model import Session, StemSpec

CELLO = (36, 43, 50, 57)
VIOLIN = (55, 62, 69, 76)
STOPPED = [45, 47, 48, 52, 53, 54]


def aimed(notes: list[MeasuredNote]) -> tuple[Aimed, ...]:
    where = session(stem("X", "bowed", notes))
    return tuple(aim(n, target_for(n, "bowed", where, A4)) for n in notes)


def cello(
    open_cents: float, *, midi: int = 36, times: int = 5, part: float = 0.0, **fields: float
) -> tuple[Aimed, ...]:
    """Two rounds of stopped notes, and one pitch that comes so many times, so far off."""
    notes = line("X", STOPPED * 2, [part + c for c in (1.0, -1.0) * 6])
    notes += [
        note(f"X-{100 + k}", midi, open_cents + 0.5 * (-1) ** k, start_s=20.0 + k, **fields)
        for k in range(times)
    ]
    return aimed(notes)


def left(found: tuple[Aimed, ...], midi: int = 36) -> list[float]:
    return [a.sustain_cents or 0.0 for a in found if a.target.intended_midi == midi]


@pytest.mark.parametrize(
    ("strings", "midi", "pure"),
    [
        # 3/2 is 701.955 cents (a fifth), so 1.955 for each fifth from A: C is three below it.
        (CELLO, 36, -5.865), (CELLO, 43, -3.910), (CELLO, 50, -1.955),
        (VIOLIN, 55, -3.910), (VIOLIN, 62, -1.955), (VIOLIN, 76, 1.955),
    ],
)  # fmt: skip
def test_each_string_has_its_place(strings: tuple[int, ...], midi: int, pure: float) -> None:
    """C 5.9, G 3.9 and D 2.0 below the keys, E 2.0 above: notes there are in tune."""
    found = at_open_strings(cello(pure, midi=midi), "bowed", strings)
    assert left(found, midi) == pytest.approx([0.5, -0.5, 0.5, -0.5, 0.5], abs=0.01)
    assert {a.target.target_from for a in found if a.target.intended_midi == midi} == {
        "session A4, an open string in pure fifths from A"
    }


@pytest.mark.parametrize(
    ("off", "fields", "strings", "told"),
    [
        (-5.9, {}, CELLO, True),
        (-4.0, {}, CELLO, True),
        (-3.0, {}, CELLO, False),  # 2.93 is half-way, known to 0.4
        (0.0, {}, CELLO, False),
        (5.9, {}, CELLO, False),
        (-5.9, {}, (), False),
        (-5.9, {}, (28, 33, 38, 43), False),  # a double bass: fourths
        (-5.9, {"vibrato_half_cents": 12.0}, CELLO, False),
        (-5.9, {"times": 3}, CELLO, True),
        (-5.9, {"times": 2}, CELLO, False),
        (1.1, {"part": 7.0}, CELLO, True),  # all of it 7 sharp, its C with it
        (7.0, {"part": 7.0}, CELLO, False),
    ],
)
def test_what_tells_an_open_string(off: float, fields: dict, strings: tuple, told: bool) -> None:
    """Straight, often enough, nearer to its pure place than to the keys', beside its part."""
    before = cello(off, **fields)
    assert (at_open_strings(before, "bowed", strings) != before) is told


def test_an_open_string_makes_no_rule() -> None:
    """A cello whose C stands 8 flat: by the keys that is a rule, 2 off its own place is none."""
    before = cello(-8.0)
    (rule,) = find_rules(before, part_ground("bowed"))
    assert (rule.scope, rule.intended_midi) == ("pitch", 36)
    assert find_rules(at_open_strings(before, "bowed", CELLO), part_ground("bowed")) == ()


def test_sections_and_frets_are_left() -> None:
    """Of a section each player's string is another; frets are equal."""
    before = cello(-5.9)
    assert at_open_strings(before, "bowed-group", CELLO) == before
    assert at_open_strings(before, "fretted", CELLO) == before


@pytest.mark.parametrize(("strings", "rows"), [(CELLO, 0), ((), 1)])
def test_a_plan_judges_by_the_strings_of_the_session(strings: tuple[int, ...], rows: int) -> None:
    """Five low C 8 flat: with the strings written, no row; without, one for that pitch."""
    notes = [a.measured for a in cello(-8.0)]
    played = stem("X", "bowed", notes)
    spec = StemSpec(code="X", file="x.wav", role="bowed", strings=strings)
    made = made_of(Session(song="Invented", stems=(spec,)), (played,))
    assert len(made.rows) == rows
