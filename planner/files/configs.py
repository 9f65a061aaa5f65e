"""Read the tolerances and the judging presets, ours or a user's own copy."""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from planner.decide.tolerances import (
    PURE_THIRDS,
    DurationFactor,
    Judging,
    Limits,
    LowBass,
    PartRule,
    PitchRule,
    ShortRule,
    SpanRule,
    StringRule,
    Tolerances,
)
from planner.errors import SessionError
from planner.files.yaml_reading import read_yaml
from planner.read.session_values import (
    WRONG,
    Problems,
    Reader,
    fields,
    list_of,
    nearest,
    number,
    one_of,
    shown,
    text,
    yes_or_no,
)

_TOLERANCES, _USUAL_PRESET = "tolerances.yaml", "judging/plain-band.yaml"
_SUFFIXES = (".yaml", ".yml")
_OWN = ("version", "name", "use")  # what a preset does not take from the one it is based on
_PACKAGE = Path(__file__).resolve().parents[1]


def configs_folder() -> Path:
    """Find the configs beside the installed package, or in the repository of an editable install.

    Raises SessionError if neither place has them.
    """
    for folder in (_PACKAGE / "configs", _PACKAGE.parent / "configs"):
        if (folder / "tolerances.yaml").is_file():
            return folder
    what = "the tolerances that come with the planner are missing."
    hint = "Install the planner again."
    raise SessionError(what, hint=hint)


def judging_names() -> tuple[str, ...]:
    """Name the presets that come with the planner, in alphabetical order."""
    return tuple(sorted(path.stem for path in (configs_folder() / "judging").glob("*.yaml")))


def read_tolerances(path: Path | None = None) -> Tolerances:
    """Read the tolerances that come with the planner, or a user's own copy of them.

    Raises SessionError if the file cannot be read, or a key or a value in it cannot be used.
    """
    usual: Any = read_yaml(configs_folder() / _TOLERANCES)[0]
    path = configs_folder() / _TOLERANCES if path is None else path
    data, lines = read_yaml(path)
    problems = Problems(lines, path.name)
    found = _tolerances(usual)(problems, data, "")
    problems.raise_if_any()
    found.pop("version")
    return Tolerances(**found)


def read_judging(name_or_path: str, *, beside: Path | None = None) -> Judging:
    """Read how strictly to judge: the name of a preset, or the path of a user's own copy.

    name_or_path: ``plain-band`` and the like; anything with a folder or ``.yaml`` in it is a path.
    beside: folder that a relative path starts from (the session file's).

    Raises SessionError if there is no such preset or file, or a key or a value in it cannot be
    used.
    """
    usual: Any = read_yaml(configs_folder() / _USUAL_PRESET)[0]
    if name_or_path.endswith(_SUFFIXES) or "/" in name_or_path or "\\" in name_or_path:
        data, lines = read_yaml((beside or Path()) / name_or_path)
        problems = Problems(lines, name_or_path)
    else:
        data, lines = read_yaml(_preset(name_or_path))
        problems = Problems(lines, f"{name_or_path}.yaml")
    found = _judging(usual)(problems, _with_base(problems, data), "")
    problems.raise_if_any()
    found.pop("version")
    return Judging(**found)


def _preset(name: str) -> Path:
    """The file of a preset that comes with the planner."""
    names = judging_names()
    if name not in names:
        raise SessionError(
            f"there is no way of judging called {name!r}.",
            field="judging",
            hint=f"{nearest(name, names)}Choose one of {', '.join(names)}, "
            "or give the path of your own file.",
        )
    return configs_folder() / "judging" / f"{name}.yaml"


def _with_base(problems: Problems, data: Any) -> Any:
    """Fill in what a user's preset does not say from the preset it is based on.

    Name and use are not filled in, so that nobody takes the one for the other.
    """
    if not isinstance(data, dict) or "based_on" not in data:
        return data
    base = one_of(*judging_names())(problems, data["based_on"], "based_on")
    problems.raise_if_any()
    usual: Any = read_yaml(_preset(base))[0]
    own = {key: value for key, value in data.items() if key != "based_on"}
    return {key: value for key, value in usual.items() if key not in _OWN} | own


# ---------------------------------------------------------------- what stands in the two files


def _tolerances(usual: Mapping[str, Any]) -> Reader:
    """Make a reader of tolerances; ``usual``: those of the planner, for what is missing."""
    records = {
        "low_bass": LowBass, "limits": Limits, "part_rule": PartRule, "span_rule": SpanRule,
        "string_rule": StringRule, "pitch_rule": PitchRule, "short_rule": ShortRule,
    }  # fmt: skip
    readers: dict[str, Reader] = {
        "version": _version,
        "base_cents": _pairs(usual["base_cents"]),
        "exposure_factors": _pairs(usual["exposure_factors"]),
        "duration_factors": _duration_factors(usual["duration_factors"][0]),
        "longer_factor": _POSITIVE,
        "leave_below_s": _POSITIVE,
    }
    for key, kind in records.items():
        readers[key] = _record(kind, usual[key])
    return _whole(readers, usual, _TOLERANCES)


def _judging(usual: Mapping[str, Any]) -> Reader:
    """Make a reader of a preset; ``usual``: the usual one, for what is missing."""
    readers: dict[str, Reader] = {
        "version": _version,
        "name": text,
        "use": text,
        "tolerance_factor": _POSITIVE,
        "leave_in": number("; it is the share of an error that is left in", 0.0, 0.99),
        "scoop_longest_s": number("", 0.0, math.inf),
        "protect_blue_notes": yes_or_no,
        "pure_thirds": _thirds,
        "pure_sevenths": yes_or_no,
    }
    return _whole(readers, usual, _USUAL_PRESET)


_POSITIVE = number("", 0.0, math.inf, above=True)


def _version(problems: Problems, value: object, path: str) -> Any:
    if value == 1:
        return value
    return problems.wrong(path, f"this planner reads version 1, not {shown(value)}")


def _thirds(problems: Problems, value: object, path: str) -> Any:
    # An editor that reads YAML 1.1 turns yes and no into these.
    written = {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
    return one_of(*PURE_THIRDS)(problems, written, path)


def _pairs(usual: Mapping[str, float]) -> Reader:
    """Make a reader of a figure for each name into pairs, in the usual order."""

    def pairs(**figures: float) -> tuple[tuple[str, float], ...]:
        return tuple((name, figures[name]) for name in usual)

    return _whole(dict.fromkeys(usual, _POSITIVE), usual, _TOLERANCES, pairs)


def _record(kind: Any, usual: Mapping[str, float]) -> Reader:
    """Make a reader of a record of figures, all above 0."""
    readers = {
        name: number("", 0.0, math.inf, above=True, whole=field.type is int)
        for name, field in kind.__dataclass_fields__.items()
    }
    return _whole(readers, usual, _TOLERANCES, kind)


def _duration_factors(usual: Mapping[str, float]) -> Reader:
    read_all = list_of(_record(DurationFactor, usual), example="[{below_s: 0.5, factor: 1.3}]")

    def read(problems: Problems, value: object, path: str) -> Any:
        steps = read_all(problems, value, path)
        limits_s = [] if steps is WRONG else [step.below_s for step in steps]
        if limits_s != sorted(set(limits_s)):
            return problems.wrong(path, "the limits must rise from line to line")
        return steps

    return read


def _whole(
    readers: Mapping[str, Reader], usual: Mapping[str, Any], file: str, into: Any = dict
) -> Reader:
    """Make a reader of a mapping in which no key may be missing; ``usual`` has all of them."""
    hints = {}
    for key in readers:
        what = f"`{key}: {shown(usual[key])}`".replace("'", "")
        if isinstance(usual[key], dict | list):
            what = f"the lines of {key}"
        hints[key] = f"Copy {what} from configs/{file} of the planner, its usual value."
        if file == _USUAL_PRESET and key not in _OWN:
            hints[key] += " Or write `based_on: plain-band`: what is missing is taken from there."
    return fields(
        {key: (key, read) for key, read in readers.items()},
        into,
        required=readers,
        example=f"as in configs/{file} of the planner",
        if_missing=hints,
    )
