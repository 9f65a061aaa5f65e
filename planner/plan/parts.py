"""Each stem on its way through the plan: aimed, protected, and on the session's common clock."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from planner.answer.questions import FAR_OFF
from planner.clashes import SoundingNote
from planner.decide.cases import LeansToKey
from planner.decide.exposure import LOUD_PERCENTILE
from planner.decide.expression import blue_notes, goes_on, grace_notes, leading_notes, pushed_notes
from planner.decide.protection import protected_notes
from planner.model import FIXED_ROLES, AudioFacts, Finding, StemNotes
from planner.pitch import parse_note, shift_hz
from planner.plan.ground import Ground
from planner.scope.chord_strings import guess_chord_strings
from planner.scope.repeats import bends, bent_alike, repeated_places
from planner.scope.scope_rule import PartGround
from planner.scope.string_sag import at_rest, sag_in_sustains
from planner.scope.strings import StringGuess, guess_strings
from planner.scopes import find_rules
from planner.target.open_strings import at_open_strings
from planner.target.typed_keys import key_at
from planner.targets import NOTES_FOR_OFFSET, Aimed, aim, note_hz, part_offset_cents, target_for
from planner.timeline import TempoMap
from planner.words.chord_symbols import ChordSymbol
from planner.words.plan_model import TakeNote
from planner.words.session_model import Session, StemSpec
from planner.words.wording import flat_or_sharp

_ASK_OFFSET_CENTS = 35.0  # a part this far out could be the next note, out the other way


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One stem on its way through the plan."""

    stem: StemNotes
    spec: StemSpec
    shift_s: float  # from the file's clock to the session's
    loud_db: float
    aimed: tuple[Aimed, ...]
    protected: dict[str, str]  # note id -> why
    grace: frozenset[str]
    pushed: frozenset[str]
    blue: frozenset[str]
    leading: frozenset[str]  # a little sharp under the tonic that follows
    goes_on: Mapping[str, int]  # note id -> semitones to the next note, where it follows at once
    astray: frozenset[str]  # another note than the score's: says nothing about how it is tuned
    strings: dict[str, StringGuess]  # note id -> string and fret, of fretted parts
    sag: dict[str, float]  # note id -> cents of its sustain that come from its stroke
    repeated: dict[str, str]  # note id -> what to say of one that is off the same way each time
    bent: frozenset[str]  # of a fretted part, whose string was pulled
    factors: dict[str, float]  # note id -> tolerance factor of its section and stem, where not 1
    words: Mapping[str, str] = field(default_factory=dict)  # sung on the note, by id
    chords: Mapping[str, ChordSymbol] = field(default_factory=dict)  # named for its time, by id
    takes: Mapping[str, tuple[TakeNote, ...]] = field(default_factory=dict)  # by note id
    known_by: Mapping[str, str] = field(default_factory=dict)  # note id -> why it was meant
    leans_to_key: Mapping[str, LeansToKey] = field(default_factory=dict)  # by note id
    noticed: tuple[Finding, ...] = ()  # while it was aimed
    sets_a4: bool = False  # whether the A4 that all are judged by was found in it alone

    @property
    def expression(self) -> frozenset[str]:
        """Notes that are off on purpose, or say nothing of how the part is tuned."""
        off = self.grace | self.blue | self.leading | self.astray
        return off | self.bent | frozenset(self.repeated)


def part_of(ground: Ground, stem: StemNotes, *, may_move_as_a_whole: bool = True) -> Part:
    """Aim one stem's notes; those of a part that stays as a whole are named as they sound."""
    session, a4, tolerances = ground.session, ground.a4, ground.tolerances
    judging, tempo_map = ground.judging, ground.tempo_map
    spec = next(spec for spec in session.stems if spec.code == stem.code)
    shift_s = ground.shifts[stem.code]
    protected = protected_notes(stem.notes, spec, tempo_map, shift_s)
    factors = _factors(ground, stem, spec)
    grace = grace_notes(stem.notes)
    over = ground.named.over
    symbols = {n.id: over(n.note.start_s + shift_s, n.note.end_s + shift_s) for n in stem.notes}
    chords = {note_id: symbol for note_id, symbol in symbols.items() if symbol is not None}
    tonics = tonics_of(ground, stem)

    def aimed_from(offset_cents: float) -> tuple[Aimed, ...]:
        ask = tolerances.limits.ask_beyond_cents
        return tuple(
            aim(n, target_for(n, stem.role, session, a4, offset_cents, ask_beyond_cents=ask,
                              intended_midi=ground.meant.get(n.id), follow_keys=spec.follow_keys))
            for n in stem.notes
        )  # fmt: skip

    told = _offset_by_score(aimed_from(0.0))
    offset = told if told is not None else part_offset_cents(
        stem.notes, stem.role, session, a4, follow_keys=spec.follow_keys
    )  # fmt: skip
    # Near by, the nearest note is the right one for every note that is not asked about anyway.
    if not may_move_as_a_whole or abs(offset) <= 50.0 - tolerances.limits.ask_beyond_cents:
        offset = 0.0
    aimed = aimed_from(offset)
    blue = _blue(ground, stem, aimed, tonics, chords, offset)
    sag = sag_in_sustains(stem.notes, stem.role)
    rests = at_rest(aimed, sag)
    if offset and not _moves_as_a_whole(ground, stem, rests, protected, grace | blue, factors):
        # Nothing will move the part as a whole: then its notes are named where they sound.
        offset = 0.0
        aimed = aimed_from(offset)
        blue = _blue(ground, stem, aimed, tonics, chords, offset)
    aimed = at_open_strings(aimed, stem.role, spec.strings)
    noticed = _not_protected(stem, spec, tempo_map)
    bent = bends(aimed, stem.role)
    in_tune = dict(tolerances.base_cents).get(stem.role, 0.0) * judging.tolerance_factor
    return Part(
        stem=stem,
        spec=spec,
        shift_s=shift_s,
        loud_db=loud_of([n.note.level_db for n in stem.notes]),
        aimed=aimed,
        protected=protected,
        grace=grace,
        pushed=pushed_notes(stem),
        blue=blue,
        leading=leading_notes(aimed, stem.role, tonics),
        goes_on=goes_on(aimed),
        astray=_astray(aimed, offset, tolerances.limits.never_beyond_cents),
        strings=guess_strings(aimed, stem.role, spec) or guess_chord_strings(aimed, spec),
        sag=sag,
        repeated=repeated_places(aimed, stem.role, in_tune) | bent_alike(bent),
        bent=frozenset(a.measured.id for a in bent),
        factors=factors,
        chords=chords,
        noticed=tuple(noticed),
        sets_a4=a4.found_from in (f"stem {stem.code}", f"majority of {stem.code}"),
    )


def far_off(ground: Ground, stem: StemNotes) -> Finding | None:
    """What is asked of a part so far off as a whole that it may be the neighbouring notes."""
    spec = next(spec for spec in ground.session.stems if spec.code == stem.code)
    offset = part_offset_cents(
        stem.notes, stem.role, ground.session, ground.a4, follow_keys=spec.follow_keys
    )
    known = stem.role in FIXED_ROLES or any(n.id in ground.meant for n in stem.notes)
    if known or abs(offset) <= _ASK_OFFSET_CENTS:
        return None
    other = flat_or_sharp(offset - float(np.sign(offset)) * 100.0)
    return Finding(
        severity="question",
        what=f"{stem.code} sits {flat_or_sharp(offset)} as a whole, or it is the neighbouring "
        f"notes, {other}, or its file runs at a wrong rate.",
        did="Nothing is planned for it before a yes.",
        advice="Check the rate of its file, or give a score for it.",
        stem=stem.code,
        asks=FAR_OFF,
    )


def _not_protected(stem: StemNotes, spec: StemSpec, tempo_map: TempoMap | None) -> list[Finding]:
    """What the session file protects and cannot be found."""
    known = {n.id for n in stem.notes}
    said = [
        Finding(
            severity="question",
            what=f"{span.note_id} shall not be touched, and {stem.code} has no such note.",
            did="Nothing was protected by it.",
            advice="Take the id from notes.csv, or give the span in seconds.",
            stem=stem.code,
        )
        for span in spec.do_not_touch
        if span.note_id is not None and span.note_id not in known
    ]
    if tempo_map is None and any(span.from_bar is not None for span in spec.do_not_touch):
        said.append(
            Finding(
                severity="warning",
                what=f"{stem.code} has bars that nobody may touch, and there is no tempo map.",
                did="They were not protected.",
                advice="Give a tempo map, or write the spans in seconds.",
                stem=stem.code,
            )
        )
    return said


def _factors(ground: Ground, stem: StemNotes, spec: StemSpec) -> dict[str, float]:
    """The tolerance factor of the section each note begins in, times that of its stem.

    Of several sections the last one counts.
    """
    own = spec.tolerance_factor
    factors = {n.id: own for n in stem.notes} if own != 1.0 else {}
    strict = [s for s in ground.session.sections if s.tolerance_factor != 1.0]
    if ground.tempo_map is None or not strict:
        return factors
    for n in stem.notes:
        bar, _ = ground.tempo_map.played_at(n.note.start_s + ground.shifts[stem.code])
        for section in strict:
            if section.from_bar <= bar <= section.to_bar:
                factors[n.id] = section.tolerance_factor * own
    return factors


def _offset_by_score(aimed: tuple[Aimed, ...]) -> float | None:
    """How far off a part stands, by the notes that its score names; None where these are few."""
    off = [a.heard_cents for a in aimed if a.target.from_score and a.heard_cents is not None]
    return float(np.median(off)) if len(off) >= NOTES_FOR_OFFSET else None


def loud_of(levels_db: Sequence[float]) -> float:
    """Level of a part's loud notes, dB; 0 where there are none."""
    return float(np.percentile(levels_db, LOUD_PERCENTILE)) if levels_db else 0.0


def _astray(aimed: tuple[Aimed, ...], offset: float, beyond_cents: float) -> frozenset[str]:
    return frozenset(
        a.measured.id
        for a in aimed
        if a.heard_cents is not None and abs(a.heard_cents - offset) > beyond_cents
    )


def _moves_as_a_whole(
    ground: Ground,
    stem: StemNotes,
    aimed: tuple[Aimed, ...],
    protected: Mapping[str, str],
    expression: frozenset[str],
    factors: Mapping[str, float],
) -> bool:
    part = PartGround(
        role=stem.role,
        tolerances=ground.tolerances,
        judging=ground.judging,
        leave_alone=frozenset(protected),
        expression=expression,
        factors=factors,
    )
    rules = find_rules(aimed, part)
    return any(rule.scope in ("part", "span") and rule.applied for rule in rules)


def tonics_of(ground: Ground, stem: StemNotes) -> dict[str, int]:
    """The tonic of the key that each note stands in (MIDI); notes without a key are left out."""
    shift_s = ground.shifts[stem.code]
    keys = {
        n.id: key_at(ground.session, ground.tempo_map, n.note.start_s + shift_s) for n in stem.notes
    }
    return {note_id: parse_note(f"{key.tonic}4") for note_id, key in keys.items() if key}


def _blue(
    ground: Ground,
    stem: StemNotes,
    aimed: Sequence[Aimed],
    tonics: Mapping[str, int],
    chords: Mapping[str, ChordSymbol],
    offset_cents: float,
) -> frozenset[str]:
    """Blue notes above the tonic, or above the root of the major chord that they stand over."""
    if not ground.judging.protect_blue_notes or stem.role in FIXED_ROLES:
        return frozenset()
    roots = {
        note_id: 60 + symbol.root
        for note_id, symbol in chords.items()
        if symbol.root is not None and symbol.quality == "major"
    }
    off = {a.measured.id: (a.heard_cents or 0.0) - offset_cents for a in aimed}

    def above(low_midi: Mapping[str, int]) -> frozenset[str]:
        low_hz = {  # as the part itself is tuned
            note_id: shift_hz(note_hz(midi, stem.role, ground.session, ground.a4), offset_cents)
            for note_id, midi in low_midi.items()
        }
        return blue_notes(stem.notes, off, low_hz)

    return above(tonics) | above(roots)


class Clocked(Protocol):
    """Whatever knows when a file begins: `AudioFacts`, or its header alone."""

    @property
    def sr(self) -> int: ...

    @property
    def time_reference_smp(self) -> int | None: ...


def facts_of(stems: Iterable[StemNotes]) -> tuple[tuple[str, AudioFacts], ...]:
    """What is known of the stems' files, by stem code."""
    return tuple((stem.code, stem.facts) for stem in stems if stem.facts is not None)


def clock_shifts(session: Session, facts_of: Mapping[str, Clocked]) -> dict[str, float]:
    """Seconds from each file's clock to the session's, as far as a person typed them in.

    Time stamps inside the files are not trusted for this; a typed ``start_smp`` counts from the
    earliest stamp of the others, or from 0 where no file has one.
    """
    stamps = [
        facts.time_reference_smp / facts.sr
        for facts in facts_of.values()
        if facts.time_reference_smp is not None
    ]
    shifts = {}
    for spec in session.stems:
        shift_s = spec.late_by_ms / 1000.0
        own = facts_of.get(spec.code)
        if spec.start_smp is not None and own is not None:
            shift_s += spec.start_smp / own.sr - min(stamps, default=0.0)
        shifts[spec.code] = shift_s
    return shifts


def sounding(parts: Mapping[str, Part], add_cents: Mapping[str, float]) -> tuple[SoundingNote, ...]:
    """The measured notes of all stems on the common clock, moved by what is given."""
    return tuple(
        _as_sounding(part, a, shift_hz(hz, add_cents.get(a.measured.id, 0.0)))
        for part in parts.values()
        if part.stem.role != "exclude"
        for a in part.aimed
        if a.measured.id not in part.astray
        if (hz := a.measured.measurement.heard_hz) is not None
    )


def all_notes(parts: Mapping[str, Part]) -> tuple[SoundingNote, ...]:
    """Every note of all stems on the common clock, by the pitch heard, else the pitch found."""
    return tuple(
        _as_sounding(part, a, a.measured.measurement.heard_hz or a.measured.note.pitch_hz)
        for part in parts.values()
        if part.stem.role != "exclude"
        for a in part.aimed
    )


def _as_sounding(part: Part, a: Aimed, heard_hz: float) -> SoundingNote:
    note, m = a.measured.note, a.measured.measurement
    return SoundingNote(
        id=a.measured.id,
        stem=part.stem.code,
        role=part.stem.role,
        midi=a.target.intended_midi,
        start_s=note.start_s + part.shift_s,
        end_s=note.end_s + part.shift_s,
        heard_hz=heard_hz,
        target_hz=a.target.target_hz,
        level_db=note.level_db - part.loud_db,
        uncertainty_cents=m.uncertainty_cents or m.onset_uncertainty_cents or 0.0,
        vibrato_half_cents=m.vibrato_half_cents or 0.0,
        upper_db=np.inf if m.upper_partials_db is None else round(m.upper_partials_db, 1),
    )
