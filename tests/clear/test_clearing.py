"""Which rows a plan keeps, and what is decided otherwise because of the clashes."""

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


def test_a_whole_part_is_not_given_up_for_a_beating_that_an_edit_on_top_of_it_clears() -> None:
    """Ten notes 6 sharp alone, two in tune over the piano's: one move, and two edits after it."""
    midis = [57, 60, 64, 69, 57, 60, 57, 60, 64, 69, 57, 60]
    errors = [6.0] * 12
    errors[4] = errors[8] = 0.0
    notes = line("CEL", midis, errors, length_s=1.8)
    held = [note(n.id.replace("CEL", "PNO"), m, 0, start_s=n.note.start_s, length_s=1.8)
            for n, m, e in zip(notes, midis, errors, strict=True) if not e]  # fmt: skip
    made = plan(stem("CEL", "bowed", notes), stem("PNO", "tuning-reference", held))
    rule, *edits = made.rows
    assert (rule.action, rule.add_cents) == ("whole-part", -5.0)
    assert [r.id for r in edits] == ["CEL-0005", "CEL-0009"]
    assert {r.remaining_cents for r in edits} == {0.0}
    assert made.sour_after_s == 0.0
