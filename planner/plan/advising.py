"""The rows that move nothing: what is asked about single notes, and what is advised."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.clear.decided import Decided, once_made, sour_of
from planner.clear.sour_time import change_of, sour_now_s
from planner.clear.stays_sour import CHORDS_STAY, SourPart, sour_parts
from planner.model import FIXED_ROLES
from planner.pitch import note_name
from planner.plan.deciding import on_clock
from planner.plan.ground import Ground
from planner.plan.parts import Part
from planner.plan.planrows import advised, note_row, voicing_row
from planner.plan.retakes import take_rows
from planner.plan.row_places import StemOnClock, place_of
from planner.plan.rule_rows import advice_row
from planner.scope.part_scope import LEAD_OFFER
from planner.scope.scope_rule import ScopeRule
from planner.target.voicings import pairs_held, sour_chords
from planner.targets import Aimed
from planner.words.plan_model import Row
from planner.words.roles import is_chordal
from planner.words.session_model import StemSpec
from planner.words.wording import amount, flat_or_sharp, place


def note_questions(ground: Ground, made: Decided) -> list[Row]:
    """Give the questions about single notes, stem by stem, with their first ids."""
    asked: list[Row] = []
    for code in sorted(made.parts):
        on = on_clock(ground, made.parts[code])
        for measured in on.stem.notes:
            one = made.judged[measured.id]
            if one.action in ("ask", "wrong-note"):
                row = note_row(one, on)
                asked.append(replace(row, id=f"Q-{len(asked) + 1:03d}", kind="question"))
    return asked


def advice_rows(
    ground: Ground, made: Decided, offers: Iterable[ScopeRule], fixed: Iterable[Part]
) -> list[Row]:
    """Give the advice, with its first ids: offers, takes, doubles to leave out, other voicings.

    offers : rules that are only told
    fixed : the stems that nobody can move
    """
    advice = [
        advice_row(rule, on_clock(ground, made.parts[rule.stem]))
        for rule in saying_what_they_clear(offers, made)
    ]
    for code in sorted(made.parts):
        part = made.parts[code]
        own = [made.judged[n.id] for n in part.stem.notes]
        stems = [other.stem for other in made.parts.values()]
        advice += take_rows(own, on_clock(ground, part), stems)
        role = part.stem.role
        if role not in FIXED_ROLES and is_chordal(part.stem) and role != "sampled":
            advice += double_stop_rows(part.aimed, on_clock(ground, part))
    for found in sour_parts(made):
        advice.append(_sour_part_row(found, made.parts[found.stem].spec))
    for part in fixed:
        keys = ground.a4.keys
        out = frozenset(k.midi for k in keys if k.stem == part.stem.code and k.stands_out)
        on = on_clock(ground, part)
        advice += [voicing_row(chord, on, out) for chord in sour_chords(part.aimed)]
    return [replace(row, id=f"A-{k + 1:03d}") for k, row in enumerate(advice)]


def _as_well(midis: tuple[int, ...]) -> str:
    names = " and ".join(note_name(midi) for midi in midis)
    return f", as {'is' if len(midis) == 1 else 'are'} {names}" if midis else ""


def _sour_part_row(found: SourPart, spec: StemSpec) -> Row:
    """Advise another take where chords stay sour that no edit reaches."""
    return advised(
        spec,
        found.covers,
        scope="part",
        intended=note_name(found.midi),
        intended_midi=found.midi,
        action="retake",
        rule_name=CHORDS_STAY,
        reason=f"sour in {found.sour_s:.0f} of the {found.sounds_s:.0f} s in which it sounds even "
        f"with every edit made, longest at {note_name(found.midi)}, {flat_or_sharp(found.cents)} "
        f"by then{_as_well(found.alike)}: chords are moved as a whole only, so if the player is "
        "still there, tune that note's string and play it again, or voice the chords without it",
    )


# ---------------------------------------------------------------- what an offer would clear

_SAID_FROM_S = 0.05  # less would be said as 0.0


def saying_what_they_clear(offers: Iterable[ScopeRule], made: Decided) -> tuple[ScopeRule, ...]:
    """Add to the offer of a lead as a whole how many sour seconds would go with it.

    That is beyond what the plan clears: notes that it moves by themselves stay where it puts them.
    """
    return tuple(_saying(rule, made) if rule.name == LEAD_OFFER else rule for rule in offers)


def _saying(rule: ScopeRule, made: Decided) -> ScopeRule:
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    rest = [n for n in rule.covers if n in sour.index and not made.judged[n].is_moved]
    notes = np.array(sorted(sour.index[n] for n in rest), dtype=np.int64)
    gain_s = change_of(sour, now, notes, np.full(len(notes), -rule.bias_cents)).gain_s
    moved = "lowered" if rule.bias_cents > 0 else "raised"
    whose = "it" if len(rest) == len(rule.covers) else "its other notes"
    would = f"{moved} by {amount(rule.bias_cents)}, {whose} would"
    if gain_s >= _SAID_FROM_S:
        left_s = sour_now_s(sour, now)
        said = f"{would} clear {gain_s:.1f} of the {left_s:.1f} sour seconds that this plan leaves"
    elif gain_s <= -_SAID_FROM_S:
        said = f"{would} add {-gain_s:.1f} sour seconds"
    else:
        said = f"{would} clear no sour time"
    return replace(rule, reason=f"{rule.reason}; {said}")


# ---------------------------------------------------------------- double stops

# An octave, a fifth, a fourth, or one note on two strings, held long enough to beat. What
# scatters by a fretboard's few cents is no news. Twelve strings, or a chorus in the pedal, stand
# apart in most of their notes: that is their sound.

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
