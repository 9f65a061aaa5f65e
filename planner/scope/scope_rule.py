"""One rule over many notes of a stem, and how much the notes behind it are worth."""

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from planner.decide.tolerances import Judging, PartRule, PitchRule, StringRule, Tolerances
from planner.model import STRUCK_ROLES, Floats, Role
from planner.scope.strings import StringGuess
from planner.targets import Aimed
from planner.words.plan_model import MOVING_ACTIONS, Action, Scope
from planner.words.spread import MAD_TO_SD, away_from_others, spread_of, weighted_middle
from planner.words.wording import count

# Chosen: notes of one player scatter by about this much, so a reading that is surer than that
# deserves no more weight.
PLAYED_SPREAD_CENTS = 5.0
# No section is so strict that less is asked for: best pure-tone discrimination is 3.5 cents at 1
# kHz (Dai and Micheyl, JASA 130, 2011), and a part beside another at 440 and 441 is 3.9 off.
HEARD_CENTS = 3.5
GROSS_CENTS = 35.0  # further from the middle is another note, not this bias
# Tukey's biweight: a mean that wrong readings do not reach, and 95 % as sure as the mean where none
# is wrong, where the median is 64 % (A. E. Beaton and J. W. Tukey, Technometrics 16, 1974; the
# reach: P. W. Holland and R. E. Welsch, Communications in Statistics A6, 1977).
_BIWEIGHT_REACH = 4.685
_BIWEIGHT_TO_MEAN = 0.95**-0.5
_BIWEIGHT_STEPS = 10  # chosen: the last moves it by less than a hundredth of a cent
_MOST_NAMED = 3  # chosen: of more notes than these a sentence gives the number

NO_FACTORS: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartGround:
    """What the rules of one part rest on, besides the errors of its notes."""

    role: Role
    tolerances: Tolerances
    judging: Judging
    leave_alone: frozenset[str] = frozenset()  # ids that nobody may touch: not used, not covered
    expression: frozenset[str] = frozenset()  # ids off on purpose: moved only with the whole part
    strings: Mapping[str, StringGuess] = field(
        default_factory=dict
    )  # note id -> string, as far as told
    as_a_whole: bool = False  # chords: moved as a whole, or a stretch of them
    sets_a4: bool = False  # A4 was found in it alone: it is where it is, and no whole part off that
    edges_s: tuple[float, ...] = ()  # where takes are joined, s on the file's clock
    # Note id -> factor of its tolerance, where it is not 1: a rule is asked for as strictly as most
    # of the notes behind it are judged.
    factors: Mapping[str, float] = field(default_factory=dict)
    known: Container[str] = ()  # ids of notes far off of which the song leaves no doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class ScopeRule:
    """One rule over many notes of a stem, before it has an id."""

    stem: str
    action: Action  # the edit, or "at-source" / "leave" where it is only an offer
    scope: Scope
    covers: tuple[str, ...]  # note ids, in play order
    bias_cents: float  # what the notes are off by
    add_cents: float  # what to add, rounded to 0.1
    uncertainty_cents: float  # standard error of the bias
    intended_midi: int | None = None
    string_midi: int | None = None  # open note of the string, of rules about one
    surely: bool = True  # whether it is sure which notes it is about
    judged_by: str = "sustain"  # or "onset"
    heard_cents: float | None = None  # what they are heard as, where that is not the bias
    sits_so: bool = False  # an offer: the notes lie together off, so none is moved by itself for it
    set_by_hand: bool = False  # a person's number: the uncertainty is not that of the move
    name: str
    reason: str

    @property
    def applied(self) -> bool:
        """Whether the plan counts on it; an offer or advice leaves the notes where they are."""
        return self.action in MOVING_ACTIONS


def sparing(rule: ScopeRule, notes: Container[str], called: str = "") -> ScopeRule:
    """Give a rule without the notes that it would make worse, and say which, or how many."""
    out = [note_id for note_id in rule.covers if note_id in notes]
    if not out:
        return rule
    which = ", ".join(out) if len(out) <= _MOST_NAMED else count(len(out), "note")
    reason = f"{rule.reason}; {called or which} left out, which it would make worse"
    covers = tuple(note_id for note_id in rule.covers if note_id not in notes)
    return replace(rule, covers=covers, reason=reason)


def moved(aimed: Aimed, add_cents: float) -> Aimed:
    """Say what a note's errors are once so many cents are added to it."""

    def after(error: float | None) -> float | None:
        return None if error is None else error + add_cents

    return replace(
        aimed,
        onset_cents=after(aimed.onset_cents),
        sustain_cents=after(aimed.sustain_cents),
        end_cents=after(aimed.end_cents),
        heard_cents=after(aimed.heard_cents),
    )


def settled(
    notes: tuple[Aimed, ...], role: Role, tolerances: Tolerances
) -> list[tuple[Aimed, float]]:
    """The notes long enough to be judged by their sustain; all that were heard if few are.

    How a string is tuned it says however short it sounds; a bow or a voice is on its way at first.
    """
    shortest_s = 0.0 if role in STRUCK_ROLES else tolerances.part_rule.sustained_from_s
    long = [
        (a, a.sustain_cents)
        for a in notes
        if a.sustain_cents is not None and a.measured.note.length_s >= shortest_s
    ]
    heard = [(a, a.heard_cents) for a in notes if a.heard_cents is not None]
    # Chosen: with less than a fifth of the notes sustained, the part is a staccato one.
    return long if len(long) >= 0.2 * len(heard) else heard


def unsure_cents(aimed: Aimed) -> float:
    u = aimed.measured.measurement.uncertainty_cents
    if u is None:
        u = aimed.measured.measurement.onset_uncertainty_cents
    # Chosen: a reading without an uncertainty counts as one of four times the played spread.
    return 4.0 * PLAYED_SPREAD_CENTS if u is None else u


def scatter_cents(spread: float, notes: list[Aimed], *, onset: bool = False) -> float:
    """Scatter of single readings: as seen, but never less than they claim, nor than 1 cent."""
    claimed = [
        u
        for a in notes
        if (u := a.measured.measurement.onset_uncertainty_cents if onset else unsure_cents(a))
        is not None
    ]
    return max(spread, float(np.median(claimed)) if claimed else 0.0, 1.0)


def scatter_around_pitches(pitches: Iterable[Sequence[float]]) -> float:
    """Standard deviation of notes around the middle of their own pitch; 0 where none has three.

    The note nearest to it is left out of each, as that is where the middle is taken from: so of
    normal errors, three a pitch or fourteen, it comes out as they are to 3 % (2000 draws).
    """
    away = [
        np.sort(np.abs(np.array(errors) - np.median(errors)))[1:]
        for errors in pitches
        if len(errors) > 2
    ]
    return spread_of(np.concatenate(away), 0.0) if away else 0.0


def least_cents(
    cents: float, notes: Iterable[str], factors: Mapping[str, float] = NO_FACTORS
) -> float:
    """Say from how many cents on some notes make a rule, as strictly as most of them are judged.

    cents : where nothing is judged more or less strictly
    notes : ids of the notes that the rule rests on
    factors : note id -> factor of its tolerance, of its section and its stem, where it is not 1
    """
    found = [factors.get(note_id, 1.0) for note_id in notes] if factors else []
    factor = float(np.median(found)) if found else 1.0
    return max(cents * factor, min(cents, HEARD_CENTS))


def shrunk_cents(bias: float, error: float) -> float:
    """Shrink a bias toward zero by what it is worth: James and Stein's idea for one mean."""
    return bias * bias**2 / (bias**2 + error**2) if bias else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """What some notes are off by together."""

    cents: float
    doubt_cents: float  # standard error
    spread_cents: float  # median distance of the notes from their middle
    one_side_share: float  # of the notes


def without_gross(fit: list[tuple[Aimed, float]]) -> list[tuple[Aimed, float]]:
    """Leave out notes so far from the middle that they are other notes or mishaps."""
    middle = float(np.median([e for _, e in fit])) if fit else 0.0
    return [(a, e) for a, e in fit if abs(e - middle) <= GROSS_CENTS]


def bias_of(fit: list[tuple[Aimed, float]]) -> Bias:
    """Say what notes with these errors in cents are off by together; gross ones do not count."""
    errors, weight = np.array([e for _, e in fit]), weights(fit)
    middle = weighted_middle(errors, weight)
    spread = weighted_middle(np.abs(errors - middle), weight)  # median absolute deviation
    reach = _BIWEIGHT_REACH * max(MAD_TO_SD * spread, PLAYED_SPREAD_CENTS)
    for _ in range(_BIWEIGHT_STEPS):
        near = weight * np.clip(1.0 - ((errors - middle) / reach) ** 2, 0.0, None) ** 2
        middle = float(near @ errors / near.sum())
    # What such a mean scatters by: the spread of its pulls over how it gives way to them (P. J.
    # Huber, Robust Statistics, 1981, section 3.2; from memory). Chosen: where notes lie so far
    # apart that it seems to give way to none of them, half of their weight.
    away = np.minimum(((errors - middle) / reach) ** 2, 1.0)
    pulls = weight * (errors - middle) * (1.0 - away) ** 2
    gives = max(float(weight @ ((1.0 - away) * (1.0 - 5.0 * away))), float(near.sum()) / 2.0)
    n = len(errors)
    doubt = (float(pulls @ pulls) * n / (n - 1)) ** 0.5 / gives if n > 1 else 0.0
    worth = float(near.sum() ** 2 / (near**2).sum())  # how many equal notes it amounts to
    claimed = _BIWEIGHT_TO_MEAN * scatter_cents(0.0, [a for a, _ in fit]) / worth**0.5
    return Bias(
        cents=middle,
        doubt_cents=max(doubt, claimed),
        spread_cents=spread,
        one_side_share=float((np.sign(errors) == np.sign(middle)).mean()),
    )


def proven(
    bias: Bias, limits: PartRule | PitchRule | StringRule, least_cents: float, gain: float
) -> bool:
    """Whether a bias makes a rule: large enough, most notes on its side, and of use.

    least_cents : the smallest bias that is worth a rule
    gain : by which share the mean error falls on notes not used to find it
    """
    return (
        round(abs(bias.cents), 1) >= least_cents
        and bias.one_side_share >= limits.one_side_share
        and gain >= limits.gain_share
    )


def well_known(
    cents: float, doubt_cents: float, limits: PitchRule | StringRule, sure_errors: float
) -> bool:
    """Whether a bias is known to as many cents as it must be, or is that many errors off."""
    known = max(limits.uncertainty_cents, abs(cents) / sure_errors)
    return round(doubt_cents, 1) <= round(known, 1)


def weights(fit: list[tuple[Aimed, float]]) -> Floats:
    """How much each note counts: players scatter, and readings are unsure."""
    unsure = np.array([unsure_cents(a) for a, _ in fit])
    return np.asarray(1.0 / (PLAYED_SPREAD_CENTS**2 + unsure**2))


def gain_of_each(errors: Floats) -> float:
    """How much the mean error falls when each note is moved by what the others say; 0 of one."""
    return share_gained(errors, away_from_others(errors)) if len(errors) > 1 else 0.0


def gain_of_move(errors: Floats, bias_cents: float) -> float:
    """How much the mean error falls when all notes are moved by what the surest are off by."""
    return share_gained(errors, errors - bias_cents)


def share_gained(before: Floats, after: Floats) -> float:
    """By which share the mean size of errors falls; 0 where there was none."""
    mean = float(np.abs(before).mean())
    return 1.0 - float(np.abs(after).mean()) / mean if mean > 0 else 0.0
