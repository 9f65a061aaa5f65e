"""A session file with the place of every file that it names."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from planner.decide.tolerances import Judging
from planner.errors import PlannerError, SessionError, named_in
from planner.files.audio import sha256_of
from planner.files.audio_opening import file_clock, find_audio_file
from planner.files.configs import read_judging
from planner.files.midi import read_lyrics, read_score, read_tempo_file
from planner.files.plan_folder import audio_folders, default_out_folder
from planner.files.session_file import read_session
from planner.model import VOICE_ROLES, Finding
from planner.plan.parts import clock_shifts
from planner.plan.takes import may_borrow, unheard
from planner.read.lyrics import words_of_score
from planner.score.score_match import StemScore
from planner.timeline import TempoMap, tempo_map_from_marks
from planner.words.plan_model import Source
from planner.words.session_model import Session, StemSpec, Take


@dataclass(frozen=True, slots=True, kw_only=True)
class StemFile:
    """A stem and the one file of it that is measured."""

    spec: StemSpec
    path: Path
    written: str  # the file's name, as the session file writes it

    @property
    def names(self) -> tuple[str, ...]:
        """The written names of all files of this source, the measured one first."""
        return tuple(dict.fromkeys((self.written, self.spec.file, *self.spec.linked)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFile:
    """Another recording of a stem, a take or a linked file, that is listened to beside it."""

    spec: StemSpec
    take: Take
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A session with the place of every stem's files."""

    session: Session
    path: Path
    stems: tuple[StemFile, ...]
    linked: tuple[Path, ...]
    missing: tuple[str, ...]  # codes of stems that are left out
    findings: tuple[Finding, ...]
    rough_mix: Path | None = None
    takes: tuple[TakeFile, ...] = ()  # those that can be listened to


def open_session(session_path: Path, *, without: Sequence[str], keep_going: bool) -> Opened:
    """Read a session file and find every file that it names.

    without: codes of stems to leave out.
    keep_going: leave out stems and takes whose files are not found, instead of stopping.

    Raises PlannerError if the session file cannot be used, `without` names no stem, or a file is
    not found.
    """
    session, findings = read_session(session_path)
    codes = [spec.code for spec in session.stems]
    for code in without:
        if code not in codes:
            what = f"--without {code}: no stem has this code."
            hint = f"The codes are {', '.join(codes)}."
            raise SessionError(what, file=str(session_path), hint=hint)
    folder = session_path.parent / session.audio_folder
    stems: list[StemFile] = []
    linked: list[Path] = []
    takes: list[TakeFile] = []
    missing = list(without)
    found: list[Finding] = list(findings)
    owners: dict[Path, StemSpec] = {}

    def lost(spec: StemSpec, take: Take | None, error: PlannerError) -> Finding:
        if keep_going:
            return lost_file(spec, take, error)
        raise with_place(error, spec, session_path) from error

    for spec in session.stems:
        if spec.code in without:
            continue
        written = spec.measure_from or spec.file
        try:
            path = find_audio_file(folder, written)
            others = [find_audio_file(folder, name) for name in (spec.file, *spec.linked)]
        except PlannerError as error:
            found.append(lost(spec, None, error))
            missing.append(spec.code)
            continue
        for file in {path, *others}:
            _refuse_twice(owners.setdefault(file.resolve(), spec), spec, path, session_path)
        stems.append(StemFile(spec=spec, path=path, written=written))
        linked += [other for other in others if other != path]
        if spec.takes and not may_borrow(spec):
            found.append(unheard(spec.code, spec.role))
            continue
        for take in spec.takes:
            try:
                path = find_audio_file(folder, take.file)
            except PlannerError as error:
                found.append(lost(spec, take, error))
            else:
                takes.append(TakeFile(spec=spec, take=take, path=path))
    return Opened(
        session=session,
        path=session_path,
        stems=tuple(stems),
        linked=tuple(dict.fromkeys(linked)),
        takes=tuple(takes),
        missing=tuple(missing),
        findings=tuple(found),
        rough_mix=_rough_mix(session, session_path),
    )


def _refuse_twice(first: StemSpec, second: StemSpec, path: Path, session_path: Path) -> None:
    """Stop where two stems name one file, each in its own way; its two sides may be two stems."""
    if first is second or {first.side, second.side} == {"left", "right"}:
        return
    what = f"stems {first.code} and {second.code} both name {path.name}."
    hint = "Name it once; the two sides of a stereo file need side: left and side: right."
    raise SessionError(what, file=str(session_path), line=second.line, field="file", hint=hint)


def _rough_mix(session: Session, session_path: Path) -> Path | None:
    if session.rough_mix is None:
        return None
    try:
        return find_audio_file(session_path.parent, session.rough_mix)
    except PlannerError as error:
        line = session.line_of("review")
        raise named_in(
            error, file=str(session_path), line=line, field="review.rough_mix"
        ) from error


def with_place(
    error: PlannerError, spec: StemSpec, session_path: Path, field: str = "file"
) -> PlannerError:
    """Say where in the session file a stem that cannot be used is named, and how to go on."""
    line = f"line {spec.line} of " if spec.line is not None else ""
    what = f"stem {spec.code}" if field == "file" else f"the {field} of stem {spec.code}"
    hint = f"{error.hint} " if error.hint else ""
    return type(error)(
        error.what,
        file=error.file,
        line=error.line,
        field=error.field,
        hint=f"{hint}It is {what}, {line}{session_path.name}; "
        f"to plan the others: --without {spec.code} or --keep-going.",
    )


def lost_file(spec: StemSpec, take: Take | None, error: PlannerError) -> Finding:
    """Say that a stem, or one take of it, was left out because its file could not be used."""
    file, did = spec.file, "It was left out; the others went on without it."
    name = f"{spec.code}{f' (line {spec.line})' if spec.line else ''}"
    if take is not None:
        file, did = take.file, "It was left out."
        name = f"{take.label or take.file} of {spec.code}"
    return Finding(
        severity="stop" if take is None else "warning",
        what=f"{name} could not be used: {error}",
        did=did,
        advice="Put the file right and run again.",
        stem=spec.code,
        file=file,
    )


def other_files(opened: Opened) -> tuple[TakeFile, ...]:
    """Name the files of each source that are not measured, as takes to be listened to."""
    folder = opened.path.parent / opened.session.audio_folder
    return tuple(
        TakeFile(spec=stem.spec, take=Take(file=name), path=find_audio_file(folder, name))
        for stem in opened.stems
        if stem.spec.role != "exclude"
        for name in stem.names[1:]
    )


def sources_of(opened: Opened) -> tuple[tuple[Source, Path], ...]:
    """Name the files beside the stems that a plan is made from, with their sums."""
    session, folder = opened.session, opened.path.parent
    named: list[tuple[str, str, str, Path]] = []
    of_the_song = {
        "tempo map": session.tempo_file,
        "scale": session.temperament_file,
        "chords": session.chords_file,
    }
    named += [(use, "", file, folder / file) for use, file in of_the_song.items() if file]
    for spec in (stem.spec for stem in opened.stems):
        if spec.score is not None:
            named.append(("score", spec.code, spec.score.file, folder / spec.score.file))
        named += [
            ("take", spec.code, one.take.file, one.path)
            for one in opened.takes
            if one.spec.code == spec.code
        ]
    return tuple(
        (Source(use=use, stem=code, file=file, sha256=sha256_of(path)), path)
        for use, code, file, path in named
        if path.is_file()
    )


def tempo_map_of(opened: Opened) -> TempoMap | None:
    session = opened.session
    if session.tempo_file is not None:
        path = opened.path.parent / session.tempo_file
        try:
            return read_tempo_file(path, bar_one_at_s=session.bar_one_at_s)
        except PlannerError as error:
            line = session.line_of("tempo_map")
            raise named_in(error, file=str(opened.path), line=line, field="tempo_map") from error
    if session.tempo_marks:
        return tempo_map_from_marks(session.tempo_marks, bar_one_at_s=session.bar_one_at_s)
    return None


def judging_of(opened: Opened) -> Judging:
    """Read how strictly to judge; a fault says where the session file names it."""
    session, path = opened.session, opened.path
    try:
        return read_judging(session.judging, beside=path.parent)
    except PlannerError as error:
        if error.file is None:
            error = type(error)(error.what, hint=error.hint)
        line = session.line_of("judging")
        raise named_in(error, file=str(path), line=line, field="judging") from error


def shifts_of(opened: Opened) -> dict[str, float]:
    """Give the seconds from each stem's clock to the session's, by code, by the files' headers."""
    clocks = {stem.spec.code: file_clock(stem.path) for stem in opened.stems}
    return clock_shifts(opened.session, clocks)


def scores_of(
    opened: Opened, tempo_map: TempoMap | None, *, keep_going: bool
) -> tuple[dict[str, StemScore], tuple[Finding, ...]]:
    """Read the scores that stems name, by code; those that cannot be read stop or are findings."""
    scores: dict[str, StemScore] = {}
    findings = []
    for spec in (stem.spec for stem in opened.stems):
        if spec.score is None:
            continue
        try:
            place = opened.path.parent / spec.score.file
            notes = read_score(place, spec.score.track)
            lyrics = read_lyrics(place, spec.score.track) if spec.role in VOICE_ROLES else []
        except PlannerError as error:
            if not keep_going:
                raise with_place(error, spec, opened.path, "score") from error
            findings.append(
                Finding(
                    severity="warning",
                    what=f"The score of {spec.code} could not be used: {error}",
                    did="The stem was planned without it.",
                    stem=spec.code,
                    file=spec.score.file,
                )
            )
            continue
        track = f"track {spec.score.track} of " if spec.score.track else ""
        zeros = [0.0]
        if tempo_map is not None:
            # A score starts with the stems, with bar 1, or, being a guide of ours, bars before it.
            zeros += [opened.session.bar_one_at_s, tempo_map.on_guide_grid().start_s]
        late_s = spec.late_by_ms / 1000.0
        scores[spec.code] = StemScore(
            name=f"{track}{spec.score.file}",
            notes=tuple(notes),
            transpose=spec.score.transpose,
            later_s=spec.score.later_s,
            words=words_of_score(notes, lyrics) if lyrics else (),
            zero_s=tuple(dict.fromkeys(zero_s - late_s for zero_s in zeros)),
        )
    return scores, tuple(findings)


def places_of(opened: Opened, out: Path | None) -> tuple[tuple[Path, ...], Path]:
    """Say which folders are never written to, and where plans go.

    Where the session file lies among its stems, that folder is the session's own: plans may have
    a folder of their own in it when a person asks for that by name, never by default.
    """
    files = [stem.path for stem in opened.stems] + [take.path for take in opened.takes]
    files += opened.linked
    files += [opened.rough_mix] if opened.rough_mix else []
    folders = audio_folders(files)
    if out is None and opened.session.out_folder is not None:
        out = opened.path.parent / opened.session.out_folder
    if out is None:
        return folders, default_out_folder(opened.path, folders)
    here = opened.path.resolve().parent
    if out.resolve() != here:
        folders = tuple(folder for folder in folders if folder.resolve() != here)
    return folders, out
