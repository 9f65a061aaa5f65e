"""The entries under ``stems:`` of a session file, each by itself and against the others."""

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from typing import Any

from planner.model import ROLES
from planner.pitch import note_name
from planner.read.guess import guess_from_name
from planner.read.session_values import (
    WRONG,
    Problems,
    code,
    fields,
    list_of,
    nearest,
    note,
    number,
    one_of,
    shown,
    text,
    yes_or_no,
)
from planner.words.roles import role_range_hz
from planner.words.session_model import ProtectedSpan, ScoreRef, StemSpec, Take

MAX_BAR = 100_000  # chosen: beyond any song, so a sample or a tick typed for a bar is caught
MAX_SECONDS = 86_400.0  # chosen: a day, after which file clocks start again
MAX_CAPO = 12  # chosen: an octave; no neck has room for more

bar = number("; bars count from 1", 1, MAX_BAR, whole=True)
seconds = number(" s", 0.0, MAX_SECONDS)
# 2**63 - 1: the time reference in a Broadcast Wave file is 64 bits (EBU Tech 3285).
sample = number(" samples", 0, 2**63 - 1, whole=True)

# Of these standard tuning is assumed where no strings are written (`scope.strings`).
_STANDARD_TUNING = frozenset({"fretted", "bass-fretted", "bass-fretless"})
_SHA256 = re.compile(r"[0-9a-f]{64}")


def _role(problems: Problems, value: object, path: str) -> Any:
    if isinstance(value, str) and value in ROLES:
        return value
    hint = ""
    if isinstance(value, str) and value != "ask":
        # An instrument in one word (bass, drums), else a near spelling (voice-duble), else what the
        # words may name.
        guessed = guess_from_name(value).role
        named = f"Did you mean {guessed!r}? " if guessed is not None else ""
        hint = (value.isalpha() and named) or nearest(value, ROLES, likeness=0.75) or named
    what = "somebody has to say the role" if value == "ask" else f"{shown(value)} is no role"
    return problems.wrong(path, what, f"{hint}Roles: {', '.join(ROLES)}.")


def _sha256(problems: Problems, value: object, path: str) -> Any:
    if isinstance(value, str) and _SHA256.fullmatch(value):
        return value
    what = f"{shown(value)} is no SHA-256"
    hint = "It has 64 digits 0-9 and a-f; delete the line if you do not have it."
    return problems.wrong(path, what, hint)


def _range(problems: Problems, value: object, path: str) -> Any:
    got = list_of(note, example="[A3, F5]")(problems, value, path)
    if got is WRONG:
        return WRONG
    if len(got) != 2:
        return problems.wrong(
            path, f"a range has two notes, not {len(got)}", "For example [A3, F5]."
        )
    if got[0] >= got[1]:
        low, high = note_name(got[0]), note_name(got[1])
        return problems.wrong(path, f"{low} is not below {high}", "Write the lower note first.")
    return got


_SCORE = {
    "file": ("file", text),
    "track": ("track", text),
    # Chosen: three octaves are more than any instrument is written away from its sound.
    "transpose": ("transpose", number(" semitones", -36, 36, whole=True)),
    "later_s": ("later_s", number(" s", -MAX_SECONDS, MAX_SECONDS)),
}


def _score(problems: Problems, value: object, path: str) -> Any:
    if isinstance(value, str):
        value = {"file": value}
    example = "{file: cello_part.mid, track: Cello}"
    read = fields(_SCORE, ScoreRef, required=("file",), example=example)
    return read(problems, value, path)


_LATE_BY_MS = number(" ms", -1000.0 * MAX_SECONDS, 1000.0 * MAX_SECONDS)
_TAKE = {
    "file": ("file", text),
    "label": ("label", text),
    "quality": ("quality", text),
    "late_by_ms": ("late_by_ms", _LATE_BY_MS),
}


_TAKE_EXAMPLE = "{file: takes/lead_t2.wav, label: take 2, quality: good}"
_take = fields(_TAKE, Take, required=("file",), example=_TAKE_EXAMPLE)


def _comp_edges(problems: Problems, value: object, path: str) -> Any:
    got = list_of(seconds, example="[41.30, 88.10]")(problems, value, path)
    if got is not WRONG and any(later <= earlier for earlier, later in pairwise(got)):
        return problems.wrong(path, "these seconds do not rise", "Put them in order.")
    return got


_SPAN = {
    "from_s": ("from_s", seconds),
    "to_s": ("to_s", seconds),
    "from_bar": ("from_bar", bar),
    "to_bar": ("to_bar", bar),
    "note": ("note_id", text),
    "why": ("why", text),
    "who": ("who", text),
}
_SPAN_EXAMPLE = (
    "{from_s: 61.2, to_s: 64.0, why: spoken, who: producer}, {from_bar: 41, to_bar: 42} or "
    "{note: LV-0147}"
)


def _span(problems: Problems, value: object, path: str) -> Any:
    got = fields(_SPAN, example=_SPAN_EXAMPLE)(problems, value, path)
    if got is WRONG or any(key in _SPAN and _SPAN[key][0] not in got for key in _given(value)):
        return WRONG
    where = sorted(set(got) - {"why", "who"})
    if where not in (["from_s", "to_s"], ["from_bar", "to_bar"], ["note_id"]):
        what = "this should say one place, by seconds, by bars or by note"
        hint = f"For example {_SPAN_EXAMPLE}."
        return problems.wrong(path, what, hint)
    if where == ["from_s", "to_s"] and got["to_s"] <= got["from_s"]:
        return problems.wrong(path, f"it ends ({got['to_s']:g} s) before it begins")
    if where == ["from_bar", "to_bar"] and got["to_bar"] < got["from_bar"]:
        return problems.wrong(path, f"it ends (bar {got['to_bar']}) before it begins")
    return ProtectedSpan(**got)


def _given(value: object) -> list[str]:
    return (
        [key for key, item in value.items() if item is not None] if isinstance(value, dict) else []
    )


_STEM = {
    "code": ("code", code),
    "file": ("file", text),
    "role": ("role", _role),
    "sha256": ("sha256", _sha256),
    "sung_with": ("sung_with", code),
    "linked": ("linked", list_of(text, example="[bass_amp.wav]")),
    "measure_from": ("measure_from", text),
    "strings": ("strings", list_of(note, example="[E2, A2, D3, G3, B3, E4]")),
    "capo": ("capo", number("", 0, MAX_CAPO, whole=True)),
    "several_notes": ("several_notes", yes_or_no),
    "follow_keys": ("follow_keys", yes_or_no),
    "range": ("range_midi", _range),
    "score": ("score", _score),
    "side": ("side", one_of("auto", "left", "right", "mid")),
    "late_by_ms": ("late_by_ms", _LATE_BY_MS),
    "start_sample": ("start_smp", sample),
    "takes": ("takes", list_of(_take, example="[{file: takes/lead_t2.wav, label: take 2}]")),
    "comp_edges": ("comp_edges_s", _comp_edges),
    # Chosen: 0.7 is fussy and 1.6 easy; four times either way is a slip.
    "tolerance_factor": ("tolerance_factor", number("", 0.2, 5.0)),
    "do_not_touch": ("do_not_touch", list_of(_span, example=f"[{_SPAN_EXAMPLE}]")),
}  # fmt: skip


def stem(problems: Problems, value: object, path: str) -> Any:
    """Read one entry under ``stems`` into a `StemSpec`; a reader like those of session_values."""
    example = "{code: PNO, file: piano.wav, role: tuning-reference}"
    read = fields(_STEM, required=("code", "file", "role"), example=example)
    got = read(problems, value, path)
    if got is WRONG:
        return WRONG
    spec = StemSpec(line=problems.lines.get(path), **got)
    _check_alone(problems, spec, path)
    return spec


def _check_alone(problems: Problems, spec: StemSpec, path: str) -> None:
    files = (spec.file, *spec.linked)
    for name in sorted({name for name in files if files.count(name) > 1}):
        problems.wrong(f"{path}.linked", f"{name!r} is named twice in this stem")
    for index, take in enumerate(spec.takes):
        if take.file in (*files, *(other.file for other in spec.takes[:index])):
            what = f"{take.file!r} is named twice in this stem"
            hint = "A take is another file than the stem itself."
            problems.wrong(f"{path}.takes[{index}].file", what, hint)
    if spec.measure_from is not None and spec.measure_from not in files:
        hint = f"{nearest(spec.measure_from, files)}Write one of {', '.join(files)}."
        problems.wrong(
            f"{path}.measure_from", f"{spec.measure_from!r} is no file of this stem", hint
        )
    for index, span in enumerate(spec.do_not_touch):
        if span.note_id is not None and not span.note_id.startswith(f"{spec.code}-"):
            what = f"{span.note_id!r} is no note of stem {spec.code}"
            hint = f"Its notes are called {spec.code}-0001 and so on."
            problems.wrong(f"{path}.do_not_touch[{index}].note", what, hint)
    if spec.capo and not spec.strings and spec.role not in _STANDARD_TUNING:
        problems.notice(
            f"{path}.capo: without strings a capo has no effect here",
            "Write the open strings as well.",
            stem=spec.code,
        )
    try:
        role_range_hz(spec)
    except ValueError as error:
        where = "range" if spec.range_midi is not None else "strings"
        problems.wrong(f"{path}.{where}", str(error))


def check_together(problems: Problems, stems: Sequence[StemSpec]) -> None:
    """Check what concerns several stems: codes, files that stand twice, who sings with whom."""
    codes = [spec.code for spec in stems]
    for (i, first), (j, second) in combinations(enumerate(stems), 2):
        if first.code.lower() == second.code.lower():
            line = problems.line(f"stems[{i}].code")
            where = f" in line {line}" if line is not None else ""
            what = f"the code {first.code!r} stands already{where}"
            hint = "Every stem has a code of its own; capitals make no difference."
            problems.wrong(f"stems[{j}].code", what, hint)
        shared = {first.file, *first.linked} & {second.file, *second.linked}
        # The two sides of one file may be two stems.
        if shared and {first.side, second.side} != {"left", "right"}:
            what = f"stems {first.code} and {second.code} both name {sorted(shared)[0]!r}"
            hint = "Name it once; the two sides of a stereo file need side: left and side: right."
            problems.wrong(f"stems[{j}].file", what, hint)
    for i, spec in enumerate(stems):
        others = [name for name in codes if name != spec.code]
        if spec.sung_with is not None and spec.sung_with not in others:
            path = f"stems[{i}].sung_with"
            if spec.sung_with == spec.code:
                problems.wrong(path, "a stem cannot be sung with itself", "Name the lead's code.")
            else:
                hint = f"{nearest(spec.sung_with, others)}Stems: {', '.join(others)}."
                hint = hint if others else "There is no other stem."
                problems.wrong(path, f"there is no stem {spec.sung_with!r}", hint)


def with_start(stems: Sequence[StemSpec], start_smp: int) -> tuple[StemSpec, ...]:
    """Give every stem that does not say its own the start sample of the whole session."""
    return tuple(
        spec if spec.start_smp is not None else replace(spec, start_smp=start_smp) for spec in stems
    )
