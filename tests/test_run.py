"""The whole run, from a session file to a plan folder, through the command line."""

import csv
import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pretty_midi
import pytest
import soundfile
import yaml

from planner.cli import main
from planner.demo.driven import CELLO_BODY, DrivenNote, DrivenSound, phrase, shaker
from planner.demo.tones import SR, PianoSound, StringSound, mix, plucked, struck
from planner.pitch import midi_to_hz, shift_hz

A4_HZ = 438.6
BASS_OFF_CENTS = 7.0
LENGTH_S = 14.0


@pytest.fixture(scope="module")
def session_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of four stems: piano chords, a bass 7 cents high, a cello, a shaker."""
    folder = tmp_path_factory.mktemp("job")
    audio = folder / "stems"
    audio.mkdir()
    rng = np.random.default_rng(5)
    piano = PianoSound()
    string = replace(StringSound(), sharp_at_onset_cents=3.0)
    chords = [
        (0.3 + 1.6 * k, struck(midi_to_hz(m, A4_HZ), m, 1.5, piano, rng))
        for k in range(8)
        for m in ((48, 55, 64), (53, 57, 69), (50, 57, 65), (55, 59, 67))[k % 4]
    ]
    bass = [
        (0.3 + 0.8 * k, plucked(shift_hz(midi_to_hz(m, A4_HZ), BASS_OFF_CENTS), 0.7, string, rng))
        for k, m in enumerate((36, 36, 41, 43, 38, 45, 43, 40) * 2)
    ]
    bowed = DrivenSound(formants=CELLO_BODY, consonant_db=None)
    cello = [
        (0.4 + 1.6 * k, phrase([DrivenNote(f1_hz=midi_to_hz(m, A4_HZ), length_s=1.3)], bowed, rng))
        for k, m in enumerate((60, 57, 62, 59, 55, 60, 57, 60))
    ]
    shakes = [(0.3 + 0.2 * k, shaker(0.15, rng)) for k in range(60)]
    for name, sounds in (("piano", chords), ("bass", bass), ("cello", cello), ("shaker", shakes)):
        samples = mix(sounds, LENGTH_S).samples
        samples = samples / np.abs(samples).max() * 0.4 + 3e-4 * rng.standard_normal(len(samples))
        soundfile.write(audio / f"{name}.wav", samples, SR, subtype="PCM_24")
    path = folder / "session.yaml"
    path.write_text(
        "version: 1\nsong: Weir Lane\naudio_folder: stems\npitch_reference: {from: PNO}\n"
        "tempo_map: [{bar: 1, bpm: 75, meter: 4/4}]\nstems:\n"
        "  - {code: PNO, file: piano.wav, role: tuning-reference}\n"
        "  - {code: BAS, file: bass.wav, role: bass-fretted}\n"
        "  - {code: CEL, file: cello.wav, role: bowed}\n"
        "  - {code: SHK, file: shaker.wav, role: woodwind}\n"
    )
    return path


@pytest.fixture(scope="module")
def plan_folder(session_file: Path) -> Path:
    """The plan of that session."""
    before = hashes(session_file.parent / "stems")
    assert main(["plan", str(session_file), "--quiet"]) in (0, 1)
    assert hashes(session_file.parent / "stems") == before
    return session_file.parent / "plan_01"


def hashes(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*")}


def rows(plan_folder: Path) -> list[dict[str, object]]:
    found = yaml.safe_load((plan_folder / "edit_list.yaml").read_text(encoding="utf-8"))["rows"]
    assert isinstance(found, list)
    return found


def notes(plan_folder: Path) -> list[dict[str, str]]:
    with (plan_folder / "notes.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_session_a4_is_found_from_chords(plan_folder: Path) -> None:
    """The piano's A4 is found within 0.3 Hz although it plays chords."""
    record = yaml.safe_load((plan_folder / "run.yaml").read_text(encoding="utf-8"))
    assert abs(record["session_a4_hz"] - A4_HZ) < 0.3


def test_a_part_that_is_high_is_one_row(plan_folder: Path) -> None:
    """A bass 7 cents high is one whole-part row within 1.5 cents, and no note rows."""
    bass = [row for row in rows(plan_folder) if row["stem"] == "BAS"]
    assert [row["action"] for row in bass] == ["whole-part"]
    assert abs(float(str(bass[0]["add_cents"])) + BASS_OFF_CENTS) < 1.5


def test_the_reference_is_never_edited(plan_folder: Path) -> None:
    """No row moves the reference stem."""
    assert not [
        row for row in rows(plan_folder) if row["stem"] == "PNO" and row["kind"] != "advice"
    ]


def test_notes_are_found_and_measured(plan_folder: Path) -> None:
    """Bass and cello have every note, none wrong; the shaker has none."""
    count = {
        code: sum(n["stem"] == code for n in notes(plan_folder)) for code in ("BAS", "CEL", "SHK")
    }
    assert count == {"BAS": 16, "CEL": 8, "SHK": 0}
    sustain = [float(n["sustain_cents"]) for n in notes(plan_folder) if n["stem"] == "CEL"]
    assert float(np.median(np.abs(sustain))) < 1.0


def test_two_runs_are_byte_equal(session_file: Path, plan_folder: Path) -> None:
    """The same input gives the same bytes, in one process or two, in a folder of its own."""
    assert main(["plan", str(session_file), "--quiet", "--jobs", "1"]) in (0, 1)
    again = session_file.parent / "plan_02"
    assert hashes(again) == hashes(plan_folder)


def test_a_missing_stem_stops_unless_told(
    session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is not there is told with its nearest name; --keep-going plans the others."""
    broken = session_file.parent / "broken.yaml"
    broken.write_text(session_file.read_text().replace("cello.wav", "celo.wav"))
    assert main(["plan", str(broken), "--out", str(tmp_path), "--quiet"]) == 2
    told = capsys.readouterr().err
    assert "celo.wav" in told
    assert "cello.wav" in told
    assert "--without CEL" in told
    assert list(tmp_path.iterdir()) == []
    assert main(["plan", str(broken), "--out", str(tmp_path), "--quiet", "--keep-going"]) in (0, 1)
    listed = yaml.safe_load((tmp_path / "plan_01" / "edit_list.yaml").read_text(encoding="utf-8"))
    assert "CEL" in str(listed["missing_stems"])


def test_an_unknown_code_is_refused(session_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--without a code that no stem has names the codes there are."""
    assert main(["plan", str(session_file), "--without", "XYZ"]) == 2
    assert "The codes are PNO, BAS, CEL, SHK." in capsys.readouterr().err


def test_nothing_is_written_among_the_stems(
    session_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--out inside the audio folder is refused, and nothing appears there."""
    stems = session_file.parent / "stems"
    before = hashes(stems)
    assert main(["plan", str(session_file), "--out", str(stems / "here"), "--quiet"]) == 2
    assert "nothing is ever written there" in capsys.readouterr().err
    assert hashes(stems) == before


def test_a_changed_input_breaks_the_promise(
    session_file: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """An audio file that changes during the run ends it with exit code 3 and no plan."""
    monkeypatch.setattr("planner.files.audio.sha256_of", lambda path: "something else")
    code = main(["plan", str(session_file), "--out", str(tmp_path), "--quiet", "--without", "PNO"])
    assert code == 3
    assert "changed while the plan was made" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_start_inspect(
    session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start` writes a file that `inspect` can read, and never writes over it."""
    out = tmp_path / "first.yaml"
    stems = session_file.parent / "stems"
    assert main(["start", str(stems), "--out", str(out)]) == 0
    assert "# guess" in out.read_text(encoding="utf-8")
    assert main(["start", str(stems), "--out", str(out)]) == 2
    assert "never written over" in capsys.readouterr().err
    assert main(["inspect", str(out)]) in (0, 1)
    assert "4 of 4 stems read" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [("version: 1\nstemz: []\n", "stems"), ("version: 1\nstems: [\n", "yaml"), ("", "empty")],
)
def test_bad_sessions_are_told_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    """A bad session file ends with exit code 2 and a sentence, never a traceback."""
    path = tmp_path / "session.yaml"
    path.write_text(text)
    assert main(["plan", str(path)]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told


def test_an_unnamed_stem_is_guessed_by_ear(tmp_path: Path) -> None:
    """Where the name says nothing, noise is left out and a low line is taken for a bass."""
    folder = tmp_path / "takes"
    folder.mkdir()
    rng = np.random.default_rng(2)
    soundfile.write(folder / "Audio 1_01.wav", 0.2 * rng.standard_normal(3 * SR), SR)
    low = mix([(0.2, plucked(55.0, 2.5, StringSound(), rng))], 3.0).samples
    soundfile.write(folder / "Audio 2_01.wav", 0.3 * low / np.abs(low).max(), SR)
    out = tmp_path / "session.yaml"
    assert main(["start", str(folder), "--out", str(out)]) == 0
    roles = [stem["role"] for stem in yaml.safe_load(out.read_text(encoding="utf-8"))["stems"]]
    assert roles == ["exclude", "bass-fretted"]


def scored(session_file: Path, name: str, scores: dict[str, str]) -> Path:
    """The same session with scores for some of its stems, beside it."""
    session = yaml.safe_load(session_file.read_text(encoding="utf-8"))
    for stem in session["stems"]:
        if stem["code"] in scores:
            stem["score"] = yaml.safe_load(scores[stem["code"]])
    path = session_file.parent / name
    path.write_text(yaml.safe_dump(session, sort_keys=False), encoding="utf-8")
    return path


def test_the_guide_of_a_run_is_a_score_for_the_next(
    session_file: Path, plan_folder: Path, tmp_path: Path
) -> None:
    """Every note of the guide is found again by the next run, and nothing is asked about it."""
    codes = ("PNO", "BAS", "CEL")
    again = scored(
        session_file, "again.yaml",
        {code: f"{{file: plan_01/guide.mid, track: {code} all}}" for code in codes},
    )  # fmt: skip
    assert main(["plan", str(again), "--out", str(tmp_path), "--quiet"]) in (0, 1)
    told = (tmp_path / "plan_01" / "summary.md").read_text(encoding="utf-8")
    assert "BAS: 16 of 16 notes agree with the score. Score: track BAS all of plan" in told
    assert "CEL: 8 of 8 notes agree with the score." in told
    chords = sum(n["stem"] == "PNO" for n in notes(plan_folder))
    assert f"PNO: {chords} of {chords} notes agree with the score" in told
    assert "question (" not in told
    before = {(n["stem"], n["intended_midi"], n["start_smp"]) for n in notes(plan_folder)}
    after = {(n["stem"], n["intended_midi"], n["start_smp"]) for n in notes(tmp_path / "plan_01")}
    assert {n for n in before if n[0] != "PNO"} == {n for n in after if n[0] != "PNO"}
    assert {n[1] for n in before if n[0] == "PNO"} <= {n[1] for n in after if n[0] == "PNO"}


def test_a_guide_that_begins_before_bar_one_is_in_its_place(
    session_file: Path, tmp_path: Path
) -> None:
    """With music before bar 1 the guide starts whole bars early; as a score it is in place."""
    text = session_file.read_text(encoding="utf-8")
    early = session_file.parent / "early.yaml"
    early.write_text(text.replace("tempo_map:", "bar_one_at: 3.9\ntempo_map:"), encoding="utf-8")
    rest = ["--quiet", "--without", "PNO", "--without", "CEL", "--without", "SHK"]
    assert main(["plan", str(early), "--out", str(tmp_path), *rest]) in (0, 1)
    shutil.copy(tmp_path / "plan_01" / "guide.mid", session_file.parent / "early.mid")
    again = scored(early, "early_again.yaml", {"BAS": "{file: early.mid, track: BAS all}"})
    assert main(["plan", str(again), "--out", str(tmp_path), *rest]) in (0, 1)
    told = (tmp_path / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert "BAS: 16 of 16 notes agree with the score" in told


def test_one_score_for_several_stems_and_a_question(
    session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two tracks of one file: one fits; one stands a tone lower and asks, which ends with 1."""
    midi = pretty_midi.PrettyMIDI(initial_tempo=75.0)
    bass = pretty_midi.Instrument(program=32, name="Bass")
    for k, m in enumerate((36, 36, 41, 43, 38, 45, 43, 40) * 2):
        bass.notes.append(pretty_midi.Note(80, m + 12, 0.3 + 0.8 * k, 0.9 + 0.8 * k))
    cello = pretty_midi.Instrument(program=42, name="Cello")
    for k, m in enumerate((60, 57, 62, 59, 55, 60, 57, 60)):
        cello.notes.append(pretty_midi.Note(80, m + 2, 0.4 + 1.6 * k, 1.6 + 1.6 * k))
    midi.instruments += [bass, cello]
    midi.write(str(session_file.parent / "score.mid"))
    path = scored(
        session_file, "two.yaml",
        {"BAS": "{file: score.mid, track: Bass}", "CEL": "{file: score.mid, track: cello}"},
    )  # fmt: skip
    rest = ["--quiet", "--without", "PNO", "--without", "SHK", "--out", str(tmp_path)]
    assert main(["plan", str(path), *rest]) == 1
    told = (tmp_path / "plan_01" / "summary.md").read_text(encoding="utf-8")
    assert "BAS sounds an octave lower than its score (track Bass of score" in told
    assert "fits a major second lower: 8 of 8 notes agree. Use it so?" in told
    capsys.readouterr()
    assert main(["inspect", str(path)]) == 1
    assert "fits a major second lower" in capsys.readouterr().out


def test_a_score_that_cannot_be_read_stops_unless_told(
    session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The stem and its line are named; --keep-going plans the stem without its score."""
    path = scored(session_file, "lost.yaml", {"BAS": "gone.mid"})
    rest = ["--quiet", "--without", "PNO", "--without", "CEL", "--without", "SHK"]
    assert main(["plan", str(path), "--out", str(tmp_path), *rest]) == 2
    told = capsys.readouterr().err
    assert "gone.mid: there is no such MIDI file." in told
    assert "It is the score of stem BAS, line " in told
    assert list(tmp_path.iterdir()) == []
    assert main(["plan", str(path), "--out", str(tmp_path), *rest, "--keep-going"]) in (0, 1)
    told = (tmp_path / "plan_01" / "summary.md").read_text(encoding="utf-8")
    assert "The score of BAS could not be used" in told
    assert "The stem was planned without it." in told
