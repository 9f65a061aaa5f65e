"""A session with the place of every file it names, and the sums of those beside the stems."""

import hashlib
from pathlib import Path

import pytest

from planner.edges.opening import open_session, other_files, places_of, sources_of
from planner.errors import PlannerError

SESSION = """\
version: 1
song: Weir Lane
audio_folder: audio
pitch_reference: {a4_hz: 440.0}
tempo_map: map.mid
temperament: {file: own.scl, root: D}
stems:
  - {code: CEL, file: cello.wav, role: bowed, score: {file: cello.mid}, takes: [{file: t2.wav}]}
  - {code: BAS, file: di.wav, role: bass-fretted, linked: [amp.wav], measure_from: amp.wav}
"""
SCALE = "! own.scl\nown\n 12\n" + "".join(f" {100.0 * k}\n" for k in range(1, 13))


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A session whose files are there; none of them is opened as audio here."""
    (tmp_path / "audio").mkdir()
    for name in ("cello.wav", "di.wav", "amp.wav", "t2.wav"):
        (tmp_path / "audio" / name).write_bytes(name.encode())
    for name in ("map.mid", "cello.mid"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "own.scl").write_text(SCALE)
    path = tmp_path / "session.yaml"
    path.write_text(SESSION)
    return path


def test_every_file_beside_the_stems_has_its_sum(job: Path) -> None:
    """Tempo map, scale, score and take, as sha256sum would give them."""
    found = sources_of(open_session(job, without=(), keep_going=False))
    assert [(s.use, s.stem, s.file) for s, _ in found] == [
        ("tempo map", "", "map.mid"),
        ("scale", "", "own.scl"),
        ("score", "CEL", "cello.mid"),
        ("take", "CEL", "t2.wav"),
    ]
    for source, path in found:
        assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_files_of_a_source_that_are_not_measured(job: Path) -> None:
    """The bass is measured from its amp, so the DI is the other one."""
    found = other_files(open_session(job, without=(), keep_going=False))
    assert [(one.spec.code, one.take.file) for one in found] == [("BAS", "di.wav")]


def test_the_measured_file_of_a_source_is_named_first(job: Path) -> None:
    """Each file of a source once, by the name that the session file gives it."""
    _, bass = open_session(job, without=(), keep_going=False).stems
    assert bass.names == ("amp.wav", "di.wav")


def test_a_take_that_is_missing_says_whose_it_is(job: Path) -> None:
    """The stem and its line are named; keep_going makes a finding of it."""
    (job.parent / "audio" / "t2.wav").unlink()
    with pytest.raises(PlannerError, match=r"It is stem CEL, line 8 of session.yaml"):
        open_session(job, without=(), keep_going=False)
    opened = open_session(job, without=(), keep_going=True)
    assert opened.takes == ()
    assert any("t2.wav of CEL could not be used" in f.what for f in opened.findings)


def test_folders_of_takes_are_audio_folders(job: Path, tmp_path: Path) -> None:
    """No plan is written among takes."""
    (job.parent / "takes").mkdir()
    (job.parent / "audio" / "t2.wav").rename(job.parent / "takes" / "t2.wav")
    job.write_text(SESSION.replace("t2.wav", "../takes/t2.wav"))
    folders, _ = places_of(open_session(job, without=(), keep_going=False), tmp_path / "out")
    assert {f.name for f in folders} == {"audio", "takes"}
