"""Measured notes in, a plan out: targets, rules, decisions and ranking wired together; pure.

Everything is decided in the order of the stems' codes, so that the order in the session file
decides nothing; only the plan lists its notes in that order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from planner import ranking
from planner.cases import Case
from planner.clash_words import called, named_stems, own_and_other, points_of_named, said_clash
from planner.clashes import SORE_KINDS, Clash, SoundingNote, find_clashes, worst_clashes
from planner.clearing import Decided, Kept, cleared
from planner.exposure import Standing, exposures
from planner.keys import with_keys
from planner.model import FIXED_ROLES, AudioFacts, Finding, MeasuredNote, SessionA4, StemNotes
from planner.moves import carried_out
from planner.parts import Part, all_notes, clock_shifts, part_of, sounding
from planner.pitch import note_name
from planner.plan_model import MOVING_ACTIONS, Judged, Plan, Row
from planner.planrows import (
    advice_row,
    note_row,
    retake_row,
    rule_row,
    stem_summary,
    voicing_row,
)
from planner.protection import join_inside
from planner.row_ids import name_rows, name_rules
from planner.ruled import decided_by_a_person, keeps_row, re_aimed, ruled_note, ruled_rules
from planner.ruled_rows import NOTHING, Recalled, ruled_rows
from planner.rules import decide
from planner.scope_rule import ScopeRule
from planner.scopes import find_rules, layers_of, together
from planner.session_model import Session
from planner.setup_advice import setup_findings
from planner.targets import Aimed, aim, curve_hz, target_for
from planner.timeline import TempoMap
from planner.tolerances import Exposure, Judging, Tolerances
from planner.tuner import tuner_findings, unison_findings
from planner.voicings import sour_chords

_MOST_ROUNDS = 6  # chosen: two are usual
_HELD_UNISON_S = 2.0  # chosen: the longest class of the tolerances
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
    """
    noticed: list[Finding] = []
    curve = curve_hz(session, a4)
    a4 = with_keys(session, stems, a4, curve)
    given = {stem.code: stem for stem in stems}
    shifts = clock_shifts(session, {s.code: s.facts for s in stems if s.facts is not None})

    def aimed(code: str, told: list[Finding], *, as_a_whole: bool = True) -> Part:
        part = part_of(
            given[code], session, a4, tolerances, judging, tempo_map, shifts, told, meant or {},
            may_move_as_a_whole=as_a_whole,
        )  # fmt: skip
        return replace(part, aimed=_re_aimed(part, session, a4, recalled))

    at_first = {code: aimed(code, noticed) for code in sorted(given)}
    fixed = [part for part in at_first.values() if part.stem.role in FIXED_ROLES]
    for part in fixed:
        noticed += tuner_findings(part.stem, a4, curve, tempo_map, part.shift_s)
    noticed += unison_findings(sounding(at_first, {}), a4, tempo_map)
    standing = exposures(all_notes(at_first), _section_labels(at_first, session, tempo_map))
    order = [spec.code for spec in session.stems if spec.code in at_first]

    def decided(kept: Kept) -> Decided:
        stuck = {code: aimed(code, [], as_a_whole=False) for code in kept.not_as_a_whole}
        parts = {code: stuck.get(code, part) for code, part in at_first.items()}
        raw = sounding(parts, {})
        by_id = {note.id: note for note in raw}
        points_before = points_of_named(find_clashes(raw), by_id)
        rules, clashes, judged, tool = _settled(
            parts, standing, tolerances, judging, kept, recalled
        )
        points = points_of_named(clashes, by_id)
        judged = _with_severity(judged, parts, points, standing, tempo_map)
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
                if one.action in MOVING_ACTIONS or keeps_row(one, recalled.rulings):
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
        for rule in _offers(parts, tolerances, judging, kept)
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
        noticed += setup_findings(parts[code].aimed, parts[code].strings, parts[code].spec)
    all_rows, told = ruled_rows(
        name_rows((*rows, *asked, *advice), recalled.ledger),
        recalled,
        made.tool,
        {code: one.sha256 for code, one in facts},
        missing,
    )
    noticed += told
    beats = {k: j.clash_words for k, j in judged.items() if j.clash_words}
    return Plan(
        session=session,
        a4=a4,
        judged=tuple(judged[n.id] for code in order for n in parts[code].stem.notes),
        rows=all_rows,
        offenders=ranking.rank(all_rows, terms, session, backbone.steps, beats),
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
                between_notes=False,
                from_score=False,
                target_from=f"{target.target_from.removeprefix('score, ')}; "
                f"{who} says {note_name(midi)}, "
                f"the planner {note_name(a.target.intended_midi)}",
            ),
        )

    return re_aimed(part.aimed, recalled.rulings, aim_at)


def _found_rules(
    part: Part, aimed: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
) -> tuple[ScopeRule, ...]:
    return find_rules(
        aimed,
        part.stem.role,
        tolerances,
        judging,
        leave_alone=frozenset(part.protected),
        expression=part.grace | part.blue | part.astray,
        strings=part.strings,
    )


def _settled(
    parts: dict[str, Part],
    standing: dict[str, Standing],
    tolerances: Tolerances,
    judging: Judging,
    kept: Kept,
    recalled: Recalled,
) -> tuple[dict[str, ScopeRule], tuple[Clash, ...], dict[str, Judged], dict[str, Judged]]:
    """Rules and decisions that leave nothing to plan once they are carried out.

    Single edits can bring out a bias that gross notes hid before. So the rules are looked for again
    in what the decisions leave, and what is found becomes a layer under them. What a person has
    refused or set is not looked for again. The last of the results is what the tool alone decides.
    """
    found = {
        c: _applied(_found_rules(p, p.aimed, tolerances, judging), kept) for c, p in parts.items()
    }
    may_move = {
        code: frozenset(n.id for n in part.stem.notes if n.id not in part.protected)
        for code, part in parts.items()
    }
    for _ in range(_MOST_ROUNDS):
        named = name_rules([rule for code in parts for rule in found[code]], recalled.ledger)
        rules = ruled_rules(named, recalled.rulings, may_move)
        every = [rule for rule in rules.values() if rule.applied]
        layers = layers_of(rules)
        layered = sounding(parts, {k: sum(c for _, c in v) for k, v in layers.items()})
        clashes = find_clashes(layered)
        runs = frozenset(k for rule in every if rule.scope == "passage" for k in rule.covers)
        tool = _decide_all(
            parts, layers, clashes, layered, standing, tolerances, judging, runs, kept
        )
        judged = {k: ruled_note(one, recalled.rulings.get(k)) for k, one in tool.items()}
        again = False
        for code, part in parts.items():
            # A run of short notes is settled: what its rule leaves is no bias of the part.
            left = tuple(
                carried_out(a, judged[a.measured.id])
                for a in part.aimed
                if a.measured.id not in runs
            )
            more = tuple(
                rule
                for rule in _applied(_found_rules(part, left, tolerances, judging), kept)
                if not decided_by_a_person(rule, rules, recalled.rulings)
            )
            found[code] = together(found[code], more)
            again = again or bool(more)
        if not again:
            break
    return rules, clashes, judged, tool


def _applied(rules: tuple[ScopeRule, ...], kept: Kept) -> tuple[ScopeRule, ...]:
    return tuple(rule for rule in rules if rule.applied and not kept.refuses(rule))


def _offers(
    parts: dict[str, Part], tolerances: Tolerances, judging: Judging, kept: Kept
) -> list[ScopeRule]:
    found = [r for p in parts.values() for r in _found_rules(p, p.aimed, tolerances, judging)]
    would_clash = "left, because it would add beating against the other parts"
    return [
        replace(r, action="leave", reason=f"{r.reason}; {would_clash}") if r.applied else r
        for r in found
        if not r.applied or kept.refuses(r)
    ]


def _decide_all(
    parts: dict[str, Part],
    layers: dict[str, tuple[tuple[str, float], ...]],
    clashes: tuple[Clash, ...],
    sounding: tuple[SoundingNote, ...],
    standing: dict[str, Standing],
    tolerances: Tolerances,
    judging: Judging,
    runs: frozenset[str],
    kept: Kept,
) -> dict[str, Judged]:
    by_id = {n.id: n for n in sounding}
    worst = worst_clashes(clashes)
    # Only beating against what stays where it is: another stem may still be moved itself.
    against_fixed = {
        me
        for c in clashes
        if c.kind in SORE_KINDS
        for me, you in ((c.lower_id, c.upper_id), (c.upper_id, c.lower_id))
        if by_id[you].role in FIXED_ROLES
    }
    unisons = _unisons_with_fixed(sounding)
    judged = {}
    for part in parts.values():
        for a in part.aimed:
            note_id = a.measured.id
            clash = worst.get(note_id)
            partner = None if clash is None else by_id[_partner(clash, note_id)]
            sore = clash is not None and clash.kind in SORE_KINDS
            one = decide(
                Case(
                    aimed=a,
                    role=part.stem.role,
                    judging=judging,
                    tolerances=tolerances,
                    exposure=standing[note_id].exposure if note_id in standing else "normal",
                    factor=part.spec.tolerance_factor,
                    layers=layers.get(note_id, ()),
                    protected_by=part.protected.get(note_id, ""),
                    join_inside=join_inside(a.measured, part.spec),
                    grace=note_id in part.grace,
                    in_run=note_id in runs,
                    blue=note_id in part.blue,
                    pushed=note_id in part.pushed,
                    beats=note_id in against_fixed,
                    held_unison_with_fixed=note_id in unisons,
                    beats_with=called(partner) if partner is not None and sore else "",
                    nothing_left=note_id in kept.nothing_left,
                    worth_clearing=note_id in kept.worth_clearing,
                    beats_if_moved=_against(kept, note_id, by_id),
                )
            )
            if clash is not None and partner is not None:
                one = replace(
                    one,
                    clash_with=partner.id,
                    beating_hz=round(clash.beating_hz, 1),
                    beat_cycles=round(clash.cycles, 1),
                    clash_partials="{} to {}".format(*own_and_other(clash, note_id)),
                    clash_words=said_clash(clash, by_id[note_id], partner),
                )
            guess = part.strings.get(note_id)
            if guess is not None:
                one = replace(
                    one,
                    string_midi=guess.string_midi,
                    fret=guess.fret,
                    string_confidence=guess.told,
                )
            judged[note_id] = one
    return judged


def _partner(clash: Clash, note_id: str) -> str:
    return clash.upper_id if clash.lower_id == note_id else clash.lower_id


def _against(kept: Kept, note_id: str, by_id: dict[str, SoundingNote]) -> str | None:
    """Whom a note would beat with if it were moved, in words; None where it may be moved."""
    other = kept.beats_if_moved.get(note_id)
    return other if not other else called(by_id[other])


def _unisons_with_fixed(sounding: tuple[SoundingNote, ...]) -> frozenset[str]:
    """Long notes that sound with a fixed instrument on the same note, in any octave."""
    fixed = [n for n in sounding if n.role in FIXED_ROLES]
    by_class: dict[int, list[SoundingNote]] = {}
    for n in fixed:
        by_class.setdefault(n.midi % 12, []).append(n)
    return frozenset(
        n.id
        for n in sounding
        if n.role not in FIXED_ROLES and round(n.end_s - n.start_s, 6) >= _HELD_UNISON_S
        for other in by_class.get(n.midi % 12, [])
        if round(min(n.end_s, other.end_s) - max(n.start_s, other.start_s), 6) >= _HELD_UNISON_S
    )


# ---------------------------------------------------------------- severity


def _with_severity(
    judged: dict[str, Judged],
    parts: dict[str, Part],
    clash_points: dict[str, float],
    standing: dict[str, Standing],
    tempo_map: TempoMap | None,
) -> dict[str, Judged]:
    told = {}
    for part in parts.values():
        ends = _phrase_ends(part.stem.notes)
        last = part.stem.notes[-1].id if part.stem.notes else ""
        for n in part.stem.notes:
            j = judged[n.id]
            if j.action not in MOVING_ACTIONS or j.tolerance_cents is None:
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
