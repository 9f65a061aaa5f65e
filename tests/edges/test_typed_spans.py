"""Notes lie where a person typed them, unless they cannot."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.answer.answers import Entry, Override, Ruling
from planner.edges.typed_spans import with_typed_spans
from planner.model import MeasuredNote, Measurement, Note, Role, StemNotes
from planner.words.plan_model import Row

SR = 48_000
FROZEN = Row(
    id="LV-0001", kind="note", stem="LV", apply_to=(), action="raise-lower", covers=("LV-0001",),
    rule_name="note off", reason="12 flat", start_s=1.0, end_s=2.0,
)  # fmt: skip


def note(note_id: str, start_s: float, end_s: float) -> MeasuredNote:
    one = Note(
        stem="LV", start_s=start_s, end_s=end_s, start_smp=round(start_s * SR),
        end_smp=round(end_s * SR), pitch_hz=220.0, strength=0.9, pitched_share=1.0,
        level_db=-20.0, begins="soft",
    )  # fmt: skip
    return MeasuredNote(id=note_id, note=one, measurement=Measurement(sustain_hz=221.0))


def laid(span_s: tuple[float, float], role: Role = "lead-voice") -> tuple[MeasuredNote, str]:
    """Type a span of the first of two notes: at 1 to 2 s, and at 2 to 3 s."""
    stem = StemNotes(
        code="LV",
        role=role,
        facts=None,
        notes=(note("LV-0001", 1.0, 2.0), note("LV-0002", 2.0, 3.0)),
    )
    entry = Entry(id="LV-0001", override=Override(span_s=span_s), by="Ed")
    ruling = Ruling(id="LV-0001", by="Ed", override=entry.override, entry=entry)
    (stem,), (said,) = with_typed_spans([stem], {"LV-0001": ruling})
    return stem.notes[0], said.what


def test_it_lies_where_it_was_typed() -> None:
    """In samples and seconds alike; its measurement stays, and both spans are told."""
    one, said = laid((1.2, 1.9001))
    assert (one.note.start_smp, one.note.end_smp) == (57_600, 91_205)
    assert one.note.end_s == 91_205 / SR
    assert one.measurement.sustain_hz == 221.0
    assert said == ("LV-0001 lies from 1.200 to 1.900 s, says Ed; heard from 1.000 to 2.000 s.")


@pytest.mark.parametrize(
    ("span_s", "why"),
    [((2.0, 2.5), "nothing of the note sounds there now"), ((1.5, 2.1), "LV-0002 sounds there")],
)
def test_it_stays_where_it_cannot_lie_elsewhere(span_s: tuple[float, float], why: str) -> None:
    """A file put together anew, or a span that reaches into the next note."""
    one, said = laid(span_s)
    assert one.note == note("LV-0001", 1.0, 2.0).note
    assert f", but {why}; heard from 1.000 to 2.000 s." in said


def test_notes_of_chords_may_overlap() -> None:
    """Of a guitar's strums several sound at once."""
    assert laid((1.5, 2.1), "fretted-chords")[0].note.end_s == 2.1


def test_a_locked_note_lies_as_it_is_locked() -> None:
    """Locks go before what is typed."""
    stem = StemNotes(code="LV", role="lead-voice", facts=None, notes=(note("LV-0001", 1.0, 2.0),))
    entry = Entry(id="LV-0001", override=Override(span_s=(1.2, 1.9)), by="Ed")
    ruling = Ruling(id="LV-0001", by="Ed", override=entry.override, entry=entry)
    (free,), _ = with_typed_spans([stem], {"LV-0001": ruling})
    assert free.notes[0].note.start_s == 1.2
    frozen = replace(ruling, locked=True, frozen=FROZEN)
    (held,), (said,) = with_typed_spans([stem], {"LV-0001": frozen})
    assert held == stem
    assert "but LV-0001 is locked as it lies" in said.what
