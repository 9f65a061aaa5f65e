"""From a plan to a reply to the next plan, through the command line, on tones with exact truth."""

import csv
import hashlib
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pretty_midi
import pytest
import soundfile
import yaml

from planner.cli import main
from planner.demo.driven import DrivenNote, DrivenSound, phrase
from planner.demo.tones import SR, StringSound, mix, plucked
from planner.pitch import midi_to_hz
from planner.plan.standing_still import Still, decide_until_still

BAR_S = 2.4  # at 100 bpm, 4/4
GUITAR = (
    (64, 0.0),
    (67, 0.0),
    (69, 20.0),
    (71, 0.0),
    (67, -22.0),
    (64, 0.0),
    (69, 20.0),
    (71, 0.0),
)
SESSION = """\
version: 1
song: Pier Light
audio_folder: audio
pitch_reference: {a4_hz: 440.0}
tempo_map: [{bar: 1, bpm: 100, meter: 4/4}]
bar_one_at: 0.2
stems:
  - {code: BAS, file: bass.wav, role: bass-fretted}
  - {code: EGL, file: guitar.wav, role: fretted}
"""
HIGH, LOW, HIGH_TOO = "EGL-0003", "EGL-0005", "EGL-0007"


def write_stem(path: Path, notes: tuple[tuple[int, float], ...], *, late_s: float = 0.0) -> None:
    rng = np.random.default_rng(notes[0][0])
    each = rng.spawn(len(notes))
    string = StringSound(sharp_at_onset_cents=0.0)
    sounds = [
        # A note of its own each: whatever one is tuned to, the others sound the same.
        (0.2 + 0.9 * k, plucked(midi_to_hz(m) * 2 ** (cents / 1200), 0.8, string, each[k]))
        for k, (m, cents) in enumerate(notes)
    ]
    samples = mix(sounds, 8.0).samples
    samples = 0.4 * samples / np.abs(samples).max() + 3e-4 * rng.standard_normal(len(samples))
    silence = 3e-4 * np.random.default_rng(1).standard_normal(round(late_s * SR))
    soundfile.write(path, np.concatenate([silence, samples]), SR, subtype="PCM_24")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with a first plan: two notes of a guitar 20 sharp, one 22 flat."""
    job = tmp_path_factory.mktemp("made") / "job"
    (job / "audio").mkdir(parents=True)
    write_stem(job / "audio" / "bass.wav", tuple((m, 0.0) for m in (40, 43, 45, 47, 43)))
    write_stem(job / "audio" / "guitar.wav", GUITAR)
    (job / "session.yaml").write_text(SESSION)
    assert run("plan", job) == 0
    assert {r["id"] for r in rows(job, 1)} == {HIGH, LOW, HIGH_TOO}
    return job


@pytest.fixture
def job(planned: Path, tmp_path: Path) -> Path:
    """A copy of that job."""
    return Path(shutil.copytree(planned, tmp_path / "job"))


def run(command: str, job: Path, *more: str) -> int:
    quiet = ["--quiet", "--jobs", "1"] if command == "plan" else []
    return main([command, str(job / "session.yaml"), *more, *quiet])


def rows(job: Path, number: int) -> list[dict[str, Any]]:
    path = job / f"plan_{number:02d}" / "edit_list.yaml"
    found = yaml.safe_load(path.read_text(encoding="utf-8"))["rows"]
    return [row for row in found if row["kind"] != "advice"]


def row(job: Path, number: int, row_id: str) -> dict[str, Any]:
    return next(r for r in rows(job, number) if r["id"] == row_id)


def human(found: dict[str, Any]) -> tuple[Any, ...]:
    return found["state"], found["by"], found["comment"], found["locked"]


def files(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_a_reply_and_the_next_plan(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sentence is told back, stored beside the plans, and counts from the next plan on."""
    audio = files(job / "audio")
    first = files(job / "plan_01")
    ranks = {r["row_id"]: r["rank"] for r in table(job / "plan_01" / "offenders.csv")}
    words = f"{ranks[LOW]} no love that scoop, {HIGH} yes EGL-7 half"
    assert run("answer", job, words, "--by", "producer", "--date", "2026-11-25") == 0
    told = capsys.readouterr().out
    assert "plan_01, as understood:" in told
    assert f"{ranks[LOW]}. {LOW} (EGL, bar 2 beat 3.00 (3.80 s), G4; raise by " in told
    assert 'no, "love that scoop"' in told
    assert "Stored: 3 in " in told
    stored = yaml.safe_load((job / "session.answers.yaml").read_text(encoding="utf-8"))
    assert [(a["id"], a["answer"], a["by"], a["date"], a["plan"]) for a in stored["answers"]] == [
        (LOW, "no", "producer", "2026-11-25", "plan_01"),
        (HIGH, "yes", "producer", "2026-11-25", "plan_01"),
        (HIGH_TOO, "half", "producer", "2026-11-25", "plan_01"),
    ]

    assert run("plan", job) == 0
    told = capsys.readouterr().out
    assert "Since plan_01: 0 new, 0 gone, 1 changed by > 4 cents, 1 of another action." in told
    left = row(job, 2, LOW)
    assert human(left) == ("refused", "producer", "love that scoop", False)
    assert (left["action"], left["add_cents"]) == ("leave", None)
    assert left["reason"].startswith("refused by producer; the planner says raise by")
    assert row(job, 2, HIGH) == {**row(job, 1, HIGH), "state": "approved", "by": "producer"}
    assert row(job, 2, HIGH_TOO)["add_cents"] == row(job, 1, HIGH_TOO)["add_cents"] / 2
    assert "## Changes" in (job / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert files(job / "audio") == audio
    assert files(job / "plan_01") == first

    assert run("plan", job) == 0
    assert "Since plan_02: nothing changed." in capsys.readouterr().out
    second, third = files(job / "plan_02"), files(job / "plan_03")
    assert {n for n in second if second[n] != third.get(n)} == {"summary.md"}
    assert run("plan", job) == 0
    assert files(job / "plan_04") == third


def test_nothing_is_stored_unless_all_is_understood(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is not understood is listed with its reason; --accept-partly stores the rest."""
    words = f"{HIGH} yes 99 no EGL-0002 no\nhm 14 yes"
    assert run("answer", job, words) == 2
    told = capsys.readouterr().out
    assert "\"hm 14 yes\": what 'hm' means for the answer is not clear" in told
    assert '"99 no": the offenders list has no line 99; its last is 2' in told
    assert '"EGL-0002 no": EGL-0002 has no row of its own; to move it all the same' in told
    assert "Nothing was stored." in told
    assert not (job / "session.answers.yaml").exists()
    assert run("answer", job, words, "--accept-partly") == 1
    assert "Stored: 1 in " in capsys.readouterr().out


def test_all_like_this(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both high A4s are answered by one, the low G4 is not."""
    assert run("answer", job, f"{HIGH} no all like this") == 0
    told = capsys.readouterr().out
    assert f"like this. {HIGH_TOO} (" in told
    assert LOW not in told


def test_the_pages_export(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The page's file is read, by the folder or by a mark of its page; another song's is not."""
    text = (
        f"planner answers 1\nsong: Pier Light\nplan: plan_01\nby: Producer\n{LOW} no \tlove\\nit\n"
    )
    path = job / "answers.txt"
    path.write_text(text, encoding="utf-8")
    assert run("answer", job, str(path)) == 0
    page = job / "plan_01" / "review.html"
    page.write_text(page.read_text(encoding="utf-8") + "<!-- a1b2c3d4e5 -->", encoding="utf-8")
    path.write_text(text.replace("plan_01", "a1b2c3d4e5").replace(LOW, HIGH), encoding="utf-8")
    assert run("answer", job, str(path)) == 0
    stored = yaml.safe_load((job / "session.answers.yaml").read_text(encoding="utf-8"))["answers"]
    assert [(a["id"], a["by"], a["comment"], a["plan"], a["source"]) for a in stored] == [
        (LOW, "Producer", "love\nit", "plan_01", "page"),
        (HIGH, "Producer", "love\nit", "plan_01", "page"),
    ]
    capsys.readouterr()
    path.write_text(text.replace("plan_01", "nowhere"), encoding="utf-8")
    assert run("answer", job, str(path)) == 2
    assert "the answers speak of plan nowhere, which is not there" in capsys.readouterr().err
    path.write_text(text.replace("Pier Light", "Weir Lane"), encoding="utf-8")
    assert run("answer", job, str(path)) == 2
    assert "speaks of 'Weir Lane', and this session is 'Pier Light'" in capsys.readouterr().err


def test_an_edit_list_from_a_spreadsheet(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Byte order mark, semicolons, columns reordered and dropped: the human columns come back."""
    source = table(job / "plan_01" / "edit_list.csv")
    names = ["comment", "state", "id", "locked", "by", "reason"]
    typed = {HIGH: ("Approved", "Ed", "zu hoch; kürzen\nbitte", "yes"), LOW: ("parked", "", "", "")}
    path = job / "edited.csv"
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, names, delimiter=";")
        writer.writeheader()
        for one in source:
            state, by, comment, locked = typed.get(one["id"], ("new", "", "", "no"))
            writer.writerow(
                {"id": one["id"], "state": state, "by": by, "comment": comment, "locked": locked,
                 "reason": one["reason"]}
            )  # fmt: skip
    assert run("answer", job, str(path), "--by", "Desk") == 0
    told = capsys.readouterr().out
    assert f"{HIGH} (EGL, at 2.00 s, lower by " in told
    assert run("plan", job) == 0
    assert human(row(job, 2, HIGH)) == ("approved", "Ed", "zu hoch; kürzen\nbitte", True)
    assert human(row(job, 2, LOW)) == ("parked", "Desk", None, False)
    assert human(row(job, 2, HIGH_TOO)) == ("new", None, None, False)
    assert run("answer", job, str(job / "plan_02" / "edit_list.csv")) == 0
    assert "it says nothing new" in capsys.readouterr().out


def test_numbers_changed_in_a_list_are_not_passed_over(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A changed number or action of a list is told, with what to do instead."""
    path = job / "edited.csv"
    text = (job / "plan_01" / "edit_list.csv").read_text(encoding="utf-8-sig")
    path.write_text(text.replace("raise-lower,", "leave,", 1).replace(",new,", ",approved,", 1))
    assert run("answer", job, str(path)) == 2
    assert "write an override into the answers file" in capsys.readouterr().out


def test_a_copy_of_an_older_list_is_read_against_its_own_plan(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its numbers are that plan's, and nobody's own; where a plan has others, that is told."""
    path = job / "edited.csv"
    text = (job / "plan_01" / "edit_list.csv").read_text(encoding="utf-8-sig")
    path.write_text(text.replace(",new,", ",approved,", 1))
    assert run("answer", job, f"{HIGH_TOO} half") == 0
    assert run("plan", job) == 0
    capsys.readouterr()
    assert run("answer", job, str(path)) == 0
    assert "plan_01, as understood:" in capsys.readouterr().out
    assert run("answer", job, str(path), "--plan", "plan_02") == 2
    assert f"{HIGH_TOO} add_cents" in capsys.readouterr().out


def test_what_is_typed_into_a_plans_list_is_carried_over(job: Path) -> None:
    """A cell filled in where the list lies comes along, again and again, until it is changed."""
    path = job / "plan_01" / "edit_list.csv"
    text = path.read_bytes().decode("utf-8-sig")
    lines = text.split("\r\n")
    k = next(i for i, line in enumerate(lines) if line.startswith(LOW))
    lines[k] = lines[k].replace(",new,,,no,", ",refused,Ed,leave it,no,")
    path.write_bytes("\r\n".join(lines).encode("utf-8-sig"))
    for number in (2, 3):
        assert run("plan", job) == 0
        assert human(row(job, number, LOW)) == ("refused", "Ed", "leave it", False)
        assert row(job, number, LOW)["action"] == "leave"
    path = job / "plan_03" / "edit_list.csv"
    path.write_bytes(path.read_bytes().replace(b",refused,Ed,leave it,no,", b",new,Ed,,no,"))
    assert run("plan", job) == 0
    assert human(row(job, 4, LOW)) == ("new", "Ed", None, False)
    assert row(job, 4, LOW)["action"] == "raise-lower"


def test_a_file_one_bar_later_keeps_every_decision(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file put together a bar later: ids, words and states stay; what changed is asked anew."""
    assert run("answer", job, f"{LOW} no love it {HIGH} yes {HIGH_TOO} half") == 0
    write_stem(job / "audio" / "guitar.wav", GUITAR, late_s=BAR_S)
    capsys.readouterr()
    assert run("plan", job) == 1
    summary = (job / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert "EGL: the notes lie 2.400 s (1 bar) later than in the last plan" in summary
    assert human(row(job, 2, LOW)) == ("refused", None, "love it", False)
    # Beside the bass that has not moved, 15 are proposed of it in place of 20.
    assert human(row(job, 2, HIGH)) == ("reopened", None, None, False)
    assert human(row(job, 2, HIGH_TOO)) == ("approved", None, None, False)
    assert row(job, 2, HIGH_TOO)["add_cents"] == row(job, 1, HIGH_TOO)["add_cents"] / 2
    assert row(job, 2, HIGH)["start_s"] == pytest.approx(
        row(job, 1, HIGH)["start_s"] + BAR_S, abs=1e-3
    )
    assert run("plan", job) in (0, 1)
    assert human(row(job, 3, HIGH)) == ("reopened", None, None, False)  # until it is answered
    assert run("answer", job, f"{HIGH} yes {HIGH_TOO} yes") == 0
    assert run("plan", job) in (0, 1)  # the file is longer than the bass's: that is asked about
    assert "(1 bar) later" not in (job / "plan_04" / "summary.md").read_text(encoding="utf-8")
    assert row(job, 4, HIGH)["state"] == row(job, 4, HIGH_TOO)["state"] == "approved"
    assert row(job, 4, HIGH_TOO)["add_cents"] == row(job, 1, HIGH_TOO)["add_cents"] / 2


def test_a_locked_note_goes_with_its_file(job: Path) -> None:
    """A bar later list and guide have it in one place, with the numbers that were locked."""
    assert run("answer", job, f"lock {HIGH}") == 0
    write_stem(job / "audio" / "guitar.wav", GUITAR, late_s=BAR_S)
    assert run("plan", job) in (0, 1)
    was, now = row(job, 1, HIGH), row(job, 2, HIGH)
    assert (now["locked"], now["add_cents"], now["in_words"]) == (
        True, was["add_cents"], was["in_words"],
    )  # fmt: skip
    assert now["start_s"] == pytest.approx(was["start_s"] + BAR_S, abs=0.01)
    assert (now["start_bar"], now["start_beat"]) == (was["start_bar"] + 1, was["start_beat"])
    guide = pretty_midi.PrettyMIDI(str(job / "plan_02" / "guide.mid"))
    (fixes,) = (part for part in guide.instruments if part.name == "EGL fixes")
    listed = sorted(r["start_s"] for r in rows(job, 2) if r["stem"] == "EGL" and r["points"])
    # The guide begins a whole bar before bar 1, which lies 0.2 s into the stems.
    heard = sorted(n.start - (BAR_S - 0.2) for n in fixes.notes)
    assert heard == pytest.approx(listed, abs=1e-3)


def test_a_note_that_is_gone_leaves_an_orphan(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cut out of the file, its answer stays with its old place, and comes back with the note."""
    assert run("answer", job, f"{HIGH_TOO} no love it") == 0
    whole = (job / "audio" / "guitar.wav").read_bytes()
    write_stem(job / "audio" / "guitar.wav", GUITAR[:6])
    assert run("plan", job) in (0, 1)
    kept = row(job, 2, HIGH_TOO)
    assert human(kept) == ("orphan", None, "love it", False)
    assert kept["start_s"] == row(job, 1, HIGH_TOO)["start_s"]
    assert "EGL-0007 was answered (refused" in (job / "plan_02" / "summary.md").read_text()
    (job / "audio" / "guitar.wav").write_bytes(whole)
    assert run("plan", job) in (0, 1)
    assert human(row(job, 3, HIGH_TOO)) == ("refused", None, "love it", False)


def test_another_split_leaves_the_answer_to_the_longer_part(job: Path) -> None:
    """The note sounds in two parts in the new file: the longer keeps id and answer, one is new."""
    assert run("answer", job, f"{HIGH_TOO} no love it") == 0
    path = job / "audio" / "guitar.wav"
    samples, sr = soundfile.read(path)
    start_s = row(job, 1, HIGH_TOO)["start_s"]
    at = round((start_s + 0.55) * sr)
    samples[at : at + round(0.03 * sr)] *= 0.001
    # Struck once more behind the gap, at its own pitch.
    own = np.random.default_rng(3)
    again = plucked(midi_to_hz(69) * 2 ** (20 / 1200), 0.22, StringSound(), own).samples
    put = at + round(0.03 * sr)
    samples[put : put + len(again)] = 0.4 * again / np.abs(again).max()
    soundfile.write(path, samples, sr, subtype="PCM_24")
    assert run("plan", job) in (0, 1)
    kept = row(job, 2, HIGH_TOO)
    assert human(kept) == ("refused", None, "love it", False)
    assert kept["start_s"] == pytest.approx(start_s, abs=0.02)
    ledger = {r["id"]: r for r in table(job / "plan_02" / "ledger.csv") if r["stem"] == "EGL"}
    (new,) = (r for r in ledger.values() if r["split_from"] == HIGH_TOO)
    assert float(new["start_s"]) == pytest.approx(start_s + 0.58, abs=0.03)
    assert float(ledger[HIGH_TOO]["end_s"]) < float(new["start_s"])


def test_a_value_by_hand_in_the_answers_file(job: Path) -> None:
    """An override counts, with the planner's value beside it; a bad one stops the run."""
    path = job / "session.answers.yaml"
    path.write_text(
        f"version: 1\nanswers:\n- {{id: {HIGH}, by: Ed, override: {{add_cents: -7}}}}\n"
    )
    assert run("plan", job) == 0
    found = row(job, 2, HIGH)
    assert (found["add_cents"], found["by"]) == (-7.0, "Ed")
    assert found["reason"].startswith("set by Ed; the planner says lower by ")
    path.write_text(f"version: 1\nanswers:\n- {{id: {HIGH}, overide: {{add_cents: -7}}}}\n")
    assert run("plan", job) == 2
    assert not (job / "plan_03").exists()


def test_a_span_typed_by_hand(job: Path) -> None:
    """List, guide and notes have the note where a person says it lies; its pitch is that heard."""
    assert run("plan", job) == 0
    found = row(job, 2, HIGH)
    start_s, end_s = found["start_s"] + 0.1, found["end_s"] - 0.2
    wanted = f"- {{id: {HIGH}, by: Ed, override: {{from_s: {start_s:.4f}, to_s: {end_s:.4f}}}}}\n"
    (job / "session.answers.yaml").write_text(f"version: 1\nanswers:\n{wanted}")
    assert run("plan", job) == 0
    laid = row(job, 3, HIGH)
    assert (laid["start_s"], laid["end_s"]) == pytest.approx((start_s, end_s), abs=1 / SR)
    assert laid["start_smp"] == pytest.approx(laid["start_s"] * SR, abs=0.6)
    assert laid["heard_cents"] == found["heard_cents"]
    summary = (job / "plan_03" / "summary.md").read_text(encoding="utf-8")
    assert f"{HIGH} lies from {start_s:.3f} to {end_s:.3f} s, says Ed; heard from" in summary
    guide = pretty_midi.PrettyMIDI(str(job / "plan_03" / "guide.mid"))
    starts = [n.start for i in guide.instruments if i.name.startswith("EGL") for n in i.notes]
    # Bar 1 begins at 0.2 s of the file, and after one whole bar of the guide.
    assert np.abs(np.array(starts) - (start_s - 0.2 + BAR_S)).min() < 0.001
    # It stays on the next run, and a span elsewhere is told and left out.
    assert run("plan", job) == 0
    assert row(job, 4, HIGH) == laid
    (job / "session.answers.yaml").write_text(
        f"version: 1\nanswers:\n- {{id: {HIGH}, override: {{from_s: 5.0, to_s: 5.5}}}}\n"
    )
    assert run("plan", job) == 0
    assert row(job, 5, HIGH)["start_s"] == found["start_s"]
    summary = (job / "plan_05" / "summary.md").read_text(encoding="utf-8")
    assert "but nothing of the note sounds there now" in summary


def test_with_answers_to_notes_it_is_decided_once(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The planner's own figures are known from the plan before; without them the plan is equal."""
    figures = job / "measured_notes" / "session" / "own_figures.json"
    first = figures.read_bytes()
    decided = []

    def counted(*given: Any) -> Still:
        decided.append(1)
        return decide_until_still(*given)

    monkeypatch.setattr("planner.plan.planning.decide_until_still", counted)
    (job / "session.answers.yaml").write_text(
        f"version: 1\nanswers:\n- {{id: {HIGH}, by: Ed, answer: no}}\n"
        f"- {{id: {LOW}, by: Ed, override: {{add_cents: 30}}}}\n"
    )

    def again() -> dict[str, str]:
        decided.clear()
        for plan in job.glob("plan_0[2-9]"):
            shutil.rmtree(plan)
        assert run("plan", job) == 0
        return files(job / "plan_02")

    known = again()
    assert (len(decided), figures.read_bytes()) == (1, first)
    assert "the planner says raise by " in row(job, 2, LOW)["reason"]
    figures.unlink()
    assert (again(), len(decided)) == (known, 2)  # and is kept once more
    assert figures.read_bytes() == first
    figures.write_text("{")
    capsys.readouterr()
    assert (again(), len(decided)) == (known, 2)
    assert again() == known
    assert len(decided) == 1
    # Other notes or other presets are another session: nothing of the old one counts.
    session = job / "session.yaml"
    session.write_text(session.read_text().replace("role: fretted}", "role: bowed}"))
    again()
    assert len(decided) == 2
    assert figures.read_bytes() != first


def test_answers_never_go_among_the_stems(planned: Path, tmp_path: Path) -> None:
    """Where session and stems share a folder, answers lie beside the plans, outside of it."""
    song = tmp_path / "song"
    shutil.copytree(planned / "audio", song)
    (song / "session.yaml").write_text(SESSION.replace("audio_folder: audio\n", ""))
    before = files(song)
    assert run("plan", song) == 0
    assert run("answer", song, f"{HIGH} yes") == 0
    assert files(song) == before
    assert (tmp_path / "song_plans" / "session.answers.yaml").exists()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            ("12 yes", "--plan", "plan_07"),
            "there is no plan plan_07 of this song. There are plan_01",
        ),
        (("nothing_here.txt",), "there is no such file"),
        (("12 yes", "--out", "elsewhere"), "there is no plan of Pier Light in elsewhere"),
    ],
)
def test_faults_are_told(
    job: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], words: str
) -> None:
    """A plan, file or folder that is not there ends with exit code 2 and a sentence."""
    assert run("answer", job, *more) == 2
    assert words in capsys.readouterr().err


def test_a_reply_file_must_be_text(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is no UTF-8 is told, not guessed at."""
    (job / "reply.txt").write_bytes(b"12 yes \xff\xfe")
    assert run("answer", job, str(job / "reply.txt")) == 2
    assert "is no UTF-8 text" in capsys.readouterr().err


def test_a_date_is_a_date(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--date takes the international form only."""
    with pytest.raises(SystemExit):
        run("answer", job, "1 yes", "--date", "25.11.2026")
    assert "'25.11.2026' is no date; write 2026-11-25" in capsys.readouterr().err


def test_a_number_typed_into_the_list_is_told(job: Path) -> None:
    """Numbers of a plan's own list are not read back; the next summary says so."""
    path = job / "plan_01" / "edit_list.csv"
    text = path.read_text(encoding="utf-8-sig")
    old = str(row(job, 1, HIGH)["add_cents"])
    line = next(line for line in text.splitlines() if line.startswith(f"{HIGH},"))
    path.write_text(text.replace(line, line.replace(f",{old},", ",-11.5,", 1)), encoding="utf-8")
    assert run("plan", job) in (0, 1)
    summary = (job / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert f"{HIGH}: add_cents was changed to -11.5 in plan_01's own list" in summary


def test_the_note_that_a_person_names_is_no_longer_asked_about(tmp_path: Path) -> None:
    """C5 60 cents sharp lies between two notes; once a person says C5 it is an edit."""
    job = tmp_path / "job"
    (job / "audio").mkdir(parents=True)
    write_stem(job / "audio" / "bass.wav", tuple((m, 0.0) for m in (40, 43, 45, 47, 43)))
    write_stem(job / "audio" / "guitar.wav", ((64, 0.0), (67, 0.0), (69, 44.0), (71, 0.0)))
    (job / "session.yaml").write_text(SESSION)
    assert run("plan", job) == 1
    (asked,) = [r for r in rows(job, 1) if r["kind"] == "question"]
    (job / "session.answers.yaml").write_text(
        f"version: 1\nanswers:\n- {{id: {asked['covers'][0]}, by: producer, "
        "override: {intended: A4}}\n"
    )
    run("plan", job)
    after = row(job, 2, asked["covers"][0])
    assert after["kind"] == "note"
    assert after["add_cents"] < -25


def test_a_yes_to_what_is_read_unsurely_moves_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A whistle over a voice's range is read an octave low: asked about, and moved at a yes."""
    job = tmp_path / "job"
    (job / "audio").mkdir(parents=True)
    write_stem(job / "audio" / "bass.wav", tuple((m, 0.0) for m in (40, 43, 45, 47, 43)))
    t = np.arange(round(0.8 * SR)) / SR
    whistles = [np.sin(2 * np.pi * midi_to_hz(m) * t) * np.hanning(len(t)) ** 0.1
                for m in (89.0, 91.3, 90.0)]  # fmt: skip
    rest = np.zeros(round(0.1 * SR))
    samples = np.concatenate([rest, *(x for one in whistles for x in (0.3 * one, rest))])
    soundfile.write(job / "audio" / "guitar.wav", samples, SR)
    (job / "session.yaml").write_text(SESSION.replace("role: fretted}", "role: lead-voice}"))
    assert run("plan", job) == 1
    (asked,) = [r for r in rows(job, 1) if r["kind"] == "question"]
    assert asked["reason"].startswith("is it 30 sharp, give or take ")
    assert asked["asked_on_page"] == asked["id"]
    assert run("answer", job, f"{asked['id']} yes") == 0
    assert "yes, lower by 30" in capsys.readouterr().out
    run("plan", job)
    after = row(job, 2, asked["covers"][0])
    assert (after["kind"], after["add_cents"], after["state"]) == ("note", -30.0, "approved")


def test_a_place_behind_the_song_is_not_stored(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The guitar's last note begins in bar 3: a lock further on holds nothing, and is told so."""
    assert run("answer", job, "lock EGL bars 90-95, lock bars 3-9", "--accept-partly") == 1
    told = capsys.readouterr().out
    assert (
        '"lock EGL bars 90-95": no note begins there: the song\'s last one begins in bar 3' in told
    )
    assert "Stored: 1 in " in told


def test_the_same_reply_twice_is_stored_once(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Until something else is said of the row, or the plan is another one."""
    said = f"{LOW} no love it, lock {HIGH}, lock BAS"
    stored = job / "session.answers.yaml"
    assert run("answer", job, said, "--date", "2026-11-25") == 0
    once = stored.read_bytes()
    assert run("answer", job, said, "--date", "2026-11-26") == 0
    assert "Nothing to store: it says nothing new." in capsys.readouterr().out
    assert stored.read_bytes() == once
    for answer in (f"{LOW} yes", f"{LOW} no love it", "unlock EGL", f"lock {HIGH}"):
        assert run("answer", job, answer) == 0
        assert "Stored: 1 in " in capsys.readouterr().out


def test_locks_and_named_notes_through_the_command_line(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stem is locked and a row's note named by reply; the next plan holds to both."""
    assert run("answer", job, f"lock BAS, {LOW} is G#4, lock it please") == 2
    told = capsys.readouterr().out
    assert '"lock it please": no stem, section or row is called' in told
    assert "Nothing was stored." in told
    assert run("answer", job, f"lock EGL bars 1-2, {LOW} is G, lock {HIGH_TOO}", "--by", "Ed") == 0
    told = capsys.readouterr().out
    assert "EGL bars 1-2 (2 rows of plan_01): locked; nothing new will be planned there" in told
    assert f"{LOW} (EGL, bar 2 beat 3.00 (3.80 s), G4; raise by " in told
    assert "G4 was meant" in told
    write_stem(job / "audio" / "guitar.wav", ((64, 25.0), *GUITAR[1:]))
    assert run("plan", job) in (0, 1)
    assert {r["id"] for r in rows(job, 2)} == {HIGH, LOW, HIGH_TOO}
    assert all(row(job, 2, one)["locked"] for one in (HIGH, LOW, HIGH_TOO))
    assert row(job, 2, LOW)["add_cents"] == row(job, 1, LOW)["add_cents"]
    notes = {n["id"]: n for n in table(job / "plan_02" / "notes.csv")}
    assert notes["EGL-0001"]["reason"].startswith("EGL bars 1-2 locked by Ed: nothing new")
    assert run("answer", job, "unlock EGL bars 1-2") == 0
    assert run("plan", job) in (0, 1)
    assert not row(job, 3, HIGH)["locked"]
    assert "EGL-0001" in {r["id"] for r in rows(job, 3)}


def test_hands_off_goes_before_what_was_answered(job: Path) -> None:
    """A note that was approved and one that was locked as it stood are left; unlocked they move."""
    assert run("answer", job, f"lock {HIGH}, {LOW} yes", "--by", "Ann") == 0
    assert run("plan", job) == 0
    assert run("answer", job, "hands off EGL", "--by", "Ed") == 0
    for number in (3, 4):
        assert run("plan", job) == 0
        assert {(r["action"], r["state"]) for r in rows(job, number)} == {("leave", "refused")}
        said = row(job, number, HIGH)["reason"]
        assert said.startswith("EGL hands off by Ed: nothing new is planned there")
    assert run("answer", job, "unlock EGL") == 0
    assert run("plan", job) == 0
    assert {(r["action"], r["state"]) for r in rows(job, 5)} == {("raise-lower", "new")}


def test_a_role_said_by_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A bass that plays high is asked about; the role that is answered counts for every command."""
    job = tmp_path
    (job / "audio").mkdir()
    (job / "session.yaml").write_text(
        SESSION.replace("bass-fretted}", "bass-fretted, range: [E1, C6]}").replace(
            "  - {code: EGL, file: guitar.wav, role: fretted}\n", ""
        )
    )
    high = tuple((m, 0.0) for m in (64, 67, 69, 71, 72, 71, 69, 67))
    rng = np.random.default_rng(8)
    string = StringSound(sharp_at_onset_cents=0.0)
    sounds = [
        (0.2 + 0.55 * k, plucked(midi_to_hz(m), 0.5, string, rng))
        for k, (m, _) in enumerate((*high, *high))
    ]
    samples = mix(sounds, 9.5).samples
    soundfile.write(job / "audio" / "bass.wav", 0.4 * samples / np.abs(samples).max(), SR)
    assert run("plan", job) == 1
    (asked,) = [r for r in rows(job, 1) if r["kind"] == "question"]
    assert (asked["id"], asked["stem"], asked["covers"]) == ("Q-001", "BAS", [])
    assert "is marked bass-fretted, and its notes lie around A4, above" in asked["reason"]
    assert "Q-001 fretted, Q-001 bowed" in (job / "plan_01" / "hand_off.md").read_text()
    assert 'data-answer="role fretted"' in (job / "plan_01" / "review.html").read_text()
    capsys.readouterr()
    assert run("answer", job, "Q-001 no") == 2
    assert "a no does not say which role BAS has" in capsys.readouterr().out
    assert run("answer", job, "Q-001 fretted, thanks", "--by", "Ed") == 0
    assert 'Q-001 (BAS, throughout; ask): BAS is fretted, "thanks"' in capsys.readouterr().out
    stored = yaml.safe_load((job / "session.answers.yaml").read_text(encoding="utf-8"))["answers"]
    assert [(a["where"], a["override"]) for a in stored] == [({"stem": "BAS"}, {"role": "fretted"})]
    assert run("plan", job) == 0
    assert [r for r in rows(job, 2) if r["kind"] == "question"] == []
    summary = (job / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert "BAS is fretted, says Ed; the session file says bass-fretted." in summary
    assert "| BAS | fretted |" in summary
    capsys.readouterr()
    assert main(["inspect", str(job / "session.yaml")]) in (0, 1)
    told = capsys.readouterr().out
    assert "BAS is fretted, says Ed" in told
    assert "really?" not in told


def test_several_notes_at_once_said_by_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Horns of which three sound in one file are asked about; a yes has them heard as chords."""
    (tmp_path / "audio").mkdir()
    (tmp_path / "session.yaml").write_text(
        SESSION.replace(
            "  - {code: EGL, file: guitar.wav, role: fretted}\n",
            "  - {code: HRN, file: horns.wav, role: brass}\n",
        ).replace("  - {code: BAS, file: bass.wav, role: bass-fretted}\n", "")
    )
    rng = np.random.default_rng(5)
    voices = DrivenSound(slope_db_per_octave=-8.0, attack_s=0.04)
    chords = [(60, 64, 67), (57, 60, 65), (59, 62, 67), (60, 64, 69)] * 3
    sounds = [
        (0.2 + 1.2 * k, phrase([DrivenNote(f1_hz=midi_to_hz(m), length_s=1.1)], voices, rng))
        for k, chord in enumerate(chords)
        for m in chord
    ]
    samples = mix(sounds, 15.0).samples
    soundfile.write(tmp_path / "audio" / "horns.wav", 0.4 * samples / np.abs(samples).max(), SR)
    assert run("plan", tmp_path) == 1
    (asked,) = [r for r in rows(tmp_path, 1) if r["kind"] == "question" and not r["covers"]]
    assert "do several notes sound at once?" in asked["reason"]
    said = f"{asked['id']} yes (several notes at once), {asked['id']} no (one at a time)"
    assert said in (tmp_path / "plan_01" / "hand_off.md").read_text()
    assert "several notes sound at once" in (tmp_path / "plan_01" / "review.html").read_text()
    assert run("answer", tmp_path, f"{asked['id']} yes", "--by", "Ed") == 0
    assert "several notes at a time in HRN" in capsys.readouterr().out
    assert run("plan", tmp_path) in (0, 1)
    assert not [r for r in rows(tmp_path, 2) if r["kind"] == "question" and not r["covers"]]
    with (tmp_path / "plan_02" / "notes.csv").open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) >= 30  # of 36
    summary = (tmp_path / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert "several notes sound at a time in HRN, says Ed; the session file" in summary
