"""One run from end to end: reads, listens, plans, writes, and re-checks its promises.

It wires the rooms together and holds no arithmetic. What `planner.listening` hears in the stems
comes in the order of the session file, so that the same input gives the same bytes however many
processes ran, and whatever is known from a run before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from planner.a4 import find_session_a4
from planner.bleed import without_bleed
from planner.errors import AudioError, PromiseError
from planner.excerpts import read_excerpts
from planner.files.audio import sha256_of
from planner.files.configs import read_tolerances
from planner.files.measured_notes import keep_figures, keep_measured, kept_notes, read_figures
from planner.heard_stem import HeardStem, found_share
from planner.inspection import inspect_facts
from planner.inspection_notes import inspect_notes
from planner.inspection_one_source import linked_findings
from planner.inspection_places import inspect_places
from planner.inspection_tuning import told_once
from planner.listening import AllHeard, Progress, hear_all, hear_takes, or_told
from planner.model import AudioFacts, Finding, MeasuredNote, StemNotes
from planner.note_ids import keep_ids
from planner.opening import (
    Opened,
    judging_of,
    open_session,
    other_files,
    places_of,
    scores_of,
    sources_of,
    tempo_map_of,
)
from planner.parts import clock_shifts
from planner.plan_model import Plan
from planner.planning import make_plan
from planner.recalling import answers_of, ledger_after, remember, since_last, with_said_roles
from planner.record_sum import sum_of
from planner.score_use import meant_notes, words_sung
from planner.session_model import Session
from planner.spelling import spelled
from planner.timeline import TempoMap
from planner.tuner import keyboard_findings
from planner.typed_spans import with_typed_spans
from planner.writing import write_plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A finished run: the plan and the folder it was written into."""

    plan: Plan
    folder: Path


def plan_session(
    session_path: Path,
    *,
    out: Path | None = None,
    without: Sequence[str] = (),
    keep_going: bool = False,
    jobs: int | None = None,
    csv_bom: bool = True,
    csv_delimiter: str = ",",
    page_sound: bool = True,
    measure_anew: bool = False,
    progress: Progress = lambda line: None,
) -> Planned:
    """Plan a session and write the result into a new numbered folder.

    session_path: the session file.
    out: folder for numbered plans; default: beside the session file, outside the audio folder.
    without: codes of stems to leave out.
    keep_going: leave out stems that cannot be read, instead of stopping.
    jobs: processes; default: one per core, at most one per stem.
    csv_bom, csv_delimiter: how ``edit_list.csv`` and ``offenders.csv`` are written.
    page_sound: let the review page hold short excerpts of the stems, for listening.
    measure_anew: listen to every stem, whatever is known of it from a run before, and keep nothing.
    progress: told one line per step.

    Raises
    ------
    PlannerError
        In words, for everything a user can cause; nothing is written then.
    """
    opened = open_session(session_path, without=without, keep_going=keep_going)
    tempo_map = tempo_map_of(opened)
    tolerances = read_tolerances()
    judging = judging_of(opened)
    folders, out = places_of(opened, out)
    answers = answers_of(opened, out)
    opened = with_said_roles(opened, answers)
    scores, found = scores_of(opened, tempo_map, keep_going=keep_going)
    remembered = remember(opened, out, answers)
    sources = sources_of(opened)
    beside = {
        path: sha256_of(path)
        for path in (*opened.linked, *([opened.rough_mix] if opened.rough_mix else []))
    }
    beside |= {path: source.sha256 for source, path in sources}

    kept = None if measure_anew else kept_notes(out, session_path)
    heard = hear_all(opened, scores, keep_going=keep_going, jobs=jobs, progress=progress, kept=kept)
    if not heard.stems:
        raise AudioError(
            "no stem is left to plan.", file=str(session_path), hint="Check the files it names."
        )
    others = hear_takes(
        opened, opened.takes, keep_going=keep_going, jobs=jobs, progress=progress, kept=kept,
        sums=beside,
    )  # fmt: skip
    progress("placing notes against the reference")
    stems = _stems_of(heard, opened.session)
    facts = tuple((one.code, one.facts) for one in heard.stems)
    a4 = find_session_a4(opened.session, stems)
    before = remembered.before
    stems, ledger, of_ids = keep_ids(stems, a4.a4_hz, before.ledger, tempo_map, before.rulings)
    stems, of_spans = with_typed_spans(stems, before.rulings)
    meant, told = meant_notes(stems, scores, a4.a4_hz, tempo_map)
    noticed = _noticed(opened.session, stems, facts, meant, told, tempo_map)
    a4 = told_once(a4, noticed)
    findings = (
        *opened.findings,
        *found,
        *heard.findings,
        *others.findings,
        *noticed,
        *remembered.findings,
        *of_ids,
        *of_spans,
    )
    words = words_sung(stems, scores, a4.a4_hz)
    key, own = "", None
    if kept is not None:
        rests_on = (opened.session, stems, a4, tolerances, judging, tempo_map, meant, words)
        key = sum_of(kept.program, rests_on, others.takes)
        own = or_told(progress, partial(read_figures, kept, key))
    plan = make_plan(
        session=opened.session,
        stems=stems,
        a4=a4,
        tolerances=tolerances,
        judging=judging,
        tempo_map=tempo_map,
        facts=facts,
        missing=(*opened.missing, *heard.lost),
        findings=findings,
        recalled=remembered.recalled(ledger),
        meant=meant,
        words=words,
        takes=others.takes,
        sources=tuple(source for source, _ in sources),
        own=own,
    )
    plan = spelled(plan, tempo_map, clock_shifts(opened.session, dict(facts)))
    plan = replace(plan, since=since_last(remembered.past, plan))
    progress("writing the plan")
    paths = {spec.code: path for spec, path, _ in opened.stems}
    excerpts = read_excerpts(plan, paths, opened.rough_mix) if page_sound else ()
    _check_unchanged(opened, heard.stems, beside)
    folder = write_plan(
        plan,
        tempo_map,
        out,
        folders,
        ledger=ledger_after(plan, ledger),
        typed=remembered.typed,
        csv_bom=csv_bom,
        csv_delimiter=csv_delimiter,
        excerpts=excerpts,
    )
    _check_unchanged(opened, heard.stems, beside)
    if kept is not None:  # all else is done, so a full disk is only told
        fresh = (*heard.fresh, *others.fresh)
        or_told(progress, partial(keep_measured, kept, fresh, folders))
        if own is None and plan.own_figures:
            figures = dict(plan.own_figures)
            or_told(progress, partial(keep_figures, kept, key, figures, folders))
    return Planned(plan=plan, folder=folder)


def inspect_session(
    session_path: Path, *, without: Sequence[str] = (), progress: Progress = lambda line: None
) -> tuple[Session, tuple[tuple[str, AudioFacts], ...], tuple[Finding, ...]]:
    """Go over the files of a session and say what is wrong.

    A stem that cannot be read is a finding here, not a stop. Nothing is written but what was
    measured, so that the plan after it need not listen again.
    """
    opened = open_session(session_path, without=without, keep_going=True)
    folders, out = places_of(opened, None)
    opened = with_said_roles(opened, answers_of(opened, out))
    tempo_map = tempo_map_of(opened)
    scores, found = scores_of(opened, tempo_map, keep_going=True)
    kept = kept_notes(out, session_path)
    heard = hear_all(opened, scores, keep_going=True, jobs=None, progress=progress, kept=kept)
    stems = _stems_of(heard, opened.session)
    facts = tuple((one.code, one.facts) for one in heard.stems)
    a4 = find_session_a4(opened.session, stems)
    meant, told = meant_notes(stems, scores, a4.a4_hz, tempo_map)
    others = hear_takes(
        opened, other_files(opened), keep_going=True, jobs=None, progress=progress, kept=kept,
        kept_as="linked",
    )  # fmt: skip
    # Of files that changed while they were listened to nothing is kept.
    fresh = [
        one
        for one in (*heard.fresh, *others.fresh)
        if sha256_of(one.path) == one.heard.facts.sha256
    ]
    or_told(progress, partial(keep_measured, kept, fresh, folders))
    by_code = {stem.code: stem for stem in stems}
    noticed = _noticed(opened.session, stems, facts, meant, told, tempo_map)
    a4 = told_once(a4, noticed)
    findings = (
        *opened.findings,
        *found,
        *heard.findings,
        *others.findings,
        *noticed,
        *(
            finding
            for other in others.takes
            if other.stem in by_code
            for finding in linked_findings(by_code[other.stem], other.take.file, other.notes)
        ),
        *a4.findings,
        *keyboard_findings(opened.session, stems, a4),
    )
    return opened.session, facts, findings


# ------------------------------------------------------------------ what was heard


def _stems_of(heard: AllHeard, session: Session) -> tuple[StemNotes, ...]:
    """The notes of every stem, without those that are another stem's, numbered."""
    specs = {spec.code: spec for spec in session.stems}
    stems = tuple(
        StemNotes(
            code=one.code,
            role=specs[one.code].role,
            several_notes=specs[one.code].several_notes,
            found_in=found_share(one),
            facts=one.facts,
            notes=tuple(MeasuredNote(id="", note=n, measurement=m) for n, m in one.notes),
            findings=one.findings,
        )
        for one in heard.stems
    )
    return _with_ids(without_bleed(stems, heard.leaking))


def _with_ids(stems: tuple[StemNotes, ...]) -> tuple[StemNotes, ...]:
    """Number the notes of each stem by start, then pitch: LV-0001, LV-0002, ..."""
    numbered = []
    for stem in stems:
        notes = sorted(stem.notes, key=lambda one: (one.note.start_smp, one.note.pitch_hz))
        named = (replace(one, id=f"{stem.code}-{k:04d}") for k, one in enumerate(notes, start=1))
        numbered.append(replace(stem, notes=tuple(named)))
    return tuple(numbered)


def _noticed(
    session: Session,
    stems: tuple[StemNotes, ...],
    facts: Sequence[tuple[str, AudioFacts]],
    meant: dict[str, int],
    told: tuple[Finding, ...],
    tempo_map: TempoMap | None,
) -> tuple[Finding, ...]:
    """Everything that files and notes show by themselves: the same for a plan and an inspection."""
    specs = {spec.code: spec for spec in session.stems}
    scored = frozenset(note_id.rpartition("-")[0] for note_id in meant)
    return (
        *inspect_facts(session, [(specs[code], one) for code, one in facts]),
        *inspect_notes(session, stems, scored=scored),
        *inspect_places(session, stems, tempo_map),
        *told,
        *(finding for stem in stems for finding in stem.findings),
    )


def _check_unchanged(opened: Opened, heard: Sequence[HeardStem], beside: dict[Path, str]) -> None:
    before = dict(beside)
    by_code = {one.code: one.facts.sha256 for one in heard}
    before.update(
        {path: by_code[spec.code] for spec, path, _ in opened.stems if spec.code in by_code}
    )
    for path, sha256 in before.items():
        if sha256_of(path) != sha256:
            what = "the file changed while the plan was made."
            hint = "Nothing of ours writes to it: see what does, then plan again."
            raise PromiseError(what, file=path.name, hint=hint)
