"""The plans that a session already has: their rows, ids, contents, and what people typed in.

People type into ``state, by, comment, locked`` of a plan's lists. What they typed is what differs
from the columns as the plan wrote them, which its ``decisions.yaml`` keeps. ``ledger.csv`` holds
every id that was ever given, and what it stood for: a plain table of ours, which nobody edits.
"""

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

from planner.answer.answer_reading import entries_from
from planner.answer.answers import BLANK, Entry, HumanColumns
from planner.answer.ledger import Known, Ledger
from planner.errors import PlannerError
from planner.files.answers_file import entry_to_dict
from planner.files.edit_list import CSV_NAME, YAML_NAME, read_edit_list_yaml, yaml_bytes
from planner.files.tables import OFFENDERS_COLUMNS, csv_bytes, read_csv, read_table, unescape_text
from planner.files.yaml_reading import read_yaml
from planner.words.plan_model import Row, State

DECISIONS_NAME = "decisions.yaml"
_PLAN = re.compile(r"plan_(\d{2,})")
_HUMAN = ("state", "by", "comment", "locked")
_STATES: tuple[str, ...] = get_args(State)
_MISREAD_MARK = "\xef\xbb\xbf".lower()  # a UTF-8 byte order mark read as Windows-1252
_YES_NO = {"yes": True, "true": True, "x": True, "1": True,
           "no": False, "false": False, "": False, "0": False}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class PastPlan:
    """One plan folder, read back."""

    name: str  # of its folder
    folder: Path
    rows: tuple[Row, ...]
    missing: tuple[str, ...]
    ledger: Ledger
    sha256_of: dict[str, str]  # stem code -> content of its file then
    written: dict[
        str, HumanColumns
    ]  # row id -> human columns as the plan wrote them, where not blank
    typed: tuple[Entry, ...]  # typed into lists of plans before this one


def plan_folders(out: Path, song: str) -> tuple[Path, ...]:
    """Name the plan folders of a song, latest first."""
    if not out.is_dir():
        return ()
    found = [(int(m[1]), p) for p in out.iterdir() if (m := _PLAN.fullmatch(p.name))]
    return tuple(p for _, p in sorted(found, reverse=True) if _song_of(p) == song)


def plans_to(do: str, out: Path, song: str, session_path: Path) -> tuple[Path, ...]:
    """Name the plan folders of a song, latest first; for commands that need at least one.

    do: what the command does with it, for the message: "answer", "check".

    Raises PlannerError if there is none.
    """
    plans = plan_folders(out, song)
    if not plans:
        what = f"there is no plan of {song} in {out}, so there is nothing to {do}."
        hint = "Plan first, or say with --out where the plans are."
        raise PlannerError(what, file=str(session_path), hint=hint)
    return plans


def chosen_plan(plans: Sequence[Path], name: str | None) -> Path:
    """Give the plan folder of this name; without one the first, which is the latest.

    Raises PlannerError if none has it.
    """
    for folder in plans:
        if name in (None, folder.name):
            return folder
    names = ", ".join(folder.name for folder in reversed(plans))
    raise PlannerError(f"there is no plan {name} of this song.", hint=f"There are {names}.")


def read_past_plan(folder: Path) -> PastPlan:
    """Read a plan folder back.

    Raises PlannerError if something in it cannot be read; decisions might hang on it.
    """
    listed = read_edit_list_yaml(folder / YAML_NAME)
    run, _ = read_yaml(folder / "run.yaml")
    stems = run.get("stems", []) if isinstance(run, dict) else []
    written: dict[str, HumanColumns] = {}
    typed: tuple[Entry, ...] = ()
    path = folder / DECISIONS_NAME
    if path.exists():
        data, lines = read_yaml(path)
        if not isinstance(data, dict):
            raise PlannerError("is no list of decisions.", file=f"{folder.name}/{path.name}")
        typed = entries_from(data.get("typed") or [], lines, path.name, "typed")
        for entry in entries_from(data.get("written") or [], lines, path.name, "written"):
            written[entry.id] = HumanColumns(
                state=entry.state or "new",
                by=entry.by,
                comment=entry.comment or "",
                locked=bool(entry.locked),
            )
    return PastPlan(
        name=folder.name,
        folder=folder,
        rows=listed.rows,
        missing=listed.missing_stems,
        ledger=read_ledger(folder / LEDGER_NAME),
        sha256_of={s["code"]: str(s.get("sha256", "")) for s in stems if "code" in s},
        written=written,
        typed=typed,
    )


def decisions_yaml(rows: Iterable[Row], typed: Sequence[Entry]) -> bytes | None:
    """Write what people typed into lists, and the human columns as this plan writes them.

    None where there is neither.
    """
    human = [row for row in rows if human_of(row) != BLANK]
    if not human and not typed:
        return None
    written = [
        {"id": r.id, "state": r.state, "by": r.by, "comment": r.comment, "locked": r.locked}
        for r in human
    ]
    data: dict[str, Any] = {"version": 1, "typed": [entry_to_dict(e) for e in typed]}
    return yaml_bytes({**data, "written": written})


def human_of(row: Row) -> HumanColumns:
    """Give a row's human columns."""
    return HumanColumns(state=row.state, by=row.by, comment=row.comment, locked=row.locked)


def typed_in_place(past: PastPlan) -> dict[str, HumanColumns]:
    """Find what was typed into the lists of a plan folder itself; the CSV goes before the YAML."""
    found = {}
    for row in past.rows:
        if human_of(row) != past.written.get(row.id, BLANK):
            found[row.id] = human_of(row)
    path = past.folder / CSV_NAME
    if path.exists():
        for row_id, human in read_human_columns(path).items():
            if not same_human(human, past.written.get(row_id, BLANK)):
                found[row_id] = human
    return found


def same_human(one: HumanColumns, other: HumanColumns) -> bool:
    """Whether human columns say the same; spreadsheets may save line ends of their own."""

    def with_our_line_ends(human: HumanColumns) -> HumanColumns:
        by, comment = (text.replace("\r\n", "\n") for text in (human.by, human.comment))
        return replace(human, by=by, comment=comment)

    return with_our_line_ends(one) == with_our_line_ends(other)


def read_human_columns(path: Path) -> dict[str, HumanColumns]:
    """Read the human columns of an edit list as a spreadsheet saved it: row id -> columns.

    Columns may stand in any order, others may be missing or changed; comma or semicolon, with or
    without byte order mark. A human column that is missing counts as blank.

    Raises PlannerError if the file is no such table, an id stands twice, or a cell does not fit.
    """
    records = read_table(path)
    names = [name.strip().lower() for name in records[0][1]] if records else []
    if names and names[0] == _MISREAD_MARK + "id":
        hint = "Open the plan's list again as UTF-8, and fill it in there."
        what = "a program took it for another character set than UTF-8, so texts may be garbled."
        raise PlannerError(what, file=path.name, line=1, hint=hint)
    if "id" not in names or not set(_HUMAN) & set(names):
        what = "has no column 'id' beside 'state', 'by', 'comment' or 'locked' in its first line."
        raise PlannerError(what, file=path.name, hint="Save the edit list with its header.")
    found: dict[str, HumanColumns] = {}
    for line, record in records[1:]:
        cells = dict(zip(names, record, strict=False))
        row_id = unescape_text(cells.get("id", "")).strip()
        if not row_id:
            continue
        if row_id in found:
            what = f"the row {row_id} stands there twice."
            raise PlannerError(what, file=path.name, line=line, field="id")
        found[row_id] = _human(cells, path.name, line)
    return found


def plan_said(path: Path) -> str:
    """Give the folder name of the plan that a check's table speaks of; empty for other tables."""
    (_, head), *records = read_table(path) or [(1, [])]
    cells = dict(zip(head, records[0][1], strict=False)) if records else {}
    return cells.get("plan", "").strip()


def is_list_of(path: Path, past: PastPlan) -> bool:
    """Whether an edit list may have been saved from a plan: its rows and numbers are in it."""
    ids = {row.id for row in past.rows}
    return read_human_columns(path).keys() <= ids and not changed_numbers(path, past.rows)


def changed_numbers(path: Path, rows: Iterable[Row]) -> list[tuple[str, str, str]]:
    """Find numbers and actions of an edit list that were changed: (row id, column, cell)."""
    records = read_table(path)
    names = [name.strip().lower() for name in records[0][1]]
    own = {row.id: row for row in rows}
    changed = []
    for _, record in records[1:]:
        cells = dict(zip(names, record, strict=False))
        row = own.get(unescape_text(cells.get("id", "")).strip())
        if row is None:
            continue
        if cells.get("action", row.action).strip() not in ("", row.action):
            changed.append((row.id, "action", cells["action"]))
        if "add_cents" in cells and not _says(cells["add_cents"], row.add_cents):
            changed.append((row.id, "add_cents", cells["add_cents"]))
    return changed


def _says(cell: str, value: float | None) -> bool:
    """Whether a cell still says a number, with a point or with a comma."""
    text = cell.strip().replace(",", ".").replace("\u2212", "-")
    try:
        return (float(text) if text else None) == value
    except ValueError:
        return False


def read_ranks(folder: Path) -> dict[int, str]:
    """Read which row stands on which line of the offenders list: rank -> row id."""
    path = folder / "offenders.csv"
    try:
        records = read_csv(path.read_bytes())
        rank, row_id = (OFFENDERS_COLUMNS.index(name) for name in ("rank", "row_id"))
        return {int(cells[rank]): unescape_text(cells[row_id]) for _, cells in records[1:]}
    except (OSError, UnicodeDecodeError, csv.Error, ValueError, IndexError):
        what = "cannot be read, so numbers of its lines cannot be understood."
        hint = "Answer by row ids, or plan again."
        raise PlannerError(what, file=f"{folder.name}/{path.name}", hint=hint) from None


def _human(cells: dict[str, str], file: str, line: int) -> HumanColumns:
    state: Any = unescape_text(cells.get("state", "")).strip().lower() or "new"
    if state not in _STATES:
        hint = f"Use {', '.join(_STATES)}."
        what = f"{state!r} is no state."
        raise PlannerError(what, file=file, line=line, field="state", hint=hint)
    locked = cells.get("locked", "").strip().lower()
    if locked not in _YES_NO:
        what = f"{locked!r} does not read as yes or no."
        raise PlannerError(what, file=file, line=line, field="locked")
    by, comment = (unescape_text(cells.get(name, "")) for name in ("by", "comment"))
    return HumanColumns(state=state, by=by, comment=comment, locked=_YES_NO[locked])


def _song_of(folder: Path) -> str | None:
    path = folder / "run.yaml"
    if not path.is_file():
        return None
    data, _ = read_yaml(path)
    return str(data.get("song")) if isinstance(data, dict) else None


# ------------------------------------------------------------------ permanent ids


LEDGER_NAME = "ledger.csv"
_LEDGER_TEXTS = ("id", "kind", "stem", "scope", "action")
_LEDGER_NUMBERS = ("pitch_hz", "start_s", "end_s")
LEDGER_COLUMNS = (
    *_LEDGER_TEXTS, "midi", *_LEDGER_NUMBERS, "covers", "here", "split_from", "absorbed_by",
)  # fmt: skip


def ledger_csv(ledger: Ledger) -> bytes:
    """Write a ledger as a table, one id a record."""
    records = [
        (
            k.id, k.kind, k.stem, k.scope, k.action, k.midi, k.pitch_hz, k.start_s, k.end_s,
            ";".join(k.covers), k.here, k.split_from, k.absorbed_by,
        )
        for k in ledger
    ]  # fmt: skip
    return csv_bytes(LEDGER_COLUMNS, records)


def read_ledger(path: Path) -> Ledger:
    """Read a ledger back.

    Raises PlannerError if it is not there, or is no such table: ids would be given anew, and
    answers would speak of other notes.
    """
    name = f"{path.parent.name}/{path.name}"
    hint = f"Restore it, or move {path.parent.name} away to begin anew without its answers."
    try:
        records = read_csv(path.read_bytes())
    except OSError:
        raise PlannerError("the list of permanent ids is missing.", file=name, hint=hint) from None
    except (UnicodeDecodeError, csv.Error):
        raise PlannerError("is no table of permanent ids.", file=name, hint=hint) from None
    if not records or tuple(records[0][1]) != LEDGER_COLUMNS:
        raise PlannerError("is no table of permanent ids.", file=name, hint=hint)
    known = []
    for line, cells in records[1:]:
        try:
            known.append(_known(dict(zip(LEDGER_COLUMNS, cells, strict=True))))
        except ValueError:
            what = "does not read as an entry of the list of permanent ids."
            raise PlannerError(what, file=name, line=line, hint=hint) from None
    return tuple(known)


def _known(cells: dict[str, str]) -> Known:
    texts: dict[str, Any] = {name: unescape_text(cells[name]) or None for name in _LEDGER_TEXTS}
    numbers: dict[str, Any] = {n: float(cells[n]) if cells[n] else None for n in _LEDGER_NUMBERS}
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
