"""What the search for the fewest moves knows of a rule."""

from dataclasses import replace

from planner.clear.kept import NOTHING_YET, rule_key
from planner.scope.scope_rule import ScopeRule


def rule(stem_code: str, midi: int | None = None) -> ScopeRule:
    return ScopeRule(
        stem=stem_code, action="whole-part", scope="part" if midi is None else "pitch",
        covers=(f"{stem_code}-0001", f"{stem_code}-0002"), bias_cents=5.0, add_cents=-5.0,
        uncertainty_cents=0.5, intended_midi=midi, name="whole part", reason="",
    )  # fmt: skip


def test_a_rule_is_refused_by_what_it_is_about() -> None:
    """Its cents do not matter, its stem and pitch do; a refused part is not moved as a whole."""
    kept = replace(NOTHING_YET, refused=frozenset({rule_key(rule("GTR"))}))
    assert kept.refuses(replace(rule("GTR"), add_cents=-3.0))
    assert not kept.refuses(rule("BAS"))
    assert not kept.refuses(rule("GTR", 64))
    assert kept.not_as_a_whole == {"GTR"}


def test_what_is_kept_of_a_note_is_said_in_one() -> None:
    """Only of notes of which anything is kept, each field in its place."""
    kept = replace(
        NOTHING_YET, nothing_left=frozenset({"A-1"}), worth_clearing=frozenset({"A-2"}),
        part_way={"A-3": 2.0}, gives_way={"A-3": -1.0}, moved_for={"A-2": "PNO-2"},
        beats_if_moved={"A-1": "PNO-1", "A-4": ""},
    )  # fmt: skip
    assert kept.by_note() == {
        "A-1": (True, False, None, None, "", "PNO-1"),
        "A-2": (False, True, None, None, "PNO-2", None),
        "A-3": (False, False, 2.0, -1.0, "", None),
        "A-4": (False, False, None, None, "", ""),
    }
    assert NOTHING_YET.by_note() == {}
