"""One round of deciding: measured notes in; targets, rules, decisions and the order of rows out.

Everything is decided in the order of the stems' codes, so that the order in the session file
decides nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import takewhile

from planner import ranking
from planner.answer.answers import Override
from planner.answer.ruled import keeps_row, re_aimed
from planner.answer.ruled_rows import Recalled
from planner.clear.clearing import cleared
from planner.clear.decided import Decided, Recorded, recorded
from planner.clear.kept import Kept
from planner.decide.exposure import Standing, exposures
from planner.decide.tolerances import Exposure
from planner.decide.which_was_meant import known_by_the_song, leaning_to_the_key
from planner.model import VOICE_ROLES, Finding, SessionA4, StemNotes
from planner.pitch import note_name, shift_hz
from planner.plan.ground import Ground
from planner.plan.note_decisions import Known
from planner.plan.parts import Part, all_notes, part_of
from planner.plan.planrows import note_row
from planner.plan.row_places import StemOnClock
from planner.plan.rule_rows import rule_row
from planner.plan.settling import Seen, Settled, settle
from planner.plan.severities import with_severity
from planner.plan.takes import by_note, take_notes
from planner.read.lyrics import words_by_line
from planner.scope.scope_rule import ScopeRule
from planner.target.movement import SongMovement, moved_along, movement_of
from planner.target.retargeting import aimed_at_chords, aimed_at_leads
from planner.target.typed_keys import key_at
from planner.targets import Aimed, aim, target_for
from planner.words.plan_model import EDIT_ACTIONS, Judged, Row, TakeNote
from planner.words.session_model import Session
from planner.words.wording import flat_or_sharp


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round came to."""

    alone: dict[str, Part]  # aimed without the other stems
    at_first: dict[str, Part]  # before doubles follow their lead
    movement: SongMovement | None
    standing: dict[str, Standing]
    made: Decided
    kept: Kept
    seen: Seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What lies beside a stem's notes, whatever their cents: it is laid out once."""

    words: Mapping[str, str]  # sung on the note, by id
    takes: Mapping[str, tuple[TakeNote, ...]]  # the same note in other takes, by id
    noticed: tuple[Finding, ...] = ()  # what the takes are worth


def laid_beside(ground: Ground, stems: Mapping[str, StemNotes]) -> dict[str, Beside]:
    """Lay words and other takes beside the notes of each stem, by its code."""
    found = {}
    for code in sorted(stems):
        stem = stems[code]
        takes = [take for take in ground.takes if take.stem == code]
        same: list[dict[str, TakeNote]] = []
        noticed: list[Finding] = []
        aimed = _aimed_at(ground, stem).aimed if takes else ()
        for take in takes:
            notes, findings = take_notes(aimed, take, ground.a4.a4_hz)
            same.append(notes)
            noticed += findings
        sung: dict[str, str] = {}
        if stem.role in VOICE_ROLES:
            sung = words_by_line(stem.notes, ground.shifts[code], ground.session, ground.tempo_map)
            sung |= {n.id: ground.words[n.id] for n in stem.notes if n.id in ground.words}
        found[code] = Beside(words=sung, takes=by_note(same), noticed=tuple(noticed))
    return found


def aimed_alone(
    ground: Ground, stem: StemNotes, beside: Beside, *, as_a_whole: bool = True
) -> Part:
    """Aim one stem's notes without the others."""
    part = _aimed_at(ground, stem, as_a_whole=as_a_whole)
    return replace(part, takes=beside.takes, words=beside.words)


def _aimed_at(ground: Ground, stem: StemNotes, *, as_a_whole: bool = True) -> Part:
    part = part_of(ground, stem, may_move_as_a_whole=as_a_whole)
    return replace(part, aimed=_re_aimed(part, ground.session, ground.a4, ground.recalled))


def decide_once(
    ground: Ground,
    stems: Mapping[str, StemNotes],
    beside: Mapping[str, Beside],
    before: Mapping[str, ScopeRule] | None = None,
    mended: frozenset[str] = frozenset(),
    earlier: Round | None = None,
) -> Round:
    """Decide about all notes so that no row adds sour time.

    stems : stem code -> notes
    beside : stem code -> what lies beside its notes (`laid_beside`)
    before : rules of earlier rounds, by id, whose moves the notes have made; None on the first
        round. What people have set or refused is not decided again.
    mended : ids of the notes that earlier rounds moved by themselves
    earlier : Round, optional
        The round before: what it says of stems and notes that were not moved since is taken again.
    """
    was = earlier.alone if earlier else {}
    alone = {
        code: was[code]
        if code in was and was[code].stem is stems[code]
        else aimed_alone(ground, stems[code], beside[code])
        for code in sorted(stems)
    }
    movement = movement_of(alone)

    def with_others(parts: dict[str, Part]) -> dict[str, Part]:
        return aimed_at_chords(
            _known(moved_along(parts, movement), ground),
            ground.session, ground.a4, ground.judging, ground.tempo_map, ground.named,
        )  # fmt: skip

    at_first = with_others(alone)
    standing = exposures(all_notes(at_first), _section_labels(at_first, ground))

    leads: dict[str, Judged] = {}  # as last decided
    seen = Seen(decisions=Known(cases=earlier.seen.decisions.cases)) if earlier else Seen()

    # A search tries many rows, and few of them are of a whole part: each is aimed once.
    @cache
    def stuck(code: str) -> Part:
        return aimed_alone(ground, stems[code], beside[code], as_a_whole=False)

    @cache
    def aimed_but(codes: frozenset[str]) -> dict[str, Part]:
        return with_others(alone | {code: stuck(code) for code in codes}) if codes else at_first

    @cache
    def as_recorded(parts: tuple[Part, ...]) -> Recorded:
        return recorded({part.stem.code: part for part in parts})

    def decided(kept: Kept) -> Decided:
        parts = aimed_but(kept.not_as_a_whole)

        def settled(parts: dict[str, Part], follows: Mapping[str, str]) -> Settled:
            heard = as_recorded(tuple(parts.values()))
            return settle(ground, parts, heard, standing, kept, follows, before, mended, seen)

        # No lead waits for its double, so its own decisions come out the same whatever the double
        # is aimed at: mostly as in the try before, and then once is enough.
        aim_at, follows = aimed_at_leads(parts, leads)
        one = settled(aim_at, follows)
        found = aimed_at_leads(parts, one.judged)
        if not _same_targets(found[0], aim_at) or found[1] != follows:
            aim_at, follows = found
            one = settled(aim_at, follows)
        leads.update(one.judged)
        judged = with_severity(one.judged, aim_at, one.points, standing, ground)
        heard = as_recorded(tuple(aim_at.values()))
        return with_rows(ground, aim_at, heard, one.rules, judged, one.tool, standing)

    made, _, kept = cleared(decided, ground.session, ground.tolerances.limits)
    return Round(
        alone=alone, at_first=at_first, movement=movement, standing=standing, made=made,
        kept=kept, seen=seen,
    )  # fmt: skip


def _known(parts: dict[str, Part], ground: Ground) -> dict[str, Part]:
    """Lay beside notes why it is known which were meant, or why another may be.

    Where blue notes are protected, a pitch between two notes may be meant so.
    """
    if ground.judging.protect_blue_notes:
        return parts
    ask_cents = ground.tolerances.limits.ask_beyond_cents
    between = {
        a.measured.id for part in parts.values() for a in part.aimed if a.target.between_notes
    }
    notes, key = all_notes(parts), partial(key_at, ground.session, ground.tempo_map)
    # A part that is moved as a whole lies so far off at most, or its notes are named by it.
    by = known_by_the_song(notes, between, ask_cents - (50.0 - ask_cents), key)
    leans = leaning_to_the_key(notes, between, ask_cents, key)
    return {code: replace(part, known_by=by, leans_to_key=leans) for code, part in parts.items()}


def _same_targets(some: Mapping[str, Part], others: Mapping[str, Part]) -> bool:
    return all(
        [a.target for a in part.aimed] == [a.target for a in others[code].aimed]
        for code, part in some.items()
        if part.stem.role == "voice-double"
    )


def with_rows(
    ground: Ground,
    parts: dict[str, Part],
    heard: Recorded,
    rules: dict[str, ScopeRule],
    judged: dict[str, Judged],
    tool: dict[str, Judged],
    standing: dict[str, Standing],
) -> Decided:
    """Say rules and decisions as rows: rules first, then the notes in the session's order."""
    rows: list[Row] = []
    terms: dict[str, ranking.Terms] = {}
    for rule_id, rule in rules.items():
        part = parts[rule.stem]
        worst = max((heard.points.get(n, 0.0) for n in rule.covers), default=0.0)
        row, terms[rule_id] = rule_row(
            rule_id, rule, on_clock(ground, part), ground.tolerances, worst, standing, part.factors,
            after=_larger_rules(rule_id, rules),
        )  # fmt: skip
        rows.append(row)
    for code in in_order(ground.session, parts):
        part = parts[code]
        on = on_clock(ground, part)
        for measured in part.stem.notes:
            one = judged[measured.id]
            if one.action in EDIT_ACTIONS or keeps_row(one, ground.recalled.rulings):
                row = note_row(one, on)
                rows.append(row)
                terms[row.id] = one.severity_terms
    told, terms = ranking.with_repeats(rows, terms)
    return Decided(
        parts=parts, recorded=heard, rules=rules, judged=judged, tool=tool, rows=told, terms=terms
    )  # fmt: skip


def _larger_rules(rule_id: str, rules: Mapping[str, ScopeRule]) -> list[str]:
    """Name the rules on top of which one comes: they are found first, and move some of its notes.

    rules: largest first
    """
    own = set(rules[rule_id].covers)
    larger = takewhile(lambda k: k != rule_id, rules)
    return [k for k in larger if rules[k].add_cents and not own.isdisjoint(rules[k].covers)]


def on_clock(ground: Ground, part: Part) -> StemOnClock:
    """Give what the rows of a part are written with."""
    return StemOnClock(
        spec=part.spec, stem=part.stem, shift_s=part.shift_s, tempo_map=ground.tempo_map,
        session=ground.session,
    )  # fmt: skip


def in_order(session: Session, parts: Mapping[str, Part]) -> list[str]:
    """Give the codes of some parts in the session's order."""
    return [spec.code for spec in session.stems if spec.code in parts]


def _section_labels(parts: dict[str, Part], ground: Ground) -> dict[str, Exposure]:
    session, tempo_map = ground.session, ground.tempo_map
    labels: dict[str, Exposure] = {}
    if tempo_map is None or not session.sections:
        return labels
    for part in parts.values():
        for n in part.stem.notes:
            bar, _ = tempo_map.played_at(n.note.start_s + part.shift_s)
            for section in session.sections:
                if section.from_bar <= bar <= section.to_bar:
                    labels[n.id] = section.exposure
    return labels


def _re_aimed(part: Part, session: Session, a4: SessionA4, recalled: Recalled) -> tuple[Aimed, ...]:
    def aim_at(a: Aimed, wanted: Override, who: str) -> Aimed:
        target, midi = a.target, wanted.intended_midi
        if midi is not None:
            target = target_for(
                a.measured, part.stem.role, session, a4,
                intended_midi=midi, follow_keys=part.spec.follow_keys,
            )  # fmt: skip
            said = f"{who} says {note_name(midi)}, the planner {note_name(a.target.intended_midi)}"
            whence = target.target_from.removeprefix("score, ")
            target = replace(target, target_from=f"{whence}; {said}")
        if wanted.target_cents is not None:
            target = replace(
                target,
                target_hz=shift_hz(target.target_hz, wanted.target_cents),
                target_from=f"{target.target_from}; {flat_or_sharp(wanted.target_cents)} of it, "
                f"says {who}",
                set_by_hand=True,
            )
        return aim(a.measured, target)

    return re_aimed(part.aimed, recalled.rulings, aim_at)
