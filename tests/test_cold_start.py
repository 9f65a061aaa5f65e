"""What a stem does not need is not loaded: imports are a fifth of a short stem's time."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "heavy", ["scipy.signal", "scipy.stats", "librosa", "joblib", "planner.chords"]
)
def test_hearing_starts_without(heavy: str) -> None:
    """A fresh process that can hear stems has not loaded what only some stems need."""
    asked = f"import sys, planner.edges.hearing; print({heavy!r} in sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
