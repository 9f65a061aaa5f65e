"""Corrected bounces on disk: which file is which stem's, the plan's own notes, and the sheet."""

import csv
from pathlib import Path
from typing import Any

from planner.compare.check_words import BounceCheck, check_markdown, row_words, state_of
from planner.compare.note_pairs import Reading
from planner.errors import AudioError, PlannerError
from planner.files.audio_opening import AUDIO_SUFFIXES, name_key
from planner.files.edit_list import yaml_bytes
from planner.files.tables import NOTES_COLUMNS, Cell, csv_bytes, read_csv, unescape_text
from planner.pitch import midi_to_hz, shift_hz
from planner.words.plan_model import Row
from planner.words.wording import SIGN_RULE

# Plans from before had none of these.
_LATER_COLUMNS = frozenset(
    {"tolerance_cents", "heard_in", "onset_confidence", "layers", "total_add_cents"}
    | {"slope_uncertainty_cents_per_s", "upper_partials_db"}
)
CHECK_COLUMNS = (
    "id", "stem", "start_s", "verdict", "wanted_cents", "got_cents", "uncertainty_cents",
    "notes_read", "in_words", "state", "by", "comment", "locked", "plan",
)  # fmt: skip


def find_bounce(folder: Path, file: str) -> Path | None:
    """Find the corrected file of a stem: the same name, or the same name with a suffix behind it.

    Raises AudioError if several files could be it.
    """
    wanted = Path(file.replace("\\", "/"))
    stem = name_key(wanted.stem)
    there = [
        p for p in sorted(folder.iterdir()) if p.is_file() and p.suffix.lower() in AUDIO_SUFFIXES
    ]
    same = [p for p in there if name_key(p.stem) == stem]
    longer = [
        p for p in there
        if name_key(p.stem).startswith(stem) and not name_key(p.stem)[len(stem) :][:1].isalnum()
    ]  # fmt: skip
    found = same or longer
    if len(found) > 1:
        names = ", ".join(p.name for p in found)
        raise AudioError(
            f"several files in {folder} could be its bounce: {names}.", file=wanted.name,
            hint="Leave one of them there.",
        )  # fmt: skip
    return found[0] if found else None


def read_notes(folder: Path) -> tuple[Reading, ...]:
    """Read the notes of a plan back from its ``notes.csv``.

    Raises PlannerError if the file is missing or is no such table.
    """
    path = folder / "notes.csv"
    try:
        records = read_csv(path.read_bytes())
        head = records[0][1]
        if not set(NOTES_COLUMNS) - _LATER_COLUMNS <= set(head):
            raise ValueError
        return tuple(_reading(dict(zip(head, cells, strict=True))) for _, cells in records[1:])
    except (OSError, UnicodeDecodeError, csv.Error, ValueError, IndexError):
        what = "cannot be read, so there is nothing to compare with."
        raise PlannerError(what, file=f"{folder.name}/notes.csv", hint="Plan again.") from None


def check_files(check: BounceCheck, rows: tuple[Row, ...]) -> dict[str, bytes]:
    """Give the files of a check by name: a sheet, and the same rows as CSV and YAML."""
    records: list[tuple[Cell, ...]] = [
        (
            r.id, r.stem, _rounded(r.start_s, 4), r.verdict, _rounded(r.wanted_cents, 1),
            _rounded(r.got_cents, 1), _rounded(r.uncertainty_cents, 1), r.notes, row_words(r),
            state_of(r.verdict), "", "", "no", check.plan,
        )
        for r in check.rows
    ]  # fmt: skip
    return {
        "check.md": check_markdown(check, rows).encode("utf-8"),
        "check.csv": csv_bytes(CHECK_COLUMNS, records, bom=True),
        "check.yaml": yaml_bytes(_as_data(check)),
    }


# Decimals of what check.yaml holds; other fields go as they are.
_DECIMALS = {
    "start_s": 4, "end_s": 4, "late_s": 4, "later_s": 5, "compared_s": 1, "recorded_s": 1,
    "planned_s": 1, "measured_s": 1, "late_smp": 2, "gain_db": 2, "null_db": 1, "level_db": 1,
    "loudest_db": 1, "wanted_cents": 1, "got_cents": 1, "uncertainty_cents": 1, "moved_cents": 1,
    "most_cents": 1,
}  # fmt: skip


def _as_data(check: BounceCheck) -> dict[str, Any]:
    nulls = []
    for one in check.nulls:
        null = _fields(
            one, "stem", "file", "why_not", "compared_s", late_samples="late_smp",
            gain_db="gain_db", polarity_turned="turned_over", null_db="null_db",
            rendered_anew="rerendered", edits_past_their_notes="reaching",
            level_moves_db="ride_db",
        )  # fmt: skip
        null["why_not"] = one.why_not or None
        stretch = ("start_s", "end_s", "how", "level_db", "later_s", "null_db")
        nulls.append({**null, "changed": [_fields(c, *stretch) for c in one.changed]})
    sour = None
    if check.sour is not None:
        counted = ("recorded_s", "planned_s", "measured_s")
        sour = _fields(check.sour, *counted, notes_unread="unread")
        moments = check.sour.fresh
        sour["fresh"] = [
            _fields(f, "start_s", "end_s", "notes", as_planned="planned") for f in moments
        ]
    measured = ("wanted_cents", "got_cents", "uncertainty_cents")
    return {
        "version": 1,
        "song": check.song,
        "plan": check.plan,
        "sign_rule": SIGN_RULE,
        "passed": check.passed,
        "changed_originals": list(check.changed_originals),
        "rows": [
            _fields(r, "id", "stem", "verdict", *measured, notes_read="notes") for r in check.rows
        ],
        "moved": [
            _fields(m, "id", "stem", "start_s", "moved_cents", "rules", "notes", "state")
            for m in check.moved
        ],
        "stems": [
            _fields(s, "code", "notes", found_again="paired", late_s="late_s", said="said")
            for s in check.stems
        ],
        "outside_edits": nulls,
        "sour_seconds": sour,
        "still_heard": [
            _fields(g, "stem", "held_in", "notes", "loudest_db", "most_cents") for g in check.ghosts
        ],
    }


def _fields(record: object, *same: str, **renamed: str) -> dict[str, Any]:
    """Give fields of a record as plain data, rounded; those of another name as name="field"."""
    found = {}
    for name, field in {**{field: field for field in same}, **renamed}.items():
        value = getattr(record, field)
        if field in _DECIMALS:
            value = _rounded(value, _DECIMALS[field])
        found[name] = list(value) if isinstance(value, tuple) else value
    return found


def _rounded(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(value, decimals) + 0.0


def _reading(cells: dict[str, str]) -> Reading:
    def number(name: str) -> float | None:
        return float(cells[name]) if cells.get(name) else None

    def hz(name: str) -> float | None:
        off = number(name)
        return None if off is None else shift_hz(float(cells["target_hz"]), off)

    known = hz("heard_cents") or hz("sustain_cents") or hz("onset_cents")
    return Reading(
        id=unescape_text(cells["id"]),
        stem=unescape_text(cells["stem"]),
        start_s=float(cells["start_s"]),
        end_s=float(cells["end_s"]),
        pitch_hz=known or midi_to_hz(float(cells["intended_midi"])),
        onset_hz=hz("onset_cents"),
        sustain_hz=hz("sustain_cents"),
        end_hz=hz("end_cents"),
        onset_uncertainty_cents=number("onset_uncertainty_cents"),
        uncertainty_cents=number("uncertainty_cents"),
        vibrato_half_cents=number("vibrato_half_cents"),
        upper_partials_db=number("upper_partials_db"),
        level_db=number("level_db"),
        shaky=cells["confidence"] in ("shaky", ""),
        intended_midi=int(cells["intended_midi"]),
        target_hz=number("target_hz"),
        heard_cents=number("heard_cents"),
        tolerance_cents=number("tolerance_cents"),
        heard_in=_leaks(unescape_text(cells.get("heard_in", ""))),
    )


def _leaks(text: str) -> tuple[tuple[str, float], ...]:
    pairs = [one.rpartition(":") for one in text.split(";") if one]
    return tuple((stem, float(db)) for stem, _, db in pairs)
