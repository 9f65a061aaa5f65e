"""The edit list's form as a JSON Schema (draft 2020-12), for readers that are not ours.

It follows from the table of columns in `planner.editlist`; ``edit_list.schema.json`` beside this
file is what it gives, kept so that nobody needs Python to read it.
"""

from typing import Any

from planner.editlist import COLUMNS, EDIT_LIST_FORMAT_VERSION, HEADER, Column

_DIALECT = "https://json-schema.org/draft/2020-12/schema"  # a name, nothing is fetched
_TEXTS = {"type": "array", "items": {"type": "string", "minLength": 1}}
_PAIR_HEADS: dict[str, dict[str, Any]] = {
    "points": {"type": "number"},  # seconds from the note's start
    "layers": {"type": "string", "minLength": 1},  # id of the rule
}


def edit_list_schema() -> dict[str, Any]:
    """Say what `planner.editlist.edit_list_to_dict` gives: each field, its type, whether blank."""
    major = EDIT_LIST_FORMAT_VERSION.split(".")[0]
    header = {column.name: _field(column) for column in HEADER}
    header["format_version"] = {"type": "string", "pattern": rf"^{major}\.[0-9]+$"}
    return {
        "$schema": _DIALECT,
        "title": f"Edit list, format {major}",
        "type": "object",
        "additionalProperties": False,
        "required": [*header, "rows"],
        "properties": {**header, "rows": {"type": "array", "items": _row()}},
    }


def _row() -> dict[str, Any]:
    return {
        "type": "object",
        "additionalProperties": False,
        "required": [column.name for column in COLUMNS],
        "properties": {column.name: _field(column) for column in COLUMNS},
    }


def _field(column: Column) -> dict[str, Any]:
    """One field: what it holds, or null where it may be blank."""
    if column.kind in ("texts", "yes-no"):
        return dict(_TEXTS) if column.kind == "texts" else {"type": "boolean"}
    if column.kind in _PAIR_HEADS:
        pair = {
            "type": "array",
            "prefixItems": [_PAIR_HEADS[column.kind], {"type": "number"}],
            "items": False,
            "minItems": 2,
        }
        return {"type": "array", "items": pair}
    name = {"text": "string", "choice": "string", "whole": "integer", "number": "number"}
    held = name[column.kind]
    field: dict[str, Any] = {"type": held if column.required else [held, "null"]}
    if column.choices:
        field["enum"] = [*column.choices, *([] if column.required else [None])]
    if held == "string":
        field["minLength"] = 1  # blank is null, never an empty text
    return field
