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

# A hard stroke sharpens the start of a plucked string; breath and bow do something else.
STRUCK_ROLES: frozenset[Role] = frozenset({"fretted", "bass-fretted", "bass-fretless"})
VOICE_ROLES: frozenset[str] = frozenset({"lead-voice", "voice-double", "voice-harmony"})

Confidence = Literal["firm", "fair", "shaky", ""]  # "" is: not measured


# What findings are about that others depend on.
ABOUT_ALL = "where all stems stand"  # two such say the same
ONLY_BLEED = "a stem that holds nothing of its own"


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
    asks: str = ""  # what a person can answer to it by a row: a name in `questions`
    about: str = ""  # `ABOUT_ALL`, `ONLY_BLEED`


# ---------------------------------------------------------------- audio


SILENT_DBFS = -70.0  # common practice, no source: below the noise of any recorded part
DC_DBFS = -45.0  # chosen: a constant part that a mixer would want to know of, told and taken out


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
    seldom_below_hz: float = 0.0  # few notes below are octave errors, many another instrument


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
    start_sd_s: float = 0.002  # how well the start is known, one standard deviation

    @property
    def length_s(self) -> float:
        return round(self.end_s - self.start_s, 6)  # a delay must not move it by a last bit


LEAST_TOLD_CENTS = 0.1 / 3.0  # plans tell tenths of a cent: rounding takes two in three so far
FIRM_CENTS, FAIR_CENTS = 2.0, 6.0  # how well a reading is known at least to be called that


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
    slope_uncertainty_cents_per_s: float | None = None
    vibrato_hz: float | None = None
    vibrato_half_cents: float | None = None
    vibrato_regularity: float | None = None  # 0..1
    settle_s: float | None = None
    inharmonicity_b: float | None = None
    inharmonicity_b_uncertainty: float | None = None  # None where B is borrowed from its pitch
    partials_cents: float | None = None  # partials 2..6 against the first, beyond stiffness
    upper_partials_db: float | None = None  # all partials above the first, against the first
    # Strings of one key: from the lowest to the highest, 0 where none stood apart; then the
    # uncertainty is the least distance that would have been seen.
    strings_apart_cents: float | None = None
    strings_apart_uncertainty_cents: float | None = None
    confidence: Confidence = ""
    not_measured_because: str = ""
    contour_s: Floats | None = None  # (k,) seconds from the file's start
    contour_hz: Floats | None = None  # (k,) first partial along the note, NaN where unknown

    @property
    def onset_confidence(self) -> Confidence:
        """How well the onset is known, whatever the sustain is; blank where it is not measured."""
        sd_cents = self.onset_uncertainty_cents
        if sd_cents is None:
            return ""
        return "firm" if sd_cents <= FIRM_CENTS else "fair" if sd_cents <= FAIR_CENTS else "shaky"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredNote:
    """A note with its measurement and its permanent id."""

    id: str  # stem code and serial: "LV-0147"
    note: Note
    measurement: Measurement
    bleed_db: float | None = None  # other stems leaking in at its partials, against the note
    bleed_from: str = ""  # the stem that leaks most
    heard_in: tuple[tuple[str, float], ...] = ()  # (stem, dB against itself) where it leaks to


@dataclass(frozen=True, slots=True, kw_only=True)
class StemNotes:
    """Everything found in one stem."""

    code: str
    role: Role
    facts: AudioFacts | None  # None in tests that start from notes
    notes: tuple[MeasuredNote, ...]  # by start, then pitch
    findings: tuple[Finding, ...] = ()
    several_notes: bool = False  # as in `StemSpec`
    found_in: float | None = None  # share of the time in which it is loud; None: not known


# ---------------------------------------------------------------- where pitch should be


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyReading:
    """One key of an instrument that nobody can move, over all its notes (see
    `planner.target.keys`)."""

    stem: str
    midi: int
    notes: int
    mean_cents: float  # off the session A4 with its smooth stretch
    uncertainty_cents: float  # about 2 in 3 chance
    drawn_cents: float  # the mean, drawn to the smooth curve as far as it is uncertain
    beside_cents: float | None = None  # against the middle of the keys around it
    stands_out: bool = False
    strings_apart_cents: float | None = None  # None where too few notes agree on it
    strings_uncertainty_cents: float | None = None
    strings_notes: tuple[int, int] = (0, 0)  # notes that agree, of those that could have told


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionA4:
    """Where the session's A4 really stands, and how the reference stretches its octaves."""

    a4_hz: float  # the one that targets use: the typed one where a person typed it
    measured_hz: float | None = None
    uncertainty_cents: float | None = None
    found_from: str  # "stem PNO", "majority of BAS, EGL, CEL", "typed", "assumed"
    notes_used: int = 0
    stretch: tuple[tuple[int, float], ...] = ()  # (MIDI note, cents off equal), ascending
    keys: tuple[KeyReading, ...] = ()  # of the fixed instruments, the pitch reference first
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Which note was meant, and where it belongs."""

    intended_midi: int
    target_hz: float
    target_from: str  # "session A4", "session A4 and the piano's stretch", ...
    from_score: bool = False  # a score says which note was meant
    set_by_hand: bool = False  # a person says where it belongs: no chord and no lead moves it
    between_notes: bool = False  # so far from every note that a person must say which was meant
