"""Where a rule begins and ends, as people say it: "bars 19-34", "begins at bar 17"."""

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from planner.answer.locks import bars_words
from planner.words.plan_model import Row

# First and last bar of a rule. "own" is the end that the rule has by itself, None the song's end.
Own = Literal["own"]
SaidBars = tuple[int | Own, int | Own | None]

_TO_BAR = r"(?:\s*(?:-|\u2013)\s*|\s+(?:to|until|till|through)\s+(?:bar\s+)?)"
BARS = (
    r"(?:(?:only|just)\s+)?"
    rf"(?:(?:(?P<begins>(?:begins|starts)\s+(?:at|in|with))|from)\s+bars?\s+(?P<from>\d+)"
    rf"(?:{_TO_BAR}(?P<until>\d+)|\s+and\s+ends\s+(?:at|in|with)\s+bar\s+(?P<ends_too>\d+)"
    r"|\s+on)?"
    r"|ends\s+(?:at|in|with)\s+bar\s+(?P<ends>\d+)"
    rf"|(?:in\s+)?bars?\s+(?P<first>\d+)(?:{_TO_BAR}(?P<last>\d+))?)(?:\s+only\b)?"
)


def bars_said(match: re.Match[str]) -> SaidBars:
    """Read the bars out of a match of `BARS`."""
    if match["ends"]:
        return "own", int(match["ends"])
    if match["from"]:
        until = match["until"] or match["ends_too"]
        last: Own | None = "own" if match["begins"] else None
        return int(match["from"]), int(until) if until else last
    return int(match["first"]), int(match["last"] or match["first"])


def bars_of(said: SaidBars | None, row: Row) -> tuple[int, int | None] | None:
    """Give the bars that a row was said to lie in; an end not spoken of is the row's own."""
    if said is None or row.start_bar is None:
        return None
    first, last = said
    return (row.start_bar if first == "own" else first, row.end_bar if last == "own" else last)


def with_last_bar(row: Row, bars: Mapping[str, int]) -> Row:
    """Let a stretch end in the bar in which its last note begins, not where that note dies away.

    bars: note id -> the bar in which it begins.
    """
    there = [bars[note_id] for note_id in row.covers if note_id in bars]
    return replace(row, end_bar=max(there)) if row.kind == "rule" and there else row


def bars_written(said: SaidBars) -> str:
    """Say bars as they were meant, before the row is known."""
    first, last = said
    if first == "own":
        return f"ends at bar {last}"
    return f"begins at bar {first}" if last == "own" else bars_words((first, last))
