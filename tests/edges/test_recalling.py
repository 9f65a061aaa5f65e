"""What earlier runs left, brought together for a new one."""

from dataclasses import replace
from pathlib import Path

import pytest

from planner.answer.answers import Entry, HumanColumns, Override, Ruling
from planner.edges.opening import Opened
from planner.edges.recalling import (
    Remembered,
    answers_of,
    ledger_after,
    remember,
    since_last,
    typed_entries,
    with_typed_spans,
)
from planner.files.answers_file import answers_path, append_answers
from planner.model import MeasuredNote, Measurement, Note, Role, StemNotes
from planner.words.plan_model import Plan, Row
from tests.files.test_past_plans import TYPED, written
from tests.invented_plan import plan


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    """The invented session, without its audio."""
    return Opened(
        session=plan().session, path=tmp_path / "song.yaml", stems=(), linked=(), missing=(),
        findings=(),
    )  # fmt: skip


def remembered(opened: Opened, folder: Path) -> Remembered:
    return remember(opened, folder, answers_of(opened, folder))


def made(*, song: str | None = None) -> Plan:
    whole = plan()
    return whole if song is None else replace(whole, session=replace(whole.session, song=song))


def test_the_first_run_remembers_nothing(opened: Opened, tmp_path: Path) -> None:
    """Without plans and answers everything is empty, and nothing is compared."""
    found = remembered(opened, tmp_path)
    assert (found.past, found.typed) == (None, ())
    assert (found.before.ledger, dict(found.before.rulings)) == ((), {})
    assert found.findings == ()
    assert since_last(None, plan()) is None


def test_the_latest_plan_and_all_answers(opened: Opened, tmp_path: Path) -> None:
    """Typed entries of earlier plans, cells typed in place, and the answers file come together."""
    written(tmp_path, 1)
    folder = written(tmp_path, 2, typed=(TYPED,))
    path = folder / "edit_list.csv"
    path.write_bytes(path.read_bytes().replace(b",approved,engineer", b",refused,engineer"))
    answer = Entry(id="LV-0153", answer="ask", by="p", plan="plan_01", source="reply")
    append_answers(answers_path(opened.path, tmp_path), "x", [answer], audio=())
    found = remembered(opened, tmp_path)
    assert found.past is not None
    assert found.past.name == "plan_02"
    assert {i: r.state for i, r in found.before.rulings.items()} == {
        "LV-0153": "parked", "LV-0147": "parked", "R-001": "refused",
    }  # fmt: skip
    assert [e.id for e in found.typed] == ["LV-0147", "R-001"]
    assert "LV-0153" in found.before.rulings
    assert found.recalled(found.before.ledger).last_rows == found.past.rows


def test_a_lock_outlives_a_run_without_its_stem(opened: Opened, tmp_path: Path) -> None:
    """What a lock freezes is looked up in an earlier plan where the last one left the stem out."""
    written(tmp_path, 1)
    fewer = plan(rows=tuple(r for r in plan().rows if r.stem != "LV"), missing=("LV",))
    written(tmp_path, 2, fewer)
    lock = Entry(id="LV-0147", state="approved", locked=True, stem="LV", plan="plan_01")
    append_answers(answers_path(opened.path, tmp_path), "x", [lock], audio=())
    frozen = remembered(opened, tmp_path).before.rulings["LV-0147"].frozen
    assert frozen is not None
    assert (frozen.id, frozen.add_cents) == ("LV-0147", 16.0)


def test_plans_of_another_song_are_no_plans(opened: Opened, tmp_path: Path) -> None:
    """Two songs may share a folder of plans."""
    written(tmp_path, 1, made(song="Another"))
    assert remembered(opened, tmp_path).past is None


def test_answers_alone_know_their_notes(opened: Opened, tmp_path: Path) -> None:
    """Where the plan folder was moved away, the place in the answer is enough to find the note."""
    answer = Entry(
        id="LV-0147", answer="no", stem="LV", start_s=84.7826, end_s=86.1826, intended="D5"
    )
    rule = Entry(id="R-001", answer="no", stem="BAS", start_s=0.0, end_s=9.0)
    append_answers(answers_path(opened.path, tmp_path), "x", [answer, rule], audio=())
    (known,) = remembered(opened, tmp_path).before.ledger
    assert (known.id, known.midi, known.start_s) == ("LV-0147", 74, 84.7826)


def test_cells_of_rows_that_are_not_there_are_passed_over(opened: Opened, tmp_path: Path) -> None:
    """Only rows of the plan can be typed into; who fills a list in may be named by the command."""
    written(tmp_path, 1)
    past = remembered(opened, tmp_path).past
    assert past is not None
    cells = dict.fromkeys(("XX-1", "LV-0147"), HumanColumns(state="done"))
    (entry,) = typed_entries(past, cells, by="ed", date="2026-11-25")
    assert (entry.id, entry.state, entry.by, entry.date, entry.plan) == (
        "LV-0147", "done", "ed", "2026-11-25", "plan_01",
    )  # fmt: skip


def test_what_is_left_out_is_not_compared(opened: Opened, tmp_path: Path) -> None:
    """A stem missing in either plan is no difference between them."""
    written(tmp_path, 1)
    past = remembered(opened, tmp_path).past
    assert past is not None
    fewer = plan(rows=tuple(r for r in plan().rows if r.stem != "BAS"), missing=("BAS",))
    since = since_last(past, fewer)
    assert since is not None
    assert (since.gone, since.new) == ((), ())


def test_the_ledger_after_a_plan_has_its_rows() -> None:
    """Rules and questions of the plan are in the ledger; notes are there already."""
    kinds = {k.id: k.kind for k in ledger_after(plan(), ())}
    assert kinds["R-001"] == "rule"
    assert kinds["Q-001"] == "question"
    assert "LV-0147" not in kinds


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
