"""Corrected bounces against a plan, through the command line, on tones with exact truth.

Bounces are rendered anew from the corrected truth, so that no recording is processed anywhere.
"""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml

from planner.demo import song
from planner.demo.tones import SR
from planner.pitch import shift_hz
from tests.edges.test_answering import (
    GUITAR,
    HIGH,
    HIGH_TOO,
    LOW,
    files,
    main,
    row,
    rows,
    run,
    table,
    write_stem,
)
from tests.edges.test_answering import job as job
from tests.edges.test_answering import planned as planned

AT = {HIGH: 2, LOW: 4, HIGH_TOO: 6}  # places of the planned notes in the guitar's line


def bounced(job: Path, name: str = "guitar_fix.wav", late_s: float = 0.0, **shares: float) -> Path:
    """Render the guitar with these shares of the planned moves; `more` moves an untouched note."""
    notes = list(GUITAR)
    more = shares.pop("more", 0.0)
    for row_id, place in AT.items():
        midi, off = notes[place]
        share = shares.get(row_id.replace("-", "_"), 1.0)
        notes[place] = (midi, off + share * row(job, 1, row_id)["add_cents"])
    notes[3] = (notes[3][0], notes[3][1] + more)
    folder = job / "bounces"
    folder.mkdir(exist_ok=True)
    write_stem(folder / name, tuple(notes), late_s=late_s)
    return folder


def check(job: Path, *more: str) -> int:
    return main(["check", str(job / "session.yaml"), "--bounces", str(job / "bounces"),
                 "--quiet", "--jobs", "1", *more])  # fmt: skip


def told(job: Path, number: int = 1) -> dict[str, Any]:
    path = job / f"check_{number:02d}" / "check.yaml"
    found: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return found


def verdicts(job: Path, number: int = 1) -> dict[str, str]:
    return {r["id"]: r["verdict"] for r in told(job, number)["rows"]}


def test_everything_as_planned(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All rows done, nothing else moved: exit 0; nothing that was there is touched."""
    bounced(job)
    before = files(job)
    assert check(job) == 0
    said = capsys.readouterr().out
    assert "3 rows of plan_01: 3 done." in said
    assert (
        "All done as planned, and nothing else moved: outside the edits it is the same sound."
        in said
    )
    assert set(verdicts(job).values()) == {"done"}
    for one in told(job)["rows"]:
        # The tones are exact and the readings of them good to a cent.
        assert one["got_cents"] == pytest.approx(one["wanted_cents"], abs=1.0)
    assert {k: v for k, v in files(job).items() if not k.startswith("check_")} == before
    assert check(job) == 0
    for name in ("check.md", "check.csv", "check.yaml"):
        assert (job / "check_01" / name).read_bytes() == (job / "check_02" / name).read_bytes()


def test_one_left_undone_one_overdone_one_the_wrong_way(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each is told by its name, and so is a note that moved without a row."""
    bounced(job, EGL_0003=0.0, EGL_0005=1.5, EGL_0007=-1.0, more=11.0)
    assert check(job) == 1
    said = capsys.readouterr().out
    assert verdicts(job) == {HIGH: "not done", LOW: "overdone", HIGH_TOO: "wrong way"}
    assert "1 note moved that no row asks for." in said
    moved = told(job)["moved"]
    assert [(m["id"], m["rules"]) for m in moved] == [("EGL-0004", [])]
    assert moved[0]["moved_cents"] == pytest.approx(11.0, abs=1.0)
    sheet = (job / "check_01" / "check.md").read_text(encoding="utf-8")
    assert "- EGL-0004, at 2.90 s: moved 11 up, not in the plan" in sheet
    states = {r["id"]: r["state"] for r in table(job / "check_01" / "check.csv")}
    assert states == {HIGH: "not-done", LOW: "not-done", HIGH_TOO: "not-done"}


def test_half_done_and_done_twice(job: Path) -> None:
    """Half of a move and twice a move have names of their own."""
    bounced(job, EGL_0003=0.5, EGL_0005=2.0)
    assert check(job) == 1
    assert verdicts(job) == {HIGH: "half done", LOW: "done twice", HIGH_TOO: "done"}


def test_a_delay_is_told_and_hides_nothing(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """512 samples late throughout: said as a delay and a length; rows are judged all the same."""
    bounced(job, late_s=512 / 48000, EGL_0003=0.0)
    assert check(job) == 1
    said = capsys.readouterr().out
    assert "EGL: 512 samples (10.67 ms) late throughout: a delay was not made up for." in said
    assert "EGL: longer by 512 samples (0.011 s)." in said
    assert verdicts(job) == {HIGH: "not done", LOW: "done", HIGH_TOO: "done"}


def test_a_file_of_another_bar(job: Path) -> None:
    """A bounce that begins a bar later is found by the shift that most notes share."""
    bounced(job, late_s=2.4)
    assert check(job) == 1
    assert set(verdicts(job).values()) == {"done"}
    assert told(job)["stems"][0]["late_s"] == pytest.approx(2.4, abs=0.002)


def test_the_answers_take_what_was_checked(job: Path) -> None:
    """The check's CSV is read in as a list: rows become checked or not-done."""
    bounced(job, EGL_0003=0.0)
    assert check(job) == 1
    assert run("answer", job, str(job / "check_01" / "check.csv"), "--by", "Desk") == 0
    assert run("plan", job) in (0, 1)
    assert [row(job, 2, one)["state"] for one in (HIGH, LOW)] == ["not-done", "checked"]


def test_a_check_speaks_of_the_plan_that_was_checked(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A later plan asks for another move: what was checked is not taken for that one."""
    bounced(job, EGL_0003=0.0)
    assert check(job) == 1
    assert run("answer", job, f"{LOW} half") == 0
    assert run("plan", job) in (0, 1)
    moved = shutil.copy(job / "check_01" / "check.csv", job / "sent_on.csv")
    capsys.readouterr()
    assert run("answer", job, str(moved)) == 0
    assert "plan_01, as understood:" in capsys.readouterr().out
    stored = yaml.safe_load((job / "session.answers.yaml").read_text(encoding="utf-8"))["answers"]
    (last,) = [a for a in stored if a["id"] == LOW and a.get("state") == "checked"]
    assert last["plan"] == "plan_01"
    assert last["add_cents"] == row(job, 1, LOW)["add_cents"]


def test_an_original_that_changed_is_said_first(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 3, in the first line, loud."""
    bounced(job)
    write_stem(job / "audio" / "guitar.wav", GUITAR[:7])
    assert check(job) == 3
    assert capsys.readouterr().out.startswith("AN ORIGINAL HAS CHANGED SINCE THE PLAN: EGL.")


def test_a_linked_file_that_stayed_behind(tmp_path: Path) -> None:
    """The amp was not moved with the DI, or is missing: both are said."""
    job = tmp_path / "job"
    (job / "audio").mkdir(parents=True)
    for name in ("guitar.wav", "amp.wav"):
        write_stem(job / "audio" / name, GUITAR)
    (job / "session.yaml").write_text(
        "version: 1\nsong: X\naudio_folder: audio\npitch_reference: {a4_hz: 440.0}\nstems:\n"
        "  - {code: EGL, file: guitar.wav, role: fretted, linked: [amp.wav]}\n"
    )
    assert run("plan", job) == 0
    bounced(job, "guitar.wav")
    assert check(job) == 1
    assert "no corrected file for amp.wav, which belongs to the same source" in str(told(job))
    write_stem(job / "bounces" / "amp.wav", GUITAR)
    assert check(job) == 1
    assert "amp.wav did not move with guitar.wav: it is to be moved on (lower by" in str(
        told(job, 2)
    )
    bounced(job, "amp.wav")
    assert check(job) == 0


def test_another_rate_and_no_bounce(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A converted file is told; a stem with rows and no bounce leaves them unchecked."""
    folder = bounced(job, "guitar.wav")
    samples, rate = soundfile.read(folder / "guitar.wav")
    soundfile.write(folder / "guitar.wav", np.stack([samples, samples], axis=1)[: 7 * rate], rate)
    assert check(job) == 1
    said = capsys.readouterr().out
    assert "EGL: 2 channels, and the original has 1." in said
    assert "shorter by" in said
    (folder / "guitar.wav").rename(folder / "bass.wav")
    assert check(job) == 1
    assert "EGL: no corrected file for EGL: 3 rows cannot be checked." in capsys.readouterr().out
    assert set(verdicts(job, 2).values()) == {"no file"}


@pytest.mark.parametrize(
    ("bounces", "more", "words"),
    [
        ("nowhere", (), "nowhere: there is no such folder. Give the folder that the corrected"),
        ("audio", (), "these are the originals: a stem of the session lies in this folder."),
        ("empty", (), "holds no file with the name of a stem"),
        (
            "empty",
            ("--plan", "plan_07"),
            "there is no plan plan_07 of this song. There are plan_01",
        ),
        ("two", (), "could be its bounce: guitar_a.wav, guitar_b.wav. Leave one of them there."),
    ],
)
def test_what_cannot_be_checked_says_why(
    job: Path, bounces: str, more: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Folders and names that are no good end with 2, in words, and nothing is written."""
    (job / "empty").mkdir()
    (job / "two").mkdir()
    for name in ("guitar_a.wav", "guitar_b.wav"):
        (job / "two" / name).write_bytes(b"")
    place = ["check", str(job / "session.yaml"), "--bounces", str(job / bounces), "--quiet"]
    assert main([*place, *more]) == 2
    assert words in capsys.readouterr().err
    assert not (job / "check_01").exists()


def test_a_session_that_was_never_planned(tmp_path: Path, job: Path) -> None:
    """Without a plan there is nothing to compare with; a broken list of notes is told."""
    bounced(job)
    (job / "plan_01" / "notes.csv").write_text("id\n")
    assert check(job) == 2
    (job / "plan_01").rename(job / "gone")
    assert check(job) == 2


def test_the_demos_guitars_rendered_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rules of the demo: one guitar moved as planned but for its C#4, the other moved too far."""
    (tmp_path / "audio").mkdir()
    (tmp_path / "bounces").mkdir()
    (tmp_path / "session.yaml").write_text(
        "version: 1\nsong: X\naudio_folder: audio\npitch_reference: {a4_hz: 441.0}\n"
        "key: [{bar: 1, tonic: D, mode: major}]\nstems:\n"
        "  - {code: EGL, file: EGL.wav, role: fretted}\n"
        "  - {code: AGT, file: AGT.wav, role: fretted-chords}\n"
    )

    def render(code: str, path: str) -> None:
        stem = next(s for s in song.low_tide_ledger() if s.code == code)
        samples = 0.4 * stem.sound.samples / np.abs(stem.sound.samples).max()
        samples = samples + 3e-4 * np.random.default_rng(3).standard_normal(len(samples))
        soundfile.write(tmp_path / path, samples, SR, subtype="PCM_24")

    clip_on_hz = song.CLIP_ON_A4_HZ
    for code in ("EGL", "AGT"):
        render(code, f"audio/{code}.wav")
    assert run("plan", tmp_path) in (0, 1)
    rules = {r["id"]: r for r in rows(tmp_path, 1) if r["kind"] == "rule"}
    assert sorted((r["stem"], r["scope"]) for r in rules.values()) == [
        ("AGT", "part"), ("EGL", "part"), ("EGL", "pitch"),
    ]  # fmt: skip
    whole = {r["stem"]: r["add_cents"] for r in rules.values() if r["scope"] == "part"}
    for code, share in (("EGL", 1.0), ("AGT", 1.6)):
        monkeypatch.setattr(song, "CLIP_ON_A4_HZ", shift_hz(clip_on_hz, share * whole[code]))
        render(code, f"bounces/{code}_fix.wav")
    assert check(tmp_path) == 1
    assert {
        (r["stem"], rules[r["id"]]["scope"]): r["verdict"]
        for r in told(tmp_path)["rows"]
        if r["id"] in rules
    } == {("AGT", "part"): "overdone", ("EGL", "part"): "done", ("EGL", "pitch"): "not done"}
    assert told(tmp_path)["moved"] == []


def test_what_changed_outside_the_edits(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2 dB more over the last note, which no row asks for: told with place and size."""
    folder = bounced(job)
    samples, sr = soundfile.read(folder / "guitar_fix.wav")
    samples[round(6.5 * sr) : round(7.2 * sr)] *= 10 ** (2.0 / 20)
    soundfile.write(folder / "guitar_fix.wav", samples, sr, subtype="PCM_24")
    before = files(job)
    assert check(job) == 1
    said = capsys.readouterr().out
    assert "EGL: guitar_fix.wav: 1 stretch outside the edits is not the same sound (0." in said
    assert "level changed: 2.0 dB louder" in said
    (null,) = told(job)["outside_edits"]
    (changed,) = null["changed"]
    assert (changed["how"], changed["level_db"]) == ("level", 2.0)
    assert changed["start_s"] == pytest.approx(6.5, abs=0.11)
    assert changed["end_s"] == pytest.approx(7.2, abs=0.11)
    assert null["null_db"] < -80
    assert set(verdicts(job).values()) == {"done"}
    assert {k: v for k, v in files(job).items() if not k.startswith("check_")} == before


def test_sour_seconds_of_a_job(job: Path) -> None:
    """As planned where all was done; as recorded where nothing was."""
    bounced(job)
    assert check(job) == 0
    done = told(job)["sour_seconds"]
    assert done["measured_s"] == pytest.approx(done["planned_s"], abs=0.1)
    assert done["planned_s"] < done["recorded_s"]
    assert done["notes_unread"] == 0
    bounced(job, EGL_0003=0.0, EGL_0005=0.0, EGL_0007=0.0)
    assert check(job) == 1
    undone = told(job, 2)["sour_seconds"]
    assert undone["measured_s"] == undone["recorded_s"]


def test_a_plan_from_before_these_columns(job: Path) -> None:
    """Tolerances, leaks and grades may be missing; held notes then are not counted."""
    bounced(job)
    path = job / "plan_01" / "notes.csv"
    old = [line.rsplit(",", 3)[0] for line in path.read_text(encoding="utf-8").splitlines()]
    path.write_text("\r\n".join(old) + "\r\n", encoding="utf-8")
    assert check(job) == 0
    assert told(job)["still_heard"] == []


def test_an_edit_that_changed_the_tone_is_told(job: Path) -> None:
    """One edited note without its upper partials is named; the same note as planned is not."""
    folder = bounced(job)
    check(job)
    assert "changed its tone" not in str(told(job))
    samples, sr = soundfile.read(folder / "guitar_fix.wav")
    here = row(job, 1, HIGH)
    span = slice(round(here["start_s"] * sr), round(here["end_s"] * sr))
    spectrum = np.fft.rfft(samples[span])
    spectrum[np.fft.rfftfreq(span.stop - span.start, 1 / sr) > 1000.0] *= 0.3
    samples[span] = np.fft.irfft(spectrum, span.stop - span.start)
    soundfile.write(folder / "guitar_fix.wav", samples, sr, subtype="PCM_24")
    check(job)
    assert f"the edit of {HIGH} changed its tone" in str(told(job, 2))
