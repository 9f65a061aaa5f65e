"""The README says what the tool does: its columns, commands, roles, files and examples."""

import csv
import re
from pathlib import Path

import pytest

from planner.cli import main
from planner.editlist import COLUMNS, HEADER
from planner.files.session_file import read_session
from planner.model import ROLES
from planner.temperament import TEMPERAMENTS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def table(title: str) -> list[str]:
    """The names in the first column of the table with this heading."""
    rows = README.split(f"| {title} | ", 1)[1].split("\n\n", 1)[0].splitlines()[2:]
    return [name for row in rows for name in re.findall(r"\w+", row.split("|")[1])]


def test_edit_list_columns_are_explained() -> None:
    """The README lists every column of the edit list, in the order of the file."""
    assert table("column of edit_list (YAML and CSV)")[-len(HEADER) :] == [c.name for c in HEADER]
    assert sorted(table("column of edit_list (YAML and CSV)")) == sorted(
        c.name for c in (*COLUMNS, *HEADER)
    )


def test_edit_list_example_has_the_columns() -> None:
    """The example that lies in outputs/ has the columns of today, and no others."""
    with (ROOT / "outputs/demo/edit_list.csv").open(encoding="utf-8-sig", newline="") as file:
        found = next(csv.reader(file))
    assert sorted(found) == sorted(c.name for c in (*COLUMNS, *HEADER))
    assert found[:4] == ["id", "stem", "start_bar", "start_beat"]  # what one works from comes first
    assert found[-len(HEADER) :] == [c.name for c in HEADER]


def test_notes_columns_are_explained() -> None:
    """The README lists every column of notes.csv."""
    from planner.files.tables import NOTES_COLUMNS

    assert sorted(table("column of notes.csv")) == sorted(NOTES_COLUMNS)


def test_commands_and_options_exist(capsys: pytest.CaptureFixture[str]) -> None:
    """Every command and option that the README names is known to the command line."""
    commands = set(re.findall(r"`planner (\w+)", README))
    assert commands == {"start", "inspect", "plan", "answer", "check", "demo"}
    known = ""
    for command in sorted(commands):
        with pytest.raises(SystemExit):
            main([command, "--help"])
        known += capsys.readouterr().out
    ours = re.sub(r"`python -m tests[^`]*`", "", README)  # the benches have options of their own
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", ours))
    assert {option for option in named if option not in known} == set()


def test_roles_and_temperaments_are_named() -> None:
    """The README names every role, and every temperament's family."""
    assert [role for role in ROLES if role not in README] == []
    text = README.lower()
    assert [t for t in TEMPERAMENTS if not re.search(re.escape(t.split("-")[0]), text)] == []


def test_the_smallest_session_is_legal(tmp_path: Path) -> None:
    """The session file printed in the README can be read."""
    path = tmp_path / "session.yaml"
    path.write_text(README.split("```yaml\n", 1)[1].split("```", 1)[0], encoding="utf-8")
    session, _ = read_session(path)
    assert [spec.code for spec in session.stems] == ["PNO", "BAS", "LV"]


def test_links_lead_somewhere() -> None:
    """Every file that the README links to is there."""
    links = re.findall(r"\]\((?!http)([^)#]+)\)", README)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_commands_stand_on_one_line() -> None:
    """A command can be copied as it stands: none is broken where a line ends."""
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        commands = re.findall(r"`(?:python -m|planner) [^`]*`", text)
        assert commands
        assert [command for command in commands if "\n" in command] == []
