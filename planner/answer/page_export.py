"""What the review page exports, read into single answers.

It is UTF-8 text::

    planner answers 1
    song: Low Tide Ledger
    plan: plan_01
    by: producer
    LV-0147 no<TAB>love that scoop
    Q-003 meant F#3
    Q-004 role bass-fretless
"""

import re
from dataclasses import dataclass

from planner.answer.reply_words import Said, Unclear, said_in
from planner.answer.said_bars import BARS

EXPORT_HEAD = "planner answers 1"
_HEAD_FIELDS = ("song", "plan", "by")
_EXPORT_LINE = re.compile(
    r"(?P<id>\S+)\s+(?:meant\s+(?P<meant>[A-Ga-g]\S*)|role\s+(?P<role>[a-z-]+)"
    rf"|(?P<bars>{BARS})|(?P<answer>[A-Za-z]+))[ ]*"
    r"(?:\t(?P<comment>.*))?"
)


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
