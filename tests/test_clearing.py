"""Which rows a plan keeps, and what is decided otherwise because of the clashes."""

from __future__ import annotations

from deciding import line, note, plan, stem


def test_a_part_that_would_clash_with_another_is_told_as_advice() -> None:
    """Two parts equally low together: moving the one that can be measured firmly would beat."""
    # The guitar sits 6 low; so does the lead voice, and that is only an offer.
    midis = [57, 60, 64, 69] * 3
    gtr = stem("GTR", "fretted", line("GTR", midis, [-6.0] * 12, length_s=1.6))
    lead = stem("LV", "lead-voice", line("LV", midis, [-6.0] * 12, length_s=1.6))
    made = plan(gtr, lead)
    assert (made.sour_before_s, made.sour_after_s) == (0.0, 0.0)
    advice = {r.stem: r for r in made.rows}
    assert {r.kind for r in made.rows} == {"advice"}
    assert advice["GTR"].reason.endswith(
        "left, because it would add beating against the other parts"
    )
    assert advice["GTR"].add_cents is None


def test_a_move_that_would_clash_is_made_as_far_as_it_clears() -> None:
    """All the way it would beat with both, half of the way with nobody: half of the way it goes."""
    cello = stem("CEL", "bowed", [note("CEL-0001", 81, -30, length_s=0.48)])
    one = stem("GT1", "fretted-chords", [note("GT1-0001", 81, -14, length_s=0.3)])
    two = stem("GT2", "fretted-chords", [note("GT2-0001", 81, -25, start_s=0.15, length_s=0.33)])
    made = plan(cello, one, two)
    assert (made.sour_before_s, made.sour_after_s) == (0.3, 0.0)
    (row,) = made.rows
    assert (row.add_cents, row.remaining_cents) == (11.0, -19.0)
    assert row.reason.endswith("19 left in, as more would clash")
    # Without the first there is nothing to clear on the way: it is left.
    (left, _) = plan(cello, two).judged
    assert (left.action, left.rule_name) == ("leave", "would clash")
