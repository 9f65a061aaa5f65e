"""One check of corrected bounces from end to end: find, hear, compare, write."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from planner.check import StemCheck, checked_rows, checked_stem, ghosts_left, moved_unasked
from planner.compare.check_words import BounceCheck
from planner.compare.edited_notes import edited_said
from planner.compare.note_pairs import Pair, Paired, Reading, paired
from planner.compare.null_test import NullTest
from planner.compare.sour_check import sour_check
from planner.edges.heard_stem import HeardStem
from planner.edges.listening import Listening, Progress, hear_all
from planner.edges.nulling import null_test, tone_of_edits
from planner.edges.opening import (
    Opened,
    StemFile,
    open_session,
    places_of,
    scores_of,
    shifts_of,
    tempo_map_of,
)
from planner.edges.recalling import answers_of, with_said_roles
from planner.errors import AudioError, PlannerError
from planner.files.audio import check_unchanged, sha256_of
from planner.files.audio_opening import file_form
from planner.files.bounce_files import check_files, find_bounce, read_notes
from planner.files.past_plans import PastPlan, chosen_plan, plans_to, read_past_plan
from planner.files.plan_folder import audio_folders, refuse_unwritable, write_plan_folder
from planner.model import AudioFacts
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.session_model import StemSpec
from planner.words.wording import count, raise_or_lower

_TOGETHER_CENTS = 2.0  # common practice, no source: files of one source move alike
_SAME_START_S = 0.05  # chosen: one note in two files of one source begins no further apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A finished check and the folder it was written into."""

    check: BounceCheck
    folder: Path


def check_session(
    session_path: Path,
    bounces: Path,
    *,
    out: Path | None = None,
    plan: str | None = None,
    jobs: int | None = None,
    progress: Progress = lambda line: None,
) -> Checked:
    """Compare corrected bounces with the plan they were made by.

    bounces: the folder of the corrected files: the stems' names, with or without a suffix.
    out: where the numbered plans are; ``check_01``, ``check_02``, ... are written beside them.
    plan: folder name of the plan; default: the latest.

    Raises PlannerError if there is no plan, no folder of bounces, or a bounce cannot be read, and
    PromiseError if a bounce or an original changed while it was read; nothing is written then.
    """
    opened = open_session(session_path, without=(), keep_going=True)
    folders, out = places_of(opened, out)
    opened = with_said_roles(opened, answers_of(opened, out))
    folder = chosen_plan(plans_to("check", out, opened.session.song, session_path), plan)
    _refuse(bounces, folders)
    past, before = read_past_plan(folder), read_notes(folder)
    found = _bounces(opened, bounces, past)
    audio = (*folders, *audio_folders(found.values()))
    refuse_unwritable(out, audio)
    originals = [stem.path for stem in opened.stems]
    sums = {path: sha256_of(path) for path in (*originals, *opened.linked, *found.values())}
    files = _Files(opened=opened, past=past, found=found, sums=sums)
    progress(f"hearing {count(len(found), 'bounce')}")
    heard = _hear(opened, found, Listening(jobs=jobs, progress=progress, sums=sums))
    progress("comparing outside the edits")
    check = _compared(files, heard, before)
    check_unchanged(sums, during="it was checked", again="check again")
    progress("writing the check")
    written = write_plan_folder(out, check_files(check, past.rows), audio=audio, kind="check")
    return Checked(check=check, folder=written)


def _refuse(bounces: Path, folders: Iterable[Path]) -> None:
    """Stop where there is no folder of bounces, or it is the originals' own."""
    if not bounces.is_dir():
        hint = "Give the folder that the corrected files are in."
        raise PlannerError("there is no such folder.", file=str(bounces), hint=hint)
    if any(bounces.resolve() == one.resolve() for one in folders):
        what = "these are the originals: a stem of the session lies in this folder."
        hint = "Bounce the corrected files into a folder of their own."
        raise PlannerError(what, file=str(bounces), hint=hint)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Files:
    """A session, its plan, and the bounces that were made by it."""

    opened: Opened
    past: PastPlan
    found: Mapping[str, Path]  # bounces by the name that the session writes
    sums: Mapping[Path, str]  # SHA-256 of originals and bounces

    def original(self, stem: StemFile, name: str) -> Path:
        """Which file of a stem has this name; the measured one where none has."""
        linked = self.opened.linked if name != stem.written else ()
        return next((p for p in linked if p.name == Path(name).name), stem.path)


def _compared(
    files: _Files, heard: Mapping[str, HeardStem], before: Sequence[Reading]
) -> BounceCheck:
    """Compare everything that was heard in the bounces with the plan.

    heard: by stem code; before: the notes of all stems, as planned.
    """
    opened, past = files.opened, files.past
    roles = {stem.spec.code: stem.spec.role for stem in opened.stems}
    stems = [
        _one_stem(files, stem, heard.get(code), [one for one in before if one.stem == code])
        for stem in opened.stems
        for code in [stem.spec.code]
    ]
    pairs = {note_id: pair for one in stems for note_id, pair in one.pairs.items()}
    rows, done = checked_rows(past.rows, pairs, no_file=frozenset(roles.keys() - heard.keys()))
    sour = sour_check(
        before, past.rows, pairs,
        roles=roles, shifts=shifts_of(opened), bounced=frozenset(heard),
    )  # fmt: skip
    return BounceCheck(
        song=opened.session.song,
        plan=past.name,
        rows=rows,
        moved=moved_unasked(past.rows, pairs, done),
        stems=tuple(one.check for one in stems if one.check is not None),
        changed_originals=tuple(
            stem.spec.code
            for stem in opened.stems
            if past.sha256_of.get(stem.spec.code, "") not in ("", files.sums[stem.path])
        ),
        nulls=tuple(null for one in stems for null in one.nulls),
        sour=sour,
        ghosts=ghosts_left(pairs.values()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _OneStem:
    """What one stem's bounce comes to beside its original."""

    check: StemCheck | None  # None: no bounce, and none was needed
    nulls: list[NullTest]
    pairs: Mapping[str, Pair] = field(default_factory=dict)  # by note id


def _one_stem(
    files: _Files, stem: StemFile, heard: HeardStem | None, before: Sequence[Reading]
) -> _OneStem:
    """Compare one stem; before: its notes, as planned."""
    spec = stem.spec
    rows = [r for r in files.past.rows if r.stem == spec.code]
    planned = [r for r in rows if r.action in MOVING_ACTIONS]
    met = Paired() if heard is None else paired(before, readings_of(heard))
    nulls = _null(files, stem, rows, before, late_s=met.late_s)
    if heard is None:
        said = (_no_file(spec, files.found, len(planned)),)
        absent = StemCheck(
            code=spec.code, notes=len(before), paired=0, late_s=0.0, said=said,
            unchecked_rows=len(planned),
        )  # fmt: skip
        return _OneStem(check=absent if planned else None, nulls=nulls)
    own = {pair.then.id: pair for pair in met.pairs}
    sha256 = files.sums[stem.path]
    told = _about_the_file(heard.facts, stem.path, sha256, bool(planned))
    told += edited_said(planned, before, own)
    bounce = files.found.get(stem.written)
    if bounce is not None and files.sums[bounce] != sha256:
        told += tone_of_edits(stem.path, bounce, planned, own)
    check = checked_stem(spec.code, before, met, told, nulls[0] if nulls else None)
    check = replace(check, said=(*check.said, *_about_linked_files(files, stem, own)))
    return _OneStem(check=check, nulls=nulls, pairs=own)


def readings_of(heard: HeardStem) -> tuple[Reading, ...]:
    """Give the notes of a bounce as they are compared."""
    return tuple(
        Reading(
            id=f"{heard.code}.{k}",
            stem=heard.code,
            start_s=note.start_s,
            end_s=note.end_s,
            pitch_hz=m.heard_hz or m.sustain_hz or m.onset_hz or note.pitch_hz,
            onset_hz=m.onset_hz,
            sustain_hz=m.sustain_hz,
            end_hz=m.end_hz,
            onset_uncertainty_cents=m.onset_uncertainty_cents,
            uncertainty_cents=m.uncertainty_cents,
            vibrato_half_cents=m.vibrato_half_cents,
            level_db=note.level_db if np.isfinite(note.level_db) else None,
            shaky=m.confidence in ("shaky", ""),
        )
        for k, (note, m) in enumerate(heard.notes)
    )


def _bounces(opened: Opened, folder: Path, past: PastPlan) -> dict[str, Path]:
    """Which bounce is which file's: by the name that the session writes.

    Raises AudioError if the folder holds none, or several files could be the same bounce.
    """
    named = [
        name for stem in opened.stems if stem.spec.code not in past.missing for name in stem.names
    ]
    found = {name: path for name in named if (path := find_bounce(folder, name)) is not None}
    if not found:
        what = "holds no file with the name of a stem, nor with a name that begins so."
        raise AudioError(what, file=str(folder), hint="Keep the names, and add a suffix.")
    return found


def _null(
    files: _Files, stem: StemFile, rows: Sequence[Row], notes: Sequence[Reading], *, late_s: float
) -> list[NullTest]:
    """Compare each file of a stem that has a bounce; the measured one comes first."""
    code, done = stem.spec.code, []
    for name in stem.names:
        if name not in files.found:
            continue
        original, after = files.original(stem, name), files.found[name]
        if files.sums[after] == files.sums.get(original):
            done.append(NullTest(stem=code, file=after.name, why_not="it is the original file"))
        else:
            done.append(null_test(code, original, after, rows=rows, notes=notes, late_s=late_s))
    return done


def _hear(opened: Opened, found: Mapping[str, Path], how: Listening) -> dict[str, HeardStem]:
    """Hear the bounces of the measured files, by stem code."""
    there = tuple(
        replace(stem, path=found[stem.written], written=found[stem.written].name)
        for stem in opened.stems
        if stem.written in found and stem.spec.role != "exclude"
    )
    bounced = replace(opened, stems=there)
    scores, _ = scores_of(bounced, tempo_map_of(opened), keep_going=True)
    return {one.code: one for one in hear_all(bounced, scores, how).stems}


def _about_linked_files(files: _Files, stem: StemFile, own: Mapping[str, Pair]) -> list[str]:
    """Say which of a stem's linked files is missing, or did not move with it."""
    said = []
    for name in stem.names[1:] if own else ():
        if name not in files.found:
            said.append(f"no corrected file for {name}, which belongs to the same source")
            continue
        apart = _apart(files, stem, name, own)
        if apart is not None and abs(apart) > _TOGETHER_CENTS:
            said.append(
                f"{name} did not move with {stem.written}: "
                f"it is to be moved on ({raise_or_lower(-apart)})"
            )
    return said


def _apart(files: _Files, stem: StemFile, name: str, own: Mapping[str, Pair]) -> float | None:
    """By how many cents less a linked file moved than the measured one, where either moved."""
    then, now = (
        readings_of(_heard_alone(files.opened, replace(stem, path=path, written=name)))
        for path in (files.original(stem, name), files.found[name])
    )
    moved = {
        pair.then.start_s: move.cents
        for pair in paired(then, now).pairs
        if (move := pair.moved()) is not None
    }
    apart = []
    for pair in own.values():
        move = pair.moved()
        near = min(moved, key=lambda at_s: abs(at_s - pair.then.start_s), default=None)
        if move is None or near is None or abs(near - pair.then.start_s) > _SAME_START_S:
            continue
        if abs(move.cents) > _TOGETHER_CENTS or abs(moved[near]) > _TOGETHER_CENTS:
            apart.append(moved[near] - move.cents)
    return float(np.median(apart)) if apart else None


def _heard_alone(opened: Opened, stem: StemFile) -> HeardStem:
    return hear_all(replace(opened, stems=(stem,)), {}, Listening()).stems[0]


def _about_the_file(facts: AudioFacts, original: Path, sha256: str, planned: bool) -> list[str]:
    said = []
    if facts.sha256 == sha256:
        return ["this is the original file: nothing was done to it"] if planned else []
    rate, channels, frames = file_form(original)
    if facts.sr != rate:
        said.append(f"{facts.sr} Hz, and the original has {rate} Hz")
    if facts.channels != channels:
        said.append(f"{facts.channels} channels, and the original has {channels}")
    longer = facts.frames / facts.sr - frames / rate
    if facts.sr == rate and facts.frames != frames:
        how = "longer" if longer > 0 else "shorter"
        said.append(f"{how} by {abs(facts.frames - frames)} samples ({abs(longer):.3f} s)")
    return said


def _no_file(spec: StemSpec, found: Mapping[str, Path], rows: int) -> str:
    others = [name for name in (spec.file, *spec.linked) if name in found]
    rest = f" ({', '.join(others)} found)" if others else ""
    return f"no corrected file for {spec.code}{rest}: {count(rows, 'row')} cannot be checked"
