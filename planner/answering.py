"""One reply read in: understood against a plan, told back, stored only if all of it is clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.answers import BLANK, Area, Entry, Human, Override, Source, entry_of, short
from planner.errors import PlannerError
from planner.files.answers_file import answers_path, append_answers, read_answers
from planner.files.audio_opening import file_clock
from planner.files.bounce_files import read_notes
from planner.files.past_plans import (
    PastPlan,
    changed_numbers,
    plan_folders,
    read_human_columns,
    read_past_plan,
    read_ranks,
    same_human,
)
from planner.files.reply_file import page_says, read_given
from planner.locks import area_said, area_words, bars_words, questions_inside, rows_inside
from planner.opening import Opened, open_session, places_of, tempo_map_of
from planner.page_answers import is_export, read_export
from planner.parts import clock_shifts
from planner.pitch import MIXED_NAMES, NoteNames, note_name
from planner.plan_model import Row
from planner.recalling import typed_entries
from planner.replies import Placed, placed, rows_named
from planner.reply_words import LockSaid, Said, Unclear, read_locks, read_reply
from planner.said_bars import with_last_bar
from planner.session_model import KeyMark, Session
from planner.spelling import names_at
from planner.wording import count, row_place


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

    Parameters
    ----------
    given : str
        The reply itself, or the path of a file: a reply, the page's export, or an edit list whose
        human columns were filled in (``.csv``).
    out : Path, optional
        Where the numbered plans are; default: as `planner.run.plan_session`.
    plan : str, optional
        Folder name of the plan that the reply speaks of; default: the one that an export names or
        that an edit list lies in, else the latest.
    by, date : str
        Who says it, and when.
    accept_partly : bool
        Store what was understood although other parts were not.

    Raises
    ------
    PlannerError
        If there is no such plan or file, or nothing can be written.
    """
    opened = open_session(session_path, without=(), keep_going=True)
    folders, out = places_of(opened, out)
    song = opened.session.song
    plans = plan_folders(out, song)
    if not plans:
        what = f"there is no plan of {song} in {out}, so there is nothing to answer."
        hint = "Plan first, or say with --out where the plans are."
        raise PlannerError(what, file=str(session_path), hint=hint)
    text, path = read_given(given)
    entries: tuple[Entry, ...]
    unclear: tuple[Unclear, ...]
    locks: tuple[LockSaid, ...]
    if path is not None and path.suffix.lower() == ".csv":
        own = path.resolve().parent.name if path.resolve().parent in _resolved(plans) else None
        past = read_past_plan(_chosen(plans, plan or own))
        entries, unclear = _from_sheet(path, past, whole=bool(plan or own), by=by, date=date)
        told = tuple(_told_entry(e) for e in entries)
    else:
        named, locks = None, ()
        if is_export(text):
            export = read_export(text)
            if export.song != song:
                what = f"speaks of {export.song!r}, and this session is {song!r}."
                raise PlannerError(what, file=path.name if path else None)
            by = by or export.by
            said, unclear, source = export.said, export.unclear, "page"
            named = None if plan else _named_plan(plans, export.plan)
        else:
            rest, locks = read_locks(text)
            said, unclear = read_reply(rest)
            source = "reply"
        past = read_past_plan(_chosen(plans, plan or named))
        if any(one.bars is not None for one in said):
            past = _with_last_bars(past, opened)
        entries, more, told = _from_reply(said, past, source, opened.session.keys, by=by, date=date)
        locked, no_place, told_locks = _from_locks(locks, past, opened.session, by=by, date=date)
        entries, told = (*entries, *locked), (*told, *told_locks)
        unclear = (*unclear, *more, *no_place)
    stored = entries if accept_partly or not unclear else ()
    target = answers_path(session_path, out)
    if stored:
        append_answers(target, song, stored, audio=folders)
    else:
        read_answers(target)  # a fault in it is told now, not at the next plan
    return Answered(
        plan=past.name,
        told=told,
        unclear=tuple(f'"{short(one.text)}": {one.why}' for one in unclear),
        stored=len(stored),
        path=target,
    )


def _with_last_bars(past: PastPlan, opened: Opened) -> PastPlan:
    starts_s = {note.id: note.start_s for note in read_notes(past.folder)}
    tempo_map = tempo_map_of(opened)
    clocks = {spec.code: file_clock(path) for spec, path, _ in opened.stems}
    shifts = clock_shifts(opened.session, clocks)
    rows = (with_last_bar(r, starts_s, tempo_map, shifts.get(r.stem, 0.0)) for r in past.rows)
    return replace(past, rows=tuple(rows))


def _resolved(plans: tuple[Path, ...]) -> set[Path]:
    return {p.resolve() for p in plans}


def _chosen(plans: tuple[Path, ...], name: str | None) -> Path:
    if name is None:
        return plans[0]
    for folder in plans:
        if folder.name == name:
            return folder
    names = ", ".join(p.name for p in reversed(plans))
    raise PlannerError(f"there is no plan {name} of this song.", hint=f"There are {names}.")


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


def _from_reply(
    said: tuple[Said, ...],
    past: PastPlan,
    source: str,
    keys: Sequence[KeyMark],
    *,
    by: str,
    date: str,
) -> tuple[tuple[Entry, ...], tuple[Unclear, ...], tuple[str, ...]]:
    numbers = any(one.ref.isdigit() for one in said)
    found, unclear = placed(said, past.rows, read_ranks(past.folder) if numbers else {}, keys)
    origin: Source = "page" if source == "page" else "reply"
    entries = tuple(_entry(one, past, origin, by=by, date=date) for one in found)
    told = tuple(
        f"{_ref_words(one.ref, one.row)}: {_answer_words(e, names_at(keys, one.row.start_bar))}"
        for one, e in zip(found, entries, strict=True)
    )
    return entries, unclear, told


def _entry(one: Placed, past: PastPlan, source: Source, *, by: str, date: str) -> Entry:
    if one.role is not None:
        # The stem has the role, whatever becomes of the question.
        return Entry(
            id="", area=Area(stem=one.row.stem), override=Override(role=one.role),
            comment=one.comment or None, by=by, date=date, plan=past.name, source=source,
        )  # fmt: skip
    sha256 = past.sha256_of.get(one.row.stem, "")
    entry = entry_of(one.row, plan=past.name, sha256=sha256, source=source, by=by, date=date)
    override = None
    if one.meant_midi is not None:
        override = Override(intended_midi=one.meant_midi)
    elif one.bars is not None:
        override = Override(bars=one.bars)
    return replace(
        entry,
        # The note itself is what was meant so, whatever becomes of the question.
        id=one.row.id if one.meant_midi is None else one.row.covers[0],
        answer=one.answer,
        override=override,
        comment=one.comment or None,
    )


def _from_locks(
    locks: tuple[LockSaid, ...], past: PastPlan, session: Session, *, by: str, date: str
) -> tuple[tuple[Entry, ...], tuple[Unclear, ...], tuple[str, ...]]:
    """Locks of rows become answers to these rows; those of a place are kept as the place."""
    entries: list[Entry] = []
    unclear: list[Unclear] = []
    told: list[str] = []
    ranks = read_ranks(past.folder) if locks else {}
    codes = [spec.code for spec in session.stems]
    for lock in locks:
        word = "locked" if lock.locked else "unlocked"
        rows = rows_named(lock.text, past.rows, ranks)
        if rows:
            for row in rows:
                sha256 = past.sha256_of.get(row.stem, "")
                entry = entry_of(
                    row, plan=past.name, sha256=sha256, source="reply", by=by, date=date
                )
                entries.append(replace(entry, locked=lock.locked))
                told.append(f"{_row_words(row)}: {word}")
            continue
        area, why = area_said(lock.text, codes, session.sections)
        if area is not None and area.from_bar is not None:
            mapped = any(row.start_bar is not None for row in past.rows)
            why = "" if mapped else "there is no tempo map, so no bar can be found"
        if area is None or why:
            unclear.append(Unclear(text=f"{'' if lock.locked else 'un'}lock {lock.text}", why=why))
            continue
        entries.append(
            Entry(
                id="",
                area=area,
                locked=lock.locked,
                by=by,
                date=date,
                plan=past.name,
                source="reply",
            )
        )
        inside = count(len(rows_inside(area, past.rows)), "row")
        new = "; nothing new will be planned there" if lock.locked else ""
        asked = len(questions_inside(area, past.rows))
        if lock.locked and asked:
            new += f", and {count(asked, 'question')} of it will not be asked again"
        told.append(f"{area_words(area)} ({inside} of {past.name}): {word}{new}")
    return tuple(entries), tuple(unclear), tuple(told)


def _from_sheet(
    path: Path, past: PastPlan, *, whole: bool, by: str, date: str
) -> tuple[tuple[Entry, ...], tuple[Unclear, ...]]:
    """What was typed into an edit list.

    Where it is not known which plan a list was saved from (``whole`` is no), blank cells say
    nothing; in the list of a known plan they take back what stood there.
    """
    ids = {row.id for row in past.rows}
    typed: dict[str, Human] = {}
    unclear: list[Unclear] = []
    for row_id, human in read_human_columns(path).items():
        written = past.written.get(row_id, BLANK)
        if not whole:
            human = _over(human, written)
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
    return typed_entries(past, typed, by=by, date=date), tuple(unclear)


def _over(human: Human, written: Human) -> Human:
    state, by, comment, locked = human
    return (
        written[0] if state == "new" else state,
        by or written[1],
        comment or written[2],
        locked or written[3],
    )


def _told_entry(entry: Entry) -> str:
    where = f"at {entry.start_s:.2f} s" if entry.start_s is not None else "throughout"
    return f"{entry.id} ({entry.stem}, {where}, {entry.was}): {_answer_words(entry)}"


def _ref_words(ref: str, row: Row) -> str:
    said = _row_words(row)
    return said if ref.casefold() == row.id.casefold() else f"{ref}. {said}"


def _row_words(row: Row) -> str:
    parts = (row.stem, row_place(row), row.intended)
    return f"{row.id} ({', '.join(p for p in parts if p)}; {row.in_words or row.action})"


def _answer_words(entry: Entry, names: NoteNames = MIXED_NAMES) -> str:
    parts = [str(entry.answer or entry.state or "")]
    if entry.override is not None and entry.override.intended_midi is not None:
        parts.append(f"{note_name(entry.override.intended_midi, names)} was meant")
    if entry.override is not None and entry.override.role is not None:
        parts.append(f"{entry.area.stem if entry.area else ''} is {entry.override.role}")
    if entry.override is not None and entry.override.bars is not None:
        parts.append(f"it lies in {bars_words(entry.override.bars)}".replace("in from", "from"))
    if entry.locked is not None:
        parts.append("locked" if entry.locked else "unlocked")
    if entry.comment is not None:
        parts.append(f'"{entry.comment}"' if entry.comment else "comment taken out")
    if entry.by and not entry.answer:
        parts.append(f"by {entry.by}")
    return ", ".join(p for p in parts if p)
