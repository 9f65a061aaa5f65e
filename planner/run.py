"""One run from end to end: reads, listens, plans, writes, and re-checks its promises.

It wires the rooms together and holds no arithmetic. Stems are heard in parallel processes; what
they find is put back in the order of the session file, so that the same input gives the same
bytes however many processes ran.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.a4 import find_session_a4
from planner.bleed import without_bleed
from planner.editlist import edit_list_to_dict
from planner.errors import AudioError, PlannerError, PromiseError, SessionError
from planner.files.audio import find_audio_file, sha256_of
from planner.files.configs import read_judging, read_tolerances
from planner.files.edit_list import (
    check_edit_lists,
    write_edit_list_csv,
    write_edit_list_yaml,
    yaml_bytes,
)
from planner.files.midi import read_back_guide, read_tempo_file, write_midi
from planner.files.plan_folder import (
    audio_folders,
    default_out_folder,
    write_plan_folder,
)
from planner.files.session_file import read_session
from planner.files.tables import notes_csv, offenders_csv
from planner.guide import (
    guide_midi,
    guide_note_starts,
    guide_traces_midi,
    worst_start_error_s,
)
from planner.hearing import HeardStem, hear_stem
from planner.inspection import inspect_facts, inspect_notes
from planner.model import (
    AudioFacts,
    Finding,
    MeasuredNote,
    Plan,
    Session,
    StemNotes,
    StemSpec,
)
from planner.page import review_page
from planner.planning import make_plan
from planner.provenance import run_record
from planner.summary import offenders_markdown, summary_markdown
from planner.timeline import TempoMap, tempo_map_from_marks

Progress = Callable[[str], None]

_GUIDE_WITHIN_S = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A finished run: the plan and the folder it was written into."""

    plan: Plan
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class _Opened:
    """A session with the place of every stem's files."""

    session: Session
    path: Path
    stems: tuple[tuple[StemSpec, Path, str], ...]  # the file to measure, and its written name
    linked: tuple[Path, ...]
    missing: tuple[str, ...]
    findings: tuple[Finding, ...]


def plan_session(
    session_path: Path,
    *,
    out: Path | None = None,
    without: Sequence[str] = (),
    keep_going: bool = False,
    jobs: int | None = None,
    csv_bom: bool = True,
    csv_delimiter: str = ",",
    progress: Progress = lambda line: None,
) -> Planned:
    """Plan a session and write the result into a new numbered folder.

    Parameters
    ----------
    session_path : Path
        The session file.
    out : Path, optional
        Folder for numbered plans; default: beside the session file, outside the audio folder.
    without : sequence of str
        Codes of stems to leave out.
    keep_going : bool
        Leave out stems that cannot be read, instead of stopping.
    jobs : int, optional
        Processes; default: one per core, at most one per stem.
    csv_bom, csv_delimiter
        How ``edit_list.csv`` and ``offenders.csv`` are written.
    progress : callable
        Told one line per step.

    Raises
    ------
    PlannerError
        In words, for everything a user can cause; nothing is written then.
    """
    opened = _open(session_path, without=without, keep_going=keep_going)
    tempo_map = _tempo_map(opened)
    tolerances = read_tolerances()
    judging = read_judging(opened.session.judging, beside=session_path.parent)
    folders, out = _places(opened, out)
    linked_before = {path: sha256_of(path) for path in opened.linked}

    heard, lost, findings = _hear_all(opened, keep_going=keep_going, jobs=jobs, progress=progress)
    if not heard:
        raise AudioError(
            "no stem is left to plan.", file=str(session_path), hint="Check the files it names."
        )
    progress("placing notes against the reference")
    stems = _with_ids(without_bleed(tuple(_stem_notes(one, opened.session) for one in heard)))
    facts = tuple((one.code, one.facts) for one in heard)
    a4 = find_session_a4(opened.session, stems)
    specs = {spec.code: spec for spec in opened.session.stems}
    findings = (
        *opened.findings,
        *findings,
        *inspect_facts(opened.session, [(specs[code], one) for code, one in facts]),
        *inspect_notes(opened.session, stems),
    )
    plan = make_plan(
        session=opened.session,
        stems=stems,
        a4=a4,
        tolerances=tolerances,
        judging=judging,
        tempo_map=tempo_map,
        facts=facts,
        missing=(*opened.missing, *lost),
        findings=findings,
    )
    progress("writing the plan")
    _check_unchanged(opened, heard, linked_before)
    folder = _write(plan, tempo_map, out, folders, csv_bom=csv_bom, csv_delimiter=csv_delimiter)
    _check_unchanged(opened, heard, linked_before)
    return Planned(plan=plan, folder=folder)


def inspect_session(
    session_path: Path,
    *,
    without: Sequence[str] = (),
    jobs: int | None = None,
    progress: Progress = lambda line: None,
) -> tuple[Session, tuple[tuple[str, AudioFacts], ...], tuple[Finding, ...]]:
    """Go over the files of a session and say what is wrong; nothing is written.

    A stem that cannot be read is a finding here, not a stop.
    """
    opened = _open(session_path, without=without, keep_going=True)
    heard, _, findings = _hear_all(opened, keep_going=True, jobs=jobs, progress=progress)
    specs = {spec.code: spec for spec in opened.session.stems}
    stems = _with_ids(without_bleed(tuple(_stem_notes(one, opened.session) for one in heard)))
    facts = tuple((one.code, one.facts) for one in heard)
    findings = (
        *opened.findings,
        *findings,
        *inspect_facts(opened.session, [(specs[code], one) for code, one in facts]),
        *inspect_notes(opened.session, stems),
        *(finding for stem in stems for finding in stem.findings),
        *find_session_a4(opened.session, stems).findings,
    )
    return opened.session, facts, findings


# ------------------------------------------------------------------ opening


def _open(session_path: Path, *, without: Sequence[str], keep_going: bool) -> _Opened:
    session, findings = read_session(session_path)
    codes = [spec.code for spec in session.stems]
    for code in without:
        if code not in codes:
            raise SessionError(
                f"--without {code}: no stem has this code.",
                file=str(session_path),
                hint=f"The codes are {', '.join(codes)}.",
            )
    folder = session_path.parent / session.audio_folder
    stems: list[tuple[StemSpec, Path, str]] = []
    linked: list[Path] = []
    missing = list(without)
    found: list[Finding] = list(findings)
    for spec in session.stems:
        if spec.code in without:
            continue
        written = spec.measure_from or spec.file
        try:
            path = find_audio_file(folder, written)
            others = [find_audio_file(folder, name) for name in (spec.file, *spec.linked)]
        except PlannerError as error:
            if not keep_going:
                raise _with_place(error, spec, session_path) from error
            missing.append(spec.code)
            found.append(_lost(spec, error))
            continue
        stems.append((spec, path, written))
        linked += [other for other in others if other != path]
    return _Opened(
        session=session,
        path=session_path,
        stems=tuple(stems),
        linked=tuple(dict.fromkeys(linked)),
        missing=tuple(missing),
        findings=tuple(found),
    )


def _with_place(error: PlannerError, spec: StemSpec, session_path: Path) -> PlannerError:
    """Say where in the session file a stem that cannot be used is named, and how to go on."""
    line = f"line {spec.line} of " if spec.line is not None else ""
    hint = f"{error.hint} " if error.hint else ""
    return type(error)(
        error.what,
        file=error.file,
        line=error.line,
        field=error.field,
        hint=f"{hint}It is stem {spec.code}, {line}{session_path.name}; "
        f"to plan the others: --without {spec.code} or --keep-going.",
    )


def _lost(spec: StemSpec, error: PlannerError) -> Finding:
    return Finding(
        severity="warning",
        what=f"{spec.code} could not be used: {error}",
        did="It was left out; the others went on without it.",
        advice="Put the file right and run again.",
        stem=spec.code,
        file=spec.file,
    )


def _tempo_map(opened: _Opened) -> TempoMap | None:
    session = opened.session
    if session.tempo_file is not None:
        return read_tempo_file(
            opened.path.parent / session.tempo_file, bar_one_at_s=session.bar_one_at_s
        )
    if session.tempo_marks:
        return tempo_map_from_marks(session.tempo_marks, bar_one_at_s=session.bar_one_at_s)
    return None


def _places(opened: _Opened, out: Path | None) -> tuple[tuple[Path, ...], Path]:
    """Say which folders are never written to, and where plans go.

    Where the session file lies among its stems, that folder is the session's own: plans may have
    a folder of their own in it when a person asks for that by name, never by default.
    """
    files = [path for _, path, _ in opened.stems] + list(opened.linked)
    folders = audio_folders(files)
    if out is None and opened.session.out_folder is not None:
        out = opened.path.parent / opened.session.out_folder
    if out is None:
        return folders, default_out_folder(opened.path, folders)
    here = opened.path.resolve().parent
    if out.resolve() != here:
        folders = tuple(folder for folder in folders if folder.resolve() != here)
    return folders, out


# ------------------------------------------------------------------ listening


def _hear_all(
    opened: _Opened, *, keep_going: bool, jobs: int | None, progress: Progress
) -> tuple[tuple[HeardStem, ...], tuple[str, ...], tuple[Finding, ...]]:
    """Hear every stem; those that fail are lost (with a finding) or stop the run."""
    heard: dict[str, HeardStem] = {}
    lost: list[str] = []
    findings: list[Finding] = []
    for done, (spec, result) in enumerate(_results(opened, jobs), start=1):
        if isinstance(result, PlannerError):
            if not keep_going:
                raise _with_place(result, spec, opened.path) from result
            lost.append(spec.code)
            findings.append(_lost(spec, result))
            progress(f"{spec.code} left out ({done} of {len(opened.stems)})")
            continue
        heard[spec.code] = result
        progress(f"heard {spec.code}: {len(result.notes)} notes ({done} of {len(opened.stems)})")
    order = [spec.code for spec, _, _ in opened.stems]
    return (
        tuple(heard[code] for code in order if code in heard),
        tuple(code for code in order if code in lost),
        tuple(sorted(findings, key=lambda finding: order.index(finding.stem or ""))),
    )


def _results(
    opened: _Opened, jobs: int | None
) -> Iterator[tuple[StemSpec, HeardStem | PlannerError]]:
    wanted = min(jobs or os.cpu_count() or 1, len(opened.stems))
    # The longest work first, so that no core waits for a last long stem.
    order = sorted(opened.stems, key=lambda stem: stem[0].role == "exclude")
    if wanted <= 1:
        for stem in order:
            yield _hear_one(*stem)
        return
    from joblib import Parallel, delayed

    work = Parallel(n_jobs=wanted, return_as="generator_unordered")
    with warnings.catch_warnings():
        # A run that stops at a bad stem drops the stems still waiting: meant so, no news.
        warnings.filterwarnings("ignore", message=".*have been cancelled", category=UserWarning)
        yield from work(delayed(_hear_one)(*stem) for stem in order)


def _hear_one(
    spec: StemSpec, path: Path, written: str
) -> tuple[StemSpec, HeardStem | PlannerError]:
    try:
        return spec, hear_stem(spec, path, written)
    except PlannerError as error:
        return spec, error


def _stem_notes(heard: HeardStem, session: Session) -> StemNotes:
    role = next(spec.role for spec in session.stems if spec.code == heard.code)
    return StemNotes(
        code=heard.code,
        role=role,
        facts=heard.facts,
        notes=tuple(
            MeasuredNote(id="", note=note, measurement=measurement)
            for note, measurement in heard.notes
        ),
        findings=heard.findings,
    )


def _with_ids(stems: tuple[StemNotes, ...]) -> tuple[StemNotes, ...]:
    """Number the notes of each stem by start, then pitch: LV-0001, LV-0002, ..."""
    numbered = []
    for stem in stems:
        notes = sorted(stem.notes, key=lambda one: (one.note.start_smp, one.note.pitch_hz))
        named = (replace(one, id=f"{stem.code}-{k:04d}") for k, one in enumerate(notes, start=1))
        numbered.append(replace(stem, notes=tuple(named)))
    return tuple(numbered)


# ------------------------------------------------------------------ writing and promises


def _check_unchanged(
    opened: _Opened, heard: Sequence[HeardStem], linked_before: dict[Path, str]
) -> None:
    before = dict(linked_before)
    by_code = {one.code: one.facts.sha256 for one in heard}
    before.update(
        {path: by_code[spec.code] for spec, path, _ in opened.stems if spec.code in by_code}
    )
    for path, sha256 in before.items():
        if sha256_of(path) != sha256:
            raise PromiseError(
                "the file changed while the plan was made.",
                file=path.name,
                hint="Nothing of ours writes to it: see what does, then plan again.",
            )


def _write(
    plan: Plan,
    tempo_map: TempoMap | None,
    out: Path,
    folders: tuple[Path, ...],
    *,
    csv_bom: bool,
    csv_delimiter: str,
) -> Path:
    data = edit_list_to_dict(plan)
    record = run_record(plan, {"edit_list_csv_bom": csv_bom, "csv_delimiter": csv_delimiter})
    traces = guide_traces_midi(plan, tempo_map)
    trace_names = [
        "guide_traces.mid",
        *(f"guide_traces_{k}.mid" for k in range(2, len(traces) + 1)),
    ]
    writers: dict[str, Callable[[Path], object]] = {
        "edit_list.yaml": lambda path: write_edit_list_yaml(data, path),
        "edit_list.csv": lambda path: write_edit_list_csv(
            data, path, bom=csv_bom, delimiter=csv_delimiter
        ),
        "notes.csv": lambda path: path.write_bytes(notes_csv(plan, delimiter=csv_delimiter)),
        "offenders.csv": lambda path: path.write_bytes(
            offenders_csv(plan, bom=csv_bom, delimiter=csv_delimiter)
        ),
        "offenders.md": lambda path: _text(path, offenders_markdown(plan)),
        "summary.md": lambda path: _text(path, summary_markdown(plan)),
        "review.html": lambda path: _text(path, review_page(plan)),
        "guide.mid": lambda path: write_midi(guide_midi(plan, tempo_map), path),
        **{
            name: lambda path, midi=midi: write_midi(midi, path)  # type: ignore[misc]
            for name, midi in zip(trace_names, traces, strict=False)
        },
        "run.yaml": lambda path: path.write_bytes(yaml_bytes(record)),
    }

    def check(folder: Path) -> None:
        check_edit_lists(folder, data)
        written = read_back_guide(folder / "guide.mid")
        worst_s = worst_start_error_s(guide_note_starts(plan, tempo_map), written)
        if worst_s > _GUIDE_WITHIN_S:
            raise PromiseError(
                f"a note of the guide reads back {worst_s * 1000:.1f} ms from where it was asked.",
                file="guide.mid",
                hint="This is a fault of the planner: please report it.",
            )

    return write_plan_folder(
        out,
        {name: _as_writer(write) for name, write in writers.items()},
        audio=folders,
        check=check,
    )


def _as_writer(write: Callable[[Path], object]) -> Callable[[Path], None]:
    def run(path: Path) -> None:
        write(path)

    return run


def _text(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
