"""People's rulings in rules: what is not looked for again, and where a rule lies."""

from dataclasses import replace

from planner.answer.answers import Entry, Override
from planner.answer.ruled_rules import decided_by_a_person, ruled_rules
from planner.answer.rulings import rulings_from
from planner.scopes import ScopeRule


def test_a_rule_that_a_person_set_is_not_looked_for_again() -> None:
    """Same stem, scope and pitch as a decided one: decided; another pitch: not."""
    one = ScopeRule(
        stem="EGL", action="every-same-pitch", scope="pitch", covers=("EGL-0001",),
        bias_cents=9.0, add_cents=-9.0, uncertainty_cents=0.3,
        intended_midi=61, name="", reason="",
    )  # fmt: skip
    rulings, _ = rulings_from([Entry(id="R-001", answer="no")])
    assert decided_by_a_person(one, {"R-001": one}, rulings)
    assert not decided_by_a_person(replace(one, intended_midi=62), {"R-001": one}, rulings)
    yes, _ = rulings_from([Entry(id="R-001", answer="yes")])
    assert not decided_by_a_person(one, {"R-001": one}, yes)
    assert ruled_rules({"R-001": one}, yes, {})["R-001"] == one


def test_a_rule_lies_in_the_bars_that_a_person_gave_it() -> None:
    """A part's rule becomes a stretch of it; a pitch's keeps its own notes there; the number stays.

    Bars without a note of it change nothing, and say so.
    """
    found = ScopeRule(
        stem="LV", action="whole-part", scope="part", covers=("LV-1", "LV-2", "LV-4"),
        bias_cents=8.5, add_cents=-8.2, uncertainty_cents=0.5, name="whole part",
        reason="so",
    )  # fmt: skip
    bars = {"LV-1": 1, "LV-2": 2, "LV-3": 2, "LV-4": 3, "BAS-1": 2}
    may = {"LV": frozenset({"LV-1", "LV-2", "LV-3", "LV-4"})}

    def ruled(
        rule: ScopeRule, bars_said: tuple[int, int | None], held: tuple[str, ...] = ()
    ) -> ScopeRule:
        entry = Entry(id="R-001", override=Override(bars=bars_said), by="Ed")
        rulings, _ = rulings_from([entry])
        return ruled_rules({"R-001": rule}, rulings, may, bars, held)["R-001"]

    part_of = ruled(found, (2, 3))
    assert (part_of.scope, part_of.action) == ("span", "tuning-span")
    assert (part_of.covers, part_of.add_cents) == (("LV-2", "LV-3", "LV-4"), -8.2)
    assert part_of.reason == "bars 2-3, set by Ed; the planner says 3 notes in all: so"
    assert ruled(found, (2, None)).covers == ("LV-2", "LV-3", "LV-4")
    assert ruled(found, (2, 3), ("LV-3",)).covers == ("LV-2", "LV-4")
    pitch = replace(found, scope="pitch", action="every-same-pitch", intended_midi=62)
    there = ruled(pitch, (2, 2))
    assert (there.scope, there.covers) == ("pitch", ("LV-2",))
    nowhere = ruled(found, (9, 12))
    assert nowhere.covers == found.covers
    assert "bars 9-12, set by Ed, where it has no note, so it stays: so" in nowhere.reason


def test_a_border_moves_and_no_note_is_in_two_tunings() -> None:
    """Notes of a stretch with bars from a person leave the stretch beside it, not one over it."""

    def span(covers: tuple[str, ...], add: float) -> ScopeRule:
        return ScopeRule(
            stem="LV", action="tuning-span", scope="span", covers=covers, bias_cents=-add,
            add_cents=add, uncertainty_cents=0.5, name="span", reason="so",
        )  # fmt: skip

    bars = {f"LV-{k}": k for k in range(1, 7)}
    may = {"LV": frozenset(bars)}
    found = {
        "R-001": span(("LV-1", "LV-2", "LV-3"), 4.0),
        "R-002": span(("LV-4", "LV-5", "LV-6"), -7.0),
        "R-003": span(("LV-3", "LV-4"), 1.0),
    }

    def covered(*said: tuple[str, tuple[int, int | None]]) -> dict[str, tuple[str, ...]]:
        entries = [Entry(id=k, override=Override(bars=there), by="Ed") for k, there in said]
        ruled = ruled_rules(found, rulings_from(entries)[0], may, bars)
        return {k: rule.covers for k, rule in ruled.items()}

    assert covered(("R-002", (3, 6))) == {
        "R-001": ("LV-1", "LV-2"), "R-002": ("LV-3", "LV-4", "LV-5", "LV-6"),
        "R-003": ("LV-3", "LV-4"),
    }  # fmt: skip
    assert "R-001" not in covered(("R-002", (1, 6)))
    both = covered(("R-001", (1, 4)), ("R-002", (4, 6)))
    assert (both["R-001"], both["R-002"]) == (("LV-1", "LV-2", "LV-3"), ("LV-4", "LV-5", "LV-6"))
