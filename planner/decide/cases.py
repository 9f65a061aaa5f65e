"""One note as the decision table sees it: what its rules leave, and how far out it may be."""

from dataclasses import dataclass
from functools import cached_property

from planner.decide.tolerances import Exposure, Judging, Tolerances, ToleranceTerms, tolerance_terms
from planner.model import Role
from planner.targets import Aimed
from planner.words.chord_symbols import ChordSymbol


@dataclass(frozen=True, slots=True, kw_only=True)
class LeansToKey:
    """A note that is not in the typed key, and leans to one a semitone on that is."""

    midi: int  # of the note of the key
    key: str  # "A major"
    from_cents: float  # further off than this, the note of the key may be meant


@dataclass(frozen=True, kw_only=True)  # without slots, for what is worked out once a note
class Case:
    """Everything a decision about one note rests on."""

    aimed: Aimed  # errors before any rule
    role: Role
    judging: Judging
    tolerances: Tolerances
    several_notes: bool = False  # may sound at once in its stem, whatever its role
    exposure: Exposure = "normal"
    factor: float = 1.0  # of its section and stem
    layers: tuple[tuple[str, float], ...] = ()  # rules that cover it
    protected_by: str = ""  # who or what says: hands off
    join_inside: bool = False  # a comp edge lies inside it
    grace: bool = False  # leans on a longer note
    usual_onset_cents: float | None = None  # of its run of short notes, as the rules leave them
    blue: bool = False
    leading: bool = False  # a little sharp under the tonic that follows
    chord: ChordSymbol | None = None  # that the session names for its time
    known_by: str = ""  # why no other note was meant, however far it is off
    leans_to_key: LeansToKey | None = None  # where its own note is not in the typed key
    comes_round: str = ""  # what to say of a note that is off the same way in every repeat
    next_semitones: int = 0  # to the next note, where it follows at once; 0: the same, or a rest
    pushed: bool = False  # among the loudest of its part
    beats: bool = False  # sour or worse against what nobody can move
    sits_so: bool = False  # of a lead that sits a little off as a whole: that is only offered
    held_unison_with_fixed: bool = False
    spread_cents: float = 0.0  # to be kept from the lead that it doubles
    beats_with: str = ""  # for sentences: "PNO's D5"
    nothing_left: bool = False  # what an edit usually leaves in would beat
    worth_clearing: bool = False  # its beating fills sour time that no other edit takes away
    part_way_cents: float | None = None  # to be left in: more of the move would add sour time
    gives_way_cents: float | None = (
        None  # error to leave, plus is sharp: there it beats with nobody
    )
    beats_if_moved: str | None = None  # an edit would add sour time: with whom, or nothing to say

    @cached_property
    def layer_cents(self) -> float:
        return sum(c for _, c in self.layers)

    def _rest(self, error: float | None) -> float | None:
        return None if error is None else round(error + self.layer_cents, 1)

    @cached_property
    def onset(self) -> float | None:
        return self._rest(self.aimed.onset_cents)

    @cached_property
    def sustain(self) -> float | None:
        return self._rest(self.aimed.sustain_cents)

    @property
    def end(self) -> float | None:
        return self._rest(self.aimed.end_cents)

    @cached_property
    def heard(self) -> float | None:
        return self._rest(self.aimed.heard_cents)

    @property
    def chord_tone_beside(self) -> int | None:
        """The note that this one leans to, where the named chord has that and not this (MIDI)."""
        midi = self.aimed.target.intended_midi
        if self.chord is None or self.heard is None or self.aimed.target.from_score:
            return None
        beside = midi + (1 if self.heard > 0 else -1)
        leans = midi % 12 not in self.chord.tones and beside % 12 in self.chord.tones
        return beside if leans and 0 <= beside <= 127 else None

    @property
    def far_off(self) -> bool:
        """Whether it is so far from its note that another one may have been meant."""
        return self.heard is not None and abs(self.heard) > self.tolerances.limits.ask_beyond_cents

    @property
    def length_s(self) -> float:
        return self.aimed.measured.note.length_s

    @cached_property
    def uncertainty(self) -> float | None:
        """Of the reading that is judged: the onset's up to 0.2 s, else the sustain's."""
        m = self.aimed.measured.measurement
        pair = (m.uncertainty_cents, m.onset_uncertainty_cents)
        first, second = pair[::-1] if self.length_s < 0.2 else pair
        return second if first is None else first

    @cached_property
    def terms(self) -> ToleranceTerms:
        return tolerance_terms(
            self.role,
            self.length_s,
            self.exposure,
            self.judging,
            self.tolerances,
            self.uncertainty,
            self.factor,
            midi=self.aimed.target.intended_midi,
            beats=self.beats,
        )

    @property
    def t(self) -> float:
        return self.terms.tolerance_cents

    @property
    def over(self) -> bool:
        """Whether it is heard beyond its tolerance."""
        return self.heard is not None and abs(self.heard) > self.t


def known(value: float | None) -> float:
    """A value that the predicate before has found to be there."""
    assert value is not None
    return value
