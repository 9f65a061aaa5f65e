"""The frozen records that flow from stage to stage; no behaviour beyond trivial properties.

Conventions
-----------
- Seconds (``_s``) count from the first sample of the stem's own file; samples (``_smp``) are
  positions at that file's own rate and are the truth that seconds are derived from. Spans are
  half-open: the start belongs to the note, the end does not.
- Cents are signed, plus is sharp (see `planner.pitch`).
- Absent is ``None`` (or NaN inside arrays), with a reason beside it; never 0.
- Arrays inside records are read-only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]

Role = Literal[
    "tuning-reference", "fixed-pitch", "fretted", "fretted-chords", "bass-fretted",
    "bass-fretless", "bowed", "bowed-group", "woodwind", "brass", "lead-voice", "voice-double",
    "voice-harmony", "drum-tones", "sampled", "exclude",
]  # fmt: skip
ROLES: tuple[str, ...] = Role.__args__  # type: ignore[attr-defined]

# Roles whose pitch nobody can move afterwards: they are what the others are judged by.
FIXED_ROLES = frozenset({"tuning-reference", "fixed-pitch"})
# Roles in which several notes sound at once as a matter of course.
CHORD_ROLES = frozenset(
    {"tuning-reference", "fixed-pitch", "fretted-chords", "bowed-group", "sampled"}
)
# Roles whose partials are exact multiples of the first: driven, not struck or plucked.
HARMONIC_ROLES = frozenset(
    {"bowed", "bowed-group", "woodwind", "brass", "lead-voice", "voice-double", "voice-harmony"}
)

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
RowKind = Literal["rule", "note", "question", "advice"]
Scope = Literal["part", "span", "string", "pitch", "passage"]
Confidence = Literal["firm", "fair", "shaky", ""]  # "" is: not measured
State = Literal[
    "new", "approved", "refused", "parked", "done", "checked", "not-done", "reopened", "orphan"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something noticed about the input, in words a person can act on."""

    severity: Literal["note", "warning", "question", "stop"]
    what: str  # what was found, one sentence
    did: str = ""  # what was done about it
    advice: str = ""  # what the reader can do
    stem: str | None = None  # stem code
    file: str | None = None  # as the session file writes it
    at_s: float | None = None


# ---------------------------------------------------------------- the session file, validated


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMark:
    """A bar at which tempo or meter changes; bars count from 1."""

    bar: int
    bpm: float
    meter: tuple[int, int] = (4, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyMark:
    """The key from a bar on."""

    bar: int
    tonic: str
    mode: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A named stretch of the song, bars inclusive."""

    name: str
    from_bar: int
    to_bar: int
    exposure: Literal["bare", "featured", "normal", "dense"] = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedSpan:
    """A span (or one note) that no edit may touch, and who said so."""

    from_s: float | None = None
    to_s: float | None = None
    from_bar: int | None = None
    to_bar: int | None = None
    note_id: str | None = None
    why: str = ""
    who: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreRef:
    """A score or guide MIDI file, and the track in it."""

    file: str
    track: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """An alternate take that a better note may be borrowed from."""

    file: str
    label: str = ""
    quality: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StemSpec:
    """What the session file says about one stem."""

    code: str
    file: str  # relative to the session file (or to audio_folder where that is given)
    role: Role
    line: int | None = None  # in the session file
    sha256: str | None = None  # the content that earlier plans were made for
    sung_with: str | None = None
    linked: tuple[str, ...] = ()  # other files of the same source, to be moved identically
    measure_from: str | None = None  # which of file and linked to measure
    strings: tuple[int, ...] = ()  # open strings, MIDI
    capo: int = 0
    range_midi: tuple[int, int] | None = None
    score: ScoreRef | None = None
    side: Literal["auto", "left", "right", "mid"] = "auto"
    late_by_ms: float = 0.0
    start_smp: int | None = None  # replaces the file's own time reference
    takes: tuple[Take, ...] = ()
    comp_edges_s: tuple[float, ...] = ()
    tolerance_factor: float = 1.0
    do_not_touch: tuple[ProtectedSpan, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session file after validation; every default is filled in."""

    song: str
    song_code: str = ""
    artist: str = ""
    audio_folder: str = "."
    out_folder: str | None = None
    rate: int | None = None
    start_timecode: str | None = None
    frame_rate: str | None = None  # one of timeline.FRAME_RATES
    drop_frame: bool = False
    tempo_marks: tuple[TempoMark, ...] = ()
    tempo_file: str | None = None  # a Standard MIDI File instead of marks
    bar_one_at_s: float = 0.0
    keys: tuple[KeyMark, ...] = ()
    reference_from: str | None = None  # stem code, "majority", or None if only a number is given
    a4_hz: float | None = None  # typed by a person; wins over the measured one
    temperament: str = "equal"  # a name in temperament.TEMPERAMENTS, or "table"
    temperament_table: tuple[float, ...] = ()  # 12 cents, C first, offsets from equal
    octave_stretch: float | None = None  # share of the reference's curve; None: by role
    whole_song_offset_cents: float = 0.0
    judging: str = "plain-band"
    edit_minutes: float = 60.0
    seconds_per_edit: float = 30.0
    consent: tuple[tuple[str, str], ...] = ()  # (stem code or "all", words)
    sections: tuple[Section, ...] = ()
    offenders_wanted: int = 12
    stems: tuple[StemSpec, ...]


# ---------------------------------------------------------------- audio


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFacts:
    """What one audio file is, found by reading it once from end to end."""

    file: str  # as the session file writes it
    container: str  # "WAV", "RF64", "AIFF", "FLAC"
    subtype: str  # "PCM_24", "FLOAT", ...
    sr: int
    channels: int
    frames: int
    sha256: str
    time_reference_smp: int | None  # samples since midnight, from bext; None where unstamped
    peak_dbfs: float  # may exceed 0 for float files; -inf for digital silence
    rms_dbfs: float
    dc_db: float  # level of the constant part, dBFS
    flat_tops: int  # runs of three or more samples stuck at the peak
    stereo: Literal["mono", "stereo", "dual-mono", "left-only", "right-only", "opposite-polarity"]
    measured_side: Literal["mono", "mid", "left", "right"]

    @property
    def length_s(self) -> float:
        return self.frames / self.sr


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stem:
    """One stem, one channel, at the analysis rate, beside what it was in its own file."""

    code: str
    role: Role
    samples: Floats  # (n,) float32 at analysis_sr, sample 0 is the file's sample 0
    analysis_sr: int
    sr: int  # the file's own rate
    frames: int  # length at the file's own rate
    range_hz: tuple[float, float]  # notes outside are octave errors or not this instrument


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PitchTrack:
    """Coarse pitch of a stem, frame by frame; frame i is centred on i * hop_s."""

    hop_s: float
    f0_hz: Floats  # (n,) NaN where nothing pitched sounds
    strength: Floats  # (n,) 0..1, how periodic the frame is
    level_db: Floats  # (n,) dBFS
    attack: Floats  # (n,) onset strength, 0 where nothing begins


# ---------------------------------------------------------------- notes and what was measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One note as the segmenter found it."""

    stem: str
    start_s: float
    end_s: float
    start_smp: int
    end_smp: int
    pitch_hz: float  # coarse
    strength: float  # 0..1, mean periodicity (chord stems: share of partials found)
    pitched_share: float  # 0..1 of the span
    level_db: float  # dBFS
    begins: Literal["attack", "legato", "soft"]

    @property
    def length_s(self) -> float:
        return round(self.end_s - self.start_s, 6)  # a delay must not move it by a last bit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """What was measured in one note, as frequencies of its first partial (errors come later)."""

    onset_hz: float | None = None
    sustain_hz: float | None = None
    end_hz: float | None = None
    heard_hz: float | None = None
    onset_uncertainty_cents: float | None = None  # about 2 in 3 chance
    uncertainty_cents: float | None = None  # of the sustain
    slope_cents_per_s: float | None = None
    vibrato_hz: float | None = None
    vibrato_half_cents: float | None = None
    vibrato_regularity: float | None = None  # 0..1
    settle_s: float | None = None
    inharmonicity_b: float | None = None
    partials_cents: float | None = None  # partials 2..6 against the first, beyond stiffness
    confidence: Confidence = ""
    not_measured_because: str = ""
    contour_s: Floats | None = None  # (k,) seconds from the file's start
    contour_hz: Floats | None = None  # (k,) first partial along the note, NaN where unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredNote:
    """A note with its measurement and its permanent id."""

    id: str  # stem code and serial: "LV-0147"
    note: Note
    measurement: Measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class StemNotes:
    """Everything found in one stem."""

    code: str
    role: Role
    facts: AudioFacts | None  # None in tests that start from notes
    notes: tuple[MeasuredNote, ...]  # by start, then pitch
    findings: tuple[Finding, ...] = ()


# ---------------------------------------------------------------- where pitch should be


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionA4:
    """Where the session's A4 really stands, and how the reference stretches its octaves."""

    a4_hz: float  # the one that targets use: the typed one where a person typed it
    measured_hz: float | None = None
    uncertainty_cents: float | None = None
    found_from: str  # "stem PNO", "majority of BAS, EGL, CEL", "typed", "assumed"
    notes_used: int = 0
    stretch: tuple[tuple[int, float], ...] = ()  # (MIDI note, cents off equal), ascending
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Which note was meant, and where it belongs."""

    intended_midi: int
    target_hz: float
    target_from: str  # "session A4", "session A4 and the piano's stretch", ...
    between_notes: bool = False  # so far from every note that a person must say which was meant


# ---------------------------------------------------------------- the plan


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
    layers: tuple[tuple[str, float], ...] = ()
    clash_with: str = ""
    beating_hz: float | None = None
    severity: float | None = None
    confidence: Confidence = ""
    rule_name: str = ""
    reason: str = ""
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
