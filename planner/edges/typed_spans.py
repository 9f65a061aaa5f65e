"""Notes whose start and end a person typed: they lie there, in lists, guide and clashes.

What was measured in a note stays as it was measured where it was heard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from planner.answer.answers import Ruling, Rulings
from planner.model import Finding, MeasuredNote, Note, StemNotes
from planner.timeline import seconds_to_smp, smp_to_seconds
from planner.words.roles import is_chordal


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
    one: MeasuredNote,
    note: Note,
    stem: StemNotes,
    ruling: Ruling,
    others: Sequence[MeasuredNote],
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
