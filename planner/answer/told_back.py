"""What a reply to a plan comes to: answers to store, and each of them as it is told back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from planner.answer.answers import Answer, Area, Entry, Override, Source, entry_of
from planner.answer.locks import (
    area_said,
    area_words,
    bars_words,
    moved_inside,
    questions_inside,
    rows_inside,
)
from planner.answer.questions import asks_as_read, asks_several, sounding_midi
from planner.answer.replies import Placed, placed, rows_named, with_words_to_type
from planner.answer.reply_words import LockSaid, Said, Unclear
from planner.answer.said_bars import with_last_bar
from planner.pitch import MIXED_NAMES, NoteNames, note_name
from planner.words.plan_model import Row
from planner.words.session_model import Session
from planner.words.spelling import names_at
from planner.words.wording import amount, count, raise_or_lower, row_place

_NEIGHBOUR_MIDI = 1.5  # chosen: what lies between two notes is nearer than this to either


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A reply, read word by word; which rows it speaks of is not known yet."""

    source: Source
    said: tuple[Said, ...]
    locks: tuple[LockSaid, ...] = ()
    unclear: tuple[Unclear, ...] = ()

    @property
    def by_number(self) -> bool:
        """Whether it may speak of lines of the offenders list."""
        refs = (one.ref for many in (self.said, self.unclear) for one in many)
        return bool(self.locks) or any(ref[:1].isdigit() for ref in refs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """The plan that a reply is about, and how, by whom and when it was given."""

    plan: str  # folder name
    rows: tuple[Row, ...]
    sha256_of: Mapping[str, str]  # stem code -> content of its file then
    source: Source
    by: str
    date: str
    ranks: Mapping[int, str] = field(default_factory=dict)  # line of the offenders list -> row id
    heard_cents: Mapping[str, float | None] = field(default_factory=dict)  # of every note
    bars: Mapping[str, int] = field(default_factory=dict)  # note id -> its bar; none without a map

    def past_the_end(self, from_bar: int) -> str:
        """Say that a place lies behind the song; empty where it does not."""
        last = max(self.bars.values(), default=from_bar)
        if from_bar <= last:
            return ""
        return f"no note begins there: the song's last one begins in bar {last}"

    def entry(self, row: Row) -> Entry:
        """Begin the answer to a row."""
        sha256 = self.sha256_of.get(row.stem, "")
        return entry_of(
            row, plan=self.plan, sha256=sha256, source=self.source, by=self.by, date=self.date
        )

    def of_a_place(self, area: Area) -> Entry:
        """Begin what is said of a stem, or of bars."""
        return Entry(
            id="", area=area, by=self.by, date=self.date, plan=self.plan, source=self.source
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """What came of a reply: answers, what is not clear, and each answer as told back."""

    entries: tuple[Entry, ...] = ()
    unclear: tuple[Unclear, ...] = ()
    told: tuple[str, ...] = ()

    def __add__(self, more: Understood) -> Understood:
        return Understood(
            entries=self.entries + more.entries,
            unclear=self.unclear + more.unclear,
            told=self.told + more.told,
        )


def understood(reply: Reply, given: Given, session: Session) -> Understood:
    """Find what a reply says of the rows of a plan.

    An answer in a line that is not understood as a whole is told back, and is none yet.
    """
    keys, rows = session.keys, given.rows
    if any(one.bars is not None for one in reply.said):
        rows = tuple(with_last_bar(row, given.bars) for row in rows)
    found, unclear = placed(reply.said, rows, given.ranks, keys, given.heard_cents)
    entries, told = [], []
    for one in found:
        if one.bars is not None and (why := given.past_the_end(one.bars[0])):
            unclear += (Unclear(text=f"{one.row.id} {bars_words(one.bars)}", why=why),)
            continue
        entry = _entry(one, given)
        if not one.held:
            entries.append(entry)
        more = _far_words(one) + ("; no other row is like it" if one.alone else "")
        more += "; waits for the rest of its line" if one.held else ""
        words = answer_words(entry, names_at(keys, one.row.start_bar))
        told.append(f"{_ref_words(one.ref, one.row)}: {words}{more}")
    not_read = with_words_to_type(reply.unclear, rows, given.ranks, keys, given.heard_cents)
    done = Understood(entries=tuple(entries), unclear=not_read + unclear, told=tuple(told))
    for lock in reply.locks:
        done += _from_lock(lock, given, session)
    return done


def _entry(one: Placed, given: Given) -> Entry:
    comment = one.comment or None
    override = None
    if one.role is not None:
        override = Override(role=one.role)
    elif asks_several(one.row) and one.answer == "yes":
        override = Override(several_notes=True)
    if override is not None:
        # The stem is that, whatever becomes of the question.
        of_stem = given.of_a_place(Area(stem=one.row.stem))
        return replace(of_stem, override=override, comment=comment)
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


def _far_words(one: Placed) -> str:
    """Say of a note that was meant how far it lies from what is heard, where it is no neighbour."""
    at = sounding_midi(one.row)
    if one.meant_midi is None or at is None or abs(one.meant_midi - at) <= _NEIGHBOUR_MIDI:
        return ""
    return f", {amount(one.meant_midi - at)} semitones from what is heard: too far to be moved"


def _from_lock(lock: LockSaid, given: Given, session: Session) -> Understood:
    """A lock of rows becomes answers to these rows; a lock of a place is kept as the place."""
    verb = "hands off" if lock.still else "lock" if lock.locked else "unlock"
    rows = rows_named(lock.text, given.rows, given.ranks)
    if rows and lock.still:
        why = f"hands off is said of a place; of rows type {', '.join(f'{r.id} no' for r in rows)}"
        return Understood(unclear=(Unclear(text=f"{verb} {lock.text}", why=why),))
    if rows:
        return Understood(
            entries=tuple(replace(given.entry(row), locked=lock.locked) for row in rows),
            told=tuple(f"{_row_words(row)}: {verb}ed" for row in rows),
        )
    codes = [spec.code for spec in session.stems]
    area, why = area_said(lock.text, codes, session.sections)
    if area is not None and area.from_bar is not None:
        mapped = any(row.start_bar is not None for row in given.rows)
        why = given.past_the_end(area.from_bar)
        why = why if mapped else "there is no tempo map, so no bar can be found"
    if area is None or why:
        return Understood(unclear=(Unclear(text=f"{verb} {lock.text}", why=why),))
    no: Answer | None = "no" if lock.still else None
    return Understood(
        entries=(replace(given.of_a_place(area), locked=lock.locked, answer=no),),
        told=(_place_told(area, lock, given),),
    )


def _place_told(area: Area, lock: LockSaid, given: Given) -> str:
    """Say what a lock of a place does to what the plan moves there."""
    place = area_words(area)
    holds = [f"{count(len(rows_inside(area, given.rows)), 'row')} of {given.plan}"]
    moved = moved_inside(area, given.rows, given.bars)
    holds += [f"{rule} moves {count(notes, 'note')} there" for rule, notes in moved]
    told = f"{place} ({'; '.join(holds)}): "
    if not lock.locked:
        return f"{told}unlocked"
    asked = len(questions_inside(area, given.rows))
    no_more = f", and {count(asked, 'question')} of it will not be asked again" if asked else ""
    if lock.still:
        return f"{told}hands off; nothing is moved there, nothing new will be planned{no_more}"
    told += f"locked; nothing new will be planned there{no_more}"
    stays = f"; what moves there stays as planned ('hands off {place}' leaves it unmoved)"
    return told + (stays if moved else "")


def told_entry(entry: Entry) -> str:
    """Tell an answer that was typed into a list."""
    where = f"at {entry.start_s:.2f} s" if entry.start_s is not None else "throughout"
    return f"{entry.id} ({entry.stem}, {where}, {entry.was}): {answer_words(entry)}"


def _ref_words(ref: str, row: Row) -> str:
    said = _row_words(row)
    return said if ref.casefold() == row.id.casefold() else f"{ref}. {said}"


def _row_words(row: Row) -> str:
    parts = (row.stem, row_place(row), row.intended)
    return f"{row.id} ({', '.join(p for p in parts if p)}; {row.in_words or row.action})"


def answer_words(entry: Entry, names: NoteNames = MIXED_NAMES) -> str:
    """Say what an answer says."""
    parts = [str(entry.answer or entry.state or "")]
    said, stem = entry.override, entry.area.stem if entry.area else ""
    if said is not None and said.intended_midi is not None:
        parts.append(f"{note_name(said.intended_midi, names)} was meant")
    if said is not None and said.add_cents is not None:
        parts.append(raise_or_lower(said.add_cents))
    if said is not None and said.role is not None:
        parts.append(f"{stem} is {said.role}")
    if said is not None and said.several_notes is not None:
        parts.append(f"{'several notes' if said.several_notes else 'one note'} at a time in {stem}")
    if said is not None and said.bars is not None:
        parts.append(f"it lies in {bars_words(said.bars)}".replace("in from", "from"))
    if entry.locked is not None:
        parts.append("locked" if entry.locked else "unlocked")
    if entry.comment is not None:
        parts.append(f'"{entry.comment}"' if entry.comment else "comment taken out")
    if entry.by and not entry.answer:
        parts.append(f"by {entry.by}")
    return ", ".join(p for p in parts if p)
