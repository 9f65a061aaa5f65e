"""What the search for the fewest moves knows of a rule."""

from __future__ import annotations

from dataclasses import replace

from planner.clear.kept import NOTHING_YET, rule_key
from planner.scope.scope_rule import ScopeRule


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
