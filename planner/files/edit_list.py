"""Write the edit list as YAML and as CSV, and read both back.

Both forms carry the same rows, cell for cell. The YAML form opens with a header; the CSV form
repeats the header's facts behind the fields of each row, so that a sheet torn from its folder
still says which song, which session A4 and which sign rule it speaks of.

Conventions
-----------
- YAML: block style, fixed order, LF, UTF-8, no anchors. Every text is in double quotes, so that
  readers of YAML 1.1 (``NO``, ``12:30``, ``010`` are something else there) and of YAML 1.2 agree.
  Floats are plain decimals; blank is null.
- CSV: see `planner.files.tables`; ``edit_list.csv`` opens with a byte order mark unless asked
  otherwise, because spreadsheets take UTF-8 for something else without one.
- In a cell, several names are joined by ``;``, points are ``seconds:cents`` and layers
  ``rule cents``; a ``;`` or backslash inside a name is preceded by a backslash.
"""

import re
from pathlib import Path
from typing import Any

import yaml

from planner.editlist import COLUMNS, HEADER, Column, EditList, edit_list_from_dict
from planner.errors import PlannerError, PromiseError
from planner.files.tables import csv_bytes, plain_decimal, read_table, read_text, unescape_text
from planner.files.yaml_reading import parse_yaml

YAML_NAME = "edit_list.yaml"
CSV_NAME = "edit_list.csv"
# What an editor works from stands first in the spreadsheet; the rest follows in the YAML's order.
_MAIN = (
    "id", "stem", "start_bar", "start_beat", "start_s", "intended", "action", "in_words",
    "add_cents", "reason", "state", "by", "comment", "locked",
)  # fmt: skip


def yaml_bytes(data: dict[str, Any]) -> bytes:
    """Write an edit list (`planner.editlist.edit_list_to_dict`), or other plain data, as YAML."""
    text = yaml.dump(
        data,
        Dumper=_Dumper,
        sort_keys=False,
        allow_unicode=True,
        width=10**9,  # never fold a text over lines
        default_flow_style=False,
    )
    return str(text).encode("utf-8")


def edit_list_csv_bytes(data: dict[str, Any], *, bom: bool = True, delimiter: str = ",") -> bytes:
    """Write an edit list (`planner.editlist.edit_list_to_dict`) as CSV, one record a row."""
    header = [_cell(data[column.name], column) for column in HEADER]
    columns = sorted(COLUMNS, key=lambda c: _MAIN.index(c.name) if c.name in _MAIN else len(_MAIN))
    records = [[*(_cell(row[c.name], c) for c in columns), *header] for row in data["rows"]]
    names = [column.name for column in (*columns, *HEADER)]
    return csv_bytes(names, records, bom=bom, delimiter=delimiter)


def read_edit_list_yaml(path: Path) -> EditList:
    """Read an edit list from YAML.

    Raises PlannerError if the file cannot be read, is no YAML, names a key twice, or is no edit
    list.
    """
    text = read_text(path)
    if not text.strip():
        raise PlannerError("the file is empty.", file=path.name)
    data, lines = parse_yaml(text, file=path.name)
    return edit_list_from_dict(data, file=path.name, lines=lines)


def read_edit_list_csv(path: Path) -> EditList:
    """Read an edit list from CSV, comma or semicolon, as written or as a spreadsheet saved it.

    Raises PlannerError if the file cannot be read, is no such table, has no rows (the header's
    facts stand on the rows), or a cell does not fit its column.
    """
    records = read_table(path)
    columns = {column.name: column for column in (*COLUMNS, *HEADER)}
    names = records[0][1] if records else []
    for name in names:
        if names.count(name) > 1:
            raise PlannerError(f"has the column {name!r} twice.", file=path.name, line=1)
    if len(records) < 2:
        hint = f"Read {YAML_NAME} beside it."
        raise PlannerError("has no rows, so it names no session.", file=path.name, hint=hint)
    rows, lines = [], {}
    top: dict[str, Any] = {}
    for i, (line, cells) in enumerate(records[1:]):
        lines[f"rows[{i}]"] = line
        if len(cells) != len(names):
            what = f"has {len(cells)} cells, but the first line names {len(names)} columns."
            raise PlannerError(what, file=path.name, line=line, hint="Was a comma lost?")
        row: dict[str, Any] = {}
        for name, cell in zip(names, cells, strict=True):
            column = columns.get(name)
            value = cell if column is None else _read_cell(cell, column, path.name, line)
            if column not in HEADER:
                row[name] = value
            elif top.setdefault(name, value) != value:
                what = f"is {value!r} here and {top[name]!r} above: rows of two edit lists."
                raise PlannerError(what, file=path.name, line=line, field=name)
        rows.append(row)
    lines.update({column.name: records[1][0] for column in HEADER})
    return edit_list_from_dict({**top, "rows": rows}, file=path.name, lines=lines)


def check_edit_lists(folder: Path, data: dict[str, Any]) -> None:
    """Check that both written forms read back as exactly what was planned.

    Raises PromiseError if one does not; the message names the file and the first row and field that
    differ.
    """
    wanted = edit_list_from_dict(data, file="the plan")
    readers = {YAML_NAME: read_edit_list_yaml}
    if data["rows"]:  # without any the CSV names no session
        readers[CSV_NAME] = read_edit_list_csv
    for name, read in readers.items():
        try:
            found = read(folder / name)
        except PlannerError as error:
            what = f"was written but cannot be read back ({error})."
            raise PromiseError(what, file=name, hint=_REPORT) from error
        if found != wanted:
            what = f"was written but reads back unequal: {_first_difference(wanted, found)}."
            raise PromiseError(what, file=name, hint=_REPORT)


_REPORT = "This is a fault of the planner, please report it; nothing was kept."


def _first_difference(wanted: EditList, found: EditList) -> str:
    for column in HEADER:
        if getattr(wanted, column.name) != getattr(found, column.name):
            return f"{column.name} of the header"
    for mine, theirs in zip(wanted.rows, found.rows, strict=False):
        for column in COLUMNS:
            if getattr(mine, column.name) != getattr(theirs, column.name):
                return f"{column.name} of row {mine.id}"
    return f"{len(found.rows)} rows instead of {len(wanted.rows)}"


# ---------------------------------------------------------------- YAML


# The compiled writer where PyYAML has it; the bytes are the same. It writes no anchors.
_Writer = getattr(yaml, "CSafeDumper", yaml.SafeDumper)
_Dumper: Any = type("_Dumper", (_Writer,), {"ignore_aliases": lambda dumper, data: True})


def _quoted(dumper: yaml.SafeDumper, text: str) -> yaml.Node:
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style='"')


def _number(dumper: yaml.SafeDumper, value: float) -> yaml.Node:
    return dumper.represent_scalar("tag:yaml.org,2002:float", plain_decimal(value))


def _listed(dumper: yaml.SafeDumper, items: list[Any]) -> yaml.Node:
    # Rows stand one below the other; short lists stay on their line.
    flow = not any(isinstance(item, dict) for item in items)
    return dumper.represent_sequence("tag:yaml.org,2002:seq", items, flow_style=flow)


def _keyed(dumper: yaml.SafeDumper, data: dict[str, Any]) -> yaml.Node:
    # Field names are fixed words that every reader takes for text, so they go without quotes.
    pairs = [
        (yaml.ScalarNode("tag:yaml.org,2002:str", key), dumper.represent_data(value))
        for key, value in data.items()
    ]
    return yaml.MappingNode("tag:yaml.org,2002:map", pairs, flow_style=False)


_Dumper.add_representer(str, _quoted)
_Dumper.add_representer(float, _number)
_Dumper.add_representer(list, _listed)
_Dumper.add_representer(dict, _keyed)


# ---------------------------------------------------------------- CSV cells


def _cell(value: Any, column: Column) -> Any:
    if column.kind == "texts":
        return ";".join(_guarded(name) for name in value)
    if column.kind == "points":
        return ";".join(f"{plain_decimal(t)}:{plain_decimal(cents)}" for t, cents in value)
    if column.kind == "layers":
        return ";".join(f"{_guarded(rule)} {plain_decimal(cents)}" for rule, cents in value)
    return value


def _guarded(name: str) -> str:
    return name.replace("\\", "\\\\").replace(";", "\\;")


def _split(cell: str) -> list[str]:
    parts = re.findall(r"((?:\\.|[^\\;])*)(?:;|$)", cell, flags=re.DOTALL)
    # The pattern finds one empty part behind the last one.
    return [re.sub(r"\\(.)", r"\1", part, flags=re.DOTALL) for part in parts[:-1]]


def _read_cell(cell: str, column: Column, file: str, line: int) -> Any:
    if cell == "":
        return None
    if column.kind in ("text", "choice"):
        return unescape_text(cell)
    if column.kind == "texts":
        return _split(unescape_text(cell))
    try:
        if column.kind == "whole":
            return int(cell)
        if column.kind == "number":
            return float(cell)
        if column.kind == "yes-no":
            return {"yes": True, "no": False}[cell.strip().lower()]
        if column.kind == "points":
            pairs = [part.split(":") for part in unescape_text(cell).split(";")]
            return [[float(t), float(cents)] for t, cents in pairs]
        layers = [part.rpartition(" ") for part in _split(unescape_text(cell))]
        return [[rule, float(cents)] for rule, _, cents in layers]
    except (ValueError, KeyError) as error:
        wanted = {
            "whole": "a whole number",
            "number": "a number with a decimal point",
            "yes-no": "yes or no",
            "points": "points, seconds:cents;seconds:cents",
            "layers": "layers, rule cents;rule cents",
        }[column.kind]
        what = f"{cell!r} does not read as {wanted}."
        raise PlannerError(what, file=file, line=line, field=column.name) from error
