"""Measured notes in, a plan out: targets, rules, decisions and ranking wired together; pure.

Everything is decided in the order of the stems' codes, so that the order in the session file
decides nothing; only the plan lists its notes in that order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from planner import ranking
from planner.chord_strings import chord_string_findings
from planner.clash_words import named_stems, points_of_named
from planner.clashes import find_clashes
from planner.clearing import Decided, Kept, cleared
from planner.exposure import Standing, exposures
from planner.keys import with_keys
from planner.lyrics import is_title_word, words_by_line
from planner.model import (
    FIXED_ROLES,
    VOICE_ROLES,
    AudioFacts,
    Finding,
    MeasuredNote,
    SessionA4,
    StemNotes,
)
from planner.moving_song import moved_along, movement_findings, movement_of
from planner.named_chords import chord_findings, named_chords
from planner.parts import Part, all_notes, clock_shifts, part_of, sounding
from planner.pitch import note_name
from planner.plan_model import EDIT_ACTIONS, Judged, Plan, Row, Source
from planner.planrows import (
    advice_row,
    note_row,
    retake_row,
    rule_row,
    stem_summary,
    voicing_row,
)
from planner.pushed_pitch import voice_findings
from planner.retargeting import aimed_at_chords, aimed_at_leads
from planner.row_ids import name_rows
from planner.ruled import keeps_row, re_aimed
from planner.ruled_rows import NOTHING, Recalled, ruled_rows
from planner.session_model import Session
from planner.settling import offers, settle
from planner.setup_advice import setup_findings
from planner.takes import TakeHeard, by_note, take_notes
from planner.targets import Aimed, aim, curve_hz, target_for
from planner.timeline import TempoMap
from planner.tolerances import Exposure, Judging, Tolerances
from planner.tuner import tuner_findings, unison_findings
from planner.voicings import sour_chords
from planner.warming import warming

_PHRASE_GAP_S = 0.5  # chosen: a rest this long ends a phrase
_FINAL_HELD_S = 1.0  # chosen


def make_plan(
    *,
    session: Session,
    stems: tuple[StemNotes, ...],
    a4: SessionA4,
    tolerances: Tolerances,
    judging: Judging,
    tempo_map: TempoMap | None = None,
    facts: tuple[tuple[str, AudioFacts], ...] = (),
    missing: tuple[str, ...] = (),
    findings: tuple[Finding, ...] = (),
    recalled: Recalled = NOTHING,
    meant: Mapping[str, int] | None = None,
    words: Mapping[str, str] | None = None,
    takes: tuple[TakeHeard, ...] = (),
    sources: tuple[Source, ...] = (),
) -> Plan:
    """Decide about every note of a session, and say it as a plan.

    Parameters
    ----------
    stems : tuple of StemNotes
        In any order; each must be in the session. Notes by start.
    tempo_map : TempoMap, optional
        Without one, bars and beats stay empty and spans given in bars cannot be placed.
    findings : tuple of Finding
        What was noticed on the way here; those of the plan are added.
    recalled : Recalled
        Ids and people's rulings from earlier runs; nothing on the first.
    meant : mapping, optional
        Note id to the MIDI note that a score gives; the others are taken as the nearest note.
    words : mapping, optional
        Note id to the word that a score puts on it; it goes before a line of the session's lyrics.
    takes : tuple of TakeHeard
        What was heard in other takes of the stems.
    sources : tuple of Source
        The files beside the stems that all this was made from; only passed on.
    """
    noticed: list[Finding] = []
    curve = curve_hz(session, a4)
    a4 = with_keys(session, stems, a4, curve)
    given = {stem.code: stem for stem in stems}
    shifts = clock_shifts(session, {s.code: s.facts for s in stems if s.facts is not None})

    named = named_chords(session, tempo_map)

    def aimed(code: str, told: list[Finding], *, as_a_whole: bool = True) -> Part:
        part = part_of(
            given[code], session, a4, tolerances, judging, tempo_map, shifts, told, meant or {},
            may_move_as_a_whole=as_a_whole, named=named,
        )  # fmt: skip
        part = replace(part, aimed=_re_aimed(part, session, a4, recalled))
        found = [take_notes(part.aimed, take, a4.a4_hz) for take in takes if take.stem == code]
        told += [finding for _, findings in found for finding in findings]
        sung: dict[str, str] = {}
        by_id = {n.id for n in part.stem.notes}
        if part.stem.role in VOICE_ROLES:
            sung = words_by_line(part.stem.notes, part.shift_s, session, tempo_map)
            sung |= {k: word for k, word in (words or {}).items() if k in by_id}
        return replace(part, takes=by_note([same for same, _ in found]), words=sung)

    alone = {code: aimed(code, noticed) for code in sorted(given)}
    fixed = [part for part in alone.values() if part.stem.role in FIXED_ROLES]
    for part in fixed:
        noticed += tuner_findings(part.stem, a4, curve, tempo_map, part.shift_s)
    noticed += chord_findings(session, named, all_notes(alone))
    noticed += unison_findings(sounding(alone, {}), a4, tempo_map)
    movement = movement_of(alone)
    noticed += movement_findings(movement, tempo_map)

    def with_others(parts: dict[str, Part]) -> dict[str, Part]:
        moved = moved_along(parts, movement)
        return aimed_at_chords(moved, session, a4, judging, tempo_map, named)

    at_first = with_others(alone)
    noticed += warming({code: (part.stem.role, part.aimed) for code, part in at_first.items()})
    standing = exposures(all_notes(at_first), _section_labels(at_first, session, tempo_map))
    noticed += voice_findings(
        {code: (part.stem.role, part.aimed) for code, part in at_first.items()}, standing
    )
    order = [spec.code for spec in session.stems if spec.code in at_first]

    def decided(kept: Kept) -> Decided:
        stuck = {code: aimed(code, [], as_a_whole=False) for code in kept.not_as_a_whole}
        parts = with_others(alone | stuck) if stuck else at_first
        settled = settle(parts, standing, tolerances, judging, kept, recalled, {})
        parts, follows = aimed_at_leads(parts, settled.judged)
        if follows:
            # No lead waits for its double, so its own decisions come out the same again.
            settled = settle(parts, standing, tolerances, judging, kept, recalled, follows)
        raw = sounding(parts, {})
        by_id = {note.id: note for note in raw}
        points_before = points_of_named(find_clashes(raw), by_id)
        rules, tool = settled.rules, settled.tool
        points = points_of_named(settled.clashes, by_id)
        judged = _with_severity(settled.judged, parts, points, standing, tempo_map, session.song)
        rows: list[Row] = []
        terms: dict[str, ranking.Terms] = {}
        for rule_id, rule in rules.items():
            part = parts[rule.stem]
            worst = max((points_before.get(n, 0.0) for n in rule.covers), default=0.0)
            row, terms[rule_id] = rule_row(
                rule_id, rule, part.spec, part.stem, tolerances, worst, standing, tempo_map,
                part.shift_s, session,
            )  # fmt: skip
            rows.append(row)
        for code in order:
            part = parts[code]
            for measured in part.stem.notes:
                one = judged[measured.id]
                if one.action in EDIT_ACTIONS or keeps_row(one, recalled.rulings):
                    row = note_row(one, part.spec, part.stem, tempo_map, part.shift_s, session)
                    rows.append(row)
                    terms[row.id] = one.severity_terms
        told, terms = ranking.with_repeats(rows, terms)
        return Decided(parts=parts, rules=rules, judged=judged, tool=tool, rows=told, terms=terms)

    made, backbone, kept = cleared(decided, session)
    raw = sounding(made.parts, {})
    parts, rules, judged, terms = made.parts, made.rules, made.judged, made.terms
    rows = ranking.with_clears(made.rows, backbone.steps)
    asked: list[Row] = []
    for code in sorted(parts):
        part = parts[code]
        for measured in part.stem.notes:
            one = judged[measured.id]
            if one.action in ("ask", "wrong-note"):
                row = note_row(one, part.spec, part.stem, tempo_map, part.shift_s, session)
                asked.append(replace(row, id=f"Q-{len(asked) + 1:03d}", kind="question"))
    advice = [
        advice_row(rule, parts[rule.stem].spec, parts[rule.stem].stem, tempo_map,
                   parts[rule.stem].shift_s, session)
        for rule in offers(parts, tolerances, judging, kept)
    ]  # fmt: skip
    for code in sorted(parts):
        own = [judged[n.id] for n in parts[code].stem.notes]
        retake = retake_row(own, parts[code].spec)
        advice += [retake] if retake else []
    for part in fixed:
        out = frozenset(k.midi for k in a4.keys if k.stem == part.stem.code and k.stands_out)
        advice += [
            voicing_row(chord, part.spec, part.stem, tempo_map, part.shift_s, session, out)
            for chord in sour_chords(part.aimed)
        ]
    advice = [replace(row, id=f"A-{k + 1:03d}") for k, row in enumerate(advice)]
    for code in sorted(parts):
        part = parts[code]
        noticed += setup_findings(part.aimed, part.strings, part.spec)
        noticed += chord_string_findings(part.aimed, part.strings, part.spec)
    all_rows, told = ruled_rows(
        name_rows((*rows, *asked, *advice), recalled.ledger),
        recalled,
        made.tool,
        {code: one.sha256 for code, one in facts},
        missing,
    )
    noticed += told
    sung = {k: j.word for k, j in judged.items() if j.word}
    beats = {k: j.clash_words for k, j in judged.items() if j.clash_words}
    return Plan(
        session=session,
        a4=a4,
        judged=tuple(judged[n.id] for code in order for n in parts[code].stem.notes),
        rows=all_rows,
        offenders=ranking.rank(all_rows, terms, session, backbone.steps, beats, sung),
        stems=tuple(
            stem_summary(
                parts[code].stem,
                judged,
                [r for r in rules.values() if r.stem == code and r.applied],
            )
            for code in order
        ),
        facts=facts,
        missing=missing,
        findings=(*findings, *noticed),
        sour_before_s=round(backbone.before_s, 1),
        sour_after_s=round(backbone.after_s, 1),
        sources=sources,
        named=named_stems(find_clashes(raw), {note.id: note for note in raw}),
    )


# ---------------------------------------------------------------- all stems together


def _section_labels(
    parts: dict[str, Part], session: Session, tempo_map: TempoMap | None
) -> dict[str, Exposure]:
    labels: dict[str, Exposure] = {}
    if tempo_map is None or not session.sections:
        return labels
    for part in parts.values():
        for n in part.stem.notes:
            bar, _ = tempo_map.bar_beat(n.note.start_s + part.shift_s)
            for section in session.sections:
                if section.from_bar <= bar <= section.to_bar:
                    labels[n.id] = section.exposure
    return labels


def _re_aimed(part: Part, session: Session, a4: SessionA4, recalled: Recalled) -> tuple[Aimed, ...]:
    def aim_at(a: Aimed, midi: int, who: str) -> Aimed:
        target = target_for(a.measured, part.stem.role, session, a4, intended_midi=midi)
        return aim(
            a.measured,
            replace(
                target,
                target_from=f"{target.target_from.removeprefix('score, ')}; "
                f"{who} says {note_name(midi)}, "
                f"the planner {note_name(a.target.intended_midi)}",
            ),
        )

    return re_aimed(part.aimed, recalled.rulings, aim_at)


def _with_severity(
    judged: dict[str, Judged],
    parts: dict[str, Part],
    clash_points: dict[str, float],
    standing: dict[str, Standing],
    tempo_map: TempoMap | None,
    song: str,
) -> dict[str, Judged]:
    told = {}
    for part in parts.values():
        ends = _phrase_ends(part.stem.notes)
        last = part.stem.notes[-1].id if part.stem.notes else ""
        for n in part.stem.notes:
            j = judged[n.id]
            j = replace(j, word=part.words.get(n.id, ""))
            if j.action not in EDIT_ACTIONS or j.tolerance_cents is None:
                told[n.id] = j
                continue
            beat = tempo_map.bar_beat(n.note.start_s + part.shift_s)[1] if tempo_map else None
            total, terms = ranking.severity(
                error_cents=_faulty_cents(j),
                tolerance_cents=j.tolerance_cents,
                clash_points=clash_points.get(n.id, 0.0),
                over_rest_db=standing[n.id].over_rest_db if n.id in standing else None,
                on_downbeat=beat is not None and abs(beat - 1.0) <= 0.1,
                ends_phrase=n.id in ends,
                on_title_word=is_title_word(j.word, song),
                final_held=n.id == last and n.note.length_s >= _FINAL_HELD_S,
                length_s=n.note.length_s,
                confidence=n.measurement.confidence,
                covered=bool(j.layers),
            )
            told[n.id] = replace(j, severity=total, severity_terms=terms)
    return told


def _faulty_cents(j: Judged) -> float:
    """The error of what the edit mends, after the rules."""
    error = {"start-only": j.onset_cents, "hold-end": j.end_cents, "shape": j.sustain_cents}.get(
        j.action, j.heard_cents
    )
    return (error or 0.0) + sum(c for _, c in j.layers)


def _phrase_ends(notes: Iterable[MeasuredNote]) -> frozenset[str]:
    ordered = list(notes)
    return frozenset(
        n.id
        for k, n in enumerate(ordered)
        if k + 1 == len(ordered) or ordered[k + 1].note.start_s - n.note.end_s >= _PHRASE_GAP_S
    )
