"""What the search for the fewest moves has found out: which rows are kept, and in which form."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from planner.scope.scope_rule import ScopeRule, sparing

RuleKey = tuple[str, str, int | None, tuple[str, ...]]  # stem, scope, pitch, first note


class KeptOfNote(NamedTuple):
    """What is kept of one note, as in `Kept`."""

    nothing_left: bool = False
    worth_clearing: bool = False
    part_way_cents: float | None = None
    gives_way_cents: float | None = None
    moved_for: str = ""
    beats_if_moved: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the search for the fewest moves has found out about the notes so far."""

    beats_if_moved: dict[str, str]  # note id -> id of the note it would beat with, or nothing
    nothing_left: frozenset[str]  # notes in which what an edit usually leaves would beat
    refused: frozenset[RuleKey]  # rules that would add sour time
    spared: frozenset[str]  # notes that no rule moves: they would beat, or be moved back
    worth_clearing: frozenset[str]  # notes inside their tolerance that fill sour time by beating
    part_way: dict[str, float]  # note id -> cents to leave in, where more of the move would clash
    gives_way: dict[str, float]  # note id -> error to leave, on the side where it beats with nobody
    # Note id -> id of the note it beats with once all else is made, of those moved for that alone.
    moved_for: dict[str, str]

    def refuses(self, rule: ScopeRule) -> bool:
        return rule_key(rule) in self.refused

    def sparing(self, rule: ScopeRule) -> ScopeRule:
        """Give a rule on the notes that are better with it."""
        return sparing(rule, self.spared)

    def by_note(self) -> dict[str, KeptOfNote]:
        """Give what is kept of each note of which anything is."""
        notes = self.nothing_left | self.worth_clearing
        notes |= self.beats_if_moved.keys() | self.part_way.keys() | self.gives_way.keys()
        return {
            k: KeptOfNote(
                k in self.nothing_left,
                k in self.worth_clearing,
                self.part_way.get(k),
                self.gives_way.get(k),
                self.moved_for.get(k, ""),
                self.beats_if_moved.get(k),
            )
            for k in notes
        }

    def with_wishes_of(self, wished: Kept, notes: frozenset[str]) -> Kept:
        """Take over what another search wishes of some notes."""
        return replace(
            self,
            nothing_left=self.nothing_left | wished.nothing_left & notes,
            worth_clearing=self.worth_clearing | wished.worth_clearing & notes,
            part_way=self.part_way | {k: v for k, v in wished.part_way.items() if k in notes},
            gives_way=self.gives_way | {k: v for k, v in wished.gives_way.items() if k in notes},
            moved_for=self.moved_for | {k: v for k, v in wished.moved_for.items() if k in notes},
        )

    @property
    def not_as_a_whole(self) -> frozenset[str]:
        """The stems that are not moved as a whole after all."""
        return frozenset(stem for stem, scope, _, _ in self.refused if scope == "part")


NOTHING_YET = Kept(
    beats_if_moved={}, nothing_left=frozenset(), refused=frozenset(), worth_clearing=frozenset(),
    part_way={}, gives_way={}, moved_for={}, spared=frozenset(),
)  # fmt: skip


def rule_key(rule: ScopeRule) -> RuleKey:
    """Name a rule by what it is about, whatever its cents."""
    return (rule.stem, rule.scope, rule.intended_midi, rule.covers[:1])
