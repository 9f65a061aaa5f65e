"""What all decisions about a session rest on, from the first round to the last."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from planner.answer.ruled_rows import NOTHING, Recalled
from planner.decide.tolerances import Judging, Tolerances
from planner.model import SessionA4
from planner.plan.takes import TakeHeard
from planner.target.named_chords import NONE_NAMED, NamedChords
from planner.timeline import TempoMap
from planner.words.plan_model import OwnFigure
from planner.words.session_model import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What stays the same from round to round."""

    # What the session says, what was heard, what the scores say of it, and what people answered.

    session: Session
    a4: SessionA4
    tolerances: Tolerances
    judging: Judging
    tempo_map: TempoMap | None = None  # without one no bars and beats, and nothing placed by them
    meant: Mapping[str, int] = field(default_factory=dict)  # note id -> MIDI note of a score
    words: Mapping[str, str] = field(default_factory=dict)  # note id -> word of a score
    takes: tuple[TakeHeard, ...] = ()
    recalled: Recalled = NOTHING

    # What `planner.plan.planning` works out of that and the notes.
    shifts: Mapping[str, float] = field(default_factory=dict)  # stem code -> as of `clock_shifts`
    named: NamedChords = NONE_NAMED
    # What the planner decides where nobody has answered anything, by note id.
    planners: Mapping[str, OwnFigure] = field(default_factory=dict)
