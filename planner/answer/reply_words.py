"""Replies in a person's own words, or as the review page exports them, read into single answers.

A plain reply is a row of items such as ``12 yes``, ``14 no love that scoop`` or ``R-001, R-003
half``: one or more numbers of the offenders list (``3-6``: each of them) or row ids, then yes, no,
ask, half or note, then free words up to the next item. A number after "bar", "beat" or "take" is no
line of the list. Where a new thought among the words begins with a number or an id, it is an answer
that nobody understands, and no comment: ``1 yes, 3 nope``, or ``1 yes 3 nope``. "all like this"
among the words answers every row that the page counts as like it (`planner.ranking.likeness_of`).
In place of yes or no stands the note that was meant: ``Q-003 F#3``, ``12 is Bb``, ``12 meant F#3``;
a letter alone needs "is" or "meant". A question about the role of a stem is answered by the role
(``Q-004 bass-fretless``), a rule by the bars that it lies in (``R-002 bars 19-34``, ``R-002 from
bar 19``).

The review page's export is UTF-8 text::

    planner answers 1
    song: Low Tide Ledger
    plan: plan_01
    by: producer
    LV-0147 no<TAB>love that scoop
    Q-003 meant F#3
    Q-004 role bass-fretless
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar, get_args

from planner.answer.answers import ANSWERS, Answer
from planner.answer.said_bars import BARS, SaidBars, bars_said
from planner.answer.second_thoughts import is_changed
from planner.model import ROLES, Role

_ROLES: tuple[Role, ...] = get_args(Role)
_Word = TypeVar("_Word", bound=str)

REF = r"#?(?:(?i:rule)[ \t]+\d+|[A-Za-z][\w.+]*-\d+|\d+(?:[ \t]*(?:-|\u2013|to)[ \t]*\d+)?(?!\w))"
_RANGE = re.compile(r"(\d+)[ \t]*(?:-|\u2013|to)[ \t]*(\d+)", re.IGNORECASE)
_RANGE_MOST = 100  # chosen: no list that people answer by numbers is longer
_ANSWER_FIRST = re.compile(rf"\A(?:{'|'.join(ANSWERS)})\b(?=.*\d)", re.IGNORECASE | re.DOTALL)
JOIN = r"(?:\s*,\s*|\s*&\s*|\s+and\s+|\s+)"
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
    rf"(?<![\w.-])(?<![A-Ga-g](?=#))(?<![A-Ga-g]#)(?P<refs>{REF}(?:{JOIN}{REF})*)\s*[:=]?\s*"
    rf"(?:-\s+)?(?:(?P<answer>{'|'.join(ANSWERS)})\b(?!-)"
    rf"|(?:{_VERB}(?P<meant>{_NOTE})|(?P<plain>{_PLAIN_NOTE}))(?![\w#'\u2019-])"
    rf"|(?:{_VERB}|role\s+)?(?P<role>{_ROLE})(?![\w-])|(?P<bars>{BARS})(?!\w))",
    re.IGNORECASE,
)
# A thought behind a comma, a semicolon, a full stop or a line's end that begins like an answer, and
# a line or an id at once behind the answer before it. "3.5 dB" names no line, and there "3 dB" does
# not either.
_MEASURES = r"dB|k?Hz|c|cents?|semitones?|m?s|sec(?:onds?)?|beats?|bars?|times?|takes?"
_LIKE_ANSWER = re.compile(
    rf"(?:[,;\n]|\.\s|\A\s*(?=and\b|&|[A-Za-z]|#?\d++(?!\s*(?:{_MEASURES})\b)))"
    rf"\s*(?:and\b|&)?\s*(?={REF}(?!\w|\.\d))",
    re.IGNORECASE,
)
_PLACE_WORD = re.compile(r"\b(?:bars?|beats?|takes?)[ \t]*\Z", re.IGNORECASE)
_NO_COMMENT = (
    "begins with a line number or an id and is no answer; if it is a comment, begin it with a word"
)
_NOT_ALL = (
    "it begins like an answer, and what follows may change it: answer with one word, a rule's bars "
    "as 'R-004 from bar 9', other rows by their numbers, and put what is only to be known into a "
    "note: '3 yes, 3 note keep the scoop'"
)
_LIKE = re.compile(r"\s*[,;]?\s*\b(?:and\s+)?all like this\b", re.IGNORECASE)
_LOCK = re.compile(
    rf"(?P<begin>(?:\A|[\n.;,]|\band\b)\s*)(?P<un>un)?lock[ \t]+"
    rf"(?P<what>{REF}(?:[ \t]*(?:[,&]|and\b)?[ \t]*{REF})*(?!\w)"
    rf"(?!\s*[:=]?\s*(?:{'|'.join(ANSWERS)})\b)|[^\n.;,]+)",
    re.IGNORECASE,
)
EXPORT_HEAD = "planner answers 1"
_HEAD_FIELDS = ("song", "plan", "by")
_EXPORT_LINE = re.compile(
    r"(?P<id>\S+)\s+(?:meant\s+(?P<meant>[A-Ga-g]\S*)|role\s+(?P<role>[a-z-]+)"
    rf"|(?P<bars>{BARS})|(?P<answer>[A-Za-z]+))[ ]*"
    r"(?:\t(?P<comment>.*))?"
)
_QUESTION, _RULE = re.compile(r"Q-\d+", re.IGNORECASE), re.compile(r"R-\d+", re.IGNORECASE)


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
class _Item:
    """One answer in the text of a reply."""

    begins: int  # letters into the text
    words_from: int  # where its free words may begin
    names: tuple[str, ...]  # the lines and ids that it answers
    said: Said


def read_reply(text: str) -> tuple[tuple[Said, ...], tuple[Unclear, ...]]:
    """Read a plain reply; what is not understood comes back beside what is."""
    items = [item for match in _ITEM.finditer(text) if (item := _item(match, text)) is not None]
    before = _words(text[: items[0].begins] if items else text)
    ends = [*(item.begins for item in items[1:]), len(text)]
    said: list[Said] = []
    unclear = [_without_answer(before)] if before else []
    for item, end in zip(items, ends, strict=False):
        words, *others = _LIKE_ANSWER.split(text[item.words_from : end])
        if is_changed(item.said.answer, words):
            unclear.append(Unclear(text=_words(text[item.begins : end]), why=_NOT_ALL))
        else:
            said += _with_words(item, words)
        unclear += [Unclear(text=_words(other), why=_NO_COMMENT) for other in others]
    return tuple(said), tuple(unclear)


def said_in(match: re.Match[str], *, ref: str = "", comment: str = "") -> Said:
    """Give the answer that was found: a word, a note, a role or bars; None where it is no word."""
    found = match.groupdict()
    return Said(
        ref=ref,
        answer=_one_of(ANSWERS, found["answer"]),
        meant=found["meant"] or found.get("plain") or "",
        role=_one_of(_ROLES, found["role"]),
        bars=bars_said(match) if found["bars"] else None,
        comment=comment,
    )


def read_locks(text: str) -> tuple[str, tuple[LockSaid, ...]]:
    """Take the locks out of a plain reply: "lock BAS", "unlock bars 12-16; lock R-001, LV-0147".

    A lock begins the reply, a line, or a new thought (after a comma, a semicolon or a full stop),
    and goes on to the next; row ids may follow one another.

    Gives the rest of the reply, and the locks.
    """
    locks = tuple(
        LockSaid(text=_words(m["what"]), locked=not m["un"]) for m in _LOCK.finditer(text)
    )
    return _LOCK.sub(lambda m: m["begin"], text), locks


def names_in(ref: str) -> tuple[str, ...]:
    """The lines of a range such as "3-6"; anything else is itself."""
    ref = ref.removeprefix("#")
    if ref[:4].lower() == "rule":
        return (f"R-{int(ref[4:]):03d}",)
    ends = _RANGE.fullmatch(ref)
    if ends is None or not 0 < int(ends[2]) - int(ends[1]) <= _RANGE_MOST:
        return (ref,)
    return tuple(str(k) for k in range(int(ends[1]), int(ends[2]) + 1))


def _item(match: re.Match[str], text: str) -> _Item | None:
    refs = [(match.start() + found.start(), found[0]) for found in re.finditer(REF, match["refs"])]
    if _PLACE_WORD.search(text[: match.start()]) and refs[0][1][:1].isdigit():
        refs = refs[1:]
    names = tuple(name for _, ref in refs for name in names_in(ref))
    # A role answers a question, a stretch of bars a rule: elsewhere they are words.
    no_question = match["role"] and not all(_QUESTION.fullmatch(name) for name in names)
    no_rule = match["bars"] and not all(_RULE.fullmatch(name) for name in names)
    if not refs or no_question or no_rule:
        return None
    return _Item(begins=refs[0][0], words_from=match.end(), names=names, said=said_in(match))


def _with_words(item: _Item, words: str) -> Sequence[Said]:
    like = _LIKE.search(words) is not None
    comment = _words(_LIKE.sub(" ", words))
    if comment.lower() == "and":  # "1 yes and 2 no"
        comment = ""
    if item.said.answer == "ask" and comment:
        comment = f"ask {comment}"
    return [replace(item.said, ref=name, comment=comment, like_this=like) for name in item.names]


def _without_answer(words: str) -> Unclear:
    why = "no line number or row id with an answer"
    if _ANSWER_FIRST.match(words):
        why += "; write the number first: '3 yes, 4 no', or '3-6 yes'"
    return Unclear(text=words, why=why)


def _one_of(words: Sequence[_Word], said: str | None) -> _Word | None:
    return next((word for word in words if word == (said or "").lower()), None)


def _words(text: str) -> str:
    return text.strip().lstrip(",;:.–— \n").rstrip(",; \n").strip()


# ------------------------------------------------------------------ the page's export


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """What the review page wrote: whose song, which plan, and the answers."""

    song: str
    plan: str
    by: str
    said: tuple[Said, ...]
    unclear: tuple[Unclear, ...]


def read_export(text: str) -> Export:
    """Read the page's export; lines that do not fit come back with their number."""
    head: dict[str, str] = {}
    said: list[Said] = []
    unclear: list[Unclear] = []
    lines = text.removeprefix("\ufeff").splitlines()
    for number, line in enumerate(lines[1:], start=2):
        name, colon, value = line.partition(":")
        if colon and name in _HEAD_FIELDS and not said:
            head[name] = value.strip()
        elif one := _export_answer(line):
            said.append(one)
        elif line.strip():
            why = f"line {number} is no '<row id> yes, no, ask, half, note, meant <note>, role "
            why += "<role> or bars <first>-<last>', then a tab and words"
            unclear.append(Unclear(text=line, why=why))
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


def _export_answer(line: str) -> Said | None:
    match = _EXPORT_LINE.fullmatch(line.rstrip("\r"))
    if match is None:
        return None
    written = match["comment"] or ""
    comment = re.sub(r"\\([n\\])", lambda m: "\n" if m[1] == "n" else "\\", written)
    one = said_in(match, ref=match["id"], comment=comment)
    return one if one.answer or one.role or one.bars or one.meant else None
