"""Which rows a plan keeps, and what is decided otherwise because of the clashes."""

from __future__ import annotations

from dataclasses import replace

from deciding import line, note, plan, stem

from planner.clearing import NOTHING_YET, held_limits, proposals, rule_key
from planner.scopes import ScopeRule


def rule(stem_code: str, midi: int | None = None) -> ScopeRule:
    return ScopeRule(
        stem=stem_code, action="whole-part", scope="part" if midi is None else "pitch",
        covers=(f"{stem_code}-0001", f"{stem_code}-0002"), bias_cents=5.0, add_cents=-5.0,
        uncertainty_cents=0.5, gain_share=0.9, intended_midi=midi, name="whole part", reason="",
    )  # fmt: skip


def test_a_rule_is_refused_by_what_it_is_about() -> None:
    """Its cents do not matter, its stem and pitch do; a refused part is not moved as a whole."""
    kept = replace(NOTHING_YET, refused=frozenset({rule_key(rule("GTR"))}))
    assert kept.refuses(replace(rule("GTR"), add_cents=-3.0))
    assert not kept.refuses(rule("BAS"))
    assert not kept.refuses(rule("GTR", 64))
    assert kept.not_as_a_whole == {"GTR"}


def test_only_held_notes_are_sour_by_themselves() -> None:
    """From half a second on a note beyond its tolerance counts; a shorter one does not."""
    notes = [
        note("CEL-0001", 62, -30, length_s=0.49), note("CEL-0002", 62, -30, start_s=2, length_s=0.5)
    ]  # fmt: skip
    made = plan(stem("CEL", "bowed", notes))
    judged = {j.measured.id: j for j in made.judged}
    assert list(held_limits(judged)) == ["CEL-0002"]


def test_rows_say_what_they_add_and_what_they_need() -> None:
    """A rule adds its cents to all it covers; a single edit comes on top and needs the rule."""
    errors = [9.0] * 19 + [40.0]
    gtr = stem("GTR", "fretted", line("GTR", [50 + k % 12 for k in range(20)], errors))
    made = plan(gtr)
    judged = {j.measured.id: j for j in made.judged}
    covers = next(r.covers for r in made.rows if r.id == "R-001")
    add = next(r.add_cents for r in made.rows if r.id == "R-001")
    assert add is not None
    rules = {"R-001": replace(rule("GTR"), covers=covers, add_cents=add)}
    part, single = proposals(made.rows, rules, judged)
    assert dict(part.notes)["GTR-0001"] == add
    assert single.needs == {"R-001"}
    j = judged["GTR-0020"]
    assert j.heard_cents is not None
    assert j.remaining_cents is not None
    assert abs(j.heard_cents + add + dict(single.notes)["GTR-0020"] - j.remaining_cents) < 1e-9


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
