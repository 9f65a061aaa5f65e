"""One reply read in: understood against a plan, told back, stored only if all of it is clear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.answer.answers import (
    BLANK,
    Area,
    Entry,
    HumanColumns,
    Override,
    Source,
    entry_of,
    short,
)
from planner.answer.locks import area_said, area_words, bars_words, questions_inside, rows_inside
from planner.answer.page_export import is_export, read_export
from planner.answer.questions import asks_as_read, asks_several
from planner.answer.replies import Placed, placed, rows_named
from planner.answer.reply_words import LockSaid, Said, Unclear, read_locks, read_reply
from planner.answer.said_bars import with_last_bar
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
from planner.pitch import MIXED_NAMES, NoteNames, note_name
from planner.words.plan_model import Row
from planner.words.session_model import KeyMark, Session
from planner.words.spelling import names_at
from planner.words.wording import count, raise_or_lower, row_place


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
        understood = _from_sheet(path, _Given(past, "sheet", by, date), whole=whole)
    else:
        if is_export(text):
            export = read_export(text)
            if export.song != song:
                what = f"speaks of {export.song!r}, and this session is {song!r}."
                raise PlannerError(what, file=path.name if path else None)
            reply = _Reply(source="page", said=export.said, unclear=export.unclear)
            by, plan = by or export.by, plan or _named_plan(plans, export.plan)
        else:
            reply = _read_words(text)
        past = read_past_plan(chosen_plan(plans, plan))
        understood = _from_reply(reply, past, opened, by, date)
    target = answers_path(session_path, out)
    before = read_answers(target)  # a fault in it is told now, not at the next plan
    whole = accept_partly or not understood.unclear
    stored = tuple(e for e in understood.entries if whole and not _stands_there(e, before))
    if stored:
        append_answers(target, song, stored, audio=folders)
    return Answered(
        plan=past.name,
        told=understood.told,
        unclear=tuple(f'"{short(one.text)}": {one.why}' for one in understood.unclear),
        stored=len(stored),
        path=target,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reply:
    """A reply, read word by word; which rows it speaks of is not known yet."""

    source: Source
    said: tuple[Said, ...]
    locks: tuple[LockSaid, ...] = ()
    unclear: tuple[Unclear, ...] = ()


def _read_words(text: str) -> _Reply:
    """Read a reply in a person's own words."""
    rest, locks = read_locks(text)
    said, unclear = read_reply(rest)
    return _Reply(source="reply", said=said, locks=locks, unclear=unclear)


@dataclass(frozen=True, slots=True)
class _Given:
    """The plan that a reply is about, and how, by whom and when it was given."""

    past: PastPlan
    source: Source
    by: str
    date: str
    last_bar: int | None = None  # in which a note begins; None where it is not asked or known

    def past_the_end(self, from_bar: int) -> str:
        """Say that a place lies behind the song; empty where it does not."""
        if self.last_bar is None or from_bar <= self.last_bar:
            return ""
        return f"no note begins there: the song's last one begins in bar {self.last_bar}"

    def entry(self, row: Row) -> Entry:
        """Begin the answer to a row."""
        sha256 = self.past.sha256_of.get(row.stem, "")
        return entry_of(
            row, plan=self.past.name, sha256=sha256, source=self.source, by=self.by, date=self.date
        )

    def of_a_place(self, area: Area) -> Entry:
        """Begin what is said of a stem, or of bars."""
        return Entry(
            id="", area=area, by=self.by, date=self.date, plan=self.past.name, source=self.source
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Understood:
    """What came of a reply: answers, what is not clear, and each answer as told back."""

    entries: tuple[Entry, ...] = ()
    unclear: tuple[Unclear, ...] = ()
    told: tuple[str, ...] = ()

    def __add__(self, more: _Understood) -> _Understood:
        return _Understood(
            entries=self.entries + more.entries,
            unclear=self.unclear + more.unclear,
            told=self.told + more.told,
        )


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


def _with_last_bars(past: PastPlan, opened: Opened) -> PastPlan:
    starts_s = {note.id: note.start_s for note in read_notes(past.folder)}
    tempo_map, shifts = tempo_map_of(opened), shifts_of(opened)
    rows = (with_last_bar(r, starts_s, tempo_map, shifts.get(r.stem, 0.0)) for r in past.rows)
    return replace(past, rows=tuple(rows))


def _last_bar(past: PastPlan, opened: Opened) -> int | None:
    """The last bar in which a note of the plan begins; None without a tempo map or notes."""
    tempo_map, shifts = tempo_map_of(opened), shifts_of(opened)
    if tempo_map is None:
        return None
    starts_s = (note.start_s + shifts.get(note.stem, 0.0) for note in read_notes(past.folder))
    return max((tempo_map.played_at(at_s)[0] for at_s in starts_s), default=None)


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


def _from_reply(reply: _Reply, past: PastPlan, opened: Opened, by: str, date: str) -> _Understood:
    """Find what a reply says of the rows of a plan."""
    of_stretches = any(one.bars is not None for one in reply.said)
    if of_stretches:
        past = _with_last_bars(past, opened)
    of_bars = of_stretches or any("bar" in lock.text.casefold() for lock in reply.locks)
    last_bar = _last_bar(past, opened) if of_bars else None
    given = _Given(past, reply.source, by, date, last_bar)
    # Numbers are lines of the offenders list, which an old plan may have lost.
    by_number = reply.locks or any(one.ref.isdigit() for one in reply.said)
    ranks = read_ranks(past.folder) if by_number else {}
    answers = _from_answers(reply.said, given, ranks, opened.session.keys)
    understood = _Understood(unclear=reply.unclear) + answers
    for lock in reply.locks:
        understood += _from_lock(lock, given, ranks, opened.session)
    return understood


def _from_answers(
    said: Sequence[Said], given: _Given, ranks: Mapping[int, str], keys: Sequence[KeyMark]
) -> _Understood:
    """Give the answers to single rows.

    ranks: line of the offenders list -> row id.
    keys: by which notes are named in what is told back.
    """
    found, unclear = placed(said, given.past.rows, ranks, keys)
    inside = []
    for one in found:
        if one.bars is not None and (why := given.past_the_end(one.bars[0])):
            unclear += (Unclear(text=f"{one.row.id} {bars_words(one.bars)}", why=why),)
        else:
            inside.append(one)
    entries = tuple(_entry(one, given) for one in inside)
    told = (
        f"{_ref_words(one.ref, one.row)}: {_answer_words(e, names_at(keys, one.row.start_bar))}"
        for one, e in zip(inside, entries, strict=True)
    )
    return _Understood(entries=entries, unclear=unclear, told=tuple(told))


def _entry(one: Placed, given: _Given) -> Entry:
    comment = one.comment or None
    if one.role is not None:
        # The stem has the role, whatever becomes of the question.
        of_stem = given.of_a_place(Area(stem=one.row.stem))
        return replace(of_stem, override=Override(role=one.role), comment=comment)
    if asks_several(one.row) and one.answer == "yes":
        of_stem = given.of_a_place(Area(stem=one.row.stem))
        return replace(of_stem, override=Override(several_notes=True), comment=comment)
    override = None
    if one.meant_midi is not None:
        override = Override(intended_midi=one.meant_midi)
    elif one.bars is not None:
        override = Override(bars=one.bars)
    elif one.answer == "yes" and asks_as_read(one.row) and one.row.heard_cents is not None:
        override = Override(add_cents=-float(round(one.row.heard_cents)))
    # The note itself was meant so, or is so far off, whatever becomes of the question.
    of_its_note = override is not None and override.bars is None
    return replace(
        given.entry(one.row),
        id=one.row.covers[0] if of_its_note else one.row.id,
        answer=one.answer,
        override=override,
        comment=comment,
    )


def _from_lock(
    lock: LockSaid, given: _Given, ranks: Mapping[int, str], session: Session
) -> _Understood:
    """A lock of rows becomes answers to these rows; a lock of a place is kept as the place."""
    past = given.past
    word = "locked" if lock.locked else "unlocked"
    rows = rows_named(lock.text, past.rows, ranks)
    if rows:
        return _Understood(
            entries=tuple(replace(given.entry(row), locked=lock.locked) for row in rows),
            told=tuple(f"{_row_words(row)}: {word}" for row in rows),
        )
    codes = [spec.code for spec in session.stems]
    area, why = area_said(lock.text, codes, session.sections)
    if area is not None and area.from_bar is not None:
        mapped = any(row.start_bar is not None for row in past.rows)
        why = given.past_the_end(area.from_bar)
        why = why if mapped else "there is no tempo map, so no bar can be found"
    if area is None or why:
        text = f"{'' if lock.locked else 'un'}lock {lock.text}"
        return _Understood(unclear=(Unclear(text=text, why=why),))
    inside = count(len(rows_inside(area, past.rows)), "row")
    new = "; nothing new will be planned there" if lock.locked else ""
    asked = len(questions_inside(area, past.rows))
    if lock.locked and asked:
        new += f", and {count(asked, 'question')} of it will not be asked again"
    return _Understood(
        entries=(replace(given.of_a_place(area), locked=lock.locked),),
        told=(f"{area_words(area)} ({inside} of {past.name}): {word}{new}",),
    )


def _from_sheet(path: Path, given: _Given, *, whole: bool) -> _Understood:
    """What was typed into an edit list.

    Where it is not known which plan a list was saved from (``whole`` is no), blank cells say
    nothing; in the list of a known plan they take back what stood there.
    """
    past = given.past
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
    entries = typed_entries(past, typed, by=given.by, date=given.date)
    told = tuple(_told_entry(e) for e in entries)
    return _Understood(entries=entries, unclear=tuple(unclear), told=told)


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
    if entry.override is not None and entry.override.add_cents is not None:
        parts.append(raise_or_lower(entry.override.add_cents))
    if entry.override is not None and entry.override.role is not None:
        parts.append(f"{entry.area.stem if entry.area else ''} is {entry.override.role}")
    if entry.override is not None and entry.override.several_notes is not None:
        so = "several notes" if entry.override.several_notes else "one note"
        parts.append(f"{so} at a time in {entry.area.stem if entry.area else ''}")
    if entry.override is not None and entry.override.bars is not None:
        parts.append(f"it lies in {bars_words(entry.override.bars)}".replace("in from", "from"))
    if entry.locked is not None:
        parts.append("locked" if entry.locked else "unlocked")
    if entry.comment is not None:
        parts.append(f'"{entry.comment}"' if entry.comment else "comment taken out")
    if entry.by and not entry.answer:
        parts.append(f"by {entry.by}")
    return ", ".join(p for p in parts if p)
