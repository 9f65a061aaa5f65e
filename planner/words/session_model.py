"""The frozen records of a session file after validation: what a person asks for."""

from dataclasses import dataclass, field
from typing import Literal

from planner.model import Role
from planner.words.chord_symbols import ChordSymbol


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
class ChordMark:
    """The chord from a beat of a bar on."""

    bar: int
    beat: float = 1.0
    symbol: ChordSymbol


@dataclass(frozen=True, slots=True, kw_only=True)
class LyricLine:
    """Words that are sung from a beat of a bar on."""

    bar: int
    beat: float = 1.0
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A named stretch of the song, bars inclusive."""

    name: str
    from_bar: int
    to_bar: int
    exposure: Literal["bare", "featured", "normal", "dense"] = "normal"
    tolerance_factor: float = 1.0  # multiplies every tolerance there: 0.7 fussy, 1.6 easy


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

    file: str  # relative to the session file
    track: str | None = None
    transpose: int | None = None  # semitones that the part sounds above what is written
    later_s: float | None = None  # how much later it sounds than the score's own clock says


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """An alternate take that a better note may be borrowed from."""

    file: str
    label: str = ""
    quality: str = ""
    late_by_ms: float = 0.0  # that its file starts after its stem's


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
    several_notes: bool = False  # sound at once in this file, unlike in others of its role
    follow_keys: bool = False  # aim at each key of the pitch reference where it really stands
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
    chords: tuple[ChordMark, ...] = ()
    chords_file: str | None = None  # the score that the chords are read from
    chords_track: str | None = None
    reference_from: str | None = None  # stem code, "majority", or None if only a number is given
    a4_hz: float | None = None  # typed by a person; wins over the measured one
    temperament: str = "equal"  # a name in temperament.TEMPERAMENTS, or "table"
    temperament_table: tuple[float, ...] = ()  # 12 cents, C first, offsets from equal
    temperament_file: str | None = None  # the scale file that the table is read from
    temperament_root: str = "C"  # what the first note of that file is
    octave_stretch: float | None = None  # share of the reference's curve; None: by role
    whole_song_offset_cents: float = 0.0
    judging: str = "plain-band"
    edit_minutes: float = 60.0
    seconds_per_edit: float = 30.0
    touch_at_most: float | None = None  # share of all notes that the plan may move; None: as needed
    consent: tuple[tuple[str, str], ...] = ()  # (stem code or "all", words)
    sections: tuple[Section, ...] = ()
    lyrics: tuple[LyricLine, ...] = ()
    offenders_wanted: int = 12
    excerpt_seconds: float = 4.0  # most of one note that the review page plays
    tone_level_db: float = -12.0  # of the page's tones, against the excerpt
    rough_mix: str | None = None  # a mix that the page plays too, relative to the session file
    page_size_mb: float = 15.0  # the page grows no larger; excerpts are left out instead
    stems: tuple[StemSpec, ...]
    # Where each field stands in the session file, for messages about files that it names.
    field_lines: tuple[tuple[str, int], ...] = field(default=(), compare=False)

    def line_of(self, field_name: str) -> int | None:
        return dict(self.field_lines).get(field_name)

    @property
    def temperament_said(self) -> str:
        """The temperament as a reader knows it: its name, or its file and root."""
        if self.temperament_file is None:
            return self.temperament
        name = self.temperament_file.replace("\\", "/").rpartition("/")[2]
        return f"{name} on {self.temperament_root}"
