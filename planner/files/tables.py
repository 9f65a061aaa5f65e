"""CSV tables: `notes.csv` and `offenders.csv`, and the RFC 4180 writing and reading under them.

Conventions
-----------
- RFC 4180 (2005): comma, CRLF after every record, a header record, quotes doubled; on request a
  semicolon, for spreadsheets whose decimal sign is a comma. Numbers always have a decimal point.
- Text cells that a spreadsheet would run as a formula get a leading apostrophe (CWE-1236,
  improper neutralization of formula elements in a CSV file); the reader takes it off again.
  Numbers are never touched.
- ``notes.csv`` carries no byte order mark, because programs read it as often as spreadsheets do;
  ``offenders.csv`` carries one, so that spreadsheets see UTF-8.
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from planner.editlist import clean_text, rounded
from planner.errors import PlannerError
from planner.pitch import note_name
from planner.words.plan_model import Judged, Offender, Plan
from planner.words.wording import rule_names, terms

Cell = str | int | float | bool | None

BOM = "\ufeff"

NOTES_COLUMNS = (
    "id", "stem", "start_s", "end_s", "start_smp", "end_smp", "intended", "intended_midi",
    "target_hz", "onset_cents", "sustain_cents", "end_cents", "slope_cents_per_s", "vibrato_hz",
    "vibrato_half_cents", "settle_s", "inharmonicity_b", "inharmonicity_b_uncertainty", "string",
    "fret", "string_confidence", "partials_cents", "uncertainty_cents", "onset_uncertainty_cents",
    "heard_cents", "level_db", "pitched_share", "bleed_db", "confidence", "action", "add_cents",
    "reason", "not_measured_because", "tolerance_cents", "heard_in",
    "onset_confidence", "layers", "total_add_cents", "slope_uncertainty_cents_per_s",
    "upper_partials_db",
)  # fmt: skip

OFFENDERS_COLUMNS = (
    "rank", "row_id", "stem", "start_s", "start_bar", "start_beat", "intended", "times",
    "headline", "fix", "severity", "terms", "minutes_so_far", "above_stop_line",
    "clears_s", "sour_left_s", "thins_s", "beating_left_s",
)  # fmt: skip

# What a spreadsheet takes for the start of a formula: = + - @, their full-width twins, and
# control characters (OWASP's page on CSV injection, from memory). White space before them does
# not help, nor do apostrophes: those are looked through, so that taking one off again is exact.
_FORMULA = re.compile(r"['\s\0]*[=+\-@＝＋－＠]|'*[\t\r\n\0]")


def escape_text(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would run as a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def unescape_text(text: str) -> str:
    """Take off the apostrophe that `escape_text` put there, and no other."""
    return text[1:] if text[:1] == "'" and _FORMULA.match(text[1:]) else text


def cell_text(value: Cell) -> str:
    """Write one cell: blank for None, plain decimals for numbers, texts escaped."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return escape_text(clean_text(value))
    return plain_decimal(value)


def plain_decimal(value: float) -> str:
    """Write a number as a plain decimal, never with an exponent: the shortest that reads back."""
    text = repr(value)
    if "e" in text:
        text = f"{value:.20f}".rstrip("0")
        text += "0" if text.endswith(".") else ""
    return text


def csv_bytes(
    columns: Sequence[str],
    records: Iterable[Sequence[Cell]],
    *,
    bom: bool = False,
    delimiter: str = ",",
) -> bytes:
    """Write a table as UTF-8 CSV after RFC 4180: header first, CRLF after every record."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow(columns)
    for record in records:
        writer.writerow([cell_text(value) for value in record])
    return ((BOM if bom else "") + out.getvalue()).encode("utf-8")


def read_text(path: Path) -> str:
    """Read a file as UTF-8, with or without byte order mark.

    Raises PlannerError if it cannot be read, or is no UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}."
        raise PlannerError(what, file=path.name) from error
    except UnicodeDecodeError as error:
        what = f"is no UTF-8 text (byte {error.start})."
        raise PlannerError(what, file=path.name, hint="Save it as UTF-8.") from error


def read_table(path: Path) -> list[tuple[int, list[str]]]:
    """Read a CSV file as `read_csv` does.

    Raises PlannerError if it cannot be read, or is no CSV in UTF-8.
    """
    try:
        return read_csv(read_text(path).encode("utf-8"))
    except csv.Error as error:
        hint = "Look for a quote that does not close."
        raise PlannerError(f"is no CSV: {error}.", file=path.name, hint=hint) from error


def read_csv(data: bytes) -> list[tuple[int, list[str]]]:
    """Read a CSV table, comma or semicolon, with or without byte order mark.

    Cells come back as they stand, apostrophes included. Each record carries the line it begins
    on, counted from 1.

    Raises UnicodeDecodeError if the bytes are no UTF-8.
    csv.Error
        If a quoted field does not end.
    """
    text = data.decode("utf-8-sig")
    head = text.split("\n", 1)[0]
    delimiter = ";" if head.count(";") > head.count(",") else ","
    # Comments may be long; the reader's own limit of 128 kB a field is no limit of ours.
    csv.field_size_limit(max(csv.field_size_limit(), len(text) + 1))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records, line = [], 1
    for record in reader:
        if record:
            records.append((line, record))
        line = reader.line_num + 1
    return records


def notes_csv(plan: Plan, *, delimiter: str = ",") -> bytes:
    """Write every note found, measured or not, moved or left; the reference's notes too.

    ``add_cents`` is the note's own edit, ``layers`` what each rule adds to it, as in the edit list,
    and ``total_add_cents`` what all of it adds to what is heard.
    """
    records = [_note_record(judged) for judged in plan.judged]
    return csv_bytes(NOTES_COLUMNS, records, delimiter=delimiter)


def _reason(judged: Judged) -> str:
    if not judged.layers:
        return judged.reason
    return f"moved by {rule_names(judged.layers)}; what is left: {judged.reason}"


# Decimals of the numbers of an offender; its other columns go as they are.
_OFFENDER_DECIMALS = {
    "start_s": 4, "start_beat": 3, "severity": 1, "minutes_so_far": 1, "clears_s": 1,
    "sour_left_s": 1, "thins_s": 1, "beating_left_s": 1,
}  # fmt: skip


def offenders_csv(plan: Plan, *, bom: bool = True, delimiter: str = ",") -> bytes:
    """Write the ranked offenders, one a line, with the terms of each rank in words."""

    def cell(o: Offender, name: str) -> Cell:
        if name == "terms":
            return terms(o.terms)
        value: Cell = getattr(o, name)
        if name in _OFFENDER_DECIMALS:
            number: Any = value
            return rounded(number, _OFFENDER_DECIMALS[name], f"{name} of offender {o.rank}")
        return value

    records = [[cell(o, name) for name in OFFENDERS_COLUMNS] for o in plan.offenders]
    return csv_bytes(OFFENDERS_COLUMNS, records, bom=bom, delimiter=delimiter)


def _note_record(judged: Judged) -> tuple[Cell, ...]:
    note, found = judged.measured.note, judged.measured.measurement
    name = judged.measured.id

    def number(value: float | None, decimals: int) -> float | None:
        return rounded(value, decimals, f"a number of note {name}")

    return (
        name,
        note.stem,
        number(note.start_s, 4),
        number(note.end_s, 4),
        note.start_smp,
        note.end_smp,
        note_name(judged.target.intended_midi, judged.names),
        judged.target.intended_midi,
        number(judged.target.target_hz, 3),
        number(judged.onset_cents, 1),
        number(judged.sustain_cents, 1),
        number(judged.end_cents, 1),
        number(found.slope_cents_per_s, 1),
        number(found.vibrato_hz, 2),
        number(found.vibrato_half_cents, 1),
        number(found.settle_s, 3),
        number(found.inharmonicity_b, 7),
        number(found.inharmonicity_b_uncertainty, 8),
        "" if judged.string_midi is None else note_name(judged.string_midi, judged.names),
        judged.fret,
        judged.string_confidence,
        number(found.partials_cents, 1),
        number(found.uncertainty_cents, 2),
        number(found.onset_uncertainty_cents, 2),
        number(judged.heard_cents, 1),
        # Digital silence has no level in decibels.
        number(note.level_db, 1) if math.isfinite(note.level_db) else None,
        number(note.pitched_share, 2),
        number(judged.measured.bleed_db, 1),
        found.confidence,
        judged.action,
        number(judged.add_cents, 1),
        _reason(judged),
        found.not_measured_because,
        number(judged.tolerance_cents, 1),
        ";".join(f"{stem}:{plain_decimal(round(db, 1))}" for stem, db in judged.measured.heard_in),
        found.onset_confidence,
        ";".join(f"{rule} {plain_decimal(round(add, 1))}" for rule, add in judged.layers),
        number(judged.added_cents, 1) if judged.is_moved else None,
        number(found.slope_uncertainty_cents_per_s, 2),
        number(found.upper_partials_db, 1),
    )
