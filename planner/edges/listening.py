"""Every stem and take of a session listened to, side by side, or known from a run before."""

import os
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from planner.edges.heard_stem import HeardStem, as_listened_to
from planner.edges.hearing import hear_stem
from planner.edges.opening import Opened, TakeFile, lost_file, with_place
from planner.errors import OutputError, PlannerError
from planner.files.audio import sha256_of
from planner.files.measured_notes import KeptNotes, keep_measured, key_of, read_measured
from planner.leaks.bleed import leaks_into, with_only_bleed
from planner.leaks.bleed_paths import NOTHING_LEAKS, Leaking, how_stems_leak
from planner.leaks.leaks_out import Leak
from planner.model import Finding
from planner.plan.parts import clock_shifts
from planner.plan.takes import TakeHeard
from planner.score.score_match import StemScore
from planner.words.session_model import StemSpec, Take

Progress = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class AllHeard:
    """What was heard in the stems of a session, or in its takes; in the order of its file."""

    stems: tuple[HeardStem, ...] = ()
    leaking: Leaking = NOTHING_LEAKS  # between the stems
    takes: tuple[TakeHeard, ...] = ()
    lost: tuple[str, ...] = ()  # codes of stems that could not be heard
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """How a run listens."""

    keep_going: bool = False  # what cannot be heard is lost (with a finding), and stops nothing
    jobs: int | None = None  # processes; default: one per core, at most one per file
    progress: Progress = lambda line: None
    kept: KeptNotes | None = None  # where files may be known from; without it all are listened to
    # SHA-256 of files that the run has already; others are worked out once.
    sums: Mapping[Path, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """One file to be listened to."""

    name: str  # what it is kept as
    spec: StemSpec
    path: Path
    file: str  # as the session file writes it
    take: Take | None = None  # of the stem; None for the stem itself
    score: StemScore | None = None
    sha256: str | None = None  # of its content, where it is known
    leaks: tuple[Leak, ...] = ()  # what is turned down: it is listened to once more


@dataclass(frozen=True, slots=True, kw_only=True)
class _Result:
    k: int  # which of the wanted
    heard: HeardStem | PlannerError
    before: bool = False  # known from a run before


def hear_all(opened: Opened, scores: Mapping[str, StemScore], how: Listening) -> AllHeard:
    """Hear every stem; those into which others leak once more, with these turned down.

    scores: by stem code.
    """
    wanted = [
        _Wanted(
            name=stem.spec.code, spec=stem.spec, path=stem.path, file=stem.written,
            score=scores.get(stem.spec.code), sha256=how.sums.get(stem.path),
        )
        for stem in opened.stems
    ]  # fmt: skip
    done, lost = _in_order(opened, wanted, how)
    stems = {one.spec.code: heard for one, heard in done}
    shifts = clock_shifts(opened.session, {code: heard.facts for code, heard in stems.items()})
    leaking = how_stems_leak({code: heard.spectra for code, heard in stems.items()}, shifts)
    notes = {code: [note for note, _ in heard.notes] for code, heard in stems.items()}
    leaking = with_only_bleed(leaking, notes)
    again = [
        replace(one, name=f"{one.name}_again", leaks=leaks)
        for one, _ in done
        if one.spec.role != "exclude" and (leaks := leaks_into(one.spec.code, leaking))
    ]
    anew, _ = _in_order(opened, again, how)
    stems |= {one.spec.code: heard for one, heard in anew}
    return AllHeard(
        stems=tuple(stems.values()),
        leaking=leaking,
        lost=tuple(one.spec.code for one, _ in lost),
        findings=tuple(finding for _, finding in lost),
    )


def hear_takes(
    opened: Opened, takes: Sequence[TakeFile], how: Listening, *, kept_as: str = "take"
) -> AllHeard:
    """Hear other takes or files of the stems, which are kept as `<code>_<kept_as>_<number>`."""
    wanted = [
        _Wanted(
            name=f"{one.spec.code}_{kept_as}_{k}", spec=one.spec, path=one.path,
            file=one.take.file, take=one.take, sha256=how.sums.get(one.path),
        )
        for k, one in enumerate(takes, start=1)
    ]  # fmt: skip
    done, lost = _in_order(opened, wanted, how)
    return AllHeard(
        takes=tuple(
            TakeHeard(stem=one.spec.code, take=one.take, notes=heard.notes)
            for one, heard in done
            if one.take is not None
        ),
        findings=tuple(finding for _, finding in lost),
    )


def or_told(progress: Progress, do: Callable[[], T]) -> T | None:
    """Do something that a run can go on without; where it fails, only say so."""
    try:
        return do()
    except OutputError as error:
        progress(str(error))
        return None


def _in_order(
    opened: Opened, wanted: Sequence[_Wanted], how: Listening
) -> tuple[list[tuple[_Wanted, HeardStem]], list[tuple[_Wanted, Finding]]]:
    """What was heard, and what could not be; each in the order in which it was wanted."""
    done: dict[int, tuple[_Wanted, HeardStem]] = {}
    lost: dict[int, tuple[_Wanted, Finding]] = {}
    for number, result in enumerate(_heard(wanted, how), start=1):
        one = wanted[result.k]
        called, so_far = one.spec.code, f" ({number} of {len(wanted)})"
        if one.take is not None:
            called, so_far = f"{one.take.label or one.take.file} of {called}", ""
        if isinstance(result.heard, PlannerError):
            if not how.keep_going:
                raise with_place(result.heard, one.spec, opened.path) from result.heard
            lost[result.k] = one, lost_file(one.spec, one.take, result.heard)
            if one.take is None and not one.leaks:
                how.progress(f"{called} left out{so_far}")
            continue
        done[result.k] = one, result.heard
        known = "as measured before" if result.before else "heard"
        called += " without what leaks in" if one.leaks else ""
        how.progress(f"{known} {called}: {len(result.heard.notes)} notes{so_far}")
    return [done[k] for k in sorted(done)], [lost[k] for k in sorted(lost)]


def _heard(wanted: Sequence[_Wanted], how: Listening) -> Iterator[_Result]:
    """Hear what is not known from before; give each result, and keep it, as soon as it is there."""
    kept = how.kept
    left: list[tuple[int, _Wanted]] = []
    keys: dict[int, str] = {}
    for k, one in enumerate(wanted):
        if kept is not None:
            one = _with_sum(one)
        if kept is not None and one.sha256 is not None:
            spec = as_listened_to(one.spec)
            keys[k] = key_of(kept, spec, one.path, one.file, one.score, one.sha256, one.leaks)
            before = (
                or_told(how.progress, partial(read_measured, place, keys[k]))
                for place in kept.places(one.name)
            )
            known = next(filter(None, before), None)
            if known is not None:
                yield _Result(k=k, heard=known, before=True)
                continue
        left.append((k, one))
    # The longest work first, so that no core waits for a last long stem.
    left.sort(key=lambda pair: pair[1].spec.role == "exclude")
    for k, heard in _in_processes(left, how.jobs):
        # Of a file that changed while it was listened to nothing is kept.
        if (
            kept is not None
            and k in keys
            and not isinstance(heard, PlannerError)
            and sha256_of(wanted[k].path) == heard.facts.sha256
        ):
            try:
                keep_measured(kept, wanted[k].name, keys[k], heard)
            except OutputError as error:
                how.progress(str(error))
                kept = None  # said once
        yield _Result(k=k, heard=heard)


def _with_sum(one: _Wanted) -> _Wanted:
    """Work out a file's checksum once; its key and what is told of it both need it."""
    if one.sha256 is not None:
        return one
    try:
        return replace(one, sha256=sha256_of(one.path))
    except OSError:
        return one  # whoever opens it as audio says what is wrong


def _in_processes(
    wanted: Sequence[tuple[int, _Wanted]], jobs: int | None
) -> Iterator[tuple[int, HeardStem | PlannerError]]:
    processes = min(jobs or os.cpu_count() or 1, len(wanted))
    if processes <= 1:
        for k, one in wanted:
            yield _hear_one(k, one)
        return
    from joblib import Parallel, delayed

    work = Parallel(n_jobs=processes, return_as="generator_unordered")
    with warnings.catch_warnings():
        # A run that stops at a bad stem drops the stems still waiting: meant so, no news.
        warnings.filterwarnings("ignore", message=".*have been cancelled", category=UserWarning)
        yield from work(delayed(_hear_one)(k, one) for k, one in wanted)


def _hear_one(k: int, one: _Wanted) -> tuple[int, HeardStem | PlannerError]:
    try:
        spec = as_listened_to(one.spec)
        return k, hear_stem(spec, one.path, one.file, one.score, one.sha256, one.leaks)
    except PlannerError as error:
        return k, error
