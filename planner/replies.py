"""Replies in a person's own words, and the page's exported answers, read into single answers.

A plain reply is a row of items such as ``12 yes``, ``14 no love that scoop`` or ``R-001, R-003
half``: one or more numbers of the offenders list (``3-6``: each of them) or row ids, then yes, no,
ask, half or note, then free words up to the next item. A number after "bar", "beat" or "take" is no
line of the list. "all like this" among the words answers every row of the same stem, kind, action,
direction and intended note (of rules: the same stem, scope and action). In place of yes or no
stands the note that was meant: ``Q-003 F#3``, ``12 is Bb``, ``12 meant F#3``; a letter alone needs
"is" or "meant". A question about the role of a stem is answered by the role (``Q-004
bass-fretless``), a rule by the bars that it lies in (``R-002 bars 19-34``, ``R-002 from bar 19``).

The page's export is UTF-8 text::

    planner answers 1
    song: Low Tide Ledger
    plan: plan_01
    by: producer
    LV-0147 no<TAB>love that scoop
    Q-003 meant F#3
    Q-004 role bass-fretless
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import get_args

from planner.answers import ANSWERS, STATE_OF, Answer, largest_move
from planner.model import ROLES, Role
from planner.pitch import note_name
from planner.plan_model import Row
from planner.questions import asks_role, meant_midi, why_no_no, why_no_yes
from planner.said_bars import BARS, SaidBars, bars_of, bars_said, bars_written
from planner.session_model import KeyMark
from planner.spelling import names_at

_ROLES: tuple[Role, ...] = get_args(Role)
EXPORT_HEAD = "planner answers 1"

_REF = r"#?(?:(?i:rule)[ \t]+\d+|[A-Za-z][\w.+]*-\d+|\d+(?:[ \t]*(?:-|\u2013|to)[ \t]*\d+)?(?!\w))"
_RANGE = re.compile(r"(\d+)[ \t]*(?:-|\u2013|to)[ \t]*(\d+)", re.IGNORECASE)
_RANGE_MOST = 100  # chosen: no list that people answer by numbers is longer
_ANSWER_FIRST = re.compile(rf"\A(?:{'|'.join(ANSWERS)})\b(?=.*\d)", re.IGNORECASE | re.DOTALL)
_JOIN = r"(?:\s*,\s*|\s*&\s*|\s+and\s+|\s+)"
_SHARP_FLAT = r"(?-i:##?|bb?|\u266f|\u266d)"
# "A" alone could be a word, "db" decibels: without an octave a capital begins the name, and a
# letter alone must follow "is" or "meant".
_NUMBERED = rf"[A-G]{_SHARP_FLAT}?\d"
_PLAIN_NOTE = rf"{_NUMBERED}|(?-i:[A-G]){_SHARP_FLAT}"
_NOTE = rf"{_PLAIN_NOTE}|[A-G]{_SHARP_FLAT}|(?-i:[A-G])"
_VERB = r"(?:(?:it\s+)?(?:is|was|means)\s+(?:meant\s+(?:as\s+)?)?|meant\s+(?:as\s+)?)"
# Longer names first: fretted-chords before fretted.
_ROLE = "|".join(sorted(map(re.escape, ROLES), key=lambda name: (-len(name), name)))
_ITEM = re.compile(
    rf"(?<![\w.-])(?<![A-Ga-g](?=#))(?<![A-Ga-g]#)(?P<refs>{_REF}(?:{_JOIN}{_REF})*)\s*[:=]?\s*"
    rf"(?:-\s+)?(?:(?P<answer>{'|'.join(ANSWERS)})\b(?!-)"
    rf"|(?:{_VERB}(?P<meant>{_NOTE})|(?P<plain>{_PLAIN_NOTE}))(?![\w#'\u2019-])"
    rf"|(?:{_VERB}|role\s+)?(?P<role>{_ROLE})(?![\w-])|(?P<bars>{BARS})(?!\w))",
    re.IGNORECASE,
)
_PLACE_WORD = re.compile(r"\b(?:bars?|beats?|takes?)[ \t]*\Z", re.IGNORECASE)
_LIKE = re.compile(r"\s*[,;]?\s*\b(?:and\s+)?all like this\b", re.IGNORECASE)
_ID = re.compile(r"(.+)-0*(\d+)")
_LOCK = re.compile(
    rf"(?P<begin>(?:\A|[\n.;,]|\band\b)\s*)(?P<un>un)?lock[ \t]+"
    rf"(?P<what>{_REF}(?:[ \t]*(?:[,&]|and\b)?[ \t]*{_REF})*(?!\w)"
    rf"(?!\s*[:=]?\s*(?:{'|'.join(ANSWERS)})\b)|[^\n.;,]+)",
    re.IGNORECASE,
)
_QUESTION, _RULE = re.compile(r"Q-\d+", re.IGNORECASE), re.compile(r"R-\d+", re.IGNORECASE)
_LINE = re.compile(
    r"(?P<id>\S+)\s+(?:meant\s+(?P<meant>[A-Ga-g]\S*)|role\s+(?P<role>[a-z-]+)"
    rf"|(?P<bars>{BARS})|(?P<answer>[A-Za-z]+))[ ]*"
    r"(?:\t(?P<comment>.*))?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One answer as it was written, before it is known which row it speaks of."""

    ref: str  # as written: "12", "R-001"
    answer: Answer | None = None  # None: a note was named
    meant: str = ""  # the note that was meant, as written
    role: Role | None = None  # of the stem that a question asks about
    bars: SaidBars | None = None  # of a rule
    comment: str = ""
    like_this: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LockSaid:
    """A lock or unlock as it was written: rows, a stem, bars or a section."""

    text: str  # "BAS bars 12-16"
    locked: bool


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
    answer: Answer | None
    comment: str
    meant_midi: int | None = None
    role: Role | None = None
    bars: tuple[int, int | None] | None = None


def read_reply(text: str) -> tuple[tuple[Said, ...], tuple[Unclear, ...]]:
    """Read a plain reply; what is not understood comes back beside what is."""
    found: list[tuple[int, int, list[str], Said]] = []
    for match in _ITEM.finditer(text):
        refs = [(m.start() + match.start(), m[0]) for m in re.finditer(_REF, match["refs"])]
        if _PLACE_WORD.search(text[: match.start()]) and refs[0][1][:1].isdigit():
            refs = refs[1:]
        if refs:
            answer = next((a for a in ANSWERS if a == (match["answer"] or "").lower()), None)
            names = [name for _, ref in refs for name in _each(ref)]
            # A role answers a question, a stretch of bars a rule: elsewhere they are words.
            asked = match["role"] and not all(_QUESTION.fullmatch(name) for name in names)
            spanned = match["bars"] and not all(_RULE.fullmatch(name) for name in names)
            if asked or spanned:
                continue
            said_here = Said(
                ref="",
                answer=answer,
                meant=match["meant"] or match["plain"] or "",
                role=next((r for r in _ROLES if r == (match["role"] or "").lower()), None),
                bars=bars_said(match) if match["bars"] else None,
            )
            found.append((refs[0][0], match.end(), names, said_here))
    said: list[Said] = []
    unclear: list[Unclear] = []
    before = _words(text[: found[0][0]] if found else text)
    if before:
        why = "no line number or row id with an answer"
        if _ANSWER_FIRST.match(before):
            why += "; write the number first: '3 yes, 4 no', or '3-6 yes'"
        unclear.append(Unclear(text=before, why=why))
    for k, (_, words_from, refs_of_item, one) in enumerate(found):
        until = found[k + 1][0] if k + 1 < len(found) else len(text)
        words = text[words_from:until]
        like = _LIKE.search(words) is not None
        comment = _words(_LIKE.sub(" ", words) if like else words)
        if comment.lower() == "and":  # "1 yes and 2 no"
            comment = ""
        if one.answer == "ask" and comment:
            comment = f"ask {comment}"
        said += [replace(one, ref=ref, comment=comment, like_this=like) for ref in refs_of_item]
    return tuple(said), tuple(unclear)


def read_locks(text: str) -> tuple[str, tuple[LockSaid, ...]]:
    """Take the locks out of a plain reply: "lock BAS", "unlock bars 12-16; lock R-001, LV-0147".

    A lock begins the reply, a line, or a new thought (after a comma, a semicolon or a full stop),
    and goes on to the next; row ids may follow one another.

    Returns
    -------
    rest, locks
        The reply without them.
    """
    locks = tuple(
        LockSaid(text=_words(m["what"]), locked=not m["un"]) for m in _LOCK.finditer(text)
    )
    return _LOCK.sub(lambda m: m["begin"], text), locks


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
        answer = next((a for a in ANSWERS if match and a == (match["answer"] or "").lower()), None)
        role = next((r for r in _ROLES if match and r == match["role"]), None)
        bars = bars_said(match) if match and match["bars"] else None
        known = answer or role or bars or (match and match["meant"])
        if match is None or not known:
            why = f"line {number} is no '<row id> yes, no, ask, half, note, meant <note>, role "
            why += "<role> or bars <first>-<last>', then a tab and words"
            unclear.append(Unclear(text=line, why=why))
            continue
        comment = re.sub(
            r"\\([n\\])", lambda m: "\n" if m[1] == "n" else "\\", match["comment"] or ""
        )
        meant = match["meant"] or ""
        said.append(
            Said(
                ref=match["id"], answer=answer, meant=meant, role=role, bars=bars, comment=comment
            )
        )  # fmt: skip
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
    said: Iterable[Said],
    rows: Sequence[Row],
    ranks: Mapping[int, str],
    keys: Sequence[KeyMark] = (),
) -> tuple[tuple[Placed, ...], tuple[Unclear, ...]]:
    """Find the row that each answer speaks of.

    Parameters
    ----------
    rows : sequence of Row
        Of the plan that was answered.
    ranks : mapping
        Line of the offenders list -> row id.
    keys : sequence of KeyMark
        By which notes are named in what is told back.
    """
    done: dict[tuple[str, str], Placed] = {}
    unclear: list[Unclear] = []
    stated: dict[str, str] = {}
    for one in said:
        row = _row(one.ref, rows, ranks)
        why = _no_row(one.ref, rows, ranks) if row is None else _cannot_be(one, row, keys)
        if row is None or why:
            unclear.append(Unclear(text=_as_written(one), why=why))
            continue
        for each in like_this(row, rows) if one.like_this else (row,):
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
                role=one.role, bars=bars_of(one.bars, each),
            )  # fmt: skip
    return tuple(done.values()), tuple(unclear)


def rows_named(text: str, rows: Sequence[Row], ranks: Mapping[int, str]) -> tuple[Row, ...]:
    """Give the rows that a list of line numbers and ids names; none unless it names nothing else.

    rows, ranks: as in `placed`.
    """
    if re.fullmatch(rf"{_REF}(?:{_JOIN}{_REF})*", text) is None:
        return ()
    found = [_row(one, rows, ranks) for ref in re.findall(_REF, text) for one in _each(ref)]
    return tuple(row for row in found if row is not None) if None not in found else ()


def like_this(row: Row, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Give every row that "all like this" speaks of, the row itself first.

    Rules: same stem, scope and action. Other rows: same stem, kind, action, direction and intended
    note, which is what a line of the offenders list counts as one fault.
    """
    others = (other for other in rows if other.id != row.id and _likeness(other) == _likeness(row))
    return (row, *others)


def _each(ref: str) -> tuple[str, ...]:
    """The lines of a range such as "3-6"; anything else is itself."""
    ref = ref.removeprefix("#")
    if ref[:4].lower() == "rule":
        return (f"R-{int(ref[4:]):03d}",)
    ends = _RANGE.fullmatch(ref)
    if ends is None or not 0 < int(ends[2]) - int(ends[1]) <= _RANGE_MOST:
        return (ref,)
    return tuple(str(k) for k in range(int(ends[1]), int(ends[2]) + 1))


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


def _cannot_be(one: Said, row: Row, keys: Sequence[KeyMark]) -> str:
    if one.meant and meant_midi(one.meant, row) is None:
        if row.kind == "rule":
            return f"{row.id} covers many notes; name one of them by its own id, from notes.csv"
        if len(row.covers) != 1:
            return f"{row.id} is no single note, so none can be named for it"
        return f"{one.meant!r} is no note name; write a letter, # or b, and the octave: F#3, Bb2"
    if one.role is not None and not asks_role(row):
        return f"{row.id} does not ask for a role"
    if one.bars is not None and row.kind != "rule":
        return f"{row.id} is no rule, so it has no stretch of bars"
    if one.bars is not None and row.start_bar is None:
        return "there is no tempo map, so no bar can be found"
    bars = bars_of(one.bars, row)
    if bars is not None and bars[1] is not None and bars[1] < bars[0]:
        return f"bars {bars[0]}-{bars[1]} end before they begin"
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


def _words(text: str) -> str:
    return text.strip().lstrip(",;:.–— \n").rstrip(",; \n").strip()
