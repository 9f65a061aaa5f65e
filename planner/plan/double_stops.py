"""Two strings or voices of one stem that beat with each other: nothing moves one of them alone.

An octave, a fifth, a fourth, or one note on two strings, held long enough to beat. What scatters by
a fretboard's few cents is no news. Twelve strings, or a chorus in the pedal, stand apart in most of
their notes: that is their sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.pitch import note_name
from planner.plan.planrows import advised
from planner.plan.row_places import StemOnClock, place_of
from planner.target.voicings import pairs_held
from planner.targets import Aimed
from planner.words.plan_model import Row
from planner.words.wording import amount, place

# As the tolerance of a voice in unison, and of a string bent to one: common practice, no source.
_APART_CENTS = 9.0
_NEAR_PURE = frozenset({5, 7, 12, 19, 24})  # semitones that are tuned by their beats
_ITS_SOUND = 1 / 3  # of the notes that could tell; chosen
_PLACES_SAID = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stop:
    """Two strings together: the notes read (one where both play it), what beats, how fast."""

    notes: tuple[Aimed, ...]
    apart_cents: float
    beating_hz: float
    words: str


def double_stop_rows(aimed: Sequence[Aimed], on: StemOnClock) -> list[Row]:
    """Advise, once a stem, to tune and play again where its own notes beat with each other."""
    stops = sorted(
        (*_pairs(aimed), *_one_note(aimed)),
        key=lambda s: (s.notes[0].measured.note.start_s, s.notes[0].measured.id),
    )
    if not stops:
        return []
    worst = max(stops, key=lambda s: (round(s.apart_cents, 1), -s.notes[0].measured.note.start_s))
    first = min((a.measured.note for a in worst.notes), key=lambda n: n.start_s)
    last = min((a.measured.note for a in worst.notes), key=lambda n: n.end_s)
    starts = [s.notes[0].measured.note.start_s for s in stops if s is not worst]
    also = [place(*on.played_at(at_s), at_s + on.shift_s) for at_s in starts[:_PLACES_SAID]]
    more = f" and {len(starts) - len(also)} more" if len(starts) > len(also) else ""
    return [
        advised(
            on.spec,
            tuple(sorted({a.measured.id for s in stops for a in s.notes})),
            **place_of(first, last, on),
            action="retake",
            beating_hz=round(worst.beating_hz, 1),
            rule_name="double stop apart",
            reason=f"{worst.words} {amount(worst.apart_cents)} cents apart and beat "
            f"{worst.beating_hz:.1f} times a second"
            + (f"; others at {'; '.join(also)}{more}" if also else "")
            + ": no edit moves one of two notes in a file, so if the player is still there, tune "
            "the two to each other and play it again, or leave one out",
        )
    ]


def _pairs(aimed: Sequence[Aimed]) -> list[_Stop]:
    by_id = {a.measured.id: a for a in aimed}
    found = []
    for pair in pairs_held(aimed):
        lower, upper = by_id[pair.lower], by_id[pair.upper]
        apart = abs((upper.heard_cents or 0.0) - (lower.heard_cents or 0.0))
        steps = pair.upper_midi - pair.lower_midi
        shaky = any(a.measured.measurement.confidence == "shaky" for a in (lower, upper))
        if shaky or pair.low or steps not in _NEAR_PURE or round(apart, 1) < _APART_CENTS:
            continue
        words = f"{note_name(pair.lower_midi)} and {note_name(pair.upper_midi)} are"
        found.append(
            _Stop(notes=(lower, upper), apart_cents=apart, beating_hz=pair.beating_hz, words=words)
        )
    return found


def _one_note(aimed: Sequence[Aimed]) -> list[_Stop]:
    """Notes that two strings play, as one is bent to the other."""
    told = [a for a in aimed if a.measured.measurement.strings_apart_cents is not None]
    apart = [a for a in told if (a.measured.measurement.strings_apart_cents or 0) >= _APART_CENTS]
    if len(apart) > _ITS_SOUND * len(told):
        return []
    found = []
    for a in apart:
        cents = a.measured.measurement.strings_apart_cents or 0.0
        hz = (a.measured.measurement.heard_hz or a.target.target_hz) * (2 ** (cents / 1200) - 1)
        words = f"the two strings of {note_name(a.target.intended_midi)} are"
        found.append(_Stop(notes=(a,), apart_cents=cents, beating_hz=hz, words=words))
    return found
