"""Values of our files: what a number, a note or a code may be, and how a slip is told.

A reader takes ``(problems, value, path)`` and returns the value, or `WRONG` after it has said in
`Problems` what is wrong, so that one reading tells everything at once.
"""

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any, Final

from planner.errors import SessionError
from planner.model import Finding
from planner.pitch import note_name, parse_note

WRONG: Final = object()
"""Returned by a reader that has told a problem; such a value goes nowhere."""

MAX_TOLD = 25  # chosen: what fits on a screen; the rest is counted
CODE_LENGTH = 12  # chosen: codes stand in every table and at the head of every note id
RESERVED_CODES = frozenset({"all", "majority", "ask", "none"})  # they mean something of their own

_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_]*")

Reader = Callable[["Problems", object, str], Any]


class Problems:
    """Collects what is wrong in a file, each with its line, and what is worth a notice."""

    def __init__(self, lines: Mapping[str, int], file: str) -> None:
        self.lines = lines
        self.file = file
        self.told: list[SessionError] = []
        self.notices: list[Finding] = []

    def line(self, path: str) -> int | None:
        """Give the line of a field, or of the nearest thing around it that stands in the file."""
        while path and path not in self.lines:
            path = path[: max(path.rfind("."), path.rfind("["), 0)]
        return self.lines.get(path)

    def wrong(self, path: str, what: str, hint: str = "") -> object:
        """Note down one problem; ``what`` is a sentence without its full stop."""
        self.told.append(
            SessionError(
                f"{what}.", file=self.file, line=self.line(path), field=path or None,
                hint=hint or None,
            )
        )  # fmt: skip
        return WRONG

    def notice(
        self, what: str, advice: str = "", *, warn: bool = False, stem: str | None = None
    ) -> None:
        """Note down something that is not wrong but should be known."""
        self.notices.append(
            Finding(
                severity="warning" if warn else "note",
                what=what,
                advice=advice,
                stem=stem,
                file=self.file,
            )
        )

    def raise_if_any(self) -> None:
        """Raise one error that tells every problem, by line.

        Raises SessionError if there was any problem.
        """
        if not self.told:
            return
        if len(self.told) == 1:
            raise self.told[0]
        told = sorted(self.told, key=lambda error: error.line or 0)
        rows = [f"\n  {error}" for error in told[:MAX_TOLD]]
        if len(told) > MAX_TOLD:
            rows.append(f"\n  ... and {len(told) - MAX_TOLD} more.")
        raise SessionError(f"{len(told)} things to put right:{''.join(rows)}", file=self.file)


def nearest(word: str, known: Iterable[str], *, likeness: float = 0.6) -> str:
    """Give ``Did you mean 'x'? `` for the known word most like this one, or nothing.

    ``likeness`` is difflib's ratio, 0..1; its usual 0.6 unless something better is known.
    """
    by_lower = {name.lower(): name for name in known}
    near = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=likeness)
    return f"Did you mean {by_lower[near[0]]!r}? " if near else ""


def shown(value: object) -> str:
    """Show a value in a message, as the file has it and not too long."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a mapping { }"
    if isinstance(value, list):
        return "a list [ ]"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def text(problems: Problems, value: object, path: str) -> Any:
    """Read one line of text."""
    if not isinstance(value, str):
        hint = "Put it in quotes." if isinstance(value, bool | int | float) else ""
        return problems.wrong(path, f"this should be text, not {shown(value)}", hint)
    if not value.strip():
        return problems.wrong(path, "this text is empty", "Fill it in, or delete the line.")
    if any("\ud800" <= c <= "\udfff" or c == "\0" for c in value):
        return problems.wrong(
            path, "this has characters in it that are no text", "Rename it to readable text."
        )
    return value


def words(problems: Problems, value: object, path: str) -> Any:
    """Read a text of any lines, which may be empty."""
    if isinstance(value, str):
        return value
    return problems.wrong(path, f"this should be text, not {shown(value)}", "Put it in quotes.")


def one_of(*choices: str) -> Reader:
    """Make a reader of one word out of a few."""

    def read(problems: Problems, value: object, path: str) -> Any:
        if isinstance(value, str) and value in choices:
            return value
        hint = nearest(value, choices) if isinstance(value, str) else ""
        what = f"{shown(value)} is not possible here"
        hint = f"{hint}Write one of {', '.join(choices)}."
        return problems.wrong(path, what, hint)

    return read


def number(
    unit: str, low: float, high: float, *, above: bool = False, whole: bool = False
) -> Reader:
    """Make a reader of a number from ``low`` to ``high``; ``above`` leaves ``low`` out."""

    def read(problems: Problems, value: object, path: str) -> Any:
        kind = "a whole number" if whole else "a number"
        kind += f" ({unit.strip(' ;')})" if unit else ""
        if isinstance(value, bool) or not isinstance(value, int | float):
            quoted = (
                isinstance(value, str) and value.strip().lstrip("+-").replace(".", "").isdigit()
            )
            hint = "Take the quotes away." if quoted else ""
            if isinstance(value, str) and re.fullmatch(r"[+-]?\d+,\d+", value):
                hint = f"Write it with a point: {value.replace(',', '.')}."
            return problems.wrong(path, f"this should be {kind}, not {shown(value)}", hint)
        if whole and not (isinstance(value, int) or value.is_integer()):
            return problems.wrong(path, f"this should be {kind}, not {shown(value)}")
        if not low <= value <= high or (above and value == low):
            span = f"above {low:g}, up to {high:g}" if above else f"{low:g} to {high:g}"
            span = span.removesuffix(", up to inf").replace(" to inf", " or more")
            return problems.wrong(path, f"{shown(value)} is out of range: {span}{unit}")
        return int(value) if whole else float(value)

    return read


def yes_or_no(problems: Problems, value: object, path: str) -> Any:
    """Read true or false; no other word counts."""
    if isinstance(value, bool):
        return value
    return problems.wrong(path, f"this should be true or false, not {shown(value)}")


def note(problems: Problems, value: object, path: str) -> Any:
    """Read a note, by name (``Eb2``) or as a MIDI number, into its MIDI number."""
    if isinstance(value, bool) or not isinstance(value, str | int):
        return problems.wrong(
            path, f"this should be a note, not {shown(value)}", "Write it as E2, Bb3 or F#4."
        )
    if isinstance(value, str):
        try:
            midi = parse_note(value)
        except ValueError:
            what = f"{value!r} is no note"
            hint = "Write a letter, # or b, and the octave: E2, Bb3, F#4 (C4 is middle C)."
            return problems.wrong(path, what, hint)
    else:
        midi = value
    if not 0 <= midi <= 127:
        return problems.wrong(
            path, f"{value} is out of range: {note_name(0)} to {note_name(127)}, MIDI 0 to 127"
        )
    return midi


def code(problems: Problems, value: object, path: str) -> Any:
    """Read a stem code: short, ASCII, a letter first."""
    if not isinstance(value, str):
        hint = f"Begin with a letter: S{value}." if type(value) is int else ""
        return problems.wrong(path, f"a code is a short word, not {shown(value)}", hint)
    if not _CODE.fullmatch(value) or len(value) > CODE_LENGTH:
        return problems.wrong(
            path,
            f"{value!r} is no code",
            f"Write at most {CODE_LENGTH} letters and digits without accents, a letter first: LV, "
            "BV2.",
        )
    if value.lower() in RESERVED_CODES:
        return problems.wrong(path, f"{value!r} means something else here", "Choose another code.")
    return value


def list_of(read: Reader, *, example: str) -> Reader:
    """Make a reader of a list whose entries ``read`` reads; a wrong entry makes all of it wrong."""

    def read_list(problems: Problems, value: object, path: str) -> Any:
        if not isinstance(value, list):
            return problems.wrong(
                path, f"this should be a list, not {shown(value)}", f"For example {example}."
            )
        entries = [read(problems, item, f"{path}[{i}]") for i, item in enumerate(value)]
        return WRONG if any(entry is WRONG for entry in entries) else tuple(entries)

    return read_list


def fields(
    table: Mapping[str, tuple[str, Reader]],
    into: Callable[..., Any] = dict,
    *,
    required: Iterable[str] = (),
    example: str,
    if_missing: Mapping[str, str] = MappingProxyType({}),
) -> Reader:
    """Make a reader of a mapping by a table of ``key -> (name of the record's field, reader)``.

    It makes a record of the fields that are there and right; a key without a value counts as not
    there. `WRONG` if the value is no mapping or a required key is missing or wrong.
    ``if_missing``: what to do where a key is, if that is not to follow the example.
    """

    def read_fields(problems: Problems, value: object, path: str) -> Any:
        if not isinstance(value, Mapping):
            return problems.wrong(
                path, f"this should be a mapping, not {shown(value)}", f"For example {example}."
            )
        result: dict[str, Any] = {}
        below = f"{path}." if path else ""
        complete = True
        for key, item in value.items():
            if key not in table:
                what = "unknown key"
                hint = f"{_comma(key)}{nearest(str(key), table)}Known: {', '.join(table)}."
                problems.wrong(f"{below}{key}", what, hint)
            elif item is not None:
                name, read = table[key]
                got = read(problems, item, f"{below}{key}")
                if got is not WRONG:
                    result[name] = got
                elif key in required:
                    complete = False
        for key in required:
            if value.get(key) is None:
                hint = if_missing.get(key, f"For example {example}.")
                problems.wrong(f"{below}{key}", "this is missing", hint)
                complete = False
        return into(**result) if complete else WRONG

    return read_fields


def _comma(key: object) -> str:
    """In {a4_hz: 441,0} the zero is a key of its own."""
    return "Decimals take a point, as in 441.0. " if str(key).isdigit() else ""
