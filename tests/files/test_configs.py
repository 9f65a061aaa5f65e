from dataclasses import replace
from pathlib import Path

import pytest

from planner.errors import SessionError
from planner.files import configs
from planner.files.configs import configs_folder, judging_names, read_judging, read_tolerances
from planner.model import ROLES

PRESETS = {
    "plain-band": (1.0, 0.25), "live-loose": (1.6, 0.4), "blue-hour": (1.4, 0.35),
    "a-cappella": (0.8, 0.1), "glossy": (0.7, 0.1), "strings-winds": (1.0, 0.25),
    "triage": (1.8, 0.3),
}  # fmt: skip


THIRDS = {
    "plain-band": "halfway", "live-loose": "no", "blue-hour": "no", "a-cappella": "yes",
    "glossy": "halfway", "strings-winds": "yes", "triage": "no",
}  # fmt: skip


def test_every_preset_is_there_and_loads() -> None:
    """The seven presets load with the factors that the trade's table gives them."""
    found = {name: read_judging(name) for name in judging_names()}
    assert {n: (j.tolerance_factor, j.leave_in) for n, j in found.items()} == PRESETS
    assert all(j.name == name for name, j in found.items())
    assert [n for n, j in found.items() if j.protect_blue_notes] == ["blue-hour"]
    assert {n: j.pure_thirds for n, j in found.items()} == THIRDS
    assert not any(j.pure_sevenths for j in found.values())


def test_tolerances_cover_every_role() -> None:
    """Every role but the one left out has its base, and the figures are those of the file."""
    found = read_tolerances()
    assert {role for role, _ in found.base_cents} == set(ROLES) - {"exclude"}
    assert dict(found.base_cents)["lead-voice"] == 18
    assert found.limits.ask_beyond_cents == 35


def own(tmp_path: Path, old: str, new: str, name: str = "tolerances.yaml") -> Path:
    text = (configs_folder() / name).read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "own.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def test_own_copy_is_read(tmp_path: Path) -> None:
    """A user's own copy is read from its path, also beside the session file."""
    own(tmp_path, "leave_in: 0.25", "leave_in: 0.0", "judging/plain-band.yaml")
    assert read_judging("own.yaml", beside=tmp_path).leave_in == 0.0
    path = own(tmp_path, "lead-voice: 18", "lead-voice: 22")
    assert dict(read_tolerances(path).base_cents)["lead-voice"] == 22


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "lead-voice: 18",
            "lead-voise: 18",
            "base_cents.lead-voise: unknown key. Did you mean 'lead-voice'? Known: ",
        ),
        ("floor_cents: 4", "floor_cents: -4", "limits.floor_cents: -4 is out of range: above 0."),
        (
            "longer_factor: 0.85",
            "longer_factor: much",
            "longer_factor: this should be a number, not 'much'.",
        ),
        ("longer_factor: 0.85", "", "longer_factor: this is missing. Copy `longer_factor: 0.85`"),
        (
            "step_cents: 5, ",
            "",
            "span_rule.step_cents: this is missing. Copy `step_cents: 5` from "
            "configs/tolerances.yaml of the planner, its usual value.",
        ),
        ("below_s: 0.25", "below_s: 0.9", "the limits must rise from line to line."),
        ("version: 1", "version: 2", "this planner reads version 1, not 2."),
        ("notes: 8", "notes: 8.5", "part_rule.notes: this should be a whole number, not 8.5."),
    ],
)
def test_wrong_tolerances_say_what_and_where(tmp_path: Path, old: str, new: str, said: str) -> None:
    """A wrong key or value is named with its place and what to do."""
    with pytest.raises(SessionError) as caught:
        read_tolerances(own(tmp_path, old, new))
    assert said in str(caught.value)
    assert str(caught.value).startswith("own.yaml")


def test_wrong_shapes_are_named(tmp_path: Path) -> None:
    """A list where keys belong, and keys where a list belongs, are told apart."""
    path = tmp_path / "own.yaml"
    path.write_text("- 1\n", encoding="utf-8")
    with pytest.raises(SessionError, match="this should be a mapping, not a list"):
        read_tolerances(path)
    text = (configs_folder() / "tolerances.yaml").read_text(encoding="utf-8")
    start, end = text.index("duration_factors:"), text.index("longer_factor")
    path.write_text(text[:start] + "duration_factors: 3\n" + text[end:], encoding="utf-8")
    with pytest.raises(SessionError, match="this should be a list, not 3"):
        read_tolerances(path)


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_can_be_copied_and_changed(tmp_path: Path, name: str) -> None:
    """A user's copy of any preset loads, with what was changed in it."""
    text = (configs_folder() / "judging" / f"{name}.yaml").read_text(encoding="utf-8")
    lines = [
        "pure_thirds: yes" if line.startswith("pure_thirds") else line for line in text.split("\n")
    ]
    (tmp_path / "own.yaml").write_text("\n".join(lines), encoding="utf-8")
    assert read_judging("own.yaml", beside=tmp_path).pure_thirds == "yes"
    (tmp_path / "own.yaml").write_text("\n".join(lines).replace(": yes", ": true"), "utf-8")
    assert read_judging("own.yaml", beside=tmp_path).pure_thirds == "yes"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "leave_in: 0.25",
            "leave_in: 1",
            "leave_in: 1 is out of range: 0 to 0.99; it is the share of an",
        ),
        ("leave_in: 0.25", "leave_in: -1", "leave_in: -1 is out of range: 0 to 0.99"),
        (
            "protect_blue_notes: false",
            "protect_blue_notes: maybe",
            "this should be true or false, not 'maybe'.",
        ),
        (
            "use: an ordinary band recording",
            "use: 7",
            "use: this should be text, not 7. Put it in quotes.",
        ),
        ('pure_thirds: "halfway"', "pure_thirds: some", "'some' is not possible here. Write one"),
        ('pure_thirds: "halfway"', "pure_thirds: [yes]", "a list [ ] is not possible here."),
        ("pure_sevenths: false", "pure_sevenths: 7", "this should be true or false, not 7."),
    ],
)
def test_wrong_judging_says_what_and_where(tmp_path: Path, old: str, new: str, said: str) -> None:
    """A wrong value in a preset is named with its line."""
    path = own(tmp_path, old, new, "judging/plain-band.yaml")
    with pytest.raises(SessionError) as caught:
        read_judging(str(path))
    assert said in str(caught.value)
    assert caught.value.line is not None


def test_unknown_preset_gets_the_nearest() -> None:
    """A misspelt preset is answered with the nearest one and all of them."""
    with pytest.raises(
        SessionError, match=r"called 'glosy'\. Did you mean 'glossy'\? Choose one of"
    ):
        read_judging("glosy")


def test_missing_configs_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An install without its configs says so."""
    monkeypatch.setattr(configs, "_PACKAGE", tmp_path / "planner")
    with pytest.raises(SessionError, match=r"are missing\. Install the planner again"):
        configs_folder()


def test_configs_of_a_wheel_come_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Configs inside the package win over those beside it."""
    for folder in (tmp_path / "planner" / "configs", tmp_path / "configs"):
        folder.mkdir(parents=True)
        (folder / "tolerances.yaml").touch()
    monkeypatch.setattr(configs, "_PACKAGE", tmp_path / "planner")
    assert configs_folder() == tmp_path / "planner" / "configs"


OWN = "version: 1\nname: ours\nuse: our band\n"


def test_a_preset_of_an_older_planner_is_told_what_to_add(tmp_path: Path) -> None:
    """A missing key names the file to copy it from and its usual value, or the shorter way."""
    path = tmp_path / "ours.yaml"
    whole = (configs_folder() / "judging" / "glossy.yaml").read_text(encoding="utf-8")
    path.write_text("".join(k for k in whole.splitlines(True) if not k.startswith("pure_sevenths")))
    with pytest.raises(SessionError) as caught:
        read_judging(str(path))
    assert str(caught.value).endswith(
        "pure_sevenths: this is missing. Copy `pure_sevenths: false` from "
        "configs/judging/plain-band.yaml of the planner, its usual value. Or write "
        "`based_on: plain-band`: what is missing is taken from there."
    )


def test_a_preset_based_on_another_says_only_what_differs(tmp_path: Path) -> None:
    """What it leaves out is its base's; its name and use stay its own."""
    path = tmp_path / "ours.yaml"
    path.write_text(f"{OWN}based_on: a-cappella\nleave_in: 0.2\n")
    base, own = read_judging("a-cappella"), read_judging(str(path))
    assert own == replace(base, name="ours", use="our band", leave_in=0.2)
    path.write_text("version: 1\nuse: our band\nbased_on: a-cappella\n")
    with pytest.raises(SessionError, match=r"name: this is missing\. Copy `name: plain-band`"):
        read_judging(str(path))


def test_a_base_must_be_one_of_ours(tmp_path: Path) -> None:
    """A misspelt base is answered with the nearest one, and the line."""
    path = tmp_path / "ours.yaml"
    path.write_text(f"{OWN}based_on: acappella\n")
    with pytest.raises(SessionError) as caught:
        read_judging(str(path))
    assert "based_on: 'acappella' is not possible here." in str(caught.value)
    assert "Did you mean 'a-cappella'? Write one of " in str(caught.value)
    assert caught.value.line == 4
