"""Which bounce is which stem's, by name."""

from pathlib import Path

import pytest

from planner.errors import AudioError, PlannerError
from planner.files.bounce_files import find_bounce, read_notes


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (["bass.wav"], "bass.wav"),
        (["Bass.WAV", "bass_fix.wav"], "Bass.WAV"),
        (["bass_fix.wav", "bassoon.wav"], "bass_fix.wav"),
        (["bass (1).flac"], "bass (1).flac"),
        (["bass2.wav", "bass.txt"], None),
        ([], None),
    ],
)
def test_the_same_name_or_one_with_a_suffix(
    tmp_path: Path, names: list[str], found: str | None
) -> None:
    """Case and format may differ; a longer word is another file."""
    for name in names:
        (tmp_path / name).write_bytes(b"")
    path = find_bounce(tmp_path, "stems/bass.wav")
    assert (path.name if path else None) == found


def test_two_that_fit_are_refused(tmp_path: Path) -> None:
    """Nobody guesses between two bounces of one stem."""
    for name in ("bass_a.wav", "bass_b.wav"):
        (tmp_path / name).write_bytes(b"")
    with pytest.raises(AudioError, match=r"several files in .* could be its bounce: bass_a\.wav"):
        find_bounce(tmp_path, "bass.wav")


def test_notes_that_cannot_be_read(tmp_path: Path) -> None:
    """A list of notes that is missing or is none says so."""
    with pytest.raises(PlannerError, match="cannot be read, so there is nothing to compare with"):
        read_notes(tmp_path)
    (tmp_path / "notes.csv").write_text("id,stem\nLV-0001,LV\n")
    with pytest.raises(PlannerError, match="cannot be read"):
        read_notes(tmp_path)
