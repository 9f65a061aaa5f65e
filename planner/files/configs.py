"""Read the tolerances and the judging presets, ours or a user's own copy."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from planner.decide.tolerances import (
    EXPOSURES,
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
from planner.files.yaml_reading import LineMap, read_yaml
from planner.model import ROLES

USUAL_PRESET = "judging/plain-band.yaml"
_SUFFIXES = (".yaml", ".yml")
T = TypeVar("T")
_PACKAGE = Path(__file__).resolve().parents[1]


def configs_folder() -> Path:
    """Find the configs beside the installed package, or in the repository of an editable install.

    Raises
    ------
    SessionError
        If neither place has them.
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

    Raises
    ------
    SessionError
        If the file cannot be read, or a key or a value in it cannot be used.
    """
    path = configs_folder() / "tolerances.yaml" if path is None else path
    data, lines = read_yaml(path)
    return _tolerances(data, _Source(path.name, lines, "tolerances.yaml"))


def read_judging(name_or_path: str, *, beside: Path | None = None) -> Judging:
    """Read how strictly to judge: the name of a preset, or the path of a user's own copy.

    name_or_path: ``plain-band`` and the like; anything with a folder or ``.yaml`` in it is a path.
    beside: folder that a relative path starts from (the session file's).

    Raises
    ------
    SessionError
        If there is no such preset or file, or a key or a value in it cannot be used.
    """
    if name_or_path.endswith(_SUFFIXES) or "/" in name_or_path or "\\" in name_or_path:
        data, lines = read_yaml((beside or Path()) / name_or_path)
        source = _Source(name_or_path, lines, USUAL_PRESET)
        return _judging(_with_base(data, source), source)
    names = judging_names()
    if name_or_path not in names:
        raise SessionError(
            f"there is no way of judging called {name_or_path!r}.",
            field="judging",
            hint=f"{_nearest(name_or_path, names)}Choose one of {', '.join(names)}, "
            "or give the path of your own file.",
        )
    data, lines = read_yaml(configs_folder() / "judging" / f"{name_or_path}.yaml")
    return _judging(data, _Source(f"{name_or_path}.yaml", lines, USUAL_PRESET))


def _with_base(data: Any, file: _Source) -> Any:
    """Fill in what a user's preset does not say from the preset it is based on.

    Name and use are not filled in, so that nobody takes the one for the other.
    """
    if not isinstance(data, dict) or "based_on" not in data:
        return data
    base, names = data["based_on"], judging_names()
    if base not in names:
        what = f"{base!r} is no preset that comes with the planner."
        hint = f"{_nearest(str(base), names)}Write one of {', '.join(names)}."
        raise file.error(what, "based_on", hint=hint)
    usual: Any = read_yaml(configs_folder() / "judging" / f"{base}.yaml")[0]
    own = {key: value for key, value in data.items() if key != "based_on"}
    return {k: v for k, v in usual.items() if k not in ("version", "name", "use")} | own


@dataclass(frozen=True, slots=True)
class _Source:
    """One file while it is checked: its name, and the line of every key in it."""

    name: str
    lines: LineMap
    usual: str  # the file of ours that has every key, under configs/

    def error(self, what: str, where: str, hint: str | None = None) -> SessionError:
        line = self.lines.get(where)
        return SessionError(what, file=self.name, line=line, field=where or None, hint=hint)


def _tolerances(data: Any, file: _Source) -> Tolerances:
    top = _mapping(data, ["version", *Tolerances.__dataclass_fields__], file, "")
    _version(top, file)
    wanted = [role for role in ROLES if role != "exclude"]
    base = _mapping(top["base_cents"], wanted, file, "base_cents")
    exposure = _mapping(top["exposure_factors"], EXPOSURES, file, "exposure_factors")
    steps = top["duration_factors"]
    if not isinstance(steps, list) or not steps:
        raise file.error("this must be a list of {below_s, factor}.", "duration_factors")
    factors = tuple(
        _record(DurationFactor, step, file, f"duration_factors[{i}]")
        for i, step in enumerate(steps)
    )
    limits_s = [step.below_s for step in factors]
    if limits_s != sorted(set(limits_s)):
        raise file.error("the limits must rise from line to line.", "duration_factors")
    return Tolerances(
        base_cents=tuple((k, _number(base[k], file, f"base_cents.{k}")) for k in wanted),
        low_bass=_record(LowBass, top["low_bass"], file, "low_bass"),
        duration_factors=factors,
        longer_factor=_number(top["longer_factor"], file, "longer_factor"),
        leave_below_s=_number(top["leave_below_s"], file, "leave_below_s"),
        exposure_factors=tuple(
            (k, _number(exposure[k], file, f"exposure_factors.{k}")) for k in EXPOSURES
        ),
        limits=_record(Limits, top["limits"], file, "limits"),
        part_rule=_record(PartRule, top["part_rule"], file, "part_rule"),
        span_rule=_record(SpanRule, top["span_rule"], file, "span_rule"),
        string_rule=_record(StringRule, top["string_rule"], file, "string_rule"),
        pitch_rule=_record(PitchRule, top["pitch_rule"], file, "pitch_rule"),
        short_rule=_record(ShortRule, top["short_rule"], file, "short_rule"),
    )


def _judging(data: Any, file: _Source) -> Judging:
    names = list(Judging.__dataclass_fields__)
    top = _mapping(data, ["version", *names], file, "")
    _version(top, file)
    leave_in = _number(top["leave_in"], file, "leave_in", zero=True)
    if leave_in >= 1:
        what = f"{leave_in:g} leaves the whole error in."
        hint = "Write a share: 0.25 leaves a quarter."
        raise file.error(what, "leave_in", hint=hint)
    for name in ("protect_blue_notes", "pure_sevenths"):
        if not isinstance(top[name], bool):
            raise file.error(f"{top[name]!r} is neither true nor false.", name)
    thirds = top["pure_thirds"]
    if isinstance(thirds, bool):  # an editor that reads YAML 1.1 turns yes and no into these
        thirds = "yes" if thirds else "no"
    if thirds not in PURE_THIRDS:
        what = f"{thirds!r} is not possible here."
        hint = f"Write one of {', '.join(PURE_THIRDS)}."
        raise file.error(what, "pure_thirds", hint=hint)
    return Judging(
        name=_text(top["name"], file, "name"),
        use=_text(top["use"], file, "use"),
        tolerance_factor=_number(top["tolerance_factor"], file, "tolerance_factor"),
        leave_in=leave_in,
        scoop_longest_s=_number(top["scoop_longest_s"], file, "scoop_longest_s", zero=True),
        protect_blue_notes=top["protect_blue_notes"],
        pure_thirds=thirds,
        pure_sevenths=top["pure_sevenths"],
    )


def _record(kind: Callable[..., T], data: Any, file: _Source, where: str) -> T:
    kinds: Mapping[str, Any] = kind.__dataclass_fields__  # type: ignore[attr-defined]
    found = _mapping(data, kinds, file, where)
    values: dict[str, float] = {}
    for name, field in kinds.items():
        value = _number(found[name], file, f"{where}.{name}")
        if field.type == "int" and not value.is_integer():
            raise file.error(f"{value:g} is no whole number.", f"{where}.{name}")
        values[name] = int(value) if field.type == "int" else value
    return kind(**values)


def _mapping(data: Any, wanted: Iterable[str], file: _Source, where: str) -> dict[str, Any]:
    names = list(wanted)
    if not isinstance(data, dict):
        raise file.error(f"this must have the keys {', '.join(names)}.", where)
    for key in data:
        if key not in names:
            what = f"there is no key {key!r} here."
            hint = f"{_nearest(str(key), names)}The keys are {', '.join(names)}."
            raise file.error(what, f"{where}.{key}" if where else str(key), hint=hint)
    for name in names:
        if name not in data:
            raise file.error(f"the key {name!r} is missing.", where, hint=_usual(name, file, where))
    return data


def _usual(name: str, file: _Source, where: str) -> str:
    """Say where a missing key can be copied from, and its usual value."""
    found: Any = read_yaml(configs_folder() / file.usual)[0]
    for part in re.findall(r"[^.\[\]]+", where):
        found = found[int(part)] if isinstance(found, list) else found[part]
    value = found[name]
    shown = str(value).lower() if isinstance(value, bool) else value
    what = f"the lines of {name!r}" if isinstance(value, dict | list) else f"`{name}: {shown}`"
    hint = f"Copy {what} from configs/{file.usual} of the planner, its usual value."
    if file.usual == USUAL_PRESET and name not in ("version", "name", "use"):
        hint += " Or write `based_on: plain-band`: what is missing is then taken from there."
    return hint


def _version(top: Mapping[str, Any], file: _Source) -> None:
    if top["version"] != 1:
        raise file.error(f"this planner reads version 1, not {top['version']!r}.", "version")


def _number(value: Any, file: _Source, where: str, *, zero: bool = False) -> float:
    fits = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if not fits or value < 0 or (value == 0 and not zero):
        least = "0 or more" if zero else "above 0"
        raise file.error(f"{value!r} is no number {least}.", where)
    return float(value)


def _text(value: Any, file: _Source, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise file.error(f"{value!r} is no text.", where)
    return value


def _nearest(word: str, names: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(names), n=1)
    return f"Did you mean {near[0]}? " if near else ""
