"""One check of corrected bounces from end to end: find, hear, compare, write."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from planner.check import StemCheck, checked_rows, checked_stem, ghosts_left, moved_unasked
from planner.compare.check_words import BounceCheck
from planner.compare.edited_notes import edited_said
from planner.compare.note_pairs import Pair, Reading, paired
from planner.compare.null_test import NullTest
from planner.compare.sour_check import sour_check
from planner.edges.heard_stem import HeardStem
from planner.edges.listening import Listening, Progress, hear_all
from planner.edges.nulling import null_test, tone_of_edits
from planner.edges.opening import (
    Opened,
    open_session,
    places_of,
    scores_of,
    shifts_of,
    tempo_map_of,
)
from planner.edges.recalling import answers_of, with_said_roles
from planner.errors import AudioError, PlannerError, PromiseError
from planner.files.audio import sha256_of
from planner.files.audio_opening import file_form
from planner.files.bounce_files import check_files, find_bounce, read_notes
from planner.files.past_plans import PastPlan, chosen_plan, plans_to, read_past_plan
from planner.files.plan_folder import audio_folders, refuse_unwritable, write_plan_folder
from planner.model import AudioFacts
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.session_model import StemSpec
from planner.words.wording import count, raise_or_lower

_TOGETHER_CENTS = 2.0  # common practice, no source: files of one source move alike


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

    Raises
    ------
    PlannerError
        If there is no plan, no folder of bounces, or a bounce cannot be read; nothing is written.
    PromiseError
        If a bounce or an original changed while it was read.
    """
    opened = open_session(session_path, without=(), keep_going=True)
    folders, out = places_of(opened, out)
    opened = with_said_roles(opened, answers_of(opened, out))
    folder = chosen_plan(plans_to("check", out, opened.session.song, session_path), plan)
    _refuse(bounces, folders)
    past = read_past_plan(folder)
    then = read_notes(folder)
    found = _bounces(opened, bounces, past)
    if not found:
        what = "holds no file with the name of a stem, nor with a name that begins so."
        raise AudioError(what, file=str(bounces), hint="Keep the names, and add a suffix.")
    audio = (*folders, *audio_folders(found.values()))
    refuse_unwritable(out, audio)
    originals = [path for _, path, _ in opened.stems]
    sums = {path: sha256_of(path) for path in (*originals, *opened.linked, *found.values())}
    changed = tuple(
        spec.code
        for spec, path, _ in opened.stems
        if past.sha256_of.get(spec.code, "") not in ("", sums[path])
    )
    progress(f"hearing {count(len(found), 'bounce')}")
    heard = _hear(opened, found, Listening(jobs=jobs, progress=progress, sums=sums))
    progress("comparing outside the edits")
    stems: list[StemCheck] = []
    nulls: list[NullTest] = []
    pairs: dict[str, Pair] = {}
    files = _Files(opened=opened, past=past, found=found, sums=sums)
    for stem in opened.stems:
        before = [one for one in then if one.stem == stem[0].code]
        one = _one_stem(files, stem, heard.get(stem[0].code), before)
        nulls += one.nulls
        pairs |= one.pairs
        stems += [] if one.check is None else [one.check]
    stems = _with_linked(files, pairs, stems)
    no_file = frozenset(s.code for s, _, _ in opened.stems if s.code not in heard)
    rows, done = checked_rows(past.rows, pairs, no_file)
    sour = sour_check(
        then, past.rows, pairs,
        roles={s.code: s.role for s, _, _ in opened.stems}, shifts=shifts_of(opened),
        bounced=frozenset(heard),
    )  # fmt: skip
    check = BounceCheck(
        song=opened.session.song, plan=past.name, rows=rows,
        moved=moved_unasked(past.rows, pairs, done), stems=tuple(stems),
        changed_originals=changed, nulls=tuple(nulls), sour=sour,
        ghosts=ghosts_left(pairs.values()),
    )  # fmt: skip
    for path, sha256 in sums.items():
        if sha256_of(path) != sha256:
            what = "the file changed while it was checked."
            raise PromiseError(what, file=path.name, hint="See what writes to it, and check again.")
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
    sums: Mapping[Path, str]

    def original(self, stem: tuple[StemSpec, Path, str], name: str) -> Path:
        """Which file of a stem has this name; the measured one where none has."""
        _, measured, written = stem
        linked = self.opened.linked if name != written else ()
        return next((p for p in linked if p.name == Path(name).name), measured)


@dataclass(frozen=True, slots=True, kw_only=True)
class _OneStem:
    """What one stem's bounce comes to beside its original."""

    check: StemCheck | None  # None: no bounce, and none was needed
    nulls: list[NullTest]
    pairs: dict[str, Pair]  # by note id


def _one_stem(
    files: _Files,
    stem: tuple[StemSpec, Path, str],
    heard: HeardStem | None,
    before: list[Reading],
) -> _OneStem:
    spec, original, written = stem
    rows = [r for r in files.past.rows if r.stem == spec.code]
    planned = [r for r in rows if r.action in MOVING_ACTIONS]
    met = paired(before, readings_of(heard)) if heard is not None else ((), 0.0)
    together, late_s = met
    nulls = _null(files, stem, rows, before, late_s=late_s)
    if heard is None:
        said = (_no_file(spec, files.found, len(planned)),)
        absent = StemCheck(
            code=spec.code, notes=len(before), paired=0, late_s=0.0, said=said,
            unchecked_rows=len(planned),
        )  # fmt: skip
        return _OneStem(check=absent if planned else None, nulls=nulls, pairs={})
    own = {pair.then.id: pair for pair in together}
    told = _about_the_file(heard.facts, original, files.sums[original], bool(planned))
    told += edited_said(planned, before, own)
    bounce = files.found.get(written)
    if bounce is not None and files.sums[bounce] != files.sums[original]:
        told += tuple(tone_of_edits(original, bounce, planned, own))
    check = checked_stem(spec.code, before, met, told, nulls[0] if nulls else None)
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
    """Which bounce is which file's: by the name that the session writes."""
    found = {}
    for spec, _, written in opened.stems:
        if spec.code in past.missing:
            continue
        for name in (written, spec.file, *spec.linked):
            path = find_bounce(folder, name)
            if path is not None:
                found[name] = path
    return found


def _null(
    files: _Files,
    stem: tuple[StemSpec, Path, str],
    rows: Sequence[Row],
    notes: Sequence[Reading],
    *,
    late_s: float,
) -> list[NullTest]:
    """Compare each file of a stem that has a bounce; the measured one comes first."""
    spec, _, written = stem
    done = []
    for name in dict.fromkeys((written, spec.file, *spec.linked)):
        if name not in files.found:
            continue
        original, after = files.original(stem, name), files.found[name]
        if files.sums[after] == files.sums.get(original):
            same = NullTest(stem=spec.code, file=after.name, why_not="it is the original file")
            done.append(same)
            continue
        done.append(null_test(spec.code, original, after, rows=rows, notes=notes, late_s=late_s))
    return done


def _hear(opened: Opened, found: dict[str, Path], how: Listening) -> dict[str, HeardStem]:
    there = tuple(
        (spec, found[written], found[written].name)
        for spec, _, written in opened.stems
        if written in found and spec.role != "exclude"
    )
    bounced = replace(opened, stems=there)
    scores, _ = scores_of(bounced, tempo_map_of(opened), keep_going=True)
    return {one.code: one for one in hear_all(bounced, scores, how).stems}


def _with_linked(files: _Files, pairs: dict[str, Pair], stems: list[StemCheck]) -> list[StemCheck]:
    """Add to each stem which of its linked files is missing, or did not move with it."""
    done = []
    for stem in stems:
        entry = next(s for s in files.opened.stems if s[0].code == stem.code)
        spec, _, written = entry
        said = list(stem.said)
        own = {k: p for k, p in pairs.items() if p.then.stem == stem.code}
        for name in (spec.file, *spec.linked):
            if name == written or not own:
                continue
            if name not in files.found:
                said.append(f"no corrected file for {name}, which belongs to the same source")
                continue
            both = (files.original(entry, name), files.found[name])
            apart = _apart(files.opened, spec, name, both, own)
            if apart is not None and abs(apart) > _TOGETHER_CENTS:
                said.append(
                    f"{name} did not move with {written}: "
                    f"it is to be moved on ({raise_or_lower(-apart)})"
                )
        done.append(replace(stem, said=tuple(said)))
    return done


def _apart(
    opened: Opened, spec: StemSpec, name: str, both: tuple[Path, Path], own: dict[str, Pair]
) -> float | None:
    """By how much less a linked file moved than the measured one, where that one moved most."""
    alone = (replace(opened, stems=((spec, path, name),)) for path in both)
    then, now = (readings_of(hear_all(one, {}, Listening()).stems[0]) for one in alone)
    together, _ = paired(then, now)
    moved = {}
    for pair in together:
        read = pair.moved("sustain") or pair.moved("onset")
        if read is not None:
            moved[pair.then.start_s] = read[0]
    apart = []
    for pair in own.values():
        read = pair.moved("sustain") or pair.moved("onset")
        near = min(moved, key=lambda at: abs(at - pair.then.start_s), default=None)
        if read is None or near is None or abs(near - pair.then.start_s) > 0.05:
            continue
        if abs(read[0]) > _TOGETHER_CENTS or abs(moved[near]) > _TOGETHER_CENTS:
            apart.append(moved[near] - read[0])
    return float(np.median(apart)) if apart else None


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
