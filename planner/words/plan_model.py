"""The frozen records of a plan: what was decided for every note, and the rows of the edit list."""

from dataclasses import dataclass
from typing import Literal

from planner.model import AudioFacts, Confidence, Finding, MeasuredNote, Role, SessionA4, Target
from planner.pitch import MIXED_NAMES, NoteNames
from planner.words.session_model import KeyMark, Session

Action = Literal[
    "raise-lower", "whole-part", "tuning-span", "every-same-pitch", "short-notes", "start-only",
    "hold-end", "steady", "shape", "leave", "other-take", "retake", "at-source", "chord-voicing",
    "mute-part", "ask", "wrong-note",
]  # fmt: skip
MOVING_ACTIONS = frozenset(
    {
        "raise-lower", "whole-part", "tuning-span", "every-same-pitch", "short-notes",
        "start-only", "hold-end", "steady", "shape",
    }
)  # fmt: skip
# What a person does by hand, and what therefore takes time and is ranked.
EDIT_ACTIONS = MOVING_ACTIONS | {"other-take"}
RowKind = Literal["rule", "note", "question", "advice"]
Scope = Literal["part", "span", "string", "pitch", "passage"]
State = Literal[
    "new", "approved", "refused", "parked", "done", "checked", "not-done", "reopened", "orphan"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeNote:
    """The same note as another take has it, on that take's own clock."""

    file: str  # as the session file writes it
    label: str
    quality: str  # what the session file says of the take
    start_s: float
    end_s: float
    start_smp: int
    end_smp: int
    heard_hz: float
    uncertainty_cents: float | None
    louder_db: float  # than the stem's note, beyond what the two takes differ by as a whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One note after the decision: its errors, what was decided, and why."""

    measured: MeasuredNote
    target: Target
    onset_cents: float | None  # errors against the target, before any rule or edit
    sustain_cents: float | None
    end_cents: float | None
    heard_cents: float | None
    tolerance_cents: float | None  # T of the recipe, None where the note was not judged
    layers: tuple[tuple[str, float], ...] = ()  # (rule id, cents to add) of the rules that cover it
    action: Action
    rule_name: str  # row of the decision table that decided
    reason: str  # one sentence
    add_cents: float | None = None  # of the note's own edit, after the layers
    onset_add_cents: float | None = None
    cut_s: float | None = None
    sustain_add_cents: float | None = None
    points: tuple[tuple[float, float], ...] = ()  # (s from start, cents to add)
    remaining_cents: float | None = None  # heard error left after layers and edit
    severity: float = 0.0
    severity_terms: tuple[tuple[str, float], ...] = ()
    clash_with: str = ""
    beating_hz: float | None = None
    beat_cycles: float | None = None
    clash_partials: str = ""
    clash_words: str = ""  # the beating in one clause
    clearable: bool = False  # inside its tolerance, yet surely off by enough for an edit
    # Move that a note must make at least to give way to one it beats with; None: it may not.
    gives_way_from_cents: float | None = None
    string_midi: int | None = None  # open note of the string it was played on, where told
    fret: int | None = None  # from the nut
    string_confidence: str = ""  # "firm", "fair", "not told apart"; "" is: nothing to tell it by
    names: NoteNames = MIXED_NAMES  # what notes are called where it stands
    word: str = ""  # sung on it, where the session or its score has the words
    take: TakeNote | None = None  # that stands in for it, where the action is other-take

    @property
    def is_moved(self) -> bool:
        """Whether the plan changes its sound, by a rule or by an edit of its own."""
        return bool(self.layers) or self.action in EDIT_ACTIONS

    @property
    def layer_cents(self) -> float:
        """What its rules add to it."""
        return sum(c for _, c in self.layers)

    @property
    def rest_cents(self) -> float | None:
        """The heard error that its rules leave, rounded as decisions see it."""
        return None if self.heard_cents is None else round(self.heard_cents + self.layer_cents, 1)

    @property
    def own_cents(self) -> float:
        """What its own edit adds to what is heard; another take's note, what is heard instead."""
        if self.action not in EDIT_ACTIONS or self.remaining_cents is None:
            return 0.0
        return self.remaining_cents - (self.rest_cents or 0.0)

    @property
    def added_cents(self) -> float:
        """What its rules and its own edit together add to what is heard."""
        return self.layer_cents + self.own_cents

    @property
    def left_cents(self) -> float | None:
        """The heard error once all of them are made."""
        return None if self.heard_cents is None else self.heard_cents + self.added_cents


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the edit list; field names are the columns."""

    id: str
    kind: RowKind
    scope: Scope | None = None  # of rules
    stem: str
    apply_to: tuple[str, ...]  # every file to move together
    start_s: float | None = None
    end_s: float | None = None
    start_smp: int | None = None
    end_smp: int | None = None
    start_bar: int | None = None
    start_beat: float | None = None
    end_bar: int | None = None
    end_beat: float | None = None
    start_tc: str | None = None
    word: str = ""
    notes_covered: int = 1
    covers: tuple[str, ...] = ()  # note ids
    intended: str = ""
    intended_midi: int | None = None
    target_hz: float | None = None
    target_from: str = ""
    onset_cents: float | None = None
    sustain_cents: float | None = None
    end_cents: float | None = None
    heard_cents: float | None = None
    slope_cents_per_s: float | None = None
    vibrato_hz: float | None = None
    vibrato_half_cents: float | None = None
    vibrato_regularity: float | None = None
    uncertainty_cents: float | None = None
    onset_uncertainty_cents: float | None = None
    action: Action
    add_cents: float | None = None
    in_words: str = ""  # "lower by 16, give or take 2"
    onset_add_cents: float | None = None
    cut_s: float | None = None
    sustain_add_cents: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    crossfade_in_ms: float | None = None
    crossfade_out_ms: float | None = None
    remaining_cents: float | None = None
    take_file: str = ""  # of another take: what to borrow from it, on its own clock
    take_start_s: float | None = None
    take_end_s: float | None = None
    take_start_smp: int | None = None
    take_end_smp: int | None = None
    take_heard_cents: float | None = None  # its error, before the rules
    layers: tuple[tuple[str, float], ...] = ()
    clash_with: str = ""
    beating_hz: float | None = None
    beat_cycles: float | None = None  # beyond what the temperament gives, while both sound
    clash_partials: str = ""  # "4 to 1": own partial, then the other's
    clears_s: float | None = None  # sour seconds that go with it, after the rows ranked above it
    severity: float | None = None
    confidence: Confidence = ""
    rule_name: str = ""
    reason: str = ""
    asked_on_page: str = ""  # id of the question of the page that asks this one
    state: State = "new"
    by: str = ""
    comment: str = ""
    locked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StemSummary:
    """One stem's line in the tuning summary."""

    code: str
    role: Role
    notes: int
    measured: int
    measured_time_share: float | None  # 0..1
    offset_cents: float | None  # median heard error
    offset_uncertainty_cents: float | None
    spread_cents: float | None  # median absolute deviation
    onset_minus_sustain_cents: float | None
    edits: int
    suspicions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Offender:
    """One line of the producer's list."""

    rank: int
    row_id: str
    stem: str
    start_s: float
    start_bar: int | None
    start_beat: float | None
    intended: str
    times: int  # how often the same fault occurs
    headline: str  # what you hear
    fix: str  # what to do, in words
    severity: float
    terms: tuple[tuple[str, float], ...]
    minutes_so_far: float  # editor minutes up to and including this line
    above_stop_line: bool
    row_ids: tuple[str, ...] = ()  # every row of the edit list in this line
    clears_s: float | None = None  # sour seconds that go with it, after all lines above
    sour_left_s: float | None = None  # sour seconds left after it
    thins_s: float | None = None  # beating that goes with it, s, every pair counted by itself
    beating_left_s: float | None = None  # and what is left of it
    together: int = 0  # lines with the same number part notes unless all of them are made
    shares_step: bool = False  # whether there are several

    @property
    def edits(self) -> int:
        return max(1, len(self.row_ids))


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """What changed since the plan before, one line a row."""

    name: str  # of the earlier plan's folder
    new: tuple[str, ...]
    gone: tuple[str, ...]
    changed: tuple[str, ...]  # moved by something else
    acted: tuple[str, ...] = ()  # of another action than before


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A file beside the stems that a plan was made from."""

    use: str  # "take", "score", "tempo map", "scale", "chords"
    stem: str  # code; empty where it is the whole session's
    file: str  # as the session file writes it
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFigure:
    """What the planner decides about one note where nobody has answered anything."""

    action: Action
    add_cents: float | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The whole result of a run, before anything is written."""

    session: Session
    a4: SessionA4
    judged: tuple[Judged, ...]  # every note of every stem, by stem order, then start
    rows: tuple[Row, ...]  # rules first, then per stem in play order
    offenders: tuple[Offender, ...]
    stems: tuple[StemSummary, ...]
    facts: tuple[tuple[str, AudioFacts], ...]  # (stem code, facts) of every file read
    missing: tuple[str, ...]  # codes left out, by request or because they could not be read
    findings: tuple[Finding, ...]
    sour_before_s: float | None = None
    sour_after_s: float | None = None
    beating_before_s: float | None = None  # the same, every pair that beats counted by itself
    stays: tuple[tuple[str, float], ...] = ()  # (why, s) of what is sour after it, most first
    named: tuple[tuple[str, int, float], ...] = ()  # (stem, clashes it is named in, s), most first
    # (s on the session's clock, cents to its own middle) where the whole song moves; else empty.
    movement: tuple[tuple[float, float], ...] = ()
    since: Since | None = None  # None on the first run
    keys: tuple[KeyMark, ...] = ()  # by which notes are named
    sources: tuple[Source, ...] = ()  # tempo map and scale; then scores and takes stem by stem
    # (note id, the planner's own figure of it); empty where it was not worked out.
    own_figures: tuple[tuple[str, OwnFigure], ...] = ()
