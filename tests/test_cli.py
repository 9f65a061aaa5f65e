"""The command line on small sessions: places, copies, broken files, and words for bad input."""

import csv
import hashlib
import io
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

import planner.edges.listening
import planner.edges.writing
import planner.run
from planner.cli import main
from planner.demo.tones import SR, StringSound, mix, plucked
from planner.errors import OutputError
from planner.pitch import midi_to_hz

HIGH_CENTS = 20.0
SESSION = """\
version: 1
song: Pier Light
pitch_reference: {a4_hz: 440.0}
stems:
  - {code: BAS, file: bass.wav, role: bass-fretted}
  - {code: EGL, file: guitar.wav, role: fretted}
"""


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bass and a guitar of five notes each; one guitar note is 20 cents high."""
    folder = tmp_path_factory.mktemp("made")
    string = StringSound(sharp_at_onset_cents=0.0)
    for name, midis, off in (
        ("bass", (40, 43, 45, 47, 43), (0.0,) * 5),
        ("guitar", (64, 67, 69, 71, 67), (0.0, 0.0, HIGH_CENTS, 0.0, 0.0)),
    ):
        rng = np.random.default_rng(midis[0])
        sounds = [
            (0.2 + 0.9 * k, plucked(midi_to_hz(m) * 2 ** (cents / 1200), 0.8, string, rng))
            for k, (m, cents) in enumerate(zip(midis, off, strict=True))
        ]
        samples = mix(sounds, 5.0).samples
        samples = 0.4 * samples / np.abs(samples).max() + 3e-4 * rng.standard_normal(len(samples))
        soundfile.write(folder / f"{name}.wav", samples, SR, subtype="PCM_24")
    return folder


@pytest.fixture
def job(stems: Path, tmp_path: Path) -> Path:
    """A folder in which the session file lies among its stems."""
    folder = tmp_path / "job"
    shutil.copytree(stems, folder)
    (folder / "session.yaml").write_text(SESSION)
    return folder


def hashes(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def nothing_but_measured(job: Path) -> bool:
    """Whether a run that ended early has left nothing but what it had heard by then."""
    plans = job.parent / "job_plans"
    return not plans.exists() or [p.name for p in plans.iterdir()] == ["measured_notes"]


def edit_rows(plan_folder: Path) -> list[dict[str, str]]:
    with (plan_folder / "edit_list.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_plans_go_beside_a_folder_that_holds_session_and_stems(job: Path) -> None:
    """Where the session lies among its stems, plans are numbered in a folder beside that one."""
    before = hashes(job)
    for _ in range(2):
        assert main(["plan", str(job / "session.yaml"), "--quiet"]) == 0
    plans = job.parent / "job_plans"
    assert sorted(p.name for p in plans.iterdir()) == ["measured_notes", "plan_01", "plan_02"]
    assert hashes(plans / "plan_01") == hashes(plans / "plan_02")
    assert hashes(job) == before
    moved = [row for row in edit_rows(plans / "plan_01") if row["add_cents"]]
    assert [(row["stem"], row["intended"]) for row in moved] == [("EGL", "A4")]
    assert -HIGH_CENTS - 1.0 < float(moved[0]["add_cents"]) < -10.0


def test_a_subfolder_may_be_asked_for(job: Path) -> None:
    """--out names a folder inside the session's own folder; the stems stay as they were."""
    before = hashes(job)
    out = job / "plans"
    assert main(["plan", str(job / "session.yaml"), "--quiet", "--out", str(out)]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["measured_notes", "plan_01"]
    assert {k: v for k, v in hashes(job).items() if not k.startswith("plans/")} == before


def test_the_folder_of_the_stems_itself_is_refused(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--out that names the folder the stems lie in is refused, and nothing appears there."""
    before = sorted(job.iterdir())
    assert main(["plan", str(job / "session.yaml"), "--quiet", "--out", str(job)]) == 2
    assert "nothing is ever written there" in capsys.readouterr().err
    assert sorted(job.iterdir()) == before


def test_a_failed_write_leaves_nothing(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """When a file of the plan cannot be made, no plan is left, not even a hidden folder."""

    def fails(*plan: object) -> str:
        raise OutputError("the page could not be made.")

    monkeypatch.setattr(planner.edges.writing, "review_page", fails)
    assert main(["plan", str(job / "session.yaml"), "--quiet"]) == 2
    assert "the page could not be made" in capsys.readouterr().err
    assert nothing_but_measured(job)


def test_a_broken_stem_stops_the_run_or_is_named(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is no audio is told with its code; --keep-going names it in list and summary."""
    (job / "guitar.wav").write_bytes(b"this was never audio" * 50)
    arguments = ["plan", str(job / "session.yaml"), "--quiet"]
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert "guitar.wav" in told
    assert "--without EGL" in told
    assert nothing_but_measured(job)
    assert main([*arguments, "--keep-going"]) in (0, 1)
    plan = job.parent / "job_plans" / "plan_01"
    listed = yaml.safe_load((plan / "edit_list.yaml").read_text(encoding="utf-8"))
    assert listed["missing_stems"] == ["EGL"]
    assert ") could not be used: guitar" in (plan / "summary.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("content", [b"this was never audio" * 50, b"", b"RIFF\x24\0\0\0WAVE"])
def test_a_broken_stem_is_an_error_of_an_inspection(
    job: Path, capsys: pytest.CaptureFixture[str], content: bytes
) -> None:
    """Where a plan would stop, `inspect` ends with 2 as well, once it has gone over the rest."""
    (job / "guitar.wav").write_bytes(content)
    assert main(["inspect", str(job / "session.yaml")]) == 2
    told = capsys.readouterr().out
    assert "1 of 2 stems read" in told
    assert "error: EGL" in told
    assert main(["inspect", str(job / "session.yaml"), "--without", "EGL"]) in (0, 1)


def test_a_place_that_cannot_be_written_to_is_told_before_listening(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The folder of the stems, or one where nothing can be made: refused at once."""

    def not_heard(*_: object) -> None:
        raise AssertionError("it listened first")

    monkeypatch.setattr(planner.run, "hear_all", not_heard)
    arguments = ["plan", str(job / "session.yaml"), "--quiet", "--out"]
    assert main([*arguments, str(job)]) == 2
    assert "nothing is ever written there" in capsys.readouterr().err
    (job.parent / "a_file").write_bytes(b"")
    assert main([*arguments, str(job.parent / "a_file" / "plans")]) == 2
    assert "is a file, not a folder" in capsys.readouterr().err
    if Path("/proc/self").exists():  # where the system itself allows no folder
        assert main([*arguments, "/proc/self/plans"]) == 2
        assert "the plan could not be written" in capsys.readouterr().err


def test_a_stem_can_be_left_out(job: Path) -> None:
    """--without leaves a stem out, and the lists say so."""
    arguments = ["plan", str(job / "session.yaml"), "--quiet", "--without", "EGL"]
    assert main(arguments) == 0
    plan = job.parent / "job_plans" / "plan_01"
    listed = yaml.safe_load((plan / "edit_list.yaml").read_text(encoding="utf-8"))
    assert listed["missing_stems"] == ["EGL"]
    with (plan / "notes.csv").open(encoding="utf-8", newline="") as file:
        assert {row["stem"] for row in csv.DictReader(file)} == {"BAS"}


def test_a_stem_at_another_rate_keeps_its_own_positions(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A guitar at 44.1 kHz is edited at the same second, in its own samples, and told of."""
    assert main(["plan", str(job / "session.yaml"), "--quiet"]) == 0
    samples, _ = soundfile.read(job / "guitar.wav")
    other = soxr.resample(samples, SR, 44_100)
    soundfile.write(job / "guitar.wav", other, 44_100, subtype="PCM_24")
    assert main(["plan", str(job / "session.yaml"), "--quiet"]) in (0, 1)
    plans = job.parent / "job_plans"
    (one,) = [row for row in edit_rows(plans / "plan_01") if row["add_cents"]]
    (two,) = [row for row in edit_rows(plans / "plan_02") if row["add_cents"]]
    assert abs(float(one["add_cents"]) - float(two["add_cents"])) < 0.5
    assert abs(int(one["start_smp"]) / SR - int(two["start_smp"]) / 44_100) < 0.005
    capsys.readouterr()
    main(["inspect", str(job / "session.yaml")])
    assert "44100" in capsys.readouterr().out


def test_started_sessions_can_be_planned(
    stems: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What `start` writes beside a folder is read back by `inspect` and `plan`."""
    folder = tmp_path / "stems"
    shutil.copytree(stems, folder)
    before = hashes(folder)
    assert main(["start", str(folder)]) == 0
    session = tmp_path / "session.yaml"
    assert f"Written: {session}" in capsys.readouterr().out
    roles = [s["role"] for s in yaml.safe_load(session.read_text(encoding="utf-8"))["stems"]]
    assert roles[0] == "bass-fretted"
    assert main(["inspect", str(session)]) in (0, 1)
    assert main(["plan", str(session), "--quiet"]) in (0, 1)
    assert (tmp_path / "plan_01" / "edit_list.yaml").is_file()
    assert hashes(folder) == before


def test_the_page_holds_excerpts_unless_told_not_to(job: Path) -> None:
    """review.html plays the stems and says so; with --silent-page no audio is in it."""
    arguments = ["plan", str(job / "session.yaml"), "--quiet"]
    assert main(arguments) == 0
    assert main([*arguments, "--silent-page"]) == 0
    plans = job.parent / "job_plans"
    loud, silent = (
        (plans / name / "review.html").read_text(encoding="utf-8")
        for name in ("plan_01", "plan_02")
    )
    assert "data:audio/wav;base64," in loud
    assert "not for forwarding" in loud
    assert "data:audio" not in silent
    assert "not for forwarding" not in silent
    assert len(silent) < len(loud) / 2
    records = [
        yaml.safe_load((plans / name / "run.yaml").read_text(encoding="utf-8"))
        for name in ("plan_01", "plan_02")
    ]
    assert [record["settings"]["page_excerpts"] for record in records] == [1, 0]
    assert f'"plan": "{records[0]["plan_id"]}"' in loud
    assert records[0]["plan_id"] == records[1]["plan_id"]


def test_semicolons_without_mark(job: Path) -> None:
    """--csv-dialect semicolon and --no-csv-bom shape the edit list's CSV as asked."""
    arguments = ["plan", str(job / "session.yaml"), "--quiet", "--no-csv-bom"]
    assert main([*arguments, "--csv-dialect", "semicolon"]) == 0
    data = (job.parent / "job_plans" / "plan_01" / "edit_list.csv").read_bytes()
    assert data.startswith(b"id;stem;start_bar;")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SESSION.replace("role: fretted", "rolle: fretted"), ("session.yaml:6", "'role'")),
        (SESSION.replace("bass-fretted", "bass-freted"), ("session.yaml:5", "bass-fretted")),
        (SESSION.replace("code: EGL", "code: BAS"), ("session.yaml:6", "BAS")),
    ],
    ids=["unknown key", "unknown role", "same code twice"],
)
def test_slips_are_told_with_line_and_guess(
    job: Path, capsys: pytest.CaptureFixture[str], text: str, words: tuple[str, ...]
) -> None:
    """A slip in the session file is told with its line and what was likely meant."""
    (job / "session.yaml").write_text(text)
    for command in ("inspect", "plan"):
        assert main([command, str(job / "session.yaml")]) == 2
        told = capsys.readouterr().err
        assert [word for word in words if word not in told] == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["plan", "nowhere.yaml"], "nowhere.yaml"),
        (["inspect", "nowhere.yaml"], "nowhere.yaml"),
        (["start", "nowhere"], "there is no such folder"),
        (["demo", "session.yaml"], "this is a file, not a folder"),
        (["demo", "."], "the folder is not empty"),
    ],
)
def test_bad_arguments_are_told(
    job: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    words: str,
) -> None:
    """What is not there, or in the way, ends with exit code 2 and a sentence."""
    monkeypatch.chdir(job)
    before = hashes(job)
    assert main(arguments) == 2
    assert words in capsys.readouterr().err
    assert hashes(job) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["plan", "s.yaml", "--jobs", "0"], "'0' is no number of processes; give 1 or more"),
        (["plan", "s.yaml", "--jobs", "x"], "'x' is no number of processes"),
        (["plan"], "SESSION"),
        (["plann", "s.yaml"], "invalid choice"),
        ([], "COMMAND"),
    ],
)
def test_arguments_that_cannot_be_read(
    capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    """A command line that cannot be understood ends with exit code 2 and says where."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert words in capsys.readouterr().err


def test_a_folder_without_audio_cannot_be_started(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start` on a folder without audio says which kinds it looked for."""
    (tmp_path / "empty").mkdir()
    assert main(["start", str(tmp_path / "empty")]) == 2
    assert "no audio in this folder (WAV, AIFF, FLAC or MP3)" in capsys.readouterr().err
    assert not (tmp_path / "session.yaml").exists()


def test_all_that_can_be_read_is_listed_and_a_midi_file_named(
    stems: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start` lists an MP3 as `plan` reads it; a MIDI file beside it may be the tempo map."""
    samples, sr = soundfile.read(stems / "bass.wav")
    (tmp_path / "stems").mkdir()
    soundfile.write(tmp_path / "stems" / "bass.mp3", samples, sr)
    (tmp_path / "tempo map.mid").write_bytes(b"MThd")
    assert main(["start", str(tmp_path / "stems")]) == 0
    said = capsys.readouterr()
    assert "bass.mp3: bass-fretted" in said.out
    assert "tempo map.mid seen" in said.err
    text = (tmp_path / "session.yaml").read_text(encoding="utf-8")
    assert '# tempo_map: "tempo map.mid"  # guess' in text
    assert "tempo.mid" not in text
    assert main(["inspect", str(tmp_path / "session.yaml")]) in (0, 1)
    assert "BAS: bass.mp3" in capsys.readouterr().out


def test_a_silent_file_is_said_to_be_silent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start` leaves a file without sound out, and does not call it noise."""
    (tmp_path / "stems").mkdir()
    soundfile.write(tmp_path / "stems" / "x1.wav", np.zeros(48_000), 48_000, subtype="PCM_24")
    assert main(["start", str(tmp_path / "stems")]) == 0
    assert "x1.wav: exclude (it is silent)" in capsys.readouterr().out


@pytest.mark.filterwarnings("error")
def test_nothing_is_guessed_by_ear_from_a_hundredth_of_a_second(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is too short for a spectrum is left to a person, and no library complains of it."""
    (tmp_path / "stems").mkdir()
    tone = 0.3 * np.sin(2 * np.pi * 440 * np.arange(480) / 48_000)
    soundfile.write(tmp_path / "stems" / "x1.wav", tone, 48_000, subtype="PCM_24")
    assert main(["start", str(tmp_path / "stems")]) == 0
    assert "x1.wav: left out until you say" in capsys.readouterr().out


def test_stopping_by_hand_is_told(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C ends with exit code 130, one sentence, and no plan."""

    def stopped(*_: object, **__: object) -> Iterator[object]:
        raise KeyboardInterrupt

    monkeypatch.setattr(planner.edges.listening, "_in_processes", stopped)
    assert main(["plan", str(job / "session.yaml"), "--quiet"]) == 130
    assert "no plan was written" in capsys.readouterr().err
    assert not (job.parent / "job_plans").exists()


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="no list of a process's children")
def test_a_run_that_is_told_to_end_takes_its_processes_along(job: Path) -> None:
    """SIGTERM while two processes listen: exit code 143, one sentence, nobody left on the pipes."""
    run = subprocess.Popen(
        [sys.executable, "-m", "planner", "plan", str(job / "session.yaml"), "--jobs", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    children = Path(f"/proc/{run.pid}/task/{run.pid}/children")
    deadline = time.monotonic() + 60.0
    while len(children.read_text().split()) < 2:
        assert run.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.01)
    started = children.read_text().split()
    run.send_signal(signal.SIGTERM)
    _, told = run.communicate(timeout=30)
    assert run.returncode == 143
    assert "planner: stopped; no plan was written." in told
    # They have let go of the pipes; it takes them some moments more to be gone.
    while alive := [pid for pid in started if _runs(pid)]:
        assert time.monotonic() < deadline, alive
        time.sleep(0.01)


def _runs(pid: str) -> bool:
    """Whether a process has not ended; Z: ended, and not yet asked after (proc(5))."""
    try:
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text()
    except FileNotFoundError:
        return False


_LINES = st.sampled_from(
    [*SESSION.splitlines(), "  - {", "stems: 3", "version: [1]", "\t- x", "a: *b"]
)
_GARBAGE = st.one_of(st.text(max_size=60), st.lists(_LINES, max_size=8).map("\n".join)).map(
    lambda text: text.encode("utf-8", "surrogatepass")
) | st.binary(max_size=60)


@settings(max_examples=150, deadline=None)
@given(data=_GARBAGE)
def test_garbage_never_gives_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    """Whatever stands in the session file, the answer is exit code 2 and words."""
    folder = tmp_path_factory.getbasetemp() / "garbage"
    folder.mkdir(exist_ok=True)
    session = folder / "session.yaml"
    session.write_bytes(data)
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        # Even a whole session file ends so here: its stems are not in this folder.
        assert main(["plan", str(session)]) == 2
    assert err.getvalue().startswith("planner: ")
    assert [p.name for p in folder.iterdir()] == ["session.yaml"]


def test_a_reader_that_has_seen_enough(stems: Path, tmp_path: Path) -> None:
    """`planner start ... | head -1` ends without a traceback, and the file is written."""
    program = [sys.executable, "-m", "planner", "start", str(stems), "--out"]
    # Buffered, as it is unless the surroundings say otherwise.
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with subprocess.Popen(
        [*program, str(tmp_path / "session.yaml")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=surroundings,
    ) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stdout.close()
        told = run.stderr.read()
    assert "Traceback" not in told
    assert "Broken" not in told
    assert run.returncode == 141  # 128 and SIGPIPE's 13
    assert (tmp_path / "session.yaml").is_file()
