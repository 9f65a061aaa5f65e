"""Corrected bounces on disk: which file is which stem's, the plan's own notes, and the sheet."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from planner.check import (
    Moved,
)
from planner.check_words import BounceCheck, check_markdown, row_words, state_of
from planner.errors import AudioError, PlannerError
from planner.files.audio_names import name_key
from planner.files.edit_list import yaml_bytes
from planner.files.tables import NOTES_COLUMNS, Cell, csv_bytes, read_csv, unescape_text
from planner.note_pairs import Reading
from planner.null_test import NullTest
from planner.pitch import midi_to_hz, shift_hz
from planner.plan_model import Row
from planner.sour_check import SourCheck
from planner.wording import SIGN_RULE

_AUDIO = frozenset({".wav", ".wave", ".rf64", ".bw64", ".aif", ".aiff", ".flac"})
# Plans from before had none of these.
_LATER_COLUMNS = frozenset(
    {"tolerance_cents", "heard_in", "onset_confidence", "layers", "total_add_cents"}
    | {"slope_uncertainty_cents_per_s"}
)
CHECK_COLUMNS = (
    "id", "stem", "start_s", "verdict", "wanted_cents", "got_cents", "uncertainty_cents",
    "notes_read", "in_words", "state", "by", "comment", "locked",
)  # fmt: skip


def find_bounce(folder: Path, file: str) -> Path | None:
    """Find the corrected file of a stem: the same name, or the same name with a suffix behind it.

    Raises
    ------
    AudioError
        If several files could be it.
    """
    wanted = Path(file.replace("\\", "/"))
    stem = name_key(wanted.stem)
    there = [p for p in sorted(folder.iterdir()) if p.is_file() and p.suffix.lower() in _AUDIO]
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

    Raises
    ------
    PlannerError
        If the file is missing or is no such table.
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
            state_of(r.verdict), "", "", "no",
        )
        for r in check.rows
    ]  # fmt: skip
    return {
        "check.md": check_markdown(check, rows).encode("utf-8"),
        "check.csv": csv_bytes(CHECK_COLUMNS, records, bom=True),
        "check.yaml": yaml_bytes(_as_data(check)),
    }


def _as_data(check: BounceCheck) -> dict[str, Any]:
    return {
        "version": 1,
        "song": check.song,
        "plan": check.plan,
        "sign_rule": SIGN_RULE,
        "passed": check.passed,
        "changed_originals": list(check.changed_originals),
        "rows": [
            {
                "id": r.id, "stem": r.stem, "verdict": r.verdict,
                "wanted_cents": _rounded(r.wanted_cents, 1), "got_cents": _rounded(r.got_cents, 1),
                "uncertainty_cents": _rounded(r.uncertainty_cents, 1), "notes_read": r.notes,
            }
            for r in check.rows
        ],
        "moved": [_moved(one) for one in check.moved],
        "stems": [
            {
                "code": s.code, "notes": s.notes, "found_again": s.paired,
                "late_s": _rounded(s.late_s, 4), "said": list(s.said),
            }
            for s in check.stems
        ],
        "outside_edits": [_null(one) for one in check.nulls],
        "sour_seconds": None if check.sour is None else _sour(check.sour),
        "still_heard": [
            {
                "stem": g.stem, "held_in": g.held_in, "notes": g.notes,
                "loudest_db": _rounded(g.loudest_db, 1), "most_cents": _rounded(g.most_cents, 1),
            }
            for g in check.ghosts
        ],
    }  # fmt: skip


def _null(one: NullTest) -> dict[str, Any]:
    return {
        "stem": one.stem, "file": one.file, "why_not": one.why_not or None,
        "compared_s": _rounded(one.compared_s, 1), "late_samples": _rounded(one.late_smp, 2),
        "gain_db": _rounded(one.gain_db, 2), "polarity_turned": one.turned_over,
        "null_db": _rounded(one.null_db, 1), "rendered_anew": one.rerendered,
        "edits_past_their_notes": one.reaching,
        "level_moves_db": None if one.ride_db is None else list(one.ride_db),
        "changed": [
            {
                "start_s": _rounded(c.start_s, 4), "end_s": _rounded(c.end_s, 4), "how": c.how,
                "level_db": _rounded(c.level_db, 1), "later_s": _rounded(c.later_s, 5),
                "null_db": _rounded(c.null_db, 1),
            }
            for c in one.changed
        ],
    }  # fmt: skip


def _sour(sour: SourCheck) -> dict[str, Any]:
    return {
        "recorded_s": _rounded(sour.recorded_s, 1), "planned_s": _rounded(sour.planned_s, 1),
        "measured_s": _rounded(sour.measured_s, 1), "notes_unread": sour.unread,
        "fresh": [
            {
                "start_s": _rounded(f.start_s, 4), "end_s": _rounded(f.end_s, 4),
                "notes": list(f.notes), "as_planned": f.planned,
            }
            for f in sour.fresh
        ],
    }  # fmt: skip


def _moved(one: Moved) -> dict[str, Any]:
    return {
        "id": one.id, "stem": one.stem, "start_s": _rounded(one.start_s, 4),
        "moved_cents": _rounded(one.moved_cents, 1), "rules": list(one.rules),
    }  # fmt: skip


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
