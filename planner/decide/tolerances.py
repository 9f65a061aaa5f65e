"""How far out of tune a note may be: the figures of configs/, and the recipe that joins them."""

from dataclasses import dataclass
from typing import Literal

from planner.model import Role

PURE_THIRDS = ("yes", "halfway", "no")
Exposure = Literal["bare", "featured", "normal", "dense", "buried"]
EXPOSURES: tuple[str, ...] = Exposure.__args__  # type: ignore[attr-defined]

# The centre of attention is never hidden by the others. Common practice, no source.
_NEVER_HIDDEN: frozenset[str] = frozenset({"lead-voice"})
_BASS: frozenset[str] = frozenset({"bass-fretted", "bass-fretless"})


@dataclass(frozen=True, slots=True, kw_only=True)
class LowBass:
    """Bass notes low enough to need a wider tolerance."""

    up_to_midi: int
    cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationFactor:
    """The factor for notes shorter than a limit."""

    below_s: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Where a plan stops, in cents."""

    floor_cents: float
    floor_uncertainties: float
    smallest_gain_cents: float
    smallest_left_cents: float
    ask_beyond_cents: float
    wrong_note_beyond_cents: float
    never_beyond_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRule:
    """When a whole part is offered as one row."""

    notes: int
    offset_cents: float
    one_side_share: float
    spread_cents: float
    lead_voice_offset_cents: float
    gain_share: float
    sustained_from_s: float  # notes this long have a sustain to judge the part by


@dataclass(frozen=True, slots=True, kw_only=True)
class StringRule:
    """When every note of one string is offered as one row."""

    notes: int
    offset_cents: float
    one_side_share: float
    uncertainty_cents: float
    gain_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanRule:
    """When a part is split where its tuning changes."""

    notes: int  # on either side of a break
    step_cents: float
    gain_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchRule:
    """When every note of one pitch is offered as one row."""

    notes: int
    offset_cents: float
    one_side_share: float
    uncertainty_cents: float
    gain_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortRule:
    """When a run of short notes is offered as one row."""

    notes: int
    shorter_than_s: float
    onset_cents: float
    uncertainty_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """Everything in tolerances.yaml."""

    base_cents: tuple[tuple[str, float], ...]  # (role, cents)
    low_bass: LowBass
    duration_factors: tuple[DurationFactor, ...]  # by limit, ascending
    longer_factor: float
    leave_below_s: float
    exposure_factors: tuple[tuple[str, float], ...]  # (exposure, factor)
    limits: Limits
    part_rule: PartRule
    span_rule: SpanRule
    string_rule: StringRule
    pitch_rule: PitchRule
    short_rule: ShortRule


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """How strict a session is judged, and which expression is kept."""

    name: str
    use: str
    tolerance_factor: float
    leave_in: float  # share of the error, 0..1
    scoop_longest_s: float
    protect_blue_notes: bool
    pure_thirds: Literal["yes", "halfway", "no"]  # of chords that are held
    pure_sevenths: bool  # 7:4 in held chords, as in close harmony; only beside pure thirds


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceTerms:
    """One note's tolerance, and what it would be if nothing stopped it."""

    raw_cents: float  # the product of all factors
    tolerance_cents: float  # that or the floor, whichever is larger, rounded to 0.1


def tolerance_terms(
    role: Role,
    length_s: float,
    exposure: Exposure,
    judging: Judging,
    tolerances: Tolerances,
    uncertainty_cents: float | None,
    factor: float = 1.0,
    *,
    midi: int | None = None,
    beats: bool = False,
) -> ToleranceTerms:
    """Work out how far out of tune a note may be.

    length_s : length of the note in s
    exposure : how much the note stands out; a lead voice counts as featured at least
    uncertainty_cents : of the reading that is judged; None where unknown
    factor : the stem's own factor from the session file
    midi : the intended note, for the wider tolerance of the lowest bass notes
    beats : whether the note is heard beating against another; then being short is no excuse
    """
    base = dict(tolerances.base_cents)[role]
    if midi is not None and role in _BASS and midi <= tolerances.low_bass.up_to_midi:
        base = max(base, tolerances.low_bass.cents)
    duration = next(
        (step.factor for step in tolerances.duration_factors if length_s < step.below_s),
        tolerances.longer_factor,
    )
    if beats:
        duration = min(duration, 1.0)
    factors = dict(tolerances.exposure_factors)
    exposure_factor = factors[exposure]
    if role in _NEVER_HIDDEN:
        exposure_factor = min(exposure_factor, factors["featured"])
    raw = base * duration * exposure_factor * judging.tolerance_factor * factor
    floor = max(
        tolerances.limits.floor_cents,
        tolerances.limits.floor_uncertainties * (uncertainty_cents or 0.0),
    )
    return ToleranceTerms(raw_cents=raw, tolerance_cents=round(max(raw, floor), 1))
