"""The planner's own figures are kept, read back the same, and never read where they are stale."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from planner.errors import OutputError
from planner.files.measured_notes import FIGURES_NAME as NAME
from planner.files.measured_notes import KeptNotes, keep_figures, read_figures
from planner.words.plan_model import OwnFigure

FIGURES = {
    "LV-0001": OwnFigure(action="leave", add_cents=None, reason="7 sharp: within its tolerance"),
    "LV-0002": OwnFigure(action="raise-lower", add_cents=-12.3, reason='"été": 15 sharp'),
}


@pytest.fixture
def kept(tmp_path: Path) -> KeptNotes:
    return KeptNotes(folder=tmp_path / "plans" / "measured_notes" / "session", program="p")


def test_figures_read_back_the_same(kept: KeptNotes) -> None:
    """Under their key, and only there; what is kept later stands in their place."""
    assert read_figures(kept, "k") is None
    keep_figures(kept, "k", FIGURES)
    assert read_figures(kept, "k") == FIGURES
    assert read_figures(kept, "other") is None
    keep_figures(kept, "other", {})
    assert read_figures(kept, "k") is None
    assert [p.name for p in kept.folder.iterdir()] == [NAME]


@pytest.mark.parametrize(
    "spoiled",
    [
        "", "[]", "{}", '{"key": "k"}', '{"key": "k", "figures": []}',
        '{"key": "k", "figures": {"LV-0001": ["leave", null]}}',
        '{"key": "k", "figures": {"LV-0001": ["sing", null, "why"]}}',
        '{"key": "k", "figures": {"LV-0001": ["leave", "3", "why"]}}',
        '{"key": "k", "figures": {"LV-0001": ["raise-lower", NaN, "why"]}}',
        '{"key": "k", "figures": {"LV-0001": ["leave", null, 3]}}',
    ],
)  # fmt: skip
def test_a_broken_file_is_told(kept: KeptNotes, spoiled: str) -> None:
    """What cannot be read is never half read."""
    kept.folder.mkdir(parents=True)
    (kept.folder / NAME).write_text(spoiled)
    with pytest.raises(OutputError) as told:
        read_figures(kept, "k")
    assert "decided before any answer cannot be read. It is decided again." in str(told.value)


def test_never_among_the_audio_and_told_where_it_cannot_be(kept: KeptNotes, tmp_path: Path) -> None:
    """A folder of stems is refused; a place that cannot be written to is told."""
    with pytest.raises(OutputError, match="nothing is ever written there"):
        keep_figures(replace(kept, audio=(tmp_path,)), "k", FIGURES)
    assert not (tmp_path / "plans").exists()
    (tmp_path / "plans").write_text("a file")
    with pytest.raises(OutputError, match="decided before any answer could not be kept") as told:
        keep_figures(kept, "k", FIGURES)
    assert "The plan is whole; the next one will decide it again." in str(told.value)


def test_what_is_kept_is_plain_json(kept: KeptNotes) -> None:
    """Whoever looks sees the key, and of each note action, cents and reason (RFC 8259)."""
    keep_figures(kept, "k", FIGURES)
    said = json.loads((kept.folder / NAME).read_bytes())
    assert said["key"] == "k"
    assert said["figures"]["LV-0002"] == ["raise-lower", -12.3, '"été": 15 sharp']
