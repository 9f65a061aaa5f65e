"""Measured notes in, a plan out: targets, rules, decisions and ranking wired together; pure.

Everything is decided in the order of the stems' codes, so that the order in the session file
decides nothing; only the plan lists its notes in that order.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace

from planner import ranking
from planner.answer.locks import held_by, own_locks, waiting_notes
from planner.answer.parted_rules import parted
from planner.answer.questions import FAR_OFF, role_rows, waiting
from planner.answer.row_ids import name_rows
from planner.answer.ruled import asks_for_own_figures, own_figure
from planner.answer.ruled_rows import NOTHING, Recalled, ruled_rows
from planner.clear.clearing import ordered
from planner.clear.decided import Decided, proposals, sour_of
from planner.clear.few_touched import touching_at_most
from planner.clear.fewest_moves import Backbone
from planner.clear.stays_sour import stays_sour
from planner.clear.thinning import with_thinning
from planner.decide.clash_words import named_stems
from planner.decide.pushed_pitch import voice_findings
from planner.model import ABOUT_ALL, FIXED_ROLES, AudioFacts, Finding, StemNotes
from planner.plan.advising import advice_rows, note_questions
from planner.plan.deciding import Round, in_order
from planner.plan.ground import Ground
from planner.plan.parts import Part, all_notes, clock_shifts, facts_of, far_off, sounding
from planner.plan.planrows import stem_summary
from planner.plan.setup_advice import setup_findings
from planner.plan.standing_still import Still, decide_until_still
from planner.scope.chord_strings import chord_string_findings
from planner.scope.warming import warming
from planner.target.keys import with_keys
from planner.target.movement import movement_findings
from planner.target.named_chords import chord_findings, named_chords
from planner.target.strange_notes import strange_findings
from planner.target.tuner import tuner_findings, unison_findings
from planner.target.typed_keys import key_findings
from planner.targets import curve_hz
from planner.timeline import bars_of
from planner.words.plan_model import OwnFigure, Plan, Row, StemSummary
from planner.words.session_model import Session


def make_plan(
    ground: Ground,
    stems: tuple[StemNotes, ...],
    *,
    missing: tuple[str, ...] = (),
    findings: tuple[Finding, ...] = (),
    own: Mapping[str, OwnFigure] | None = None,
) -> Plan:
    """Decide about every note of a session, and say it as a plan.

    ground : as far as it is given, not worked out
    stems : in any order; each must be in the session. Notes by start.
    missing : codes of stems that were left out
    findings : what was noticed on the way here; those of the plan are added
    own : note id to the planner's own figure of it (`Plan.own_figures`) from an earlier run on the
        same stems and ground, but for what is recalled. Where it is asked for and not given, it
        takes a second decision; the plan is the same.
    """
    session, curve = ground.session, curve_hz(ground.session, ground.a4)
    ground, noticed = _worked_out(ground, stems, curve)
    findings = _with_far_off(ground, stems, findings)
    waits = _waiting(session, stems, findings, ground.recalled)
    stems = tuple(stem for stem in stems if stem.code not in waits)
    missing += tuple(sorted(waits))
    given = {stem.code: stem for stem in stems}
    ground, own = _with_own_figures(ground, given, own)
    done = decide_until_still(ground, given)
    noticed += done.noticed
    if own is None and _is_unasked(ground.recalled):
        own = _own_figures(done)
    made, later = _few_enough(ground, done)
    backbone = ordered(made, session, later, at_stop_line=True)
    moves = proposals(made.rows, made.rules, made.judged)
    beating_s, steps = with_thinning(sour_of(made), moves, backbone.steps)
    noticed += _heard_together(ground, done.first, curve)
    noticed += done.findings
    noticed += _about_instruments(made)
    facts = facts_of(stems)
    rows, told = _rows(ground, done, made, backbone, findings, facts, missing)
    noticed += told
    judged, heard = made.judged, made.recorded
    order = in_order(session, made.parts)
    sung = {k: j.word for k, j in judged.items() if j.word}
    beats = {k: j.clash_words for k, j in judged.items() if j.clash_words}
    return Plan(
        session=session,
        a4=ground.a4,
        judged=tuple(judged[n.id] for code in order for n in made.parts[code].stem.notes),
        rows=rows,
        offenders=ranking.rank(rows, made.terms, session, steps, beats, sung, beating_s),
        stems=tuple(_summed_up(made, code) for code in order),
        facts=facts,
        missing=missing,
        findings=(*findings, *noticed),
        sour_before_s=round(backbone.before_s, 1) + 0.0,  # never -0
        sour_after_s=round(backbone.after_s, 1) + 0.0,
        beating_before_s=round(beating_s, 1) + 0.0,
        stays=stays_sour(made),
        own_figures=tuple((own or {}).items()),
        named=named_stems(heard.clashes, heard.notes),
        movement=done.first.movement.knees if done.first.movement else (),
    )


def _worked_out(
    ground: Ground, stems: tuple[StemNotes, ...], curve: Mapping[int, float]
) -> tuple[Ground, list[Finding]]:
    """Add to the ground what follows from what was given, and give what is to be told of that."""
    session, tempo_map, recalled = ground.session, ground.tempo_map, ground.recalled
    shifts = clock_shifts(session, dict(facts_of(stems)))
    starts = ((n.id, n.note.start_s + shifts[stem.code]) for stem in stems for n in stem.notes)
    bars = bars_of(starts, tempo_map)
    held, still = _held(stems, recalled, bars)
    recalled, told = parted(replace(recalled, held=held, still=still, bars=bars))
    ground = replace(
        ground, shifts=shifts, recalled=recalled, named=named_chords(session, tempo_map),
        a4=with_keys(session, stems, ground.a4, curve),
    )  # fmt: skip
    return ground, list(told)


def _with_far_off(
    ground: Ground, stems: Iterable[StemNotes], findings: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """Add what is asked of parts that are far off as a whole; of all of them it is asked once."""
    asked = {found.stem for found in findings if found.asks == FAR_OFF}
    by_code = sorted(stems, key=lambda stem: stem.code)
    every = (far_off(ground, stem) for stem in by_code if stem.code not in asked)
    far = tuple(one for one in every if one is not None)
    if not any(found.about == ABOUT_ALL for found in findings):
        return (*findings, *far)
    return tuple(
        replace(found, stem=far[0].stem, did=far[0].did, asks=FAR_OFF)
        if far and found.about == ABOUT_ALL
        else found
        for found in findings
    )


def _waiting(
    session: Session, stems: tuple[StemNotes, ...], findings: tuple[Finding, ...], said: Recalled
) -> frozenset[str]:
    """The stems for which nothing is planned before a yes."""
    waits = waiting(findings, said.last_rows, said.rulings)
    if any(found.about == ABOUT_ALL and found.stem in waits for found in findings):
        return frozenset(stem.code for stem in stems)
    if session.reference_from in waits:  # nothing can be judged against it
        return frozenset(stem.code for stem in stems) - waits
    return waits


def _few_enough(ground: Ground, done: Still) -> tuple[Decided, frozenset[str] | None]:
    """What is decided, with no more notes touched than the session allows."""
    most = ground.session.touch_at_most
    few = None
    if most is not None:
        few = touching_at_most(ground, done.made, done.first.standing, most)
    return (done.made, done.later) if few is None else (few, frozenset())


def _heard_together(ground: Ground, first: Round, curve: Mapping[int, float]) -> list[Finding]:
    """What the stems as recorded say beside each other: references, chords, song, room, voices."""
    session, a4, tempo_map = ground.session, ground.a4, ground.tempo_map
    said: list[Finding] = []
    for part in _fixed(first):
        said += tuner_findings(part.stem, a4, curve, tempo_map, part.shift_s)
    said += chord_findings(session, ground.named, all_notes(first.alone))
    said += key_findings(session, a4.a4_hz, tempo_map, all_notes(first.alone))
    said += strange_findings(session, tempo_map, all_notes(first.alone))
    said += unison_findings(sounding(first.alone, {}), a4, tempo_map)
    said += movement_findings(first.movement, tempo_map)
    played = {code: (part.stem.role, part.aimed) for code, part in first.at_first.items()}
    said += warming(played)
    said += voice_findings(played, first.standing)
    return said


def _fixed(first: Round) -> list[Part]:
    return [part for part in first.alone.values() if part.stem.role in FIXED_ROLES]


def _about_instruments(made: Decided) -> list[Finding]:
    said: list[Finding] = []
    for code in sorted(made.parts):
        part = made.parts[code]
        said += setup_findings(part.aimed, part.strings, part.spec)
        said += chord_string_findings(part.aimed, part.strings, part.spec)
    return said


def _rows(
    ground: Ground,
    done: Still,
    made: Decided,
    backbone: Backbone,
    findings: tuple[Finding, ...],
    facts: tuple[tuple[str, AudioFacts], ...],
    missing: tuple[str, ...],
) -> tuple[tuple[Row, ...], tuple[Finding, ...]]:
    """Edits, questions and advice as rows, with their ids and the columns that people fill in."""
    recalled = ground.recalled
    edits = ranking.with_clears(made.rows, backbone.steps)
    asked = [*note_questions(ground, made), *role_rows(findings, recalled.roles_said)]
    advice = advice_rows(ground, made, done.offers, _fixed(done.first))
    return ruled_rows(
        name_rows((*edits, *asked, *advice), recalled.ledger),
        recalled,
        ground.planners or {k: own_figure(j) for k, j in made.tool.items()},
        {code: one.sha256 for code, one in facts},
        missing,
    )


def _summed_up(made: Decided, code: str) -> StemSummary:
    own = [rule for rule in made.rules.values() if rule.stem == code and rule.applied]
    return stem_summary(made.parts[code].stem, made.judged, own)


def _with_own_figures(
    ground: Ground, stems: Mapping[str, StemNotes], own: Mapping[str, OwnFigure] | None
) -> tuple[Ground, Mapping[str, OwnFigure] | None]:
    """The planner's own figures stand beside a person's, and do not move with the answers."""
    recalled = ground.recalled
    notes = (n.id for stem in stems.values() for n in stem.notes)
    if not asks_for_own_figures(recalled.rulings, recalled.held, notes):
        return ground, own
    if own is None:
        own = _own_figures(decide_until_still(replace(ground, recalled=NOTHING), stems))
    return replace(ground, planners=own), own


def _own_figures(alone: Still) -> dict[str, OwnFigure]:
    return {k: own_figure(j) for k, j in alone.made.judged.items()}


def _is_unasked(recalled: Recalled) -> bool:
    """Whether all is decided as if there had been no run and no answer before."""
    a_rule_before = any(k.kind == "rule" for k in recalled.ledger)
    return not (recalled.rulings or recalled.held or a_rule_before)


def _held(
    stems: Iterable[StemNotes], recalled: Recalled, bars: Mapping[str, int]
) -> tuple[dict[str, str], frozenset[str]]:
    """Which notes are locked, by themselves or with their place, by whom; and hands off which."""
    waiting = waiting_notes(recalled.rulings, recalled.last_rows)
    held, still = own_locks(recalled.rulings), set()
    for stem in stems:
        for n in stem.notes:
            said, hands_off = held_by(recalled.place_locks, stem.code, bars.get(n.id))
            if said and (hands_off or n.id not in waiting):
                held[n.id] = said
                still |= {n.id} if hands_off else set()
    return held, frozenset(still)
