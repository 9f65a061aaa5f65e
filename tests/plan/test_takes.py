"""Notes of other takes: found beside the stem's, and proposed only where clearly better."""

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile
import yaml

from planner.cli import main
from planner.demo.driven import DrivenNote, DrivenSound, phrase
from planner.demo.tones import SR, mix
from planner.edges.writing import Form
from planner.files.edit_list import read_edit_list_csv, read_edit_list_yaml
from planner.model import Finding, MeasuredNote, Role, SessionA4
from planner.pitch import cents, midi_to_hz, shift_hz
from planner.plan.takes import TakeHeard, may_borrow
from planner.run import plan_session
from planner.words.plan_model import Plan, Row
from planner.words.session_model import ProtectedSpan, Session, StemSpec, Take
from tests.deciding import line, made_of, note, stem

A4 = SessionA4(a4_hz=440.0, found_from="typed")
TUNE = [62, 64, 66, 67, 69, 71, 69, 67, 66, 64, 62, 66, 69, 74, 71, 69]


def sung(errors: dict[int, float], **fields: Any) -> list[MeasuredNote]:
    """The tune in notes of 0.8 s, in tune but for some notes (0-based) in cents."""
    return line("LV", TUNE, [errors.get(k, 0.0) for k in range(len(TUNE))], **fields)


def heard(notes: list[MeasuredNote], **take: Any) -> TakeHeard:
    """What was heard of a take whose file holds these notes."""
    made = Take(**{"file": "takes/lv_t2.wav", "label": "take 2", **take})
    return TakeHeard(stem="LV", take=made, notes=tuple((n.note, n.measurement) for n in notes))


def planned(notes: list[MeasuredNote], *takes: TakeHeard, **fields: Any) -> Plan:
    """The plan of one voice with its takes."""
    spec = StemSpec(code="LV", file="lv.wav", role="lead-voice", **fields)
    return made_of(
        Session(song="Invented", stems=(spec,)), (stem("LV", "lead-voice", notes),), takes=takes
    )


def row_of(plan: Plan, note_id: str) -> Row | None:
    """The row of a note, if it has one."""
    return next((row for row in plan.rows if note_id in row.covers), None)


def shifted(notes: list[MeasuredNote], by_s: float) -> list[MeasuredNote]:
    """The same notes later, in samples too."""
    return [
        replace(
            n,
            note=replace(
                n.note, start_s=n.note.start_s + by_s, end_s=n.note.end_s + by_s,
                start_smp=n.note.start_smp + round(by_s * 48000),
                end_smp=n.note.end_smp + round(by_s * 48000),
            ),
        )
        for n in notes
    ]  # fmt: skip


def test_a_note_too_far_off_is_borrowed() -> None:
    """45 cents off is nobody's to move: the take that has it in tune is named with its span."""
    plan = planned(sung({5: -45.0}), heard(shifted(sung({5: 2.0}), 0.1)))
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert (row.kind, row.action, row.add_cents, row.points) == ("note", "other-take", None, ())
    assert (row.take_file, row.take_start_s, row.take_end_s) == (
        "takes/lv_t2.wav", pytest.approx(4.6), pytest.approx(5.4),
    )  # fmt: skip
    assert (row.take_start_smp, row.take_end_smp) == (220800, 259200)
    assert (row.take_heard_cents, row.remaining_cents) == (pytest.approx(2.0), 2.0)
    assert row.in_words == "borrow take 2, 4.60 to 5.40 s"
    assert row.reason == (
        "45 flat, between two notes; take 2 has the same note 2 sharp, give or take 1, from 4.60 "
        "to 5.40 s of takes/lv_t2.wav: borrow it"
    )


def test_without_takes_it_stays_a_question() -> None:
    """The same note without another take is asked about."""
    row = row_of(planned(sung({5: -45.0})), "LV-0006")
    assert row is not None
    assert (row.kind, row.action) == ("question", "ask")


@pytest.mark.parametrize(
    ("take_cents", "borrowed"), [(5.0, True), (-5.0, True), (5.1, False), (-20.0, False)]
)
def test_it_must_be_in_tune_itself(take_cents: float, borrowed: bool) -> None:
    """Within 5 cents of its target, or it needs an edit of its own."""
    row = row_of(planned(sung({5: -45.0}), heard(sung({5: take_cents}))), "LV-0006")
    assert row is not None
    assert (row.action == "other-take") == borrowed


@pytest.mark.parametrize(("off", "action"), [(25.0, "raise-lower"), (28.0, "other-take")])
def test_an_edit_is_preferred_unless_it_is_large(off: float, action: str) -> None:
    """An exposed note is borrowed from an edit of 20 cents on (what is left in counts as well)."""
    row = row_of(planned(sung({5: off}), heard(sung({}))), "LV-0006")
    assert row is not None
    assert row.action == action
    if action == "other-take":
        assert "or lower by 21" in row.reason
        assert "28 sharp where it is exposed, and a large edit is heard" in row.reason


@pytest.mark.parametrize(("length_s", "borrowed"), [(0.6, True), (0.5, False)])
def test_its_length_must_be_like(length_s: float, borrowed: bool) -> None:
    """A note of less than seven tenths leaves a hole."""
    take = sung({})
    take[5] = note("T-0006", TUNE[5], 0.0, start_s=take[5].note.start_s, length_s=length_s)
    row = row_of(planned(sung({5: -45.0}), heard(take)), "LV-0006")
    assert row is not None
    assert (row.action == "other-take") == borrowed


@pytest.mark.parametrize(
    ("louder_db", "said"), [(2.0, ""), (3.0, "3 dB louder there, so match its level"), (6.5, None)]
)
def test_level_is_told_and_another_dynamic_is_left(louder_db: float, said: str | None) -> None:
    """Level counts beyond what the takes differ by as a whole, here 10 dB."""
    take = sung({}, level_db=-30.0)
    take[5] = note(
        "T-0006", TUNE[5], 0.0, start_s=take[5].note.start_s, length_s=0.8,
        level_db=-30.0 + louder_db,
    )  # fmt: skip
    row = row_of(planned(sung({5: -45.0}), heard(take)), "LV-0006")
    assert row is not None
    assert (row.action == "other-take") == (said is not None)
    if said is not None:
        assert ("dB" in row.reason) == bool(said)
        assert said in row.reason


@pytest.mark.parametrize(
    "measured",
    [
        {"confidence": "shaky"},
        {"vibrato_hz": 2.0, "vibrato_half_cents": 30.0},
        {"uncertainty": 30.0},
        {"uncertainty": None},
    ],
)
def test_an_unsure_or_wobbling_note_stands_in_for_none(measured: dict[str, Any]) -> None:
    """What is read unsurely, or wobbles, is not clearly better."""
    take = sung({})
    take[5] = note("T-0006", TUNE[5], 0.0, start_s=take[5].note.start_s, length_s=0.8, **measured)
    row = row_of(planned(sung({5: -45.0}), heard(take)), "LV-0006")
    assert row is not None
    assert row.action == "ask"


def test_the_better_of_two_takes_is_named() -> None:
    """Of several takes the one nearest to its target, whatever their order."""
    third = {"file": "takes/lv_t3.wav", "label": "take 3", "quality": "good"}
    plan = planned(
        sung({5: -45.0}), heard(sung({5: 4.0})), heard(sung({5: -1.0}), **third)
    )  # fmt: skip
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert row.take_file == "takes/lv_t3.wav"
    assert "take 3 (good) has the same note 1 flat" in row.reason


def test_rules_cover_a_borrowed_note_too() -> None:
    """A part that is raised as a whole raises what is borrowed: a take that sits low with it."""
    low = dict.fromkeys(range(len(TUNE)), -12.0)
    plan = planned(sung(low | {5: -45.0}), heard(sung(low | {5: -11.0})))
    rule = next(row for row in plan.rows if row.kind == "rule")
    row = row_of(plan, "LV-0006")
    assert row is not None
    row = next(r for r in plan.rows if r.id == "LV-0006")
    assert row.action == "other-take"
    assert row.take_heard_cents == pytest.approx(-11.0)
    assert row.remaining_cents == pytest.approx(-11.0 + (rule.add_cents or 0.0), abs=0.05)
    assert row.in_words.endswith(f", after {rule.id}")


def test_it_counts_as_an_edit_and_is_ranked() -> None:
    """Borrowing takes a person's time: it is counted, and the producer's list names it."""
    plan = planned(sung({5: -45.0}), heard(sung({})))
    assert [o.row_id for o in plan.offenders] == ["LV-0006"]
    assert plan.offenders[0].fix == "borrow take 2, 4.50 to 5.30 s"
    assert plan.stems[0].edits == 1


def test_a_take_that_starts_elsewhere_is_asked_about() -> None:
    """Takes start where their stem starts; others are asked about."""
    take = shifted(sung({5: 1.0}), 4.0)
    plan = planned(sung({5: -45.0}), heard(take))
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert row.action == "ask"
    asked = told(plan, "question")
    assert asked.what == (
        "The notes of take 2 of LV lie 4.00 s later than the stem's: does its file start elsewhere?"
    )
    assert asked.advice.startswith("If so, write late_by_ms: -4000 beside the take's file")
    plan = planned(sung({5: -45.0}), heard(take, late_by_ms=-4000.0))
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert (row.action, row.take_start_s) == ("other-take", pytest.approx(8.5))


def test_another_song_is_no_take() -> None:
    """A take that does not agree with the stem is not used."""
    rng = np.random.default_rng(3)
    other = line("LV", [int(m) for m in rng.integers(55, 80, len(TUNE))], [0.0] * len(TUNE))
    plan = planned(sung({5: -45.0}), heard(other))
    said = told(plan, "warning")
    assert "agree with the stem." in said.what
    assert said.did == "It was not used: it does not seem to be the same part."
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert row.action == "ask"


def test_a_take_sung_freely_is_followed() -> None:
    """A take without a click, 8 % slower: the same notes are found in it."""
    slower = [
        note(f"T-{k:04d}", m, 0.0, start_s=0.97 * k, length_s=0.86) for k, m in enumerate(TUNE)
    ]
    plan = planned(sung({9: 40.0}), heard(slower))
    row = row_of(plan, "LV-0010")
    assert row is not None
    assert (row.action, row.take_start_s) == ("other-take", pytest.approx(8.73))


def test_linked_files_need_theirs() -> None:
    """A DI without its amp would be half a note."""
    plan = planned(sung({5: -45.0}), heard(sung({})), linked=("lv_room.wav",))
    row = row_of(plan, "LV-0006")
    assert row is not None
    assert row.reason.endswith("borrow it; the linked file needs the same of its own take")


def test_protected_notes_are_left() -> None:
    """What nobody may touch is not borrowed either."""
    span = ProtectedSpan(from_s=4.0, to_s=6.0, why="meant so", who="singer")
    plan = planned(sung({5: -45.0}), heard(sung({})), do_not_touch=(span,))
    assert row_of(plan, "LV-0006") is None


def test_only_single_lines_borrow() -> None:
    """Chords, references and samples have no single notes to borrow."""
    lines: tuple[Role, ...] = ("lead-voice", "fretted", "bowed", "brass")
    others: tuple[Role, ...] = (
        "fretted-chords", "tuning-reference", "sampled", "drum-tones", "exclude",
    )  # fmt: skip
    for role in (*lines, *others):
        spec = StemSpec(code="A", file="a.wav", role=role)
        assert may_borrow(spec) == (role in lines)
        assert not may_borrow(replace(spec, several_notes=True))


def test_its_target_is_the_stems() -> None:
    """The take's error is against the stem's own target."""
    plan = planned(sung({5: -45.0}), heard(sung({5: 3.0})))
    row = row_of(plan, "LV-0006")
    judged = next(j for j in plan.judged if j.measured.id == "LV-0006")
    assert row is not None
    assert judged.take is not None
    assert row.target_hz is not None
    assert cents(judged.take.heard_hz, row.target_hz) == pytest.approx(row.take_heard_cents)


def told(plan: Plan, severity: str) -> Finding:
    """The one finding of a severity."""
    (found,) = [f for f in plan.findings if f.severity == severity]
    return found


# ---------------------------------------------------------------- sound, files, the whole run


def write_take(path: Path, errors: dict[int, float], later_s: float = 0.0) -> None:
    """Write a sung take of the tune, 0.6 s a note, some of them off by cents."""
    rng = np.random.default_rng(11)
    sound = DrivenSound(consonant_db=None)
    notes = [
        (
            0.5 + later_s + 0.75 * k,
            phrase(
                [DrivenNote(f1_hz=shift_hz(midi_to_hz(m), errors.get(k, 0.0)), length_s=0.6)],
                sound, rng,
            ),
        )
        for k, m in enumerate(TUNE)
    ]  # fmt: skip
    samples = mix(notes, 14.0).samples
    path.parent.mkdir(exist_ok=True)
    level = 0.3 / np.abs(samples).max()
    samples = level * samples + 1e-4 * rng.standard_normal(len(samples))
    soundfile.write(path, samples, SR, subtype="PCM_24")


SESSION = """\
version: 1
song: Weir Lane
audio_folder: stems
pitch_reference: {a4_hz: 440.0}
tempo_map: [{bar: 1, bpm: 80, meter: 4/4}]
stems:
  - code: LV
    file: lead.wav
    role: lead-voice
    takes: [{file: takes/lead_t2.wav, label: take 2, quality: good}]
"""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A voice with one note 46 cents flat, and a take that has that note 2 sharp, 0.11 s later."""
    folder = tmp_path_factory.mktemp("job")
    write_take(folder / "stems" / "lead.wav", {8: -46.0})
    (folder / "stems" / "takes").mkdir()
    write_take(folder / "stems" / "takes" / "lead_t2.wav", {8: 2.0, 3: 30.0}, later_s=0.11)
    path = folder / "session.yaml"
    path.write_text(SESSION)
    return path


@pytest.fixture(scope="module")
def folder(job: Path) -> Path:
    """Its plan."""
    before = {p: p.read_bytes() for p in job.parent.rglob("*.wav")}
    assert main(["plan", str(job), "--quiet"]) in (0, 1)
    assert {p: p.read_bytes() for p in job.parent.rglob("*.wav")} == before
    return job.parent / "plan_01"


def test_the_lists_carry_the_span_in_the_take(folder: Path) -> None:
    """YAML and CSV name the take's file and where in it the note lies, to 20 ms."""
    for edit_list in (
        read_edit_list_yaml(folder / "edit_list.yaml"),
        read_edit_list_csv(folder / "edit_list.csv"),
    ):
        (row,) = [r for r in edit_list.rows if r.action == "other-take"]
        assert (row.take_file, row.kind, row.confidence) == ("takes/lead_t2.wav", "note", "firm")
        assert row.take_start_s == pytest.approx(0.61 + 0.75 * 8, abs=0.02)
        assert row.take_end_s == pytest.approx(1.21 + 0.75 * 8, abs=0.06)
        assert row.take_start_smp == pytest.approx((row.take_start_s or 0) * SR, abs=1)
        assert row.take_heard_cents == pytest.approx(2.0, abs=1.0)
        assert row.heard_cents == pytest.approx(-46.0, abs=1.5)
        assert "take 2 (good) has the same note" in row.reason


def test_the_other_outputs_name_it_too(folder: Path) -> None:
    """Guide marker, producer's list, page, hand-off sheet and notes table."""
    (row,) = [
        r for r in read_edit_list_yaml(folder / "edit_list.yaml").rows if r.action == "other-take"
    ]
    markers = [
        m.text for t in mido.MidiFile(folder / "guide.mid").tracks for m in t if m.type == "marker"
    ]
    assert f"{row.id} other-take" in markers
    assert "Fix: borrow take 2" in (folder / "offenders.md").read_text(encoding="utf-8")
    assert "Borrow take 2" in (folder / "review.html").read_text(encoding="utf-8")
    assert "edit list: [  ] LV 1." in (folder / "hand_off.md").read_text(encoding="utf-8")
    with (folder / "notes.csv").open(encoding="utf-8", newline="") as file:
        actions = {line["id"]: line["action"] for line in csv.DictReader(file)}
    assert actions[row.id] == "other-take"


def test_the_run_record_has_the_takes_sum(folder: Path, job: Path) -> None:
    """What was borrowed from is named with its SHA-256, as sha256sum gives it."""
    import hashlib

    record = yaml.safe_load((folder / "run.yaml").read_text(encoding="utf-8"))
    data = (job.parent / "stems" / "takes" / "lead_t2.wav").read_bytes()
    assert record["other_files"] == [
        {
            "use": "take",
            "stem": "LV",
            "file": "takes/lead_t2.wav",
            "sha256": hashlib.sha256(data).hexdigest(),
        }
    ]


def test_half_of_a_borrowed_note_is_nothing(
    job: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """There is no half of another take, and no is leaving the note."""
    assert folder.exists()
    (row,) = [
        r for r in read_edit_list_yaml(folder / "edit_list.yaml").rows if r.action == "other-take"
    ]
    assert main(["answer", str(job), f"{row.id} half"]) == 2
    out = capsys.readouterr()
    assert f"{row.id} moves nothing, so there is no half of it" in out.out + out.err


def test_a_take_that_is_not_there_is_told(tmp_path: Path, job: Path) -> None:
    """A wrong name stops the run with the place to mend; --keep-going goes on without it."""
    path = job.parent / "other.yaml"
    path.write_text(SESSION.replace("takes/lead_t2.wav", "takes/lead_t3.wav"))
    with pytest.raises(Exception, match="lead_t3") as caught:
        plan_session(path, out=tmp_path)
    assert "stem LV" in str(caught.value)
    made = plan_session(path, out=tmp_path, keep_going=True, form=Form(page_sound=False)).plan
    (lost,) = [f for f in made.findings if "take 2 of LV could not be used" in f.what]
    assert lost.did == "It was left out."


def test_takes_of_chords_are_told(tmp_path: Path, job: Path) -> None:
    """A chord part's takes are not listened to, and that is said."""
    path = job.parent / "chords.yaml"
    path.write_text(SESSION.replace("lead-voice", "fretted-chords"))
    made = plan_session(path, out=tmp_path, form=Form(page_sound=False)).plan
    (told,) = [f for f in made.findings if "notes are borrowed in single lines" in f.what]
    assert told.did == "The takes were not listened to."
    assert made.sources == ()


def test_no_plan_goes_among_the_takes(job: Path) -> None:
    """The takes' folder is audio: plans stay out of it."""
    with pytest.raises(Exception, match="audio"):
        plan_session(job, out=job.parent / "stems" / "takes")


def test_no_leaves_the_note_and_yes_stays(job: Path, tmp_path: Path) -> None:
    """A refused borrowing is left where it is, with the planner's own word; an approval goes on."""
    out = tmp_path / "plans"
    first = plan_session(job, out=out, form=Form(page_sound=False)).plan
    (row,) = [r for r in first.rows if r.action == "other-take"]
    assert main(["answer", str(job), f"{row.id} yes", "--by", "producer", "--out", str(out)]) == 0
    again = plan_session(job, out=out, form=Form(page_sound=False)).plan
    (row,) = [r for r in again.rows if r.action == "other-take"]
    assert row.state == "approved"
    assert main(["answer", str(job), f"{row.id} no", "--by", "producer", "--out", str(out)]) == 0
    left = plan_session(job, out=out, form=Form(page_sound=False)).plan
    (row,) = [r for r in left.rows if r.id == row.id]
    assert (row.action, row.state, row.take_file) == ("leave", "refused", "")
    assert row.reason.startswith("refused by producer; the planner says other-take: ")
