"""What is decided about a note for what sounds beside it, some rules made or none."""

import pytest
from deciding import line, note, plan, stem


@pytest.mark.parametrize(("length_s", "left"), [(2.0, 0.0), (1.99, 6.0)])
def test_a_long_unison_with_keys_keeps_nothing(length_s: float, left: float) -> None:
    """Two seconds beside the piano's same note, in any octave, and nothing is left in."""
    piano = stem("PNO", "tuning-reference", [note("PNO-0001", 57, 0, length_s=3.0)])
    swung = note(
        "CEL-0001", 69, -24, length_s=length_s, vibrato_hz=5.5, vibrato_half_cents=20.0
    )  # in vibrato it beats with nobody
    (row,) = plan(piano, stem("CEL", "bowed", [swung])).rows
    assert abs(row.remaining_cents or 0.0) == left


def test_what_beats_is_said_as_the_rules_leave_it() -> None:
    """A part moved as a whole beats no more; the one note that still does says with whom."""
    midis = [57, 60, 64, 69] * 3
    piano = stem("PNO", "tuning-reference", line("PNO", midis, [0.0] * 12, length_s=1.6))
    errors = [-9.0] * 11 + [16.0]
    made = plan(piano, stem("GTR", "fretted", line("GTR", midis, errors, length_s=1.6)))
    beats = {j.measured.id: j.clash_with for j in made.judged if j.clash_with}
    assert beats == {"GTR-0012": "PNO-0012", "PNO-0012": "GTR-0012"}
