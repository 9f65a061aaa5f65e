"""A first session file: what stands against it is said before a stem is listened to."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from planner.edges import starting
from planner.errors import SessionError


@pytest.fixture
def stems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one stem whose name says nothing; whoever listens to it fails."""
    folder = tmp_path / "stems"
    folder.mkdir()
    soundfile.write(folder / "Audio 3.wav", np.zeros(4800), 48000)
    monkeypatch.setattr(starting, "_guess_by_ear", lambda *_: pytest.fail("listened first"))
    return folder


@pytest.mark.parametrize(
    ("out", "message"),
    [
        ("stems/session.yaml", "lies in the folder of the stems"),
        ("nowhere/session.yaml", "there is no folder"),
        ("there.yaml", "exists already, and is never written over. Give another place with --out"),
    ],
)
def test_a_place_that_cannot_be_written_is_refused_first(
    stems: Path, tmp_path: Path, out: str, message: str
) -> None:
    """Among the stems, in no folder, over another file: nobody waits for that to be told."""
    (tmp_path / "there.yaml").write_text("mine")
    with pytest.raises(SessionError, match=message):
        starting.start_session(stems, out=tmp_path / out)
    assert (tmp_path / "there.yaml").read_text() == "mine"


def test_a_read_only_folder_is_refused_first(stems: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the folder beside the stems cannot be written, `start` says so at once."""

    def refuse(*_args: object, **_named: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "NamedTemporaryFile", refuse)
    said = r"cannot be written \(Permission denied\). Choose another place with --out."
    with pytest.raises(SessionError, match=said):
        starting.start_session(stems)
