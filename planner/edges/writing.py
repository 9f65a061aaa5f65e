"""The files of a plan, the page's excerpts too: written whole or not at all, and read back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.answer.answers import Entry
from planner.answer.ledger import Ledger
from planner.editlist import edit_list_to_dict
from planner.errors import PromiseError
from planner.files.audio import read_excerpt, read_stem_audio
from planner.files.edit_list import (
    CSV_NAME,
    YAML_NAME,
    check_edit_lists,
    edit_list_csv_bytes,
    yaml_bytes,
)
from planner.files.midi import midi_bytes, read_back_guide
from planner.files.past_plans import DECISIONS_NAME, LEDGER_NAME, decisions_yaml, ledger_csv
from planner.files.plan_folder import write_plan_folder
from planner.files.tables import notes_csv, offenders_csv
from planner.guide import (
    guide_midi,
    guide_note_starts,
    guide_traces_midi,
    guide_within_s,
    worst_start_error_s,
)
from planner.model import AudioFacts
from planner.page import review_page
from planner.plan.parts import clock_shifts
from planner.review.page_lines import page_lines
from planner.review.page_sound import Excerpt, Span, excerpt, spans_to_play, within
from planner.summary import summary_markdown
from planner.timeline import TempoMap
from planner.words.plan_model import Plan
from planner.write.hand_off import hand_off_markdown
from planner.write.offenders_text import offenders_markdown
from planner.write.provenance import run_record


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How the files of a plan are written."""

    csv_bom: bool = True  # before ``edit_list.csv`` and ``offenders.csv``
    csv_delimiter: str = ","
    page_sound: bool = True  # short excerpts of the stems in the review page, for listening


AS_USUAL = Form()


def write_plan(
    plan: Plan,
    tempo_map: TempoMap | None,
    out: Path,
    folders: tuple[Path, ...],
    form: Form,
    *,
    ledger: Ledger,
    typed: Sequence[Entry],
    excerpts: Sequence[Excerpt],
) -> Path:
    """Write a plan into a new numbered folder, read its lists and guide back, and name the folder.

    out: where numbered folders go; folders: those that are never written to.
    ledger: every id given so far; typed: what people typed into the lists of earlier plans.
    excerpts: what can be heard on the review page.

    Raises OutputError if nothing can be written there, and PromiseError if a list or the guide does
    not read back as it was planned; nothing is left behind.
    """
    data = edit_list_to_dict(plan)
    bom, delimiter = form.csv_bom, form.csv_delimiter
    settings: dict[str, bool | int | str] = {
        "edit_list_csv_bom": bom,
        "csv_delimiter": delimiter,
        "page_excerpts": len(excerpts),
    }
    record = run_record(plan, settings)
    files = {
        YAML_NAME: yaml_bytes(data),
        CSV_NAME: edit_list_csv_bytes(data, bom=bom, delimiter=delimiter),
        "notes.csv": notes_csv(plan, delimiter=delimiter),
        "offenders.csv": offenders_csv(plan, bom=bom, delimiter=delimiter),
        "offenders.md": offenders_markdown(plan).encode(),
        "summary.md": summary_markdown(plan, tempo_map).encode(),
        "hand_off.md": hand_off_markdown(plan).encode(),
        "review.html": review_page(plan, tempo_map, excerpts).encode(),
        "guide.mid": midi_bytes(guide_midi(plan, tempo_map)),
        "run.yaml": yaml_bytes(record),
        LEDGER_NAME: ledger_csv(ledger),
    }
    for number, midi in enumerate(guide_traces_midi(plan, tempo_map), start=1):
        more = f"_{number}" if number > 1 else ""
        files[f"guide_traces{more}.mid"] = midi_bytes(midi)
    decisions = decisions_yaml(plan.rows, typed)
    if decisions is not None:
        files[DECISIONS_NAME] = decisions

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

    return write_plan_folder(out, files, audio=folders, check=check)


# ---------------------------------------------------------------- what the page plays


def read_excerpts(
    plan: Plan, paths: Mapping[str, Path], rough_mix: Path | None = None
) -> tuple[Excerpt, ...]:
    """Read what the page plays of each line, as much as fits on it.

    paths: stem code to its file, opened for reading only.
    rough_mix: a mix that begins with the session's clock; each stretch is cut from it too.

    Raises AudioError if a file can no longer be read.
    """
    session = plan.session
    spans = spans_to_play(
        page_lines(plan), most_s=session.excerpt_seconds, at_most=session.offenders_wanted,
        mixed=rough_mix is not None,
    )  # fmt: skip
    facts = dict(plan.facts)
    shifts = clock_shifts(session, facts)
    mix_facts = None
    if rough_mix is not None and spans:
        mix_facts, _, _ = read_stem_audio(rough_mix, file=rough_mix.name)
    cut = []
    for span in within(spans, session.page_size_mb * 1e6):
        rate = facts[span.stem].sr
        start, end = round(span.start_s * rate), round(span.end_s * rate)
        samples = read_excerpt(paths[span.stem], start, end)
        one = excerpt(span, samples, facts[span.stem])
        if rough_mix is not None and mix_facts is not None:
            mix = _of_the_mix(span, shifts.get(span.stem, 0.0), rough_mix, mix_facts)
            one = replace(one, mix=mix)
        cut.append(one)
    return tuple(cut)


def _of_the_mix(span: Span, later_s: float, path: Path, facts: AudioFacts) -> bytes:
    """The same stretch of the rough mix, on its own clock; empty where the mix is silent there."""
    moved = replace(
        span,
        start_s=max(0.0, span.start_s + later_s),
        end_s=span.end_s + later_s,
        note_start_s=span.note_start_s + later_s,
        note_end_s=span.note_end_s + later_s,
    )
    start, end = round(moved.start_s * facts.sr), round(moved.end_s * facts.sr)
    if start >= facts.frames:
        return b""
    return excerpt(moved, read_excerpt(path, start, min(end, facts.frames)), facts).wav
