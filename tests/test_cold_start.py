"""What a stem does not need is not loaded: imports are a fifth of a short stem's time."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize("hears", ["planner.edges.hearing", "planner.edges.scored_chords"])
@pytest.mark.parametrize("heavy", ["scipy", "librosa", "joblib"])
def test_hearing_starts_without(hears: str, heavy: str) -> None:
    """A fresh process that can hear stems, or chords, has not loaded what it does not need."""
    assert not _loaded_with(hears, heavy)


def test_single_lines_start_without_chords() -> None:
    """What only stems of chords need is loaded with the first of them."""
    assert not _loaded_with("planner.edges.hearing", "planner.chords")
    assert _loaded_with("planner.edges.scored_chords", "planner.chords")


def _loaded_with(wanted: str, other: str) -> bool:
    asked = f"import sys, {wanted}; print({other!r} in sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    return done.stdout.strip() == "True"
