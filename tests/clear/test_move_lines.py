"""Rows as lines: what each moves, and which are one."""

from planner.clear.move_lines import Proposal, line_of, lines_of
from planner.clear.sour_time import sour_map
from tests.test_clashes import sounding

SOUR = sour_map([sounding("A-1", 69, 0, 0, 1), sounding("A-2", 69, 0, 2, 3)], {})


def test_rows_over_one_note_add_up() -> None:
    """A rule and a note's own edit are one move of 9; a note that does not sound is passed over."""
    rule = Proposal(id="R-001", notes=(("A-1", 4.0), ("A-2", 4.0), ("X-1", 4.0)), severity=3.0)
    own = Proposal(id="A-1", notes=(("A-1", 5.0),), severity=8.0, needs=frozenset({"R-001", "R-2"}))
    line = line_of(SOUR, (rule, own))
    assert dict(zip(line.notes.tolist(), line.add_cents.tolist(), strict=True)) == {0: 9.0, 1: 4.0}
    assert (line.ids, line.severity, line.needs) == (("R-001", "A-1"), 8.0, {"R-2"})
    assert line.pieces == {0, 2}


def test_rows_with_one_fault_are_one_line() -> None:
    """By severity, then by id; a row without a fault stands by itself."""
    rows = [
        Proposal(id="A-1", notes=(), severity=1.0, fault=("A", 69)),
        Proposal(id="B-1", notes=(), severity=5.0),
        Proposal(id="A-2", notes=(), severity=9.0, fault=("A", 69)),
    ]
    assert [line.ids for line in lines_of(SOUR, rows)] == [("A-2", "A-1"), ("B-1",)]
