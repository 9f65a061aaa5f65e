"""Which row of a plan each answer of a reply speaks of, and whether it can be said of it."""

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from planner.answer.answers import STATE_OF, Answer, largest_move
from planner.answer.questions import asks_role, meant_midi, why_no_no, why_no_yes, words_to_type
from planner.answer.reply_words import JOIN, REF, Said, Unclear, id_key, names_in
from planner.answer.said_bars import bars_of, bars_written
from planner.model import Role
from planner.pitch import note_name
from planner.ranking import like_this
from planner.words.plan_model import Row
from planner.words.session_model import KeyMark
from planner.words.spelling import names_at
from planner.words.wording import flat_or_sharp

_NO_NOTES: Mapping[str, float | None] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """An answer beside the row it speaks of."""

    ref: str
    row: Row
    answer: Answer | None
    comment: str
    meant_midi: int | None = None
    role: Role | None = None
    bars: tuple[int, int | None] | None = None
    held: bool = False  # something in its line is not understood
    alone: bool = False  # said of all like it, and there are none


def placed(
    said: Iterable[Said],
    rows: Sequence[Row],
    ranks: Mapping[int, str],
    keys: Sequence[KeyMark] = (),
    heard_cents: Mapping[str, float | None] = _NO_NOTES,
) -> tuple[tuple[Placed, ...], tuple[Unclear, ...]]:
    """Find the row that each answer speaks of.

    rows: of the plan that was answered.
    ranks: line of the offenders list -> row id.
    keys: by which notes are named in what is told back.
    heard_cents: note id -> how far off it is heard; of notes without a row as well.
    """
    done: dict[tuple[str, str], Placed] = {}
    unclear: list[Unclear] = []
    stated: dict[str, str] = {}
    for one in said:
        row = _row(one.ref, rows, ranks)
        why = (
            _no_row(one.ref, rows, ranks, heard_cents)
            if row is None
            else _cannot_be(one, row, keys)
        )
        if row is None or why:
            unclear.append(Unclear(text=_as_written(one), why=why))
            continue
        alike = like_this(row, rows) if one.like_this else (row,)
        for each in alike:
            midi = meant_midi(one.meant, each) if one.meant else None
            word = str(one.answer or one.role or one.bars)
            if midi is not None:
                word = f"meant {note_name(midi, names_at(keys, each.start_bar))}"
            decides = midi is not None or one.role is not None or one.answer in STATE_OF
            if decides and stated.setdefault(each.id, word) != word:
                why = f"{each.id} was answered '{stated[each.id]}' before in the same reply"
                unclear.append(Unclear(text=_as_written(one), why=why))
                continue
            label = one.ref if each is row else "like this"
            done[each.id, word] = Placed(
                ref=label, row=each, answer=one.answer, comment=one.comment, meant_midi=midi,
                role=one.role, bars=bars_of(one.bars, each), held=one.held,
                alone=one.like_this and len(alike) == 1,
            )  # fmt: skip
    return tuple(done.values()), tuple(unclear)


def with_words_to_type(
    unclear: Iterable[Unclear],
    rows: Sequence[Row],
    ranks: Mapping[int, str],
    keys: Sequence[KeyMark],
    heard_cents: Mapping[str, float | None],
) -> tuple[Unclear, ...]:
    """Say beside what was not understood what its row takes.

    rows, ranks, keys, heard_cents: as in `placed`.
    """
    done = []
    for one in unclear:
        row, more = _row(one.ref, rows, ranks), ""
        if row is not None:
            types = words_to_type(row, names_at(keys, row.start_bar))
            more = f"; type {types}, and other words as {row.id} note ..."
        elif one.ref:
            more = f"; {_no_row(one.ref, rows, ranks, heard_cents)}"
        done.append(replace(one, why=one.why + more))
    return tuple(done)


def rows_named(text: str, rows: Sequence[Row], ranks: Mapping[int, str]) -> tuple[Row, ...]:
    """Give the rows that a list of line numbers and ids names; none unless it names nothing else.

    rows, ranks: as in `placed`.
    """
    if re.fullmatch(rf"{REF}(?:{JOIN}{REF})*", text) is None:
        return ()
    found = [_row(one, rows, ranks) for ref in re.findall(REF, text) for one in names_in(ref)]
    return tuple(row for row in found if row is not None) if None not in found else ()


def _row(ref: str, rows: Sequence[Row], ranks: Mapping[int, str]) -> Row | None:
    wanted = ranks.get(int(ref), "") if ref.isdigit() else ref
    key = id_key(wanted)
    for row in rows:
        if id_key(row.id) == key:
            return row
    # A question has an id of its own; whoever names its note means the question.
    asked = (r for r in rows if r.kind == "question" and key in {id_key(c) for c in r.covers})
    return next(asked, None)


def _no_row(
    ref: str, rows: Sequence[Row], ranks: Mapping[int, str], heard_cents: Mapping[str, float | None]
) -> str:
    if ref.isdigit():
        last = max(ranks, default=0)
        return f"the offenders list has no line {ref}; its last is {last}"
    for note_id, cents in heard_cents.items():
        if id_key(note_id) == id_key(ref):
            ruled = any(r.kind == "rule" and note_id in r.covers for r in rows)
            return f"{note_id} has no row of its own{_by_hand(note_id, None if ruled else cents)}"
    near = difflib.get_close_matches(ref.upper(), [row.id for row in rows], 1)
    return f"no row has the id {ref}" + (f"; did you mean {near[0]}?" if near else "")


def _by_hand(note_id: str, cents: float | None) -> str:
    """Say how a person moves a note for which the plan has no move.

    cents: how far off it is heard, to be taken out; None where that is not known.
    """
    heard = f", and is heard {flat_or_sharp(cents)}" if cents else ""
    add = -round(cents or 0.0)
    line = f"- {{id: {note_id}, override: {{add_cents: {add or 12}}}}}"
    own = "" if add else " (or what it needs)"
    return f"{heard}; to move it all the same, write into the answers file: {line}{own}"


def _cannot_be(one: Said, row: Row, keys: Sequence[KeyMark]) -> str:
    """Say why this cannot be said of this row; nothing where it can."""
    return _no_such_note(one, row) or _no_such_place(one, row) or _no_such_word(one, row, keys)


def _no_such_note(one: Said, row: Row) -> str:
    if not one.meant or meant_midi(one.meant, row) is not None:
        return ""
    if row.kind == "rule":
        return f"{row.id} covers many notes; name one of them by its own id, from notes.csv"
    if len(row.covers) != 1:
        return f"{row.id} is no single note, so none can be named for it"
    return f"{one.meant!r} is no note name; write a letter, # or b, and the octave: F#3, Bb2"


def _no_such_place(one: Said, row: Row) -> str:
    if one.role is not None and not asks_role(row):
        return f"{row.id} does not ask for a role"
    if one.bars is None:
        return ""
    if row.kind != "rule":
        return f"{row.id} is no rule, so it has no stretch of bars"
    if row.start_bar is None:
        return "there is no tempo map, so no bar can be found"
    bars = bars_of(one.bars, row)
    if bars is not None and bars[1] is not None and bars[1] < bars[0]:
        return f"bars {bars[0]}-{bars[1]} end before they begin"
    return ""


def _no_such_word(one: Said, row: Row, keys: Sequence[KeyMark]) -> str:
    if one.answer == "no" and (why := why_no_no(row)):
        return why
    if one.answer == "yes" and (why := why_no_yes(row, names_at(keys, row.start_bar))):
        return why
    if one.answer == "note" and not one.comment:
        return "a note needs words"
    if one.answer == "half" and largest_move(row) is None:
        return f"{row.id} moves nothing, so there is no half of it"
    if row.state == "orphan" and one.answer != "note":
        return f"{row.id} is kept without a home: nothing is found there any more"
    return ""


def _as_written(one: Said) -> str:
    meant = f"meant {one.meant}" if one.meant else ""
    bars = "" if one.bars is None else bars_written(one.bars)
    return " ".join(p for p in (one.ref, one.answer, meant, one.role, bars, one.comment) if p)
