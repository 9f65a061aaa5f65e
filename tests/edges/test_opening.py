"""Faults inside files that a session names: told with the session's line and field as well."""

from pathlib import Path

import mido
import pytest

from planner.cli import main
from planner.errors import PlannerError, ScoreError, named_in
from planner.files.midi import read_score
from planner.model import Finding
from planner.words.wording import finding_place
from tests.edges.test_answering import GUITAR, write_stem

HEAD = "version: 1\nsong: X\npitch_reference: {a4_hz: 440}\n"
STEM = "stems:\n  - {code: EGL, file: guitar.wav, role: fretted%s}\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A guitar, and files that are no good."""
    made = tmp_path_factory.mktemp("faults")
    write_stem(made / "guitar.wav", GUITAR)
    (made / "bad.mid").write_bytes(b"not MIDI")
    (made / "bad.scl").write_text("! x.scl\nfoo\n 12\n100.0\n200.\nxx\n")
    (made / "own.yaml").write_text("tolerance_facto: 1.0\n")
    return made


@pytest.mark.parametrize(
    ("extra", "of_stem", "words"),
    [
        ("tempo_map: none.mid\n", "",
         "session.yaml:4: tempo_map: none.mid: there is no such MIDI file."),
        ("tempo_map: bad.mid\n", "", "session.yaml:4: tempo_map: bad.mid: is no Standard MIDI"),
        ("temperament: {file: bad.scl}\n", "",
         "session.yaml:4: temperament.file: bad.scl:3: 12 notes are announced, and 3 are there."),
        ("temperament: {file: no.scl}\n", "",
         "session.yaml:4: temperament.file: the scale file 'no.scl' cannot be read"),
        ("review: {rough_mix: no.wav}\n", "",
         "session.yaml:4: review.rough_mix: no.wav: the file was not found in"),
        ("judging: strict\n", "", "session.yaml:4: judging: there is no way of judging called"),
        ("judging: own.yaml\n", "",
         "session.yaml:4: judging: own.yaml: 10 things to put right:\n"
         "  own.yaml:1: tolerance_facto: unknown key. Did you mean 'tolerance_factor'?"),
        ("", ", score: {file: bad.mid}",
         "bad.mid: is no Standard MIDI File. Export it again as .mid. It is the score of stem EGL, "
         "line 5 of session.yaml; to plan the others: --without EGL"),
        ("", ", linked: [none.wav]", "It is stem EGL, line 5 of session.yaml"),
    ],
)  # fmt: skip
def test_a_fault_in_a_named_file_says_who_named_it(
    folder: Path, extra: str, of_stem: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The session file, its line and field, then the inner file and what is wrong in it."""
    (folder / "session.yaml").write_text(HEAD + extra + STEM % of_stem)
    assert main(["plan", str(folder / "session.yaml"), "--quiet", "--jobs", "1"]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told


@pytest.mark.parametrize("again", ["%s/guitar.wav", "../%.0s{name}/guitar.wav"])
def test_one_file_in_two_stems_is_refused_however_it_is_named(
    folder: Path, again: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """By an absolute path, or by a way round; the two sides of a file may be two stems."""
    name = (again % folder).format(name=folder.name)
    second = f"  - {{code: GTR, file: {name}, role: fretted}}\n"
    (folder / "session.yaml").write_text(HEAD + STEM % "" + second)
    assert main(["plan", str(folder / "session.yaml"), "--quiet"]) == 2
    told = capsys.readouterr().err
    assert "session.yaml:6: file: stems EGL and GTR both name guitar.wav. Name it once" in told


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("tempo_map: [{bar: 1, bpm: fast}]\n", "tempo_map[0].bpm: this should be a number"),
        ("edit_minutes: 5\n", "stems[0].sung_with: there is no stem 'LV'. There is no other stem."),
    ],
)
def test_one_fault_is_told_once(
    folder: Path, head: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was refused is not said to be missing as well; an empty list of stems is not offered."""
    stem = STEM % (", sung_with: LV" if "minutes" in head else "")
    (folder / "session.yaml").write_text(HEAD + head + stem)
    assert main(["plan", str(folder / "session.yaml"), "--quiet", "--jobs", "1"]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert len(told.strip().splitlines()) == 1


def test_a_score_that_states_no_tempo_is_read(tmp_path: Path) -> None:
    """The Standard MIDI File 1.0 takes 120 to the minute, 4/4, where none is stated."""
    track = mido.MidiTrack(
        [mido.Message("note_on", note=60, velocity=64), mido.Message("note_off", note=60, time=480)]
    )
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(tmp_path / "plain.mid")
    assert read_score(tmp_path / "plain.mid", None) == [(0.0, 0.5, 60)]


def test_a_fault_keeps_its_kind_and_its_hint() -> None:
    """What went wrong inside is told outside, with the same exit code and advice."""
    inner = ScoreError("is broken.", file="a.mid", line=3, field="x", hint="Mend it.")
    told = named_in(inner, file="s.yaml", line=7, field="tempo_map")
    assert isinstance(told, ScoreError)
    assert str(told) == "s.yaml:7: tempo_map: a.mid:3: x: is broken. Mend it."
    assert str(named_in(PlannerError("no."), file="s", line=None, field="f")) == "s: f: no."


def test_a_finding_names_its_stem_once() -> None:
    """Where the sentence says the stem or the file, the place does not say it again."""
    found = Finding(severity="warning", what="GTR could not be used", stem="GTR", file="g.wav")
    assert finding_place(found) == "g.wav"
    other = Finding(severity="warning", what="BV1 is odd", stem="BV", at_s=3.2)
    assert finding_place(other) == "BV at 3.20 s"
    assert finding_place(Finding(severity="note", what="LV.", stem="LV", at_s=1.0)) == "at 1.00 s"
