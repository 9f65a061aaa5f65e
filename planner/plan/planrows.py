"""Decisions as rows of the edit list, and each stem's line in the summary."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from planner.answer.ruled import SET_BY_HAND
from planner.model import FIXED_ROLES, VOICE_ROLES, Note, Role, StemNotes
from planner.pitch import cents, note_name
from planner.plan.row_places import StemOnClock, place_of
from planner.plan.takes import borrowed_in_words
from planner.scope.scope_rule import ScopeRule
from planner.scope.span_scope import BETWEEN_TUNINGS
from planner.target.voicings import SourChord
from planner.words.plan_model import (
    EDIT_ACTIONS,
    MOVING_ACTIONS,
    Judged,
    Row,
    StemSummary,
    TakeNote,
)
from planner.words.session_model import StemSpec
from planner.words.spread import MAD_TO_SD, doubt_of_middle
from planner.words.wording import amount, flat_or_sharp, ghosts, place, raise_or_lower, rule_names

# Blends lie over the seams of an edit, half before and half behind: short where a consonant or a
# stroke begins, longer in open vowels and bowed tones. Common practice, no source.
_BLEND_AT_ATTACK_MS, _BLEND_INSIDE_MS = 20.0, 60.0
_FIXED_TOLD_CENTS = 4.0
_SPREAD_TOLD_CENTS = 20.0
_START_TOLD_CENTS = 8.0
_PLACES_SAID = 4  # chosen: of a chord that comes often


def note_row(j: Judged, on: StemOnClock) -> Row:
    """Say one note's edit or question as a row; errors are those that its rules leave."""
    note, m = j.measured.note, j.measured.measurement
    layer = j.layer_cents
    moving = j.action in MOVING_ACTIONS

    def rest(error: float | None) -> float | None:
        return None if error is None else error + layer

    borrowed = j.take if j.action == "other-take" else None
    blend_in_ms, blend_out_ms = _blends_ms(note, on.stem) if moving else (None, None)
    in_words = _said_edit(j) + _after_rules(j) if moving else ""
    if borrowed is not None:
        in_words = borrowed_in_words(borrowed) + _after_rules(j)
    asked_after = f"after {rule_names(j.layers)}: " if j.action == "ask" and j.layers else ""
    return Row(
        id=j.measured.id,
        kind="note",
        stem=on.spec.code,
        apply_to=(on.spec.file, *on.spec.linked),
        **place_of(note, note, on),
        word=j.word or _string_and_fret(j),
        covers=(j.measured.id,),
        intended=note_name(j.target.intended_midi),
        intended_midi=j.target.intended_midi,
        target_hz=j.target.target_hz,
        target_from=j.target.target_from,
        onset_cents=rest(j.onset_cents),
        sustain_cents=rest(j.sustain_cents),
        end_cents=rest(j.end_cents),
        heard_cents=rest(j.heard_cents),
        slope_cents_per_s=m.slope_cents_per_s,
        vibrato_hz=m.vibrato_hz,
        vibrato_half_cents=m.vibrato_half_cents,
        vibrato_regularity=m.vibrato_regularity,
        uncertainty_cents=m.uncertainty_cents,
        onset_uncertainty_cents=m.onset_uncertainty_cents,
        action=j.action,
        add_cents=j.add_cents,
        in_words=in_words,
        onset_add_cents=j.onset_add_cents,
        cut_s=j.cut_s,
        sustain_add_cents=j.sustain_add_cents,
        points=j.points,
        crossfade_in_ms=blend_in_ms,
        crossfade_out_ms=blend_out_ms,
        remaining_cents=j.remaining_cents if moving or borrowed else None,
        **_in_the_take(borrowed, j.target.target_hz),
        layers=j.layers,
        clash_with=j.clash_with,
        beating_hz=j.beating_hz,
        beat_cycles=j.beat_cycles,
        clash_partials=j.clash_partials,
        severity=j.severity if moving or borrowed else None,
        confidence=m.confidence,
        rule_name=j.rule_name,
        reason=asked_after + j.reason + (ghosts(j.measured.heard_in) if moving else ""),
    )


def advised(spec: StemSpec, covers: tuple[str, ...], **said: Any) -> Row:
    """Say an advice about some notes of a stem as a row; its id comes later.

    said: the other fields of the row.
    """
    return Row(
        id="A-000",
        kind="advice",
        stem=spec.code,
        apply_to=(spec.file, *spec.linked),
        notes_covered=len(covers),
        covers=covers,
        **said,
    )


def voicing_row(chord: SourChord, on: StemOnClock, stand_out: frozenset[int]) -> Row:
    """Advise another voicing of a held chord that sounds sour.

    stand_out: keys of the instrument that stand out (MIDI): where one is in the chord, the tuner
    comes before the player.
    """
    notes = {n.id: n.note for n in on.stem.notes}
    lower, upper = notes[chord.worst.lower], notes[chord.worst.upper]
    first = max(lower, upper, key=lambda note: note.start_s)
    last = min(lower, upper, key=lambda note: note.end_s)
    names = " ".join(note_name(m) for m in chord.midi)
    pair = f"{note_name(chord.worst.lower_midi)} and {note_name(chord.worst.upper_midi)}"
    beats = f"{pair} beat {chord.worst.beating_hz:.1f} times a second"
    why = (
        "a third or sixth so low growls"
        if chord.worst.low
        else (f"in tune {chord.worst.given_hz:.1f}")
    )
    worst = (chord.worst.lower_midi, chord.worst.upper_midi)
    bad = [note_name(m) for m in worst if m in stand_out and not chord.worst.low]
    ways = (*(f"ask the tuner for {name}" for name in bad), *chord.ways)
    return advised(
        on.spec,
        chord.covers,
        **place_of(first, last, on),
        action="chord-voicing",
        clash_with=chord.worst.upper,
        beating_hz=round(chord.worst.beating_hz, 1),
        rule_name="sour held chord",
        reason=f"{names} sounds sour{_more_places(chord, on)}: {beats}, {why}; "
        f"nothing is moved: {', or '.join(ways)}",
    )


def _more_places(chord: SourChord, on: StemOnClock) -> str:
    """Say where else a chord comes; empty where it comes once."""
    starts = [start_s for start_s, _ in chord.places]
    if len(starts) < 2:
        return ""
    said = [place(*on.played_at(at_s), at_s + on.shift_s) for at_s in starts[:_PLACES_SAID]]
    rest = f" and {len(starts) - len(said)} more" if len(starts) > len(said) else ""
    return f" in {len(starts)} places ({'; '.join(said)}{rest})"


def stem_summary(
    stem: StemNotes, judged: Mapping[str, Judged], rules: Sequence[ScopeRule]
) -> StemSummary:
    """Sum up one stem: offset, spread, onsets against sustains, edits, likely causes."""
    own = [judged[n.id] for n in stem.notes]
    heard = np.array([j.heard_cents for j in own if j.heard_cents is not None])
    starts = np.array(
        [
            j.onset_cents - j.sustain_cents
            for j in own
            if j.onset_cents is not None and j.sustain_cents is not None
        ]
    )
    time_s = sum(j.measured.note.length_s for j in own)
    heard_s = sum(j.measured.note.length_s for j in own if j.heard_cents is not None)
    offset = float(np.median(heard)) if len(heard) else None
    spread = float(np.median(np.abs(heard - offset))) if len(heard) else None
    start = float(np.median(starts)) if len(starts) else None
    doubt = None
    if spread is not None and len(heard) >= 2:
        doubt = doubt_of_middle(MAD_TO_SD * spread, len(heard))
    return StemSummary(
        code=stem.code,
        role=stem.role,
        notes=len(own),
        measured=len(heard),
        measured_time_share=heard_s / time_s if time_s > 0 else None,
        offset_cents=offset,
        offset_uncertainty_cents=doubt,
        spread_cents=spread,
        onset_minus_sustain_cents=start,
        edits=len(rules) + sum(j.action in EDIT_ACTIONS for j in own),
        suspicions=tuple(_suspicions(stem, offset, spread, start, rules)),
    )


def _suspicions(
    stem: StemNotes,
    offset: float | None,
    spread: float | None,
    start: float | None,
    rules: Sequence[ScopeRule],
) -> list[str]:
    said: list[str] = []
    if stem.role == "exclude":
        return said
    if stem.role in FIXED_ROLES:
        if offset is not None and round(abs(offset), 1) >= _FIXED_TOLD_CENTS:
            said.append(f"stands {flat_or_sharp(offset)} as a whole, and nobody can move it")
        return said
    said += [cause for rule in rules if (cause := _behind(rule, stem.role))]
    if spread is not None and round(spread, 1) > _SPREAD_TOLD_CENTS:
        said.append(f"notes scatter by {amount(spread)}: another take may cost less")
    if start is not None and round(start, 1) >= _START_TOLD_CENTS and "fret" in stem.role:
        said.append(f"starts {amount(start)} above its held pitch: light strings or a hard stroke")
    return list(dict.fromkeys(said))


def _behind(rule: ScopeRule, role: Role) -> str:
    """What may lie behind a rule over many notes; empty where nothing is known to."""
    voice = role in VOICE_ROLES
    if rule.scope == "part":
        if voice:
            return "the reference may have been hard to hear while singing"
        return "perhaps tuned to another A than the session's"
    if rule.scope == "string" and rule.string_midi is None:
        return "one string off, if those pitches were played on one: tuned so, or it slipped"
    if rule.scope == "string" and rule.string_midi is not None:
        played = "" if rule.surely else ", if that is where it was played"
        return f"the {note_name(rule.string_midi)} string off{played}: tuned so, or it slipped"
    if rule.name == BETWEEN_TUNINGS:  # other rules over a stretch are what people made so
        moved = "sank or rose" if voice else "retuned, or crept"
        return f"{moved} on the way, or joined from unlike takes"
    if rule.scope == "pitch" and rule.intended_midi is not None:
        return f"every {note_name(rule.intended_midi)} off: {_cause(role, rule)}"
    return "perhaps struck hard where notes are short" if rule.scope == "passage" else ""


def _cause(role: Role, rule: ScopeRule) -> str:
    """What puts one pitch off wherever it comes. Pressing a string, at the nut too, sharpens it."""
    if role in VOICE_ROLES:
        return "how it lies for the voice"
    if role not in ("fretted", "bass-fretted"):
        return "the fingering"
    return "the fret, a heavy hand or the nut" if rule.bias_cents > 0 else "the fret or its string"


def _in_the_take(take: TakeNote | None, target_hz: float) -> dict[str, Any]:
    """Where another take has the note, on that take's own clock."""
    if take is None:
        return {}
    return {
        "take_file": take.file,
        "take_start_s": take.start_s,
        "take_end_s": take.end_s,
        "take_start_smp": take.start_smp,
        "take_end_smp": take.end_smp,
        "take_heard_cents": cents(take.heard_hz, target_hz),
    }


def _string_and_fret(j: Judged) -> str:
    if j.string_midi is None:
        return ""
    return f"{note_name(j.string_midi)} string, fret {j.fret}"


def _said_edit(j: Judged) -> str:
    m = j.measured.measurement
    if j.rule_name == SET_BY_HAND:
        # A reading has an uncertainty; a number that a person chose has none.
        if j.add_cents is not None:
            return f"{raise_or_lower(j.add_cents)}, set by hand"
        most = max((c for _, c in j.points), key=abs, default=0.0)
        return f"as drawn by hand: {raise_or_lower(most)} at most"
    if j.add_cents is not None:
        return raise_or_lower(j.add_cents, m.uncertainty_cents)
    if j.action == "start-only" and j.onset_add_cents is not None:
        return f"{raise_or_lower(j.onset_add_cents, m.onset_uncertainty_cents)}, the start alone"
    if j.action == "hold-end":
        return f"hold the end: {raise_or_lower(j.points[-1][1])} by its last part"
    if j.action == "steady":
        first, last = j.points[0][1], j.points[-1][1]
        return f"even the lean: {_said_at(first, 'at the start')}, {_said_at(last, 'at the end')}"
    first, last = j.points[0][1], j.points[-1][1]
    there = "after it" if j.onset_add_cents is not None else "by its last part"
    return f"{_said_at(first, 'at the start')}, {_said_at(last, there)}"


def _said_at(add_cents: float, where: str) -> str:
    return f"{raise_or_lower(add_cents) if round(add_cents, 1) else 'as it is'} {where}"


def _after_rules(j: Judged) -> str:
    """Say that an edit comes on top of rules: alone it would lead elsewhere."""
    return f", after {rule_names(j.layers)}" if j.layers else ""


def _blends_ms(note: Note, stem: StemNotes) -> tuple[float, float]:
    """Say how long the blends at a note's start and end are: each as what begins there allows.

    A long blend over the next note's stroke would double the stroke.
    """
    reached_s = note.end_s + _BLEND_INSIDE_MS / 2000.0
    struck = any(
        note.start_s < other.note.start_s < reached_s and other.note.begins == "attack"
        for other in stem.notes
    )
    return _blend_ms(note.begins == "attack"), _blend_ms(struck)


def _blend_ms(attack: bool) -> float:
    return _BLEND_AT_ATTACK_MS if attack else _BLEND_INSIDE_MS
