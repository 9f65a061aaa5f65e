"""Which rows a plan keeps, and what is decided otherwise because of the clashes."""

import pytest
from deciding import line, made_of, note, plan, session, stem

from planner.answer.answers import Entry, Override
from planner.answer.ruled_rows import Recalled
from planner.answer.rulings import rulings_from
from planner.model import Confidence, Role


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
    assert row.reason.endswith("stops 19 short, as more would clash")
    # Without the first there is nothing to clear on the way: it is left.
    (left, _) = plan(cello, two).judged
    assert (left.action, left.rule_name) == ("leave", "would clash")


def test_a_whole_part_leaves_out_the_notes_that_would_have_to_be_moved_back() -> None:
    """Ten notes 6 sharp alone, two in tune over the piano's: those two stay, and need no row."""
    midis = [57, 60, 64, 69, 57, 60, 57, 60, 64, 69, 57, 60]
    errors = [6.0] * 12
    errors[4] = errors[8] = 0.0
    notes = line("CEL", midis, errors, length_s=1.8)
    held = [note(n.id.replace("CEL", "PNO"), m, 0, start_s=n.note.start_s, length_s=1.8)
            for n, m, e in zip(notes, midis, errors, strict=True) if not e]  # fmt: skip
    made = plan(stem("CEL", "bowed", notes), stem("PNO", "tuning-reference", held))
    (rule,) = made.rows
    assert (rule.action, rule.add_cents) == ("whole-part", -5.0)
    assert set(rule.covers) == {n.id for n in notes} - {"CEL-0005", "CEL-0009"}
    assert "CEL-0005, CEL-0009 left out, which it would make worse" in rule.reason
    assert made.sour_after_s == 0.0


@pytest.mark.parametrize(
    ("cents", "role", "confidence", "covered"),
    [
        (1.3, "brass", "firm", 15),
        (1.4, "brass", "firm", 16),
        (1.3, "brass", "fair", 15),
        (1.3, "brass", "shaky", 16),
        (1.3, "fretted-chords", "firm", 16),
    ],
)
def test_a_rule_leaves_out_what_it_surely_takes_further_off(
    cents: float, role: Role, confidence: Confidence, covered: int
) -> None:
    """By as much as a move must gain: 6.3 flat, which was 1.3 sharp."""
    midis = [57, 60, 64, 69] * 4
    notes = line("TPT", midis, [8.0] * 16)
    notes[5] = note(
        "TPT-0006", 60, cents, start_s=notes[5].note.start_s, length_s=0.8, confidence=confidence
    )
    (rule,) = plan(stem("TPT", role, notes)).rows
    assert (rule.add_cents, rule.notes_covered) == (-7.6, covered)


@pytest.mark.parametrize("odd", [0, 4])
def test_a_note_far_off_on_the_other_side_is_moved_by_its_own_row_alone(odd: int) -> None:
    """Its row says what to add to the note as it was recorded, be it the first of the part."""
    midis = [57, 60, 64, 69] * 4
    errors = [-8.0, -9.0, -10.0, -9.0] * 4
    errors[odd] = 22.0
    made = plan(stem("EGL", "fretted", line("EGL", midis, errors)))
    rule, own = made.rows
    assert (rule.action, rule.notes_covered) == ("whole-part", 15)
    assert own.id == f"EGL-{odd + 1:04d}"
    assert (own.add_cents, own.layers) == (-16.0, ())


@pytest.mark.parametrize(("sharp", "covered"), [(14.0, 15), (16.0, 16)])
def test_a_note_that_a_rule_brings_nearer_stays_in_it(sharp: float, covered: int) -> None:
    """Lowered by 30 with the others it ends 16 or 14 flat: further off than it was, or nearer."""
    errors = [29.0, 30.0, 31.0, 30.0] * 4
    errors[4] = sharp
    rule, own = plan(stem("EGL", "fretted", line("EGL", [57, 60, 64, 69] * 4, errors))).rows
    assert (rule.add_cents, rule.notes_covered) == (pytest.approx(-30.0, abs=0.5), covered)
    assert own.layers == ((("R-001", rule.add_cents),) if covered == 16 else ())


def test_what_a_person_set_a_rule_to_holds_for_all_its_notes() -> None:
    """Three times as much as it was found to be: each note has it, and a row of its own."""
    part = stem("EGL", "fretted", line("EGL", [57, 60, 64, 69] * 4, [-9.0] * 16))
    first = plan(part)
    said = Entry(id="R-001", override=Override(add_cents=30.0), by="Ed")
    rulings, _ = rulings_from([said], first.rows)
    recalled = Recalled(rulings=rulings, last_rows=first.rows)
    again = made_of(session(part), (part,), recalled=recalled)
    assert (again.rows[0].add_cents, again.rows[0].notes_covered) == (30.0, 16)
    assert sum(row.kind == "note" for row in again.rows) == 16


def test_notes_that_come_round_the_same_are_not_taken_further_off() -> None:
    """A part 14 flat, but for one note of its phrase that is 16 sharp each time: it stays so."""
    errors = [-13.7, -13.7, -13.7, 15.6] * 3
    sung = line("BV", [64, 69, 71, 72] * 3, errors, length_s=2.0)
    made = plan(stem("BV", "voice-harmony", sung))
    rule = made.rows[0]
    assert (rule.action, rule.notes_covered) == ("whole-part", 9)
    left = [j for j in made.judged if j.rule_name == "comes round the same"]
    assert [(j.measured.id, j.layers) for j in left] == [
        ("BV-0004", ()), ("BV-0008", ()), ("BV-0012", ()),
    ]  # fmt: skip
