"""Measured notes in, a plan out: targets, rules, decisions and ranking wired together; pure.

Everything is decided in the order of the stems' codes, so that the order in the session file
decides nothing; only the plan lists its notes in that order.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from planner import ranking
from planner.cases import Case
from planner.clashes import (
    SORE_KINDS,
    Clash,
    SoundingNote,
    clash_points,
    find_clashes,
    sour_seconds,
    worst_clashes,
)
from planner.exposure import Standing, exposures
from planner.model import FIXED_ROLES, AudioFacts, Finding, MeasuredNote, SessionA4, StemNotes
from planner.moves import carried_out
from planner.parts import Part, all_notes, clock_shifts, part_of, sounding
from planner.pitch import note_name
from planner.plan_model import MOVING_ACTIONS, Judged, Plan, Row
from planner.planrows import advice_row, note_row, retake_row, rule_row, stem_summary
from planner.protection import join_inside
from planner.retargeting import aimed_at_chords, aimed_at_leads
from planner.rules import decide
from planner.scopes import ScopeRule, find_rules, layers_of, together
from planner.session_model import Session
from planner.shared_steps import shared_steps
from planner.targets import Aimed
from planner.timeline import TempoMap
from planner.tolerances import Exposure, Judging, Tolerances
from planner.warming import warming

_SPREAD_CENTS = 3.0  # between unison voices; common practice, no source
_MOST_ROUNDS = 6  # chosen: two are usual
_HELD_S = 0.5  # chosen: shorter notes beyond their tolerance do not count as sour time
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
    """
    noticed: list[Finding] = []
    given = {stem.code: stem for stem in stems}
    shifts = clock_shifts(session, given)
    parts = {
        code: part_of(given[code], session, a4, tolerances, judging, tempo_map, shifts, noticed)
        for code in sorted(given)
    }
    parts = aimed_at_chords(parts, session, a4, judging, tempo_map)
    standing = exposures(all_notes(parts), _section_labels(parts, session, tempo_map))

    together = shared_steps(
        {code: (part.stem.role, part.aimed, part.shift_s) for code, part in parts.items()},
        tolerances,
    )
    noticed += together
    parts = {code: replace(part, steps_with_all=bool(together)) for code, part in parts.items()}
    noticed += warming({code: (part.stem.role, part.aimed) for code, part in parts.items()})
    rules, clashes, judged = _settled(parts, standing, tolerances, judging, {})
    parts, follows = aimed_at_leads(parts, judged)
    if follows:
        # No lead waits for its double, so its own decisions come out the same again.
        rules, clashes, judged = _settled(parts, standing, tolerances, judging, follows)
    raw = sounding(parts, {})
    before = find_clashes(raw)
    judged = _with_severity(judged, parts, worst_clashes(clashes), standing, tempo_map)

    moves = {k: (j.remaining_cents or 0.0) - (j.heard_cents or 0.0) for k, j in judged.items()}
    after_notes = sounding(parts, moves)
    after = find_clashes(after_notes)

    rows: list[Row] = []
    terms: dict[str, ranking.Terms] = {}
    worst_before = worst_clashes(before)
    for rule_id, rule in rules.items():
        part = parts[rule.stem]
        points = max((clash_points(worst_before[n]) for n in rule.covers if n in worst_before),
                     default=0.0)  # fmt: skip
        row, terms[rule_id] = rule_row(
            rule_id, rule, part.spec, part.stem, tolerances, points, standing, tempo_map,
            part.shift_s, session,
        )  # fmt: skip
        rows.append(row)
    order = [spec.code for spec in session.stems if spec.code in parts]
    asked: list[Row] = []
    for code in order:
        part = parts[code]
        for measured in part.stem.notes:
            one = judged[measured.id]
            if one.action in MOVING_ACTIONS:
                row = note_row(one, part.spec, part.stem, tempo_map, part.shift_s, session)
                rows.append(row)
                terms[row.id] = one.severity_terms
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
        for rule in _offers(parts, tolerances, judging)
    ]  # fmt: skip
    for code in sorted(parts):
        own = [judged[n.id] for n in parts[code].stem.notes]
        retake = retake_row(own, parts[code].spec)
        advice += [retake] if retake else []
    advice = [replace(row, id=f"A-{k + 1:03d}") for k, row in enumerate(advice)]
    all_rows = (*rows, *asked, *advice)

    sour_before_s = round(sour_seconds(raw, before, _held_over(judged, False)), 1)
    sour_after_s = round(sour_seconds(after_notes, after, _held_over(judged, True)), 1)
    if sour_after_s > sour_before_s:
        noticed.append(
            Finding(
                severity="warning",
                what=f"Carried out as it stands, the plan turns {sour_before_s:g} sour seconds "
                f"into {sour_after_s:g}: notes that were off together would part.",
                advice="Go through the edits from the top of the list and stop by ear.",
            )
        )
    return Plan(
        session=session,
        a4=a4,
        judged=tuple(judged[n.id] for code in order for n in parts[code].stem.notes),
        rows=all_rows,
        offenders=ranking.rank(all_rows, terms, session),
        stems=tuple(
            stem_summary(parts[code].stem, judged, [r for r in rules.values() if r.stem == code])
            for code in order
        ),
        facts=facts,
        missing=missing,
        findings=(*findings, *noticed),
        sour_before_s=sour_before_s,
        sour_after_s=sour_after_s,
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


def _found_rules(
    part: Part, aimed: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
) -> tuple[ScopeRule, ...]:
    rules = find_rules(
        aimed,
        part.stem.role,
        tolerances,
        judging,
        leave_alone=frozenset(part.protected),
        expression=part.expression,
        edges_s=part.spec.comp_edges_s,
    )
    # Where everybody steps, no part is mended for it.
    return tuple(rule for rule in rules if not (part.steps_with_all and rule.scope == "span"))


def _settled(
    parts: dict[str, Part],
    standing: dict[str, Standing],
    tolerances: Tolerances,
    judging: Judging,
    follows: dict[str, str],
) -> tuple[dict[str, ScopeRule], tuple[Clash, ...], dict[str, Judged]]:
    """Rules and decisions that leave nothing to plan once they are carried out.

    Single edits can bring out a bias that gross notes hid before. So the rules are looked for again
    in what the decisions leave, and what is found becomes a layer under them.
    """
    found = {c: _applied(_found_rules(p, p.aimed, tolerances, judging)) for c, p in parts.items()}
    for _ in range(_MOST_ROUNDS):
        every = [rule for code in parts for rule in found[code]]
        rules = {f"R-{k + 1:03d}": rule for k, rule in enumerate(every)}
        layers = layers_of(rules)
        layered = sounding(parts, {k: sum(c for _, c in v) for k, v in layers.items()})
        clashes = find_clashes(layered)
        runs = frozenset(k for rule in every if rule.scope == "passage" for k in rule.covers)
        judged = _decide_all(
            parts, layers, clashes, layered, standing, tolerances, judging, runs, follows
        )
        again = False
        for code, part in parts.items():
            # A run of short notes is settled: what its rule leaves is no bias of the part.
            left = tuple(
                carried_out(a, judged[a.measured.id])
                for a in part.aimed
                if a.measured.id not in runs
            )
            more = _applied(_found_rules(part, left, tolerances, judging))
            found[code] = together(found[code], more)
            again = again or bool(more)
        if not again:
            break
    return rules, clashes, judged


def _applied(rules: tuple[ScopeRule, ...]) -> tuple[ScopeRule, ...]:
    return tuple(rule for rule in rules if rule.applied)


def _offers(parts: dict[str, Part], tolerances: Tolerances, judging: Judging) -> list[ScopeRule]:
    return [
        rule
        for part in parts.values()
        for rule in _found_rules(part, part.aimed, tolerances, judging)
        if not rule.applied
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
    follows: dict[str, str],
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
    doubles: dict[str, list[float]] = {}  # lead's note -> where its doubles are left
    for part in parts.values():
        for a in part.aimed:
            note_id = a.measured.id
            heard = (a.heard_cents or 0.0) + sum(c for _, c in layers.get(note_id, ()))
            beside = doubles.setdefault(follows.get(note_id, ""), [])
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
                    comes_round=part.repeated.get(note_id, ""),
                    pushed=note_id in part.pushed,
                    beats=note_id in against_fixed,
                    held_unison_with_fixed=note_id in unisons,
                    spread_cents=_spread(heard, beside) if note_id in follows else 0.0,
                    beats_with=_called(partner) if partner is not None and sore else "",
                )
            )
            if clash is not None and partner is not None:
                one = replace(one, clash_with=partner.id, beating_hz=round(clash.beating_hz, 1))
            judged[note_id] = one
            beside.append(one.remaining_cents or 0.0)
    return judged


def _spread(heard_cents: float, beside: list[float]) -> float:
    """Cents that a double keeps from its lead, and from another double on its own side of it."""
    same_side = any(
        other * heard_cents > 0 and abs(abs(other) - _SPREAD_CENTS) < _SPREAD_CENTS
        for other in beside
    )
    return 2.0 * _SPREAD_CENTS if same_side else _SPREAD_CENTS


def _partner(clash: Clash, note_id: str) -> str:
    return clash.upper_id if clash.lower_id == note_id else clash.lower_id


def _called(note: SoundingNote) -> str:
    return f"{note.stem}'s {note_name(note.midi)}"


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


def _held_over(judged: dict[str, Judged], after: bool) -> frozenset[str]:
    """Held notes beyond their tolerance, as recorded or once the plan is carried out."""
    return frozenset(
        note_id
        for note_id, j in judged.items()
        if j.tolerance_cents is not None
        and j.measured.note.length_s >= _HELD_S
        and (error := j.remaining_cents if after else j.heard_cents) is not None
        and round(abs(error), 1) > j.tolerance_cents
    )


# ---------------------------------------------------------------- severity


def _with_severity(
    judged: dict[str, Judged],
    parts: dict[str, Part],
    worst: dict[str, Clash],
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
                clash_points=clash_points(worst[n.id]) if n.id in worst else 0.0,
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
