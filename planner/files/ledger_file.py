"""`ledger.csv` of a plan folder: every id that was ever given, and what it stood for.

A plain CSV table (`planner.files.tables`) without a byte order mark; it is ours, nobody edits it.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from planner.errors import PlannerError
from planner.files.tables import csv_bytes, read_csv, unescape_text
from planner.ledger import Known, Ledger

LEDGER_NAME = "ledger.csv"
_TEXTS = ("id", "kind", "stem", "scope", "action")
_NUMBERS = ("pitch_hz", "start_s", "end_s")
COLUMNS = (*_TEXTS, "midi", *_NUMBERS, "covers", "here", "split_from", "absorbed_by")


def ledger_csv(ledger: Ledger) -> bytes:
    """Write a ledger as a table, one id a record."""
    records = [
        (
            k.id, k.kind, k.stem, k.scope, k.action, k.midi, k.pitch_hz, k.start_s, k.end_s,
            ";".join(k.covers), k.here, k.split_from, k.absorbed_by,
        )
        for k in ledger
    ]  # fmt: skip
    return csv_bytes(COLUMNS, records)


def read_ledger(path: Path) -> Ledger:
    """Read a ledger back.

    Raises
    ------
    PlannerError
        If it is not there, or is no such table: ids would be given anew, and answers would speak
        of other notes.
    """
    name = f"{path.parent.name}/{path.name}"
    hint = f"Restore it, or move {path.parent.name} away to begin anew without its answers."
    try:
        records = read_csv(path.read_bytes())
    except OSError:
        raise PlannerError("the list of permanent ids is missing.", file=name, hint=hint) from None
    except (UnicodeDecodeError, csv.Error):
        raise PlannerError("is no table of permanent ids.", file=name, hint=hint) from None
    if not records or tuple(records[0][1]) != COLUMNS:
        raise PlannerError("is no table of permanent ids.", file=name, hint=hint)
    known = []
    for line, cells in records[1:]:
        try:
            known.append(_known(dict(zip(COLUMNS, cells, strict=True))))
        except ValueError:
            what = "does not read as an entry of the list of permanent ids."
            raise PlannerError(what, file=name, line=line, hint=hint) from None
    return tuple(known)


def _known(cells: dict[str, str]) -> Known:
    texts: dict[str, Any] = {name: unescape_text(cells[name]) or None for name in _TEXTS}
    numbers: dict[str, Any] = {n: float(cells[n]) if cells[n] else None for n in _NUMBERS}
    if not (texts["id"] and texts["kind"] and texts["stem"]) or cells["here"] not in ("yes", "no"):
        raise ValueError(cells["id"])
    return Known(
        **texts,
        **numbers,
        midi=int(cells["midi"]) if cells["midi"] else None,
        covers=tuple(part for part in unescape_text(cells["covers"]).split(";") if part),
        here=cells["here"] == "yes",
        split_from=unescape_text(cells["split_from"]),
        absorbed_by=unescape_text(cells["absorbed_by"]),
    )
