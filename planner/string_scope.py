"""Is one string of a fretted instrument off, wherever it is stopped?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner.model import Floats, Role
from planner.scope_rule import (
    NO_FACTORS,
    ScopeRule,
    bias_of,
    least_cents,
    proven,
    settled,
    shrunk_cents,
    without_gross,
)
from planner.short_runs import in_runs, without_unheard
from planner.strings import StringGuess
from planner.targets import Aimed
from planner.tolerances import Tolerances
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
    limits = tolerances.string_rule
    short = [a for run in in_runs(notes, role, tolerances) for a in run]
    rules = []
    for string in _strings_of(notes, strings):
        own = tuple(a for a in notes if _string(a, strings) == string)
        fit = without_unheard(settled(own, role, tolerances), short)
        fit = without_gross(fit)
        errors = np.array([e for _, e in fit])
        frets = np.array([strings[a.measured.id].fret for a, _ in fit])
        if len(errors) < limits.notes or len(set(frets.tolist())) < limits.frets:
            continue
        gain = _gain_of_frets(errors, frets)
        found = bias_of(fit)
        bias, doubt = found.cents, found.doubt_cents
        sure = round(doubt, 1) <= limits.uncertainty_cents
        least = least_cents(limits.offset_cents, [a.measured.id for a, _ in fit], factors)
        if not sure or not proven(found, limits, least, gain):
            continue
        covers = tuple(a.measured.id for a in own)
        called = strings[covers[0]].called
        firm = sum(strings[note_id].told == "firm" for note_id in covers)
        rules.append(
            ScopeRule(
                stem=notes[0].measured.note.stem,
                action="raise-lower",
                scope="string",
                covers=covers,
                bias_cents=bias,
                add_cents=round(-shrunk_cents(bias, doubt), 1),
                uncertainty_cents=doubt,
                gain_share=gain,
                string_midi=string,
                surely=2 * firm >= len(covers),
                name="one string",
                reason=f"the {called} string is {flat_or_sharp(bias)}, frets "
                f"{frets.min()} to {frets.max()}: one move for {count(len(covers), 'note')} "
                f"({'all' if firm == len(covers) else firm or 'none'} of them surely on it)",
            )
        )
    return rules


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
