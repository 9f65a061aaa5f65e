"""Is one string of a fretted instrument off, wherever it is stopped?"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from planner.decide.tolerances import StringRule, Tolerances
from planner.model import Floats, Role
from planner.pitch import note_name
from planner.scope.pitch_scope import pitch_rules
from planner.scope.scope_rule import (
    Bias,
    PartGround,
    ScopeRule,
    bias_of,
    least_cents,
    proven,
    settled,
    shrunk_cents,
    well_known,
    without_gross,
)
from planner.scope.short_scope import in_runs, without_unheard
from planner.scope.strings import StringGuess
from planner.targets import Aimed
from planner.words.wording import flat_or_sharp

APART_CENTS, _APART_SPREADS = 4.0, 2.0  # chosen, as for pitches that stand apart
IN_TUNE_CENTS = 2.0  # chosen: half of what stands apart
# Chosen: about a string's worth of notes on either side, and as many of them as a pitch is told by.
_BESIDE_SEMITONES, BESIDE_NOTES = 5, 4
RUN_DOUBTS = 4.0  # chosen: where a run begins and ends was looked for, so it must be surer
_SURE_ERRORS = 3.0  # chosen, as of a part: no chance (0.3 %), and each fret must gain by the others
_IN_ONE_POSITION = 5  # frets under a hand: the sixth would be played on the next string


def string_rules(notes: tuple[Aimed, ...], part: PartGround) -> list[ScopeRule]:
    """Find the strings that are off, each proven on the frets that were not used to find it.

    Only notes whose string is told are used and covered. One fret that is off does not make a
    string: every fret's notes must come out better when moved by what the others say, and of two
    frets each must be off by itself, and alike. Where nothing tells the string, neighbouring
    pitches that are off alike, and what lies beside them is not, are the string on which a hand in
    one position finds them all.
    """
    short = [a for run in in_runs(notes, part.role, part.tolerances) for a in run]
    strings, limits = part.strings, part.tolerances.string_rule

    def heard(some: Iterable[Aimed]) -> list[tuple[Aimed, float]]:
        fit = settled(tuple(some), part.role, part.tolerances)
        return without_gross(without_unheard(fit, short))

    def proof(own: tuple[Aimed, ...], string: int) -> Evidence | None:
        fit = heard(own)
        frets = len({_midi(a) for a, _ in fit})
        if frets == 2 and not _off_alike(pitch_rules(own, part)):
            return None
        return evidence_of(fit, string, limits, part.factors) if frets > 1 else None

    rules = []
    told = {_string(a, strings) for a in notes}
    for string in sorted(s for s in told if s is not None):
        own = tuple(a for a in notes if _string(a, strings) == string)
        evidence = proof(own, string)
        if evidence is not None:
            rules.append(_told_rule(string, own, strings, evidence))
    moved = {note_id for rule in rules for note_id in rule.covers}
    rest = tuple(a for a in notes if a.measured.id not in moved)
    untold = tuple(a for a in rest if not _surely_told(a, strings))
    for low, high in _runs_apart(heard(untold)):
        own = tuple(a for a in untold if low <= _midi(a) <= high)
        evidence = proof(own, low)
        if evidence is not None and _of_one_string(heard(own), heard(rest), evidence.bias):
            rules.append(_rule_of_neighbours(own, evidence))
    return rules


def _off_alike(pitches: list[ScopeRule]) -> bool:
    """Whether two pitches are off, each by itself, and do not stand apart."""
    if len(pitches) != 2:
        return False
    one, other = pitches
    known = 2.0 * float(np.hypot(one.uncertainty_cents, other.uncertainty_cents))
    return round(abs(one.bias_cents - other.bias_cents), 1) <= max(APART_CENTS, known)


def _surely_told(aimed: Aimed, strings: Mapping[str, StringGuess]) -> bool:
    guess = strings.get(aimed.measured.id)
    return guess is not None and guess.told == "firm"


def _runs_apart(fit: list[tuple[Aimed, float]]) -> list[tuple[int, int]]:
    """Neighbouring pitches that all lie apart on one side, as (lowest, highest)."""
    of: dict[int, list[float]] = {}
    for aimed, error in fit:
        of.setdefault(_midi(aimed), []).append(error)
    runs: list[tuple[int, int]] = []
    before = 0.0
    for midi in sorted(of):
        middle = float(np.median(of[midi]))
        side = float(np.sign(middle)) if round(abs(middle), 1) >= APART_CENTS else 0.0
        if side and side == before:
            runs[-1] = runs[-1][0], midi
        elif side:
            runs.append((midi, midi))
        before = side
    return [(low, high) for low, high in runs if high - low < _IN_ONE_POSITION]


def _of_one_string(
    fit: list[tuple[Aimed, float]], every: list[tuple[Aimed, float]], bias: Bias
) -> bool:
    """Whether each pitch comes out better as the others say, and those beside them are apart.

    Stiffness does not speak for the string here: without the pitches beside, a part that grows
    flat toward its end of the scale would be taken for one.
    """
    errors, midi = np.array([e for _, e in fit]), np.array([_midi(a) for a, _ in fit])
    if abs(bias.cents) < RUN_DOUBTS * bias.doubt_cents:
        return False
    for own in (midi == m for m in np.unique(midi)):
        if np.abs(errors[own] - errors[~own].mean()).mean() >= np.abs(errors[own]).mean():
            return False
    low, high = int(midi.min()), int(midi.max())
    below = [e for a, e in every if 0 < low - _midi(a) <= _BESIDE_SEMITONES]
    above = [e for a, e in every if 0 < _midi(a) - high <= _BESIDE_SEMITONES]
    beside = [float(np.median(side)) for side in (below, above) if len(side) >= BESIDE_NOTES]
    return bool(beside) and all(abs(m - bias.cents) > APART_CENTS for m in beside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a string is off by, proven."""

    bias: Bias
    frets: tuple[int, int]  # lowest and highest that speak for it


def evidence_of(
    fit: list[tuple[Aimed, float]], string: int, limits: StringRule, factors: Mapping[str, float]
) -> Evidence | None:
    """Prove a string's notes, with their errors in cents, off; None where they are not."""
    errors = np.array([e for _, e in fit])
    frets = np.array([_midi(a) - string for a, _ in fit])
    if len(errors) < limits.notes:
        return None
    bias, gain = bias_of(fit), _gain_of_frets(errors, frets)
    least = least_cents(limits.offset_cents, [a.measured.id for a, _ in fit], factors)
    known = well_known(bias.cents, bias.doubt_cents, limits, _SURE_ERRORS)
    if not known or not proven(bias, limits, least, gain):
        return None
    return Evidence(bias=bias, frets=(int(frets.min()), int(frets.max())))


def _told_rule(
    string: int, own: tuple[Aimed, ...], strings: Mapping[str, StringGuess], evidence: Evidence
) -> ScopeRule:
    lowest, highest = evidence.frets
    firm = sum(strings[a.measured.id].told == "firm" for a in own)
    firmly = "all" if firm == len(own) else firm or "none"
    reason = (
        f"the {strings[own[0].measured.id].called} string is {flat_or_sharp(evidence.bias.cents)}, "
        f"frets {lowest} to {highest}: one move for all its notes ({firmly} of the {len(own)} are "
        "surely on it)"
    )
    return rule_of_string(string, own, evidence, reason, surely=2 * firm >= len(own))


def _rule_of_neighbours(own: tuple[Aimed, ...], evidence: Evidence) -> ScopeRule:
    midis = [_midi(a) for a in own]
    reason = (
        f"{note_name(min(midis))} to {note_name(max(midis))} are "
        f"{flat_or_sharp(evidence.bias.cents)} alike and their neighbours are not, as of one "
        "string: one move for all of them"
    )
    return rule_of_string(None, own, evidence, reason, surely=False)


def rule_of_string(
    string: int | None, own: tuple[Aimed, ...], evidence: Evidence, reason: str, *, surely: bool
) -> ScopeRule:
    """Move all notes of a string, those too that did not speak for it."""
    bias = evidence.bias
    return ScopeRule(
        stem=own[0].measured.note.stem,
        action="raise-lower",
        scope="string",
        covers=tuple(a.measured.id for a in own),
        bias_cents=bias.cents,
        add_cents=round(-shrunk_cents(bias.cents, bias.doubt_cents), 1),
        uncertainty_cents=bias.doubt_cents,
        string_midi=string,
        surely=surely,
        name="one string",
        reason=reason,
    )


def without_odd_strings(
    notes: tuple[Aimed, ...], strings: Mapping[str, StringGuess], role: Role, tolerances: Tolerances
) -> tuple[Aimed, ...]:
    """Leave out strings that stand apart from most others: they must not pull the whole part.

    Of two, or of one and all that is not told, the one out of tune is apart where the other is in
    tune; where both are off nobody can say which is the odd one.
    """
    errors_of: dict[int | None, list[float]] = {}
    for aimed, error in settled(notes, role, tolerances):
        errors_of.setdefault(_string(aimed, strings), []).append(error)
    middles = {
        string: float(np.median(errors))
        for string, errors in errors_of.items()
        if len(errors) >= tolerances.string_rule.notes
    }
    if len(middles) > 2:
        middles.pop(None, None)
    if len(middles) < 2:
        return notes
    middle = float(np.median(list(middles.values())))
    if len(middles) == 2:
        middle = min(middles.values(), key=abs)
        if round(abs(middle), 1) > IN_TUNE_CENTS:
            return notes
    spread = float(np.median([abs(m - middle) for m in middles.values()]))
    apart = max(APART_CENTS, _APART_SPREADS * spread if len(middles) > 2 else 0.0)
    odd = {string for string, m in middles.items() if abs(m - middle) > apart} - {None}
    return tuple(a for a in notes if _string(a, strings) not in odd)


def _midi(aimed: Aimed) -> int:
    return aimed.target.intended_midi


def _string(aimed: Aimed, strings: Mapping[str, StringGuess]) -> int | None:
    guess = strings.get(aimed.measured.id)
    return None if guess is None else guess.string_midi


def _gain_of_frets(errors: Floats, frets: Floats) -> float:
    """How much the mean error falls when each fret's notes are moved by what other frets say."""
    after = 0.0
    for fret in np.unique(frets):
        held = frets == fret
        after += float(np.abs(errors[held] - errors[~held].mean()).sum())
    before = float(np.abs(errors).sum())
    return 1.0 - after / before if before > 0 else 0.0
