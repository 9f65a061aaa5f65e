"""Replies in a person's own words, and the page's exported answers, read into single answers.

A plain reply is a row of items such as ``12 yes``, ``14 no love that scoop`` or ``R-001, R-003
half``: one or more numbers of the offenders list or row ids, then yes, no, ask, half or note, then
free words up to the next item. A number after "bar", "beat" or "take" is no line of the list. "all
like this" among the words answers every row of the same stem, kind, action, direction and intended
note (of rules: the same stem, scope and action).

The page's export is UTF-8 text::

    planner answers 1
    song: Low Tide Ledger
    plan: plan_01
    by: producer
    LV-0147 no<TAB>love that scoop
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from planner.answers import ANSWERS, STATE_OF, Answer, largest_move
from planner.plan_model import Row

EXPORT_HEAD = "planner answers 1"

_REF = r"#?(?:[A-Za-z][\w.+]*-\d+|\d+)"
_JOIN = r"(?:\s*,\s*|\s*&\s*|\s+and\s+|\s+)"
_ITEM = re.compile(
    rf"(?<![\w.-])(?P<refs>{_REF}(?:{_JOIN}{_REF})*)\s*[:=]?\s*"
    rf"(?:-\s+)?(?P<answer>{'|'.join(ANSWERS)})\b(?!-)",
    re.IGNORECASE,
)
_PLACE_WORD = re.compile(r"\b(?:bars?|beats?|takes?)[ \t]*\Z", re.IGNORECASE)
_LIKE = re.compile(r"\s*[,;]?\s*\b(?:and\s+)?all like this\b", re.IGNORECASE)
_ID = re.compile(r"(.+)-0*(\d+)")
_LINE = re.compile(r"(?P<id>\S+)\s+(?P<answer>[A-Za-z]+)[ ]*(?:\t(?P<comment>.*))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One answer as it was written, before it is known which row it speaks of."""

    ref: str  # as written: "12", "R-001"
    answer: Answer
    comment: str = ""
    like_this: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Unclear:
    """Words that were not understood, and why."""

    text: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """What the review page wrote: whose song, which plan, and the answers."""

    song: str
    plan: str
    by: str
    said: tuple[Said, ...]
    unclear: tuple[Unclear, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """An answer beside the row it speaks of."""

    ref: str
    row: Row
    answer: Answer
    comment: str


def read_reply(text: str) -> tuple[tuple[Said, ...], tuple[Unclear, ...]]:
    """Read a plain reply; what is not understood comes back beside what is."""
    found: list[tuple[int, int, list[str], Answer]] = []
    for match in _ITEM.finditer(text):
        refs = [(m.start() + match.start(), m[0]) for m in re.finditer(_REF, match["refs"])]
        if _PLACE_WORD.search(text[: match.start()]) and refs[0][1].isdigit():
            refs = refs[1:]
        if refs:
            answer = next(a for a in ANSWERS if a == match["answer"].lower())
            names = [ref.removeprefix("#") for _, ref in refs]
            found.append((refs[0][0], match.end(), names, answer))
    said: list[Said] = []
    unclear: list[Unclear] = []
    before = _words(text[: found[0][0]] if found else text)
    if before:
        unclear.append(Unclear(text=before, why="no line number or row id with an answer"))
    for k, (_, words_from, refs_of_item, answer) in enumerate(found):
        until = found[k + 1][0] if k + 1 < len(found) else len(text)
        words = text[words_from:until]
        like = _LIKE.search(words) is not None
        comment = _words(_LIKE.sub(" ", words) if like else words)
        if comment.lower() == "and":  # "1 yes and 2 no"
            comment = ""
        if answer == "ask" and comment:
            comment = f"ask {comment}"
        said += [
            Said(ref=ref, answer=answer, comment=comment, like_this=like) for ref in refs_of_item
        ]
    return tuple(said), tuple(unclear)


def read_export(text: str) -> Export:
    """Read the page's export; lines that do not fit come back with their number."""
    head: dict[str, str] = {}
    said: list[Said] = []
    unclear: list[Unclear] = []
    lines = text.removeprefix("\ufeff").splitlines()
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip():
            continue
        name, colon, value = line.partition(":")
        if colon and name in ("song", "plan", "by") and not said:
            head[name] = value.strip()
            continue
        match = _LINE.fullmatch(line.rstrip("\r"))
        answer = next((a for a in ANSWERS if match and a == match["answer"].lower()), None)
        if match is None or answer is None:
            why = f"line {number} is no '<row id> yes, no, ask, half or note', then a tab and words"
            unclear.append(Unclear(text=line, why=why))
            continue
        comment = re.sub(
            r"\\([n\\])", lambda m: "\n" if m[1] == "n" else "\\", match["comment"] or ""
        )
        said.append(Said(ref=match["id"], answer=answer, comment=comment))
    return Export(
        song=head.get("song", ""),
        plan=head.get("plan", ""),
        by=head.get("by", ""),
        said=tuple(said),
        unclear=tuple(unclear),
    )


def is_export(text: str) -> bool:
    """Whether a text is the page's export."""
    return text.removeprefix("\ufeff").split("\n", 1)[0].strip() == EXPORT_HEAD


def placed(
    said: Iterable[Said], rows: Sequence[Row], ranks: Mapping[int, str]
) -> tuple[tuple[Placed, ...], tuple[Unclear, ...]]:
    """Find the row that each answer speaks of.

    Parameters
    ----------
    rows : sequence of Row
        Of the plan that was answered.
    ranks : mapping
        Line of the offenders list -> row id.
    """
    done: dict[tuple[str, Answer], Placed] = {}
    unclear: list[Unclear] = []
    stated: dict[str, Answer] = {}
    for one in said:
        row = _row(one.ref, rows, ranks)
        why = _no_row(one.ref, rows, ranks) if row is None else _cannot_be(one, row)
        if row is None or why:
            unclear.append(Unclear(text=_as_written(one), why=why))
            continue
        for each in like_this(row, rows) if one.like_this else (row,):
            if one.answer in STATE_OF and stated.setdefault(each.id, one.answer) != one.answer:
                why = f"{each.id} was answered '{stated[each.id]}' before in the same reply"
                unclear.append(Unclear(text=_as_written(one), why=why))
                continue
            label = one.ref if each is row else "like this"
            done[each.id, one.answer] = Placed(
                ref=label, row=each, answer=one.answer, comment=one.comment
            )
    return tuple(done.values()), tuple(unclear)


def like_this(row: Row, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Give every row that "all like this" speaks of, the row itself first.

    Rules: same stem, scope and action. Other rows: same stem, kind, action, direction and intended
    note, which is what a line of the offenders list counts as one fault.
    """
    others = (other for other in rows if other.id != row.id and _likeness(other) == _likeness(row))
    return (row, *others)


def _likeness(row: Row) -> tuple[object, ...]:
    move = largest_move(row)
    if row.kind == "rule":
        return row.kind, row.stem, row.scope, row.action
    side = None if move is None else move > 0
    return row.kind, row.stem, row.action, row.intended_midi, side


def _row(ref: str, rows: Sequence[Row], ranks: Mapping[int, str]) -> Row | None:
    wanted = ranks.get(int(ref), "") if ref.isdigit() else ref
    key = _id_key(wanted)
    for row in rows:
        if _id_key(row.id) == key:
            return row
    # A question has an id of its own; whoever names its note means the question.
    asked = (r for r in rows if r.kind == "question" and key in {_id_key(c) for c in r.covers})
    return next(asked, None)


def _id_key(row_id: str) -> tuple[str, int] | None:
    match = _ID.fullmatch(row_id.casefold())
    return (match[1], int(match[2])) if match else None


def _no_row(ref: str, rows: Sequence[Row], ranks: Mapping[int, str]) -> str:
    if ref.isdigit():
        last = max(ranks, default=0)
        return f"the offenders list has no line {ref}; its last is {last}"
    near = difflib.get_close_matches(ref.upper(), [row.id for row in rows], 1)
    return f"no row has the id {ref}" + (f"; did you mean {near[0]}?" if near else "")


def _cannot_be(one: Said, row: Row) -> str:
    if one.answer == "note" and not one.comment:
        return "a note needs words"
    if one.answer == "half" and largest_move(row) is None:
        return f"{row.id} moves nothing, so there is no half of it"
    if row.state == "orphan" and one.answer != "note":
        return f"{row.id} is kept without a home: nothing is found there any more"
    return ""


def _as_written(one: Said) -> str:
    return " ".join(part for part in (one.ref, one.answer, one.comment) if part)


def _words(text: str) -> str:
    return text.strip().lstrip(",;:.–— \n").rstrip(",; \n").strip()
