"""Replies in a person's own words, read into single answers.

A plain reply is a row of items such as ``12 yes``, ``14 no love that scoop`` or ``R-001, R-003
half``: one or more numbers of the offenders list (``3-6``: each of them) or row ids, then yes, no,
ask, half or note. In place of yes or no stands the note that was meant: ``Q-003 F#3``, ``12 is
Bb``, ``12 meant F#3``; with words behind it a letter alone needs "is" or "meant". A question about
the role of a stem is answered by the role (``Q-004 bass-fretless``), a rule by the bars that it
lies in (``R-002 bars 19-34``, ``R-002 from bar 19``). "all like this" behind an answer gives it to
every row that the page counts as like it (`planner.ranking.likeness_of`).

Behind ask and note stand free words, behind all others only known ones (`known_words`). A piece
that is not understood comes back as it was written, and the other answers of its line, with the
lines after it that hold no answer, are read but held: what is not known may speak of any of them.
So are answers to a row of which anything else in the reply is not understood.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import get_args

from planner.answer.answers import Answer
from planner.answer.known_words import ANSWER_WORDS, unknown_after, unknown_before
from planner.answer.said_bars import BARS, SaidBars, bars_said
from planner.model import ROLES, Role

_ROLES: dict[str, Role] = {role: role for role in get_args(Role)}

REF = r"#?(?:(?i:rule)[ \t]+\d+|[A-Za-z][\w.+]*-\d+|\d+(?:[ \t]*(?:-|\u2013|to)[ \t]*\d+)?(?!\w))"
_ID = re.compile(r"(.+)-0*(\d+)")
_RANGE = re.compile(r"(\d+)[ \t]*(?:-|\u2013|to)[ \t]*(\d+)", re.IGNORECASE)
_RANGE_MOST = 100  # chosen: no list that people answer by numbers is longer
_CALLED: dict[str, Answer] = {w: a for a, words in ANSWER_WORDS.items() for w in words}
_ANSWER = rf"(?:{'|'.join(_CALLED)})\b(?![-'\u2019])"
_ANSWER_FIRST = re.compile(rf"\A{_ANSWER}(?=.*\d)", re.IGNORECASE | re.DOTALL)
JOIN = r"(?:[ \t]*(?:,\s*(?:and[ \t]+)?|&[ \t]*)|[ \t]+(?:and[ \t]+)?)"
_SHARP_FLAT = r"(?-i:##?|bb?|\u266f|\u266d)"
_ALL_LIKE = r"\b(?:and\s+)?all like this\b"
# "A" alone could be a word, "db" decibels: without an octave a capital begins the name, and a
# letter alone must follow "is" or "meant", or be all that is said.
_NUMBERED = rf"[A-G]{_SHARP_FLAT}?\d"
_PLAIN_NOTE = rf"{_NUMBERED}|(?-i:[A-G])(?:{_SHARP_FLAT}|(?=[ \t]*(?:[,;.!\n]|\Z|{_ALL_LIKE})))"
_NOTE = rf"{_PLAIN_NOTE}|[A-G]{_SHARP_FLAT}|(?-i:[A-G])"
_VERB = (
    r"(?:(?:(?:it\s+|that\s+)?(?:is|was|means)|(?:it|that)['\u2019]?s)\s+"
    r"(?:meant\s+(?:as\s+)?)?(?:an?\s+)?|meant\s+(?:as\s+|an?\s+)?)"
)
# Longer names first: fretted-chords before fretted.
_ROLE = "|".join(sorted(map(re.escape, ROLES), key=lambda name: (-len(name), name)))
_ITEM = re.compile(
    rf"(?<![\w.-])(?<![A-Ga-g](?=#))(?<![A-Ga-g]#)(?P<refs>{REF}(?:{JOIN}{REF})*)\s*[:=.)]?\s*"
    rf"(?:-\s+)?(?:(?P<answer>{_ANSWER})"
    rf"|(?:{_VERB}(?P<meant>{_NOTE})|(?P<plain>{_PLAIN_NOTE}))(?![\w#'\u2019-])"
    rf"|(?:{_VERB}|role\s+)?(?P<role>{_ROLE})(?![\w-])|(?P<bars>{BARS})(?!\w))",
    re.IGNORECASE,
)
# Among free words: a thought that begins like an answer, and what parts them from the next answer.
_LIKE_ANSWER = re.compile(
    rf"(?:[,;\n]|\.\s|\A)\s*(?:and\b|&)?\s*(?P<thought>{REF}(?!\w|\.\d).*)", re.IGNORECASE
)
_BEGINS = re.compile(rf"\s*(?P<ref>{REF})(?!\w)")
_PARTED = re.compile(r"(?:\A|[,;.!?\n]|\band)\s*\Z", re.IGNORECASE)
_NO_COMMENT = "begins like an answer and is none; if it is a comment, begin it with a word"
_NO_ANSWER = "it begins like an answer and is none"
_NO_NUMBER = (
    "no line number or row id with an answer; write the number first: '3 yes', '3 half' (of the "
    "move), '3 no' (leave it), '3-6 yes', 'Q-003 F#3'"
)
_LIKE = re.compile(rf"\s*[,;]?\s*{_ALL_LIKE}", re.IGNORECASE)
_LOCK = re.compile(
    rf"(?P<begin>(?:\A|[\n.;,]|\band\b)\s*)"
    r"(?:(?P<un>un)?lock|(?P<still>hands[ \t]+off)(?!\s+(?:it|this|that|th[eo]\w*|please)\b))[ \t]+"
    rf"(?P<what>{REF}(?:[ \t]*(?:[,&]|and\b)?[ \t]*{REF})*(?!\w)"
    rf"(?!\s*[:=]?\s*{_ANSWER})|[^\n.;,]+)",
    re.IGNORECASE,
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
    held: bool = False  # something in its line is not understood


@dataclass(frozen=True, slots=True, kw_only=True)
class LockSaid:
    """A lock or unlock as it was written: rows, a stem, bars or a section."""

    text: str  # "BAS bars 12-16"
    locked: bool
    still: bool = False  # hands off: nothing is moved there


@dataclass(frozen=True, slots=True, kw_only=True)
class Unclear:
    """Words that were not understood, and why."""

    text: str
    why: str
    ref: str = ""  # the line or id that they speak of, where the words to type for it would help


@dataclass(frozen=True, slots=True, kw_only=True)
class _Item:
    """One answer in the text of a reply."""

    begins: int  # letters into the text
    words_from: int  # where its free words may begin
    names: tuple[str, ...]  # the lines and ids that it answers
    said: Said


def read_reply(text: str) -> tuple[tuple[Said, ...], tuple[Unclear, ...]]:
    """Read a plain reply; what is not understood comes back beside what is."""
    said: list[Said] = []
    unclear: list[Unclear] = []
    for passage in _passages(text):
        found, others = _read_passage(passage)
        said += [replace(one, held=bool(others)) for one in found]
        unclear += others
    refs = {name for one in unclear if one.ref for name in names_in(one.ref)}
    still_open = {id_key(ref) or ref for ref in refs}
    held = (
        replace(one, held=one.held or (id_key(one.ref) or one.ref) in still_open) for one in said
    )
    return tuple(held), tuple(unclear)


def id_key(row_id: str) -> tuple[str, int] | None:
    """Give an id however it is written, "q-1" for "Q-001"; None for a line of the list."""
    match = _ID.fullmatch(row_id.casefold())
    return (match[1], int(match[2])) if match else None


def _passages(text: str) -> list[str]:
    """The lines of a reply, each with those after it that hold no answer.

    One that begins with a number or an id speaks of that, and not of the next line's.
    """
    passages, begun = [""], False
    for line in re.split(r"(?<=[\n;])", text):
        answers = bool(_items(line))
        if answers and begun:
            passages.append(line)
        else:
            passages[-1] += line
        begun = begun or answers or _BEGINS.match(line) is not None
    return passages


def _read_passage(text: str) -> tuple[list[Said], list[Unclear]]:
    """The answers of a passage, and the pieces of it that are not understood.

    A piece goes on to the next stop, and into the next answer where none parts them.
    """
    items = _items(text)
    begins = items[0].begins if items else len(text)
    why = _not_known(unknown_before(text[:begins])) if items else _NO_NUMBER
    if why and (not items or _ANSWER_FIRST.match(text)):
        words = _words(text)
        if found := _BEGINS.match(words):
            return [], [Unclear(text=words, why=_NO_ANSWER, ref=found["ref"])]
        return [], [Unclear(text=words, why=_NO_NUMBER)] if words else []
    said: list[Said] = []
    unclear: list[Unclear] = []
    begins = 0 if why else begins
    ends = [*(item.begins for item in items[1:]), len(text)]
    for item, end in zip(items, ends, strict=True):
        words, odd = text[item.words_from : end], ""
        if item.said.answer in ("ask", "note"):
            why = why or _not_free(words, last=end == len(text))
        else:
            words, odd = _without_thought(words)
            why = why or _not_known(unknown_after(item.said.answer, _LIKE.sub(" ", words)))
        if why and not odd and end < len(text) and not _PARTED.search(words):
            continue  # it may speak of the next answer
        if why:
            piece = text[begins : item.words_from] + words
            ref = item.names[0] if begins == item.begins else ""
            unclear.append(Unclear(text=_words(piece), why=why, ref=ref))
        else:
            said += _with_words(item, words)
        if found := re.match(REF, odd):
            unclear.append(Unclear(text=_words(odd), why=_NO_ANSWER, ref=found[0]))
        begins, why = end, ""
    return said, unclear


def _without_thought(words: str) -> tuple[str, str]:
    """Words behind an answer, and what of them begins like an answer of its own."""
    thought = _LIKE_ANSWER.search(words)
    if thought is None:
        return words, ""
    return words[: thought.start()], words[thought.start("thought") :]


def _not_known(words: str) -> str:
    return f"what {words!r} means for the answer is not clear" if words else ""


def _not_free(words: str, *, last: bool) -> str:
    """Why words of a person's own are none; nothing where they are."""
    if thought := _LIKE_ANSWER.search(words):
        return f"{_words(thought['thought'])!r} {_NO_COMMENT}"
    if not last and _words(words) and not _PARTED.search(words):
        return "it is not clear where the comment ends: begin a new line for the next answer"
    return ""


def said_in(match: re.Match[str], *, ref: str = "", comment: str = "") -> Said:
    """Give the answer that was found: a word, a note, a role or bars; None where it is no word."""
    found = match.groupdict()
    return Said(
        ref=ref,
        answer=_CALLED.get((found["answer"] or "").lower()),
        meant=found["meant"] or found.get("plain") or "",
        role=_ROLES.get((found["role"] or "").lower()),
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
        LockSaid(text=_words(m["what"]), locked=not m["un"], still=bool(m["still"]))
        for m in _LOCK.finditer(text)
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


def _items(text: str) -> list[_Item]:
    return [
        _Item(
            begins=match.start(),
            words_from=match.end(),
            names=tuple(n for ref in re.findall(REF, match["refs"]) for n in names_in(ref)),
            said=said_in(match),
        )
        for match in _ITEM.finditer(text)
    ]


def _with_words(item: _Item, words: str) -> Sequence[Said]:
    comment, like = _words(_LIKE.sub(" ", words)), _LIKE.search(words) is not None
    if comment.lower() == "and" or not re.search(r"\w", comment):  # "1 yes and 2 no - 3 yes!"
        comment = ""
    if item.said.answer == "ask" and comment:
        comment = f"ask {comment}"
    return [replace(item.said, ref=name, comment=comment, like_this=like) for name in item.names]


def _words(text: str) -> str:
    return text.strip().lstrip(",;:.–— \n").rstrip(",; \n").strip()
