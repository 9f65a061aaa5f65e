"""One reply read in: understood against a plan, told back, stored only if all of it is clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.answer.answers import BLANK, Entry, HumanColumns, short
from planner.answer.page_export import is_export, read_export
from planner.answer.reply_words import Unclear, read_locks, read_reply
from planner.answer.told_back import Given, Reply, Understood, told_entry, understood
from planner.edges.opening import Opened, open_session, places_of, shifts_of, tempo_map_of
from planner.edges.recalling import typed_entries
from planner.errors import PlannerError
from planner.files.answers_file import (
    answers_path,
    append_answers,
    page_says,
    read_answers,
    read_given,
)
from planner.files.bounce_files import read_notes
from planner.files.past_plans import (
    PastPlan,
    changed_numbers,
    chosen_plan,
    is_list_of,
    plan_said,
    plans_to,
    read_human_columns,
    read_past_plan,
    read_ranks,
    same_human,
)
from planner.timeline import bars_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What became of a reply."""

    plan: str  # folder name of the plan it speaks of
    told: tuple[str, ...]  # how it was understood, one line an answer
    unclear: tuple[str, ...]  # what was not understood, and why
    stored: int  # answers stored
    path: Path


def answer_session(
    session_path: Path,
    given: str,
    *,
    out: Path | None = None,
    plan: str | None = None,
    by: str = "",
    date: str = "",
    accept_partly: bool = False,
) -> Answered:
    """Read a reply and store it beside the plans, unless a part of it is not understood.

    given: the reply itself, or the path of a file: a reply, the page's export, or an edit list
        whose human columns were filled in (``.csv``).
    out: where the numbered plans are; default: as `planner.run.plan_session`.
    plan: folder name of the plan that the reply speaks of; default: the one that an export or a
        check's table names, that an edit list lies in or whose numbers it holds, else the latest.
    by, date: who says it, and when.
    accept_partly: store what was understood although other parts were not.

    Raises PlannerError if there is no such plan or file, or nothing can be written.
    """
    opened = open_session(session_path, without=(), keep_going=True)
    folders, out = places_of(opened, out)
    song = opened.session.song
    plans = plans_to("answer", out, song, session_path)
    text, path = read_given(given)
    if path is not None and path.suffix.lower() == ".csv":
        past, whole = _plan_of_sheet(path, plans, plan)
        found = _from_sheet(path, past, by, date, whole=whole)
    else:
        if is_export(text):
            export = read_export(text)
            if export.song != song:
                what = f"speaks of {export.song!r}, and this session is {song!r}."
                raise PlannerError(what, file=path.name if path else None)
            reply = Reply(source="page", said=export.said, unclear=export.unclear)
            by, plan = by or export.by, plan or _named_plan(plans, export.plan)
        else:
            reply = _read_words(text)
        past = read_past_plan(chosen_plan(plans, plan))
        found = understood(reply, _given(reply, past, opened, by, date), opened.session)
    target = answers_path(session_path, out)
    before = read_answers(target)  # a fault in it is told now, not at the next plan
    whole = accept_partly or not found.unclear
    stored = tuple(e for e in found.entries if whole and not _stands_there(e, before))
    if stored:
        append_answers(target, song, stored, audio=folders)
    return Answered(
        plan=past.name,
        told=found.told,
        unclear=tuple(f'"{short(one.text)}": {one.why}' for one in found.unclear),
        stored=len(stored),
        path=target,
    )


def _read_words(text: str) -> Reply:
    """Read a reply in a person's own words."""
    rest, locks = read_locks(text)
    said, unclear = read_reply(rest)
    return Reply(source="reply", said=said, locks=locks, unclear=unclear)


def _given(reply: Reply, past: PastPlan, opened: Opened, by: str, date: str) -> Given:
    """Set the plan beside the reply, with its notes and their bars."""
    notes = read_notes(past.folder)
    shifts = shifts_of(opened)
    starts = ((note.id, note.start_s + shifts.get(note.stem, 0.0)) for note in notes)
    return Given(
        plan=past.name, rows=past.rows, sha256_of=past.sha256_of, source=reply.source, by=by,
        date=date, bars=bars_of(starts, tempo_map_of(opened)),
        heard_cents={note.id: note.heard_cents for note in notes},
        # An old plan may have lost its offenders list.
        ranks=read_ranks(past.folder) if reply.by_number else {},
    )  # fmt: skip


def _stands_there(entry: Entry, before: Sequence[Entry]) -> bool:
    """Whether the last answer of this kind to the same row says the same, of the same plan."""

    def about(one: Entry) -> tuple[object, ...]:
        return one.id, one.area, one.answer is None and one.state is None, one.locked is None

    for last in reversed(before):
        if about(last) == about(entry):
            return replace(last, date=entry.date) == entry
        if None not in (last.locked, entry.locked) and last.locked != entry.locked:
            return False  # one lock may lie in another's place
    return False


def _named_plan(plans: tuple[Path, ...], name: str) -> str | None:
    """The plan that an export names: by its folder, or by a mark that stands in its page."""
    if not name:
        return None
    for folder in plans:
        if folder.name == name:
            return name
    for folder in plans:
        if page_says(folder, name):
            return folder.name
    names = ", ".join(p.name for p in reversed(plans))
    what = f"the answers speak of plan {name}, which is not there."
    raise PlannerError(what, hint=f"There are {names}; say which with --plan.")


def _plan_of_sheet(path: Path, plans: tuple[Path, ...], named: str | None) -> tuple[PastPlan, bool]:
    """Find the plan that a table is of, and whether its blank cells take back what stood there."""
    if said := plan_said(path):
        return read_past_plan(chosen_plan(plans, named or said)), False
    beside = path.resolve().parent
    named = named or (beside.name if beside in {p.resolve() for p in plans} else None)
    if named:
        return read_past_plan(chosen_plan(plans, named)), True
    found = (past for past in map(read_past_plan, plans) if is_list_of(path, past))
    return next(found, None) or read_past_plan(plans[0]), False


def _from_sheet(path: Path, past: PastPlan, by: str, date: str, *, whole: bool) -> Understood:
    """What was typed into an edit list.

    Where it is not known which plan a list was saved from (``whole`` is no), blank cells say
    nothing; in the list of a known plan they take back what stood there.
    """
    ids = {row.id for row in past.rows}
    typed: dict[str, HumanColumns] = {}
    unclear: list[Unclear] = []
    for row_id, human in read_human_columns(path).items():
        written = past.written.get(row_id, BLANK)
        if not whole:
            human = human.over(written)
        if same_human(human, written):
            continue
        if row_id in ids:
            typed[row_id] = human
        else:
            unclear.append(Unclear(text=row_id, why=f"{past.name} has no row with this id"))
    unclear += [
        Unclear(
            text=f"{row_id} {column} {cell}",
            why="numbers and actions of the list are not read back; write an override into the "
            "answers file",
        )
        for row_id, column, cell in changed_numbers(path, past.rows)
    ]
    entries = typed_entries(past, typed, by=by, date=date)
    told = tuple(told_entry(e) for e in entries)
    return Understood(entries=entries, unclear=tuple(unclear), told=told)
