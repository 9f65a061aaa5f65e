"""The files of a plan, put into a new folder whole or not at all, and read back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from planner.answers import Entry
from planner.editlist import edit_list_to_dict
from planner.errors import PromiseError
from planner.files.edit_list import (
    check_edit_lists,
    write_edit_list_csv,
    write_edit_list_yaml,
    yaml_bytes,
)
from planner.files.ledger_file import LEDGER_NAME, ledger_csv
from planner.files.midi import read_back_guide, write_midi
from planner.files.past_plans import DECISIONS_NAME, decisions_yaml
from planner.files.plan_folder import (
    write_plan_folder,
)
from planner.files.tables import notes_csv, offenders_csv
from planner.guide import (
    guide_midi,
    guide_note_starts,
    guide_traces_midi,
    guide_within_s,
    worst_start_error_s,
)
from planner.hand_off import hand_off_markdown
from planner.ledger import Ledger
from planner.offenders_text import offenders_markdown
from planner.page import review_page
from planner.page_sound import Excerpt
from planner.plan_model import Plan
from planner.provenance import run_record
from planner.summary import summary_markdown
from planner.timeline import TempoMap


def write_plan(
    plan: Plan,
    tempo_map: TempoMap | None,
    out: Path,
    folders: tuple[Path, ...],
    *,
    ledger: Ledger = (),
    typed: Sequence[Entry] = (),
    csv_bom: bool,
    csv_delimiter: str,
    excerpts: Sequence[Excerpt] = (),
) -> Path:
    data = edit_list_to_dict(plan)
    settings = {
        "edit_list_csv_bom": csv_bom,
        "csv_delimiter": csv_delimiter,
        "page_excerpts": len(excerpts),
    }
    record = run_record(plan, settings)
    traces = guide_traces_midi(plan, tempo_map)
    trace_names = [
        "guide_traces.mid",
        *(f"guide_traces_{k}.mid" for k in range(2, len(traces) + 1)),
    ]
    writers: dict[str, Callable[[Path], object]] = {
        "edit_list.yaml": lambda path: write_edit_list_yaml(data, path),
        "edit_list.csv": lambda path: write_edit_list_csv(
            data, path, bom=csv_bom, delimiter=csv_delimiter
        ),
        "notes.csv": lambda path: path.write_bytes(notes_csv(plan, delimiter=csv_delimiter)),
        "offenders.csv": lambda path: path.write_bytes(
            offenders_csv(plan, bom=csv_bom, delimiter=csv_delimiter)
        ),
        "offenders.md": lambda path: _text(path, offenders_markdown(plan)),
        "summary.md": lambda path: _text(path, summary_markdown(plan, tempo_map)),
        "hand_off.md": lambda path: _text(path, hand_off_markdown(plan)),
        "review.html": lambda path: _text(path, review_page(plan, tempo_map, excerpts)),
        "guide.mid": lambda path: write_midi(guide_midi(plan, tempo_map), path),
        **{
            name: lambda path, midi=midi: write_midi(midi, path)  # type: ignore[misc]
            for name, midi in zip(trace_names, traces, strict=False)
        },
        "run.yaml": lambda path: path.write_bytes(yaml_bytes(record)),
        LEDGER_NAME: lambda path: path.write_bytes(ledger_csv(ledger)),
    }
    decisions = decisions_yaml(plan.rows, typed)
    if decisions is not None:
        writers[DECISIONS_NAME] = lambda path: path.write_bytes(decisions)

    def check(folder: Path) -> None:
        check_edit_lists(folder, data)
        written = read_back_guide(folder / "guide.mid")
        worst_s = worst_start_error_s(guide_note_starts(plan, tempo_map), written)
        if worst_s > guide_within_s(tempo_map):
            raise PromiseError(
                f"a note of the guide reads back {worst_s * 1000:.1f} ms from where it was asked.",
                file="guide.mid",
                hint="This is a fault of the planner: please report it.",
            )

    return write_plan_folder(
        out,
        {name: _as_writer(write) for name, write in writers.items()},
        audio=folders,
        check=check,
    )


def _as_writer(write: Callable[[Path], object]) -> Callable[[Path], None]:
    def run(path: Path) -> None:
        write(path)

    return run


def _text(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
