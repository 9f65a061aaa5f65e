"""One run from end to end: reads, listens, plans, writes, and re-checks its promises.

It wires the rooms together and holds no arithmetic. What `planner.edges.listening` hears in the
stems comes in the order of the session file, so that the same input gives the same bytes however
many processes ran, and whatever is known from a run before.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from planner.a4 import find_session_a4
from planner.answer.answers import Entry
from planner.answer.note_ids import keep_ids
from planner.edges.heard_stem import found_share
from planner.edges.listening import AllHeard, Listening, Progress, hear_all, hear_takes, or_told
from planner.edges.opening import (
    Opened,
    judging_of,
    open_session,
    other_files,
    places_of,
    scores_of,
    sources_of,
    tempo_map_of,
)
from planner.edges.recalling import (
    answers_of,
    ledger_after,
    remember,
    since_last,
    with_said_roles,
    with_typed_spans,
)
from planner.edges.writing import AS_USUAL, Form, read_excerpts, write_plan
from planner.errors import AudioError, OutputError
from planner.files.audio import check_unchanged, sha256_of
from planner.files.configs import read_tolerances
from planner.files.measured_notes import KeptNotes, keep_figures, kept_notes, read_figures
from planner.files.plan_folder import refuse_unwritable
from planner.inspect.inspection import inspect_facts
from planner.inspect.inspection_notes import inspect_notes
from planner.inspect.inspection_one_source import linked_findings
from planner.inspect.inspection_places import inspect_places
from planner.inspect.inspection_tuning import told_once
from planner.leaks.bleed import without_bleed
from planner.model import AudioFacts, Finding, MeasuredNote, SessionA4, StemNotes
from planner.plan.ground import Ground
from planner.plan.parts import clock_shifts, facts_of
from planner.plan.planning import make_plan
from planner.score.score_match import StemScore
from planner.score.score_use import ScoresSay, scores_say
from planner.target.tuner import keyboard_findings
from planner.timeline import TempoMap
from planner.words.plan_model import Plan
from planner.words.record_sum import sum_of
from planner.words.session_model import Session
from planner.words.spelling import spelled
from planner.write.asking import with_asked


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
    form: Form = AS_USUAL,
    measure_anew: bool = False,
    progress: Progress = lambda line: None,
) -> Planned:
    """Plan a session and write the result into a new numbered folder.

    session_path: the session file.
    out: folder for numbered plans; default: beside the session file, outside the audio folder.
    without: codes of stems to leave out.
    keep_going: leave out stems that cannot be read, instead of stopping.
    jobs: processes; default: one per core, at most one per stem.
    form: how the files of the plan are written.
    measure_anew: listen to every stem, whatever is known of it from a run before, and keep nothing.
    progress: told one line per step.

    Raises PlannerError in words, for everything a user can cause; nothing is written then.
    """
    read = _read(session_path, out, without=without, keep_going=keep_going)
    refuse_unwritable(read.out, read.folders)  # before hours of listening, not after
    opened, session, tempo_map = read.opened, read.opened.session, read.tempo_map
    tolerances, judging = read_tolerances(), judging_of(opened)
    remembered = remember(opened, read.out, read.answers)
    sources = sources_of(opened)
    mix = () if opened.rough_mix is None else (opened.rough_mix,)
    beside = {path: sha256_of(path) for path in (*opened.linked, *mix)}
    beside |= {path: source.sha256 for source, path in sources}

    kept = None if measure_anew else _kept(read)
    how = Listening(keep_going=keep_going, jobs=jobs, progress=progress, kept=kept, sums=beside)
    heard = hear_all(opened, read.scores, how)
    if not heard.stems:
        raise AudioError(
            "no stem is left to plan.", file=str(session_path), hint="Check the files it names."
        )
    others = hear_takes(opened, opened.takes, how)

    progress("placing notes against the reference")
    stems = _stems_of(heard, session)
    a4 = find_session_a4(session, stems)
    before = remembered.before
    stems, ledger, of_ids = keep_ids(stems, a4.a4_hz, before.ledger, tempo_map, before.rulings)
    stems, of_spans = with_typed_spans(stems, before.rulings)
    noticed = _noticed(read, stems, a4)
    ground = Ground(
        session=session, a4=noticed.a4, tolerances=tolerances, judging=judging,
        tempo_map=tempo_map, meant=noticed.scores.meant, words=noticed.scores.words,
        takes=others.takes,
    )  # fmt: skip
    key, own = "", None
    if kept is not None:
        key = sum_of(kept.program, stems, ground)
        own = or_told(progress, partial(read_figures, kept, key))
    plan = make_plan(
        replace(ground, recalled=remembered.recalled(ledger)),
        stems,
        missing=(*opened.missing, *heard.lost),
        findings=(
            *read.findings, *heard.findings, *others.findings, *noticed.findings,
            *remembered.findings, *of_ids, *of_spans,
        ),
        own=own,
    )  # fmt: skip
    plan = with_asked(spelled(plan, tempo_map, clock_shifts(session, dict(plan.facts))))
    plan = replace(
        plan,
        sources=tuple(source for source, _ in sources),
        since=since_last(remembered.past, plan),
    )

    progress("writing the plan")
    paths = {stem.spec.code: stem.path for stem in opened.stems}
    excerpts = read_excerpts(plan, paths, opened.rough_mix) if form.page_sound else ()
    sums = beside | {paths[one.code]: one.facts.sha256 for one in heard.stems}
    unchanged = partial(check_unchanged, sums, during="the plan was made", again="plan again")
    unchanged()
    folder = write_plan(
        plan, tempo_map, read.out, read.folders, form,
        ledger=ledger_after(plan, ledger), typed=remembered.typed, excerpts=excerpts,
    )  # fmt: skip
    unchanged()
    if kept is not None and own is None and plan.own_figures:
        figures = dict(plan.own_figures)  # all else is done, so a full disk is only told
        or_told(progress, partial(keep_figures, kept, key, figures))
    return Planned(plan=plan, folder=folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """What going over the files of a session came to."""

    session: Session
    facts: tuple[tuple[str, AudioFacts], ...]  # by code, of the stems that could be read
    findings: tuple[Finding, ...]


def inspect_session(
    session_path: Path, *, without: Sequence[str] = (), progress: Progress = lambda line: None
) -> Inspected:
    """Go over the files of a session and say what is wrong.

    A stem that cannot be read is a finding here, not a stop. Nothing is written but what was
    measured, so that the plan after it need not listen again.
    """
    read = _read(session_path, None, without=without, keep_going=True)
    opened, session = read.opened, read.opened.session
    how = Listening(keep_going=True, progress=progress, kept=_kept(read))
    heard = hear_all(opened, read.scores, how)
    others = hear_takes(opened, other_files(opened), how, kept_as="linked")
    stems = _stems_of(heard, session)
    noticed = _noticed(read, stems, find_session_a4(session, stems))
    by_code = {stem.code: stem for stem in stems}
    linked = (
        finding
        for other in others.takes
        if other.stem in by_code
        for finding in linked_findings(by_code[other.stem], other.take.file, other.notes)
    )
    findings = (
        *read.findings, *heard.findings, *others.findings, *noticed.findings, *linked,
        *noticed.a4.findings, *keyboard_findings(session, stems, noticed.a4),
    )  # fmt: skip
    return Inspected(session=session, facts=facts_of(stems), findings=findings)


# ------------------------------------------------------------------ what is said


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """A session with what the files say that it names beside its stems."""

    opened: Opened
    folders: tuple[Path, ...]  # that are never written to
    out: Path
    answers: tuple[Entry, ...]
    tempo_map: TempoMap | None
    scores: Mapping[str, StemScore]
    findings: tuple[Finding, ...]


def _read(
    session_path: Path, out: Path | None, *, without: Sequence[str], keep_going: bool
) -> _Read:
    opened = open_session(session_path, without=without, keep_going=keep_going)
    tempo_map = tempo_map_of(opened)
    folders, out = places_of(opened, out)
    answers = answers_of(opened, out)
    opened = with_said_roles(opened, answers)
    scores, of_scores = scores_of(opened, tempo_map, keep_going=keep_going)
    return _Read(
        opened=opened, folders=folders, out=out, answers=answers, tempo_map=tempo_map,
        scores=scores, findings=(*opened.findings, *of_scores),
    )  # fmt: skip


def _kept(read: _Read) -> KeptNotes:
    """Where measured notes are kept; those kept beside the session count wherever plans go."""
    try:
        _, usual = places_of(read.opened, None)
    except OutputError:
        usual = read.out  # there is no such place
    return kept_notes(read.out, read.opened.path, usual=usual, audio=read.folders)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noticed:
    """What files, notes and scores show by themselves."""

    a4: SessionA4  # without findings that are among those below
    scores: ScoresSay
    findings: tuple[Finding, ...]


def _noticed(read: _Read, stems: tuple[StemNotes, ...], a4: SessionA4) -> _Noticed:
    """Go over what was heard: the same for a plan and an inspection."""
    session, tempo_map = read.opened.session, read.tempo_map
    said = scores_say(stems, read.scores, a4.a4_hz, tempo_map)
    specs = {spec.code: spec for spec in session.stems}
    scored = frozenset(note_id.rpartition("-")[0] for note_id in said.meant)
    findings = (
        *inspect_facts(session, [(specs[code], one) for code, one in facts_of(stems)]),
        *inspect_notes(session, stems, scored=scored, a4=a4),
        *inspect_places(session, stems, tempo_map),
        *said.findings,
        *(finding for stem in stems for finding in stem.findings),
    )
    return _Noticed(a4=told_once(a4, findings), scores=said, findings=findings)
