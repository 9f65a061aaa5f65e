"""Reads YAML the way people mean it: the 1.2 core schema, every value with its line, no surprises.

PyYAML composes the node tree; what a plain value means is decided here, after YAML 1.2.2 section
10.3.2, because the 1.1 rules that PyYAML follows turn ``NO`` into false, ``1:30`` into 90, ``010``
into 8 and a day into a date.
"""

import difflib
import re
from collections.abc import Mapping
from pathlib import Path

import yaml

from planner.errors import SessionError

LineMap = Mapping[str, int]
"""Dotted path (``stems[2].role``; the whole document is ``""``) to line, counted from 1."""

MAX_BYTES = 32_000_000  # chosen: a hundred times the longest session file one can imagine
MAX_DIGITS = 1000  # chosen: far beyond any number that is meant
MAX_DEPTH = 40  # chosen: our files nest five deep
MAX_REPEATED_NODES = 10_000  # chosen: aliases may save typing, not blow up memory

_BINARY_PROBE_BYTES = 4096

# YAML 1.2.2, section 10.3.2, in its order.
_NULL = re.compile(r"null|Null|NULL|~|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEX = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_INF = re.compile(r"[-+]?\.(inf|Inf|INF)")
_NAN = re.compile(r"\.(nan|NaN|NAN)")

_STR_TAG = "tag:yaml.org,2002:str"
_PLAIN_TAG = "!planner/plain"  # a plain scalar without a tag: its meaning is decided here
_COLLECTION_TAGS = frozenset({"tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"})

# A note name cut in two: "k: A #4" is the text A and a comment.
_CUT_NOTE = re.compile(r"[ \t]+#-?[0-9]")


class _CoreLoader(yaml.SafeLoader):
    """PyYAML's parser and composer without its 1.1 guesses about plain scalars."""

    def resolve(self, kind: type[yaml.Node], value: str | None, implicit: object) -> str:
        if kind is yaml.ScalarNode:
            return _PLAIN_TAG if isinstance(implicit, tuple) and implicit[0] else _STR_TAG
        return str(super().resolve(kind, value, implicit))  # type: ignore[no-untyped-call]


def read_yaml(path: Path) -> tuple[object, LineMap]:
    """Read a YAML file into plain Python values, and say in which line each stands.

    Mappings become dicts with text keys, as written; sequences lists; scalars follow the YAML 1.2
    core schema. The line of a mapping's entry is that of its key.

    Raises SessionError if the file cannot be read, is no UTF-8 text, is empty, is no YAML, or
    repeats a key.
    """
    return parse_yaml(_read_text(path), file=str(path))


def parse_yaml(text: str, *, file: str) -> tuple[object, LineMap]:
    """Do what `read_yaml` does for text that is read already; ``file`` is its name in errors.

    Raises SessionError as `read_yaml`.
    """
    try:
        loader = _CoreLoader(text)
        try:
            node = loader.get_single_node()
        finally:
            loader.dispose()
    except yaml.MarkedYAMLError as error:
        raise _syntax_error(error, text, file) from None
    except yaml.reader.ReaderError as error:
        raise SessionError(
            f"the character U+{int(error.character):04X} may not stand in a YAML file.",
            file=file,
            line=text.count("\n", 0, error.position) + 1,
            hint="Delete it; it is invisible in most editors.",
        ) from None
    except RecursionError:
        raise _too_deep(file, None) from None
    builder = _Builder(file=file, text_lines=text.split("\n"))
    data = None if node is None else builder.value(node, "", node.start_mark.line + 1)
    if data is None:
        what = "the file is empty."
        hint = "The command `planner start` writes one from a folder of stems."
        raise SessionError(what, file=file, hint=hint)
    return data, builder.lines


class _Builder:
    """Turns nodes into values; keeps the lines, and counts what aliases repeat."""

    def __init__(self, *, file: str, text_lines: list[str]) -> None:
        self.file = file
        self.text_lines = text_lines
        self.lines: dict[str, int] = {}
        self.seen: set[int] = set()
        self.open: set[int] = set()
        self.repeated = 0

    def error(self, what: str, line: int, path: str, hint: str | None = None) -> SessionError:
        return SessionError(what, file=self.file, line=line, field=path, hint=hint)

    def value(self, node: yaml.Node, path: str, line: int) -> object:
        self.lines[path] = line
        if id(node) in self.open:
            raise self.error("a value contains itself.", line, path)
        if len(self.open) >= MAX_DEPTH:
            raise _too_deep(self.file, line)
        if id(node) in self.seen:
            self.repeated += 1
            if self.repeated > MAX_REPEATED_NODES:
                what = "aliases (*name) repeat too much."
                raise self.error(what, line, path, "Write the values out.")
        self.seen.add(id(node))
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        if node.tag not in _COLLECTION_TAGS:
            raise self._unknown_tag(node, path)
        self.open.add(id(node))
        result: object
        if isinstance(node, yaml.MappingNode):
            result = self._mapping(node, path)
        else:
            result = [
                self.value(item, f"{path}[{index}]", item.start_mark.line + 1)
                for index, item in enumerate(node.value)
            ]
        self.open.remove(id(node))
        return result

    def _mapping(self, node: yaml.MappingNode, path: str) -> dict[str, object]:
        result: dict[str, object] = {}
        first_line: dict[str, int] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                hint = "A value that begins with { or [ needs quotes."
                raise self.error("a key must be a single word.", line, path, hint)
            key = key_node.value
            if not key:
                raise self.error("a key is empty.", line, path)
            below = f"{path}.{key}" if path else key
            if key in first_line:
                what = (
                    f"the key {key!r} stands twice, in line {first_line[key]} and in line {line}."
                )
                raise self.error(what, line, below, "Delete one of the two.")
            first_line[key] = line
            result[key] = self.value(value_node, below, line)
        return result

    def _scalar(self, node: yaml.ScalarNode, path: str) -> object:
        value = str(node.value)
        if node.tag == _STR_TAG:
            return value
        if node.tag != _PLAIN_TAG:
            raise self._unknown_tag(node, path)
        self._check_for_cut_note(node, value, path)
        try:
            return core_value(value)
        except ValueError:
            what, line = "the number has too many digits.", node.start_mark.line + 1
            raise self.error(what, line, path, "Text made of digits needs quotes.") from None

    def _check_for_cut_note(self, node: yaml.ScalarNode, value: str, path: str) -> None:
        end = node.end_mark
        if len(value) != 1 or value not in "ABCDEFGabcdefg" or end.line >= len(self.text_lines):
            return
        rest = self.text_lines[end.line][end.column :]
        if _CUT_NOTE.match(rest):
            digits = rest.lstrip()[1:].split()[0].rstrip(",]}")
            what = f"a note name cut in two: ' #' begins a comment, so only {value!r} is left."
            hint = f'Write "{value}#{digits}", or put a space after # if it is a comment.'
            raise self.error(what, end.line + 1, path, hint)

    def _unknown_tag(self, node: yaml.Node, path: str) -> SessionError:
        name, line = node.tag.replace("tag:yaml.org,2002:", "!!"), node.start_mark.line + 1
        hint = "Text that begins with ! needs quotes."
        return self.error(f"the tag {name} is not used here.", line, path, hint)


def core_value(text: str) -> object:
    """Say what a plain scalar means in the YAML 1.2 core schema (YAML 1.2.2, section 10.3.2).

    Raises ValueError if the scalar is an integer with more digits than Python converts, or can
    show.
    """
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text.lower() == "true"
    if _INT.fullmatch(text):
        return int(text, 10)
    if len(text) > MAX_DIGITS and (_OCTAL.fullmatch(text) or _HEX.fullmatch(text)):
        raise ValueError("too many digits")  # Python reads them, but cannot show them
    if _OCTAL.fullmatch(text):
        return int(text[2:], 8)
    if _HEX.fullmatch(text):
        return int(text[2:], 16)
    if _FLOAT.fullmatch(text):
        return float(text)
    if _INF.fullmatch(text):
        return float("-inf") if text.startswith("-") else float("inf")
    if _NAN.fullmatch(text):
        return float("nan")
    return text


def _read_text(path: Path) -> str:
    name = str(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(_BINARY_PROBE_BYTES)
            if data.startswith((b"\xff\xfe", b"\xfe\xff")):
                raise SessionError(
                    "the file is saved as UTF-16.", file=name, hint="Save it again as UTF-8."
                )
            if b"\0" in data:
                what = "this is no text file."
                hint = "Give the session file (.yaml), not a stem."
                raise SessionError(what, file=name, hint=hint)
            data += stream.read(MAX_BYTES)
    except FileNotFoundError:
        raise SessionError("there is no such file.", file=name, hint=_nearest_file(path)) from None
    except IsADirectoryError:
        raise SessionError(
            "this is a folder.", file=name, hint="Give the session file (.yaml) in it."
        ) from None
    except OSError as error:
        raise SessionError(f"the file cannot be read ({error.strerror}).", file=name) from None
    if len(data) > MAX_BYTES:
        what = f"the file is longer than {MAX_BYTES // 1_000_000} MB."
        hint = "Is it the session file?"
        raise SessionError(what, file=name, hint=hint)
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        raise SessionError(
            "the file is not saved as UTF-8.",
            file=name,
            line=data.count(b"\n", 0, error.start) + 1,
            hint="Save it again as UTF-8; a letter with an accent in this line is the likely one.",
        ) from None


def _nearest_file(path: Path) -> str | None:
    try:
        names = sorted(entry.name for entry in path.parent.iterdir() if entry.is_file())
    except OSError:
        return f"There is no folder {path.parent} either."
    near = difflib.get_close_matches(path.name, names, n=1)
    near = near or [name for name in names if name.endswith((".yaml", ".yml"))][:1]
    return f"Did you mean {near[0]}?" if near else None


def _too_deep(file: str, line: int | None) -> SessionError:
    what = f"values are nested more than {MAX_DEPTH} deep."
    hint = "A bracket that never closes does this."
    return SessionError(what, file=file, line=line, hint=hint)


# What PyYAML says, what it means, and what to do; the first that fits wins.
_IN_WORDS = (
    ("mapping values are not allowed", "a second ': ' in one value, or a line out of line.",
     "Put text that has ': ' in it in quotes, and line up the keys."),
    ("found undefined alias", "a value begins with *, which stands for a name given with &.",
     "Put it in quotes."),
    ("while scanning an alias", "a value begins with *.", "Put it in quotes."),
    ("while scanning an anchor", "a value begins with &.", "Put it in quotes."),
    ("quoted scalar", "a quotation mark is never closed, or holds a stray \\.",
     "Close it in the same line; inside \"...\" write \\\\ for \\."),
    ("while parsing a flow sequence", "a list in [ ] is not closed, or a comma is missing.",
     "Note that ' #' begins a comment: write \"C#4\" in quotes."),
    ("while parsing a flow mapping", "a { } is not closed, or a comma is missing.",
     "Note that ' #' begins a comment: write \"C#4\" in quotes."),
    ("could not find expected ':'", "a line without ': '.", "Write `key: value`."),
    ("expected a single document", "a second document begins here (---).",
     "Keep one session a file."),
    ("did not find expected '-' indicator", "a line does not line up with the list above it.",
     "Begin each entry of a list with '- ' in the same column."),
    ("expected <block end>", "a line does not line up with those above it.",
     "Keys that belong together begin in the same column."),
    ("cannot start any token", "a value begins with a sign that YAML keeps for itself.",
     "Put it in quotes."),
)  # fmt: skip


def _syntax_error(error: yaml.MarkedYAMLError, text: str, file: str) -> SessionError:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else None
    said = f"{error.context or ''}; {error.problem or ''}"
    lines = text.split("\n")
    if line is not None and line <= len(lines):
        indent = lines[line - 1][: len(lines[line - 1]) - len(lines[line - 1].lstrip())]
        if "\t" in indent or "'\\t'" in said:
            what = "a tab where YAML allows only spaces."
            hint = "Replace the tabs at the start of the line by spaces."
            return SessionError(what, file=file, line=line, hint=hint)
    opened = _opened_and_not_closed(lines[:line])
    if opened is not None:
        what = "a quotation mark is opened here and not closed in this line."
        hint = "Close it; what was read as wrong may lie further down."
        return SessionError(what, file=file, line=opened, hint=hint)
    for key, what, hint in _IN_WORDS:
        if key in said:
            return SessionError(what, file=file, line=line, hint=hint)
    return SessionError(
        f"this cannot be read as YAML ({error.problem or 'unknown fault'}).", file=file, line=line
    )


def _opened_and_not_closed(lines: list[str]) -> int | None:
    """Number of the first line in which a value's quotation mark stays open; None if none does.

    A text may run on over lines; but where the file does not parse, that is the likely fault.
    """
    for number, line in enumerate(lines, start=1):
        left = re.sub(r"\"(?:[^\"\\]|\\.)*\"|'(?:[^']|'')*'", "", line)
        left = re.sub(r"(^|\s)#.*", "", left)
        if re.search(r"(?:^|[\s:,\[{-])[\"'][^\"']*$", left):
            return number
    return None
