"""Each bench that the docs name can be started as they say."""

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
MODULES = sorted(
    f"tests.{path.parent.name}.{path.stem}"
    for folder in ("bench", "sessions")
    for path in (HERE / folder).glob("*.py")
)


def test_benches_start_from_the_folder_of_the_project() -> None:
    """What they import is found without the paths that pytest adds."""
    assert "tests.sessions.planted" in MODULES
    for module in MODULES:
        done = subprocess.run(
            [sys.executable, "-c", f"import {module}"],
            cwd=HERE.parent, capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        assert done.returncode == 0, f"{module}: {done.stderr}"
