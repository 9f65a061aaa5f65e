"""Is one string of a fretted instrument off, wherever it is stopped?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.model import Floats, Role
from planner.scope_rule import (
    NO_FACTORS,
    Bias,
    ScopeRule,
    bias_of,
    least_cents,
    proven,
    settled,
    shrunk_cents,
    well_known,
    without_gross,
)
from planner.short_runs import in_runs, without_unheard
from planner.strings import StringGuess
from planner.targets import Aimed
from planner.tolerances import StringRule, Tolerances
from planner.wording import count, flat_or_sharp

_APART_CENTS, _APART_SPREADS = 4.0, 2.0  # chosen, as for pitches that stand apart


def string_rules(
    notes: tuple[Aimed, ...],
    strings: Mapping[str, StringGuess],
    role: Role,
    tolerances: Tolerances,
    factors: Mapping[str, float] = NO_FACTORS,
) -> list[ScopeRule]:
    """Find the strings that are off, each proven on the frets that were not used to find it.

    Only notes whose string is told are used and covered. One fret that is off does not make a
    string: every fret's notes must come out better when moved by what the others say.
    """
    short = [a for run in in_runs(notes, role, tolerances) for a in run]
    rules = []
    for string in _strings_of(notes, strings):
        own = tuple(a for a in notes if _string(a, strings) == string)
        heard = without_unheard(settled(own, role, tolerances), short)
        evidence = _evidence(without_gross(heard), strings, tolerances.string_rule, factors)
        if evidence is not None:
            rules.append(_rule(string, own, strings, evidence))
    return rules


@dataclass(frozen=True, slots=True, kw_only=True)
class _Evidence:
    """What a string is off by, proven."""

    bias: Bias
    gain_share: float
    frets: tuple[int, int]  # lowest and highest that speak for it


def _evidence(
    fit: list[tuple[Aimed, float]],
    strings: Mapping[str, StringGuess],
    limits: StringRule,
    factors: Mapping[str, float],
) -> _Evidence | None:
    """Prove a string's notes, with their errors in cents, off; None where they are not."""
    errors = np.array([e for _, e in fit])
    frets = np.array([strings[a.measured.id].fret for a, _ in fit])
    if len(errors) < limits.notes or len(set(frets.tolist())) < limits.frets:
        return None
    bias, gain = bias_of(fit), _gain_of_frets(errors, frets)
    least = least_cents(limits.offset_cents, [a.measured.id for a, _ in fit], factors)
    if not well_known(bias.cents, bias.doubt_cents, limits) or not proven(
        bias, limits, least, gain
    ):
        return None
    return _Evidence(bias=bias, gain_share=gain, frets=(int(frets.min()), int(frets.max())))


def _rule(
    string: int,
    own: tuple[Aimed, ...],
    strings: Mapping[str, StringGuess],
    evidence: _Evidence,
) -> ScopeRule:
    """Move all notes of a string, those too that did not speak for it."""
    bias = evidence.bias
    lowest, highest = evidence.frets
    covers = tuple(a.measured.id for a in own)
    firm = sum(strings[note_id].told == "firm" for note_id in covers)
    firmly = "all" if firm == len(covers) else firm or "none"
    return ScopeRule(
        stem=own[0].measured.note.stem,
        action="raise-lower",
        scope="string",
        covers=covers,
        bias_cents=bias.cents,
        add_cents=round(-shrunk_cents(bias.cents, bias.doubt_cents), 1),
        uncertainty_cents=bias.doubt_cents,
        gain_share=evidence.gain_share,
        string_midi=string,
        surely=2 * firm >= len(covers),
        name="one string",
        reason=f"the {strings[covers[0]].called} string is {flat_or_sharp(bias.cents)}, frets "
        f"{lowest} to {highest}: one move for {count(len(covers), 'note')} "
        f"({firmly} of them surely on it)",
    )


def without_odd_strings(
    notes: tuple[Aimed, ...],
    strings: Mapping[str, StringGuess],
    role: Role,
    tolerances: Tolerances,
) -> tuple[Aimed, ...]:
    """Leave out strings that stand apart from most others: they must not pull the whole part."""
    errors_of: dict[int, list[float]] = {}
    for aimed, error in settled(notes, role, tolerances):
        string = _string(aimed, strings)
        if string is not None:
            errors_of.setdefault(string, []).append(error)
    middles = {
        string: float(np.median(errors))
        for string, errors in errors_of.items()
        if len(errors) >= tolerances.string_rule.notes
    }
    if len(middles) < 3:  # of two strings nobody can say which is the odd one
        return notes
    middle = float(np.median(list(middles.values())))
    spread = float(np.median([abs(m - middle) for m in middles.values()]))
    apart = max(_APART_CENTS, _APART_SPREADS * spread)
    odd = {string for string, m in middles.items() if abs(m - middle) > apart}
    return tuple(a for a in notes if _string(a, strings) not in odd)


def _string(aimed: Aimed, strings: Mapping[str, StringGuess]) -> int | None:
    guess = strings.get(aimed.measured.id)
    return None if guess is None else guess.string_midi


def _strings_of(notes: tuple[Aimed, ...], strings: Mapping[str, StringGuess]) -> list[int]:
    return sorted({s for a in notes if (s := _string(a, strings)) is not None})


def _gain_of_frets(errors: Floats, frets: Floats) -> float:
    """How much the mean error falls when each fret's notes are moved by what other frets say."""
    after = 0.0
    for fret in np.unique(frets):
        held = frets == fret
        after += float(np.abs(errors[held] - errors[~held].mean()).sum())
    before = float(np.abs(errors).sum())
    return 1.0 - after / before if before > 0 else 0.0
