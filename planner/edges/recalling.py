"""What earlier runs and people left for this one: ids, answers, and what was typed into lists."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.answer.answers import BLANK, Entry, HumanColumns, Ruling, Rulings, entry_of, with_human
from planner.answer.changes import changes_since
from planner.answer.ledger import Known, Ledger
from planner.answer.locks import place_locks, with_locked_rows
from planner.answer.note_ids import heard_as_before
from planner.answer.row_ids import notes_from, with_rows
from planner.answer.ruled_rows import Recalled
from planner.answer.rulings import rulings_from
from planner.edges.opening import Opened
from planner.files.answers_file import answers_path, read_answers
from planner.files.edit_list import CSV_NAME
from planner.files.past_plans import (
    PastPlan,
    changed_numbers,
    plan_folders,
    read_past_plan,
    typed_in_place,
)
from planner.model import Finding, MeasuredNote, Note, StemNotes
from planner.pitch import parse_note
from planner.timeline import seconds_to_smp, smp_to_seconds
from planner.words.plan_model import Plan, Row, Since
from planner.words.roles import is_chordal


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """Everything that earlier runs and people left for this one."""

    past: PastPlan | None
    typed: tuple[Entry, ...]  # into lists of plans, up to the last one
    before: Recalled  # rows: of the last plan, and locked ones of stems that it left out
    findings: tuple[Finding, ...]

    def recalled(self, ledger: Ledger) -> Recalled:
        """Give what a plan must know, with the ledger's notes as this run found them."""
        as_before = heard_as_before(self.before.ledger, ledger)
        return replace(self.before, ledger=ledger, as_before=as_before)


def answers_of(opened: Opened, out: Path) -> tuple[Entry, ...]:
    """Read what people have answered so far; nothing where nobody has.

    Raises PlannerError if the answers cannot be read.
    """
    return read_answers(answers_path(opened.path, out))


def remember(opened: Opened, out: Path, answers: tuple[Entry, ...]) -> Remembered:
    """Read the latest plan of a session, and set its answers beside it; empty without one.

    Raises PlannerError if one of them is there and cannot be read: decisions hang on it.
    """
    folders = plan_folders(out, opened.session.song)
    past = read_past_plan(folders[0]) if folders else None
    typed: tuple[Entry, ...] = ()
    ledger: Ledger = ()
    if past is not None:
        typed = (*past.typed, *typed_entries(past, typed_in_place(past)))
        ledger = past.ledger
    rows = _last_rows(
        folders, past, {e.id for e in (*answers, *typed) if e.locked and e.area is None}
    )
    # What is said of a stem was carried out before anything was heard.
    said = tuple(e for e in (*answers, *typed) if not _of_a_stem(e))
    rulings, findings = rulings_from(with_locked_rows(said, rows), rows)
    if past is not None:
        findings = (*findings, *_not_read_back(past))
    before = Recalled(
        ledger=(*ledger, *_known_from(answers, ledger)),
        rulings=rulings,
        last_rows=rows,
        place_locks=place_locks(said),
        roles_said=frozenset(
            e.area.stem for e in answers if e.area and e.override and e.override.role is not None
        ),
    )
    return Remembered(past=past, typed=typed, before=before, findings=findings)


def with_said_roles(opened: Opened, answers: tuple[Entry, ...]) -> Opened:
    """Put what people answered about stems in place of what the session file says, and say so."""
    in_file = {spec.code: spec for spec in opened.session.stems}
    specs, told = dict(in_file), []
    for entry in answers:
        said, spec = entry.override, specs.get(entry.area.stem if entry.area else "")
        if spec is None or said is None or not said.of_a_stem:
            continue
        several = spec.several_notes if said.several_notes is None else said.several_notes
        specs[spec.code] = replace(spec, role=said.role or spec.role, several_notes=several)
    for code, spec in specs.items():
        who = next(
            (e.by for e in answers[::-1] if _of_a_stem(e) and e.area and e.area.stem == code), ""
        )
        if spec.role != in_file[code].role:
            what = f"{code} is {spec.role}", f"says {in_file[code].role}"
        elif spec.several_notes != in_file[code].several_notes:
            count = "several notes sound" if spec.several_notes else "one note sounds"
            what = f"{count} at a time in {code}", "says otherwise"
        else:
            continue
        told.append(
            Finding(
                severity="note",
                what=f"{what[0]}, says {who or 'an answer'}; the session file {what[1]}.",
                did="Judged as answered.",
                advice="Write it into the session file when you next touch it.",
                stem=code,
            )
        )
    return replace(
        opened,
        session=replace(opened.session, stems=tuple(specs.values())),
        stems=tuple(replace(one, spec=specs[one.spec.code]) for one in opened.stems),
        takes=tuple(replace(one, spec=specs[one.spec.code]) for one in opened.takes),
        findings=(*opened.findings, *told),
    )


def _of_a_stem(entry: Entry) -> bool:
    return entry.override is not None and entry.override.of_a_stem


def typed_entries(
    past: PastPlan, columns: Mapping[str, HumanColumns], *, by: str = "", date: str = ""
) -> tuple[Entry, ...]:
    """Make answers of what was typed into the human columns of a plan's list."""
    rows = {row.id: row for row in past.rows}
    return tuple(
        with_human(
            entry_of(
                rows[row_id],
                plan=past.name,
                sha256=past.sha256_of.get(rows[row_id].stem, ""),
                source="sheet",
                by=by,
                date=date,
            ),
            human,
            past.written.get(row_id, BLANK),
        )
        for row_id, human in columns.items()
        if row_id in rows
    )


def _not_read_back(past: PastPlan) -> list[Finding]:
    """Numbers that somebody changed in the list itself: they are told, not passed over."""
    path = past.folder / CSV_NAME
    if not path.exists():
        return []
    return [
        Finding(
            severity="warning",
            what=f"{row_id}: {column} was changed to {cell or 'blank'} in {past.name}'s own list.",
            did="It was not read back: numbers and actions of a list are the planner's.",
            advice="Write it as an override into the answers file.",
            stem=row_id.rpartition("-")[0],
        )
        for row_id, column, cell in changed_numbers(path, past.rows)
    ]


def since_last(past: PastPlan | None, plan: Plan) -> Since | None:
    """Say what changed since the latest plan; None where there was none."""
    if past is None:
        return None
    missing, judged = (*past.missing, *plan.missing), {j.measured.id: j for j in plan.judged}
    return changes_since(past.name, past.rows, plan.rows, missing, judged)


def ledger_after(plan: Plan, ledger: Ledger) -> Ledger:
    """Give the ledger as it stands after a plan."""
    codes = [stem.code for stem in plan.stems]
    return with_rows(notes_from(plan.judged, ledger), plan.rows, codes)


def _last_rows(
    folders: tuple[Path, ...], past: PastPlan | None, locked: set[str]
) -> tuple[Row, ...]:
    """The rows of the last plan; locked rows of stems it left out as an earlier plan has them."""
    if past is None:
        return ()
    rows = list(past.rows)
    wanted = locked - {row.id for row in rows}
    for folder in folders[1:]:
        if not wanted or not past.missing:
            break
        found = [row for row in read_past_plan(folder).rows if row.id in wanted]
        rows += [row for row in found if row.stem in past.missing]
        wanted -= {row.id for row in found}
    return tuple(rows)


def _known_from(answers: tuple[Entry, ...], ledger: Ledger) -> list[Known]:
    """Notes that answers speak of and the ledger does not know: its plan was moved away."""
    known = {k.id for k in ledger}
    found: dict[str, Known] = {}
    for entry in answers:
        a_note = entry.id.rpartition("-")[0] == entry.stem != ""
        placed = entry.start_s is not None and entry.end_s is not None and entry.intended
        if entry.id not in known and a_note and placed:
            found[entry.id] = Known(
                id=entry.id, kind="note", stem=entry.stem, midi=parse_note(entry.intended),
                start_s=entry.start_s, end_s=entry.end_s,
            )  # fmt: skip
    return list(found.values())


# ------------------------------------------------- notes whose start and end were typed

# What was measured in a note stays as it was measured where it was heard.


def with_typed_spans(
    stems: Sequence[StemNotes], rulings: Rulings
) -> tuple[tuple[StemNotes, ...], tuple[Finding, ...]]:
    """Lay notes where people typed them, and say so beside where they were heard.

    A span is left out, and told, where the note is locked as it lies, where it shares no moment
    with the note as heard (its file was put together anew), ends after the file, or, of a stem in
    which one note sounds at a time, reaches into another note.
    """
    laid, said = [], []
    for stem in stems:
        notes = list(stem.notes)
        for index, one in enumerate(notes):
            ruling = rulings.get(one.id)
            override = ruling.override if ruling is not None else None
            if ruling is None or override is None or override.span_s is None:
                continue
            note = _laid(one.note, override.span_s)
            others = (*notes[:index], *notes[index + 1 :])
            why = _why_not(one, note, stem, ruling, others)
            said.append(_span_finding(one, note, ruling, why))
            if not why:
                notes[index] = replace(one, note=note)
        laid.append(replace(stem, notes=tuple(notes)))
    return tuple(laid), tuple(said)


def _laid(note: Note, span_s: tuple[float, float]) -> Note:
    sr = round(note.end_smp / note.end_s)
    first, last = (seconds_to_smp(at_s, sr) for at_s in span_s)
    start_s, end_s = smp_to_seconds(first, sr), smp_to_seconds(last, sr)
    return replace(note, start_s=start_s, end_s=end_s, start_smp=first, end_smp=last)


def _why_not(
    one: MeasuredNote, note: Note, stem: StemNotes, ruling: Ruling, others: Sequence[MeasuredNote]
) -> str:
    """Why a note cannot lie where it was typed; nothing where it can."""
    if ruling.frozen is not None:
        return f"{one.id} is locked as it lies"
    if note.end_s <= one.note.start_s or note.start_s >= one.note.end_s:
        return "nothing of the note sounds there now"
    if stem.facts is not None and note.end_smp > stem.facts.frames:
        return "its file ends before that"
    for other in () if is_chordal(stem) else others:
        if other.note.start_s < note.end_s and note.start_s < other.note.end_s:
            return f"{other.id} sounds there"
    return ""


def _span_finding(one: MeasuredNote, note: Note, ruling: Ruling, why: str) -> Finding:
    said = f"{one.id} lies from {note.start_s:.3f} to {note.end_s:.3f} s, says {ruling.who}"
    heard = f"heard from {one.note.start_s:.3f} to {one.note.end_s:.3f} s"
    return Finding(
        severity="warning" if why else "note",
        what=f"{said}; {heard}." if not why else f"{said}, but {why}; {heard}.",
        did="Left where it was heard." if why else "Laid there; its pitch is that heard.",
        advice="Type the span anew, in seconds of the file as it is now." if why else "",
        stem=one.note.stem,
        at_s=one.note.start_s,
    )
