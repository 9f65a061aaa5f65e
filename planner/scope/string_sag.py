"""How far above its string's rest does a plucked note's sustain still lie?

A pluck raises the tension, so the pitch starts sharp and falls back as the string's amplitude
squared does: exponentially (K. A. Legge and N. H. Fletcher, J. Acoust. Soc. Am. 76, 1984, 5).
Players tune to what is left once that is over, so it is there that all notes of a part, of a
string or of a pitch say how it is tuned; what lies above comes from the stroke. How fast it falls
is one time constant for the whole part, since one note alone hardly tells it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.model import LEAST_TOLD_CENTS, STRUCK_ROLES, Floats, MeasuredNote, Role
from planner.scope.scope_rule import ScopeRule
from planner.targets import Aimed
from planner.words.spread import middle_of
from planner.words.wording import amount

_FALLS_S = np.geomspace(0.04, 0.5, 20)  # chosen: 0.1 to 0.3 s are usual, common practice
_LEAST_POINTS = 12  # chosen: two unknowns, and neighbouring points look at the same sound
_SUSTAIN_FROM_S, _SUSTAIN_TO_SHARE = 0.15, 0.85  # where sustains are judged
_LEAST_NOTES = 8  # as many as a part's rule asks for
_LEFT_SHARE = 0.7  # chosen: of the mean square about a level line; else it is no such fall
_FLOOR_CENTS2 = LEAST_TOLD_CENTS**2  # what is left of a contour is never taken for less
_TOLD_FROM_CENTS = 1.0  # chosen: less is seen by nobody who compares the figures
_MOST_CENTS = 15.0  # chosen: more than that in a sustain is a bend or a slide, no stroke


@dataclass(frozen=True, slots=True, eq=False)
class _Fall:
    """How one note's contour falls, for each of the time constants."""

    note_id: str
    in_sustain_cents: Floats  # mean of the fall over the sustain
    points: int
    level_cents2: float  # mean square about a level line
    left_cents2: Floats  # about the fall


def sag_in_sustains(notes: Sequence[MeasuredNote], role: Role) -> dict[str, float]:
    """Say how many cents of each note's sustain come from its stroke, by note id.

    Notes whose contour does not tell are not in it; nothing is where the part has too few that do,
    or where its notes do not fall as plucked strings do, or rise.
    """
    if role not in STRUCK_ROLES:
        return {}
    falls = [fall for n in notes if (fall := _fall_of(n)) is not None]
    if len(falls) < _LEAST_NOTES:
        return {}
    # The likeliest: notes with much to tell count by their length, none by how badly it fits.
    best = int(np.argmin(sum(f.points * np.log(f.left_cents2 + _FLOOR_CENTS2) for f in falls)))
    left = np.array([f.left_cents2[best] / f.level_cents2 for f in falls])
    if middle_of(left) > _LEFT_SHARE:
        return {}
    sag = {fall.note_id: float(fall.in_sustain_cents[best]) for fall in falls}
    if middle_of(np.array(list(sag.values()))) <= 0.0:  # they rise: what is bowed, say
        return {}
    return {note_id: cents for note_id, cents in sag.items() if abs(cents) <= _MOST_CENTS}


def at_rest(aimed: tuple[Aimed, ...], sag: Mapping[str, float]) -> tuple[Aimed, ...]:
    """Put each sustain where its string comes to rest."""
    if not sag:
        return aimed
    return tuple(
        a
        if a.sustain_cents is None
        else replace(a, sustain_cents=a.sustain_cents - sag.get(a.measured.id, 0.0))
        for a in aimed
    )


def told(rules: Sequence[ScopeRule], sag: Mapping[str, float]) -> tuple[ScopeRule, ...]:
    """Say in the reason of rules judged by sustains how far these still lie above their rest."""
    return tuple(_told(rule, sag) for rule in rules)


def _told(rule: ScopeRule, sag: Mapping[str, float]) -> ScopeRule:
    own = [sag[note_id] for note_id in rule.covers if note_id in sag]
    usual = float(np.median(own)) if own and rule.judged_by == "sustain" else 0.0
    if round(abs(usual), 1) < _TOLD_FROM_CENTS:
        return rule
    side = "higher" if usual > 0 else "lower"
    said = f"measured where its strings settle: the notes sound {amount(usual)} {side} than that"
    return replace(rule, reason=f"{rule.reason}; {said}")


def _fall_of(n: MeasuredNote) -> _Fall | None:
    m = n.measurement
    if m.contour_s is None or m.contour_hz is None or m.sustain_hz is None:
        return None
    t_s = m.contour_s - n.note.start_s
    known = np.isfinite(m.contour_hz) & (t_s > 0.0)
    t_s = t_s[known]
    inside = (t_s >= _SUSTAIN_FROM_S) & (t_s <= _SUSTAIN_TO_SHARE * n.note.length_s)
    if len(t_s) < _LEAST_POINTS or not inside.any():
        return None
    cents = 1200.0 * np.log2(m.contour_hz[known] / m.sustain_hz)
    fall = np.exp(-t_s / _FALLS_S[:, None])
    away = fall - fall.mean(axis=1, keepdims=True)
    about = cents - cents.mean()
    square = float(about @ about)
    size = away @ about / (away**2).sum(axis=1)
    if square <= 0.0:
        return None
    return _Fall(
        note_id=n.id,
        in_sustain_cents=size * fall[:, inside].mean(axis=1),
        points=len(t_s),
        level_cents2=square / len(t_s),
        left_cents2=(square - size * (away @ about)) / len(t_s),
    )
