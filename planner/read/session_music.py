"""The fields of a session file that speak of the music: bars, tempo, keys, temperament, sections.

Public names are readers like those of session_values.
"""

import re
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from planner.read.session_stems import bar
from planner.read.session_values import (
    WRONG,
    Problems,
    fields,
    list_of,
    nearest,
    number,
    one_of,
    shown,
    text,
)
from planner.temperament import PITCH_CLASSES, TEMPERAMENTS, table_cents
from planner.timeline import BPM_RANGE, tempo_map_from_marks
from planner.words.chord_symbols import chord_symbol
from planner.words.session_model import ChordMark, KeyMark, LyricLine, Section, TempoMark

# Major, minor and the church modes: common practice, no source.
MODES = (
    "major", "minor", "ionian", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian",
)  # fmt: skip
EXPOSURES = ("bare", "featured", "normal", "dense")

_METER = re.compile(r"([0-9]{1,3})/([0-9]{1,2})")
_TONIC = re.compile(r"[A-G](#|b|♯|♭)?")


def _meter(problems: Problems, value: object, path: str) -> Any:
    match = _METER.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        return problems.wrong(path, f"{shown(value)} is no meter", "Write it as 4/4 or 7/8.")
    return int(match[1]), int(match[2])


_MARK = {
    "bar": ("bar", bar),
    "bpm": ("bpm", number(" quarter notes a minute", *BPM_RANGE)),
    "meter": ("meter", _meter),
}
_MARK_EXAMPLE = "{bar: 1, bpm: 92, meter: 4/4}"


def tempo_map(problems: Problems, value: object, path: str) -> Any:
    """Read a tempo map: the path of a MIDI file, or marks bar by bar."""
    if isinstance(value, str):
        name = text(problems, value, path)
        return WRONG if name is WRONG else {"tempo_file": name}
    example = f"[{_MARK_EXAMPLE}], or the path of a MIDI file"
    mark = fields(_MARK, required=("bar",), example=_MARK_EXAMPLE)
    rows = list_of(mark, example=example)(problems, value, path)
    if rows is WRONG:
        return WRONG
    if rows and "bpm" not in rows[0]:
        if isinstance(value, list) and isinstance(value[0], dict) and "bpm" in value[0]:
            return WRONG  # it is there, and was refused
        return problems.wrong(f"{path}[0].bpm", "this is missing", f"For example {_MARK_EXAMPLE}.")
    marks: list[TempoMark] = []
    for row in rows:
        # What a later mark does not say goes on as it was.
        before = {"bpm": marks[-1].bpm, "meter": marks[-1].meter} if marks else {}
        marks.append(TempoMark(**{**before, **row}))
    try:
        tempo_map_from_marks(marks, bar_one_at_s=0.0)
    except ValueError as error:
        return problems.wrong(path, str(error))
    return {"tempo_marks": tuple(marks)}


def _tonic(problems: Problems, value: object, path: str) -> Any:
    if isinstance(value, str) and _TONIC.fullmatch(value):
        return value
    return problems.wrong(
        path, f"{shown(value)} is no tonic", "Write a capital letter, and # or b: D, F#, Bb."
    )


_KEY = {"bar": ("bar", bar), "tonic": ("tonic", _tonic), "mode": ("mode", one_of(*MODES))}
_KEY_EXAMPLE = "{bar: 1, tonic: D, mode: major}"


def keys(problems: Problems, value: object, path: str) -> Any:
    """Read the keys, bar by bar."""
    if value in ("none", "ask"):
        return ()
    example = f"[{_KEY_EXAMPLE}], or none"
    mark = fields(_KEY, KeyMark, required=_KEY, example=_KEY_EXAMPLE)
    marks = list_of(mark, example=example)(problems, value, path)
    if marks is WRONG:
        return WRONG
    for index, (before, after) in enumerate(pairwise(marks)):
        if after.bar <= before.bar:
            what = f"bar {after.bar} comes after bar {before.bar}"
            hint = "Put the keys in order of bars."
            return problems.wrong(f"{path}[{index + 1}].bar", what, hint)
    return marks


_CENTS = number(" cents", -100.0, 100.0)
_SAME_NOTE = {
    "Db": "C#", "D#": "Eb", "Gb": "F#", "Ab": "G#", "A#": "Bb", "Fb": "E", "Cb": "B", "E#": "F",
    "B#": "C",
}  # fmt: skip


def _root(problems: Problems, value: object, path: str) -> Any:
    got = _tonic(problems, value, path)
    if got is WRONG:
        return WRONG
    plain = got.replace("♯", "#").replace("♭", "b")
    return _SAME_NOTE.get(plain, plain)


_SCALE_FILE = {"file": ("temperament_file", text), "root": ("temperament_root", _root)}


def temperament(problems: Problems, value: object, path: str) -> Any:
    """Read a temperament: its name, a scale file and its root, or twelve cents off equal."""
    if isinstance(value, str):
        if value in TEMPERAMENTS:
            return {"temperament": value}
        return problems.wrong(
            path,
            f"{value!r} is no temperament known here",
            f"{nearest(value, TEMPERAMENTS)}Write one of {', '.join(TEMPERAMENTS)}, a list of "
            "12 cents off equal, C first, or {file: my.scl, root: C}.",
        )
    if isinstance(value, Mapping) and ("file" in value or "root" in value):
        example = "{file: my.scl, root: C}"
        read = fields(_SCALE_FILE, required=("file",), example=example)
        got = read(problems, value, path)
        # The table itself is in the file, which is read with the session's.
        return WRONG if got is WRONG else {"temperament": "table", **got}
    if isinstance(value, Mapping):
        table = {name: (name, _CENTS) for name in PITCH_CLASSES}
        example = ", ".join(f"{name}: 0.0" for name in PITCH_CLASSES)
        read = fields(table, required=PITCH_CLASSES, example=example)
        got = read(problems, value, path)
        cents = WRONG if got is WRONG else tuple(got.get(name) for name in PITCH_CLASSES)
    else:
        example = "[0, -2, 4, ...], twelve cents off equal, C first"
        cents = list_of(number(" cents", -1e9, 1e9), example=example)(problems, value, path)
    if cents is WRONG:
        return WRONG
    try:
        table_cents(cents)
    except ValueError as error:
        return problems.wrong(path, str(error))
    return {"temperament": "table", "temperament_table": cents}


_SECTION = {
    "name": ("name", text),
    "from_bar": ("from_bar", bar),
    "to_bar": ("to_bar", bar),
    "exposure": ("exposure", one_of(*EXPOSURES)),
    "tolerance_factor": ("tolerance_factor", number("", 0.2, 5.0)),
}
_SECTION_EXAMPLE = "{name: verse 1, from_bar: 3, to_bar: 18, exposure: bare}"


def _section(problems: Problems, value: object, path: str) -> Any:
    needed = ("name", "from_bar", "to_bar")
    read = fields(_SECTION, Section, required=needed, example=_SECTION_EXAMPLE)
    got = read(problems, value, path)
    if got is not WRONG and got.to_bar < got.from_bar:
        return problems.wrong(path, f"it ends (bar {got.to_bar}) before it begins")
    return got


_LYRIC = {
    "bar": ("bar", bar),
    "beat": ("beat", number(" beats", 1.0, 256.0)),
    "words": ("words", text),
}


def _symbol(problems: Problems, value: object, path: str) -> Any:
    got = text(problems, value, path)
    if got is WRONG:
        return WRONG
    try:
        return chord_symbol(got)
    except ValueError as error:
        return problems.wrong(
            path, f"{error}", "Write it as D, F#m7, Gsus4, Bbmaj7/D, Cdim or N.C. for none."
        )


_CHORD = {
    "bar": ("bar", bar),
    "beat": ("beat", number(" beats", 1.0, 256.0)),
    "symbol": ("symbol", _symbol),
}


_CHORD_FILE = {"file": ("chords_file", text), "track": ("chords_track", text)}
_CHORD_FILE_EXAMPLE = "{file: chords.mid, track: Chords}"


def chords(problems: Problems, value: object, path: str) -> Any:
    """Read the chords, each from its bar and beat on, or the score that plays them."""
    if isinstance(value, str):
        return problems.wrong(
            path, f"{value!r} is no list of chords", f"For a score write {_CHORD_FILE_EXAMPLE}."
        )
    if isinstance(value, Mapping):
        # The chords themselves are in the file, which is read with the session's.
        read = fields(_CHORD_FILE, required=("file",), example=_CHORD_FILE_EXAMPLE)
        return read(problems, value, path)
    example = "{bar: 3, beat: 1, symbol: Dm7}"
    chord = fields(_CHORD, ChordMark, required=("bar", "symbol"), example=example)
    marks = list_of(chord, example=f"[{example}]")(problems, value, path)
    if marks is WRONG:
        return WRONG
    marks = _rising(problems, marks, path, "chords")
    return WRONG if marks is WRONG else {"chords": marks}


def _rising(problems: Problems, marks: Any, path: str, what: str) -> Any:
    for index, (before, after) in enumerate(pairwise(marks)):
        if (after.bar, after.beat) <= (before.bar, before.beat):
            return problems.wrong(
                f"{path}[{index + 1}]",
                f"bar {after.bar} beat {after.beat:g} comes after bar {before.bar} beat "
                f"{before.beat:g}",
                f"Put the {what} in order of bars.",
            )
    return marks


def lyrics(problems: Problems, value: object, path: str) -> Any:
    """Read the lyrics, line by line."""
    example = "{bar: 3, beat: 1, words: low tide}"
    line = fields(_LYRIC, LyricLine, required=("bar", "words"), example=example)
    lines = list_of(line, example="[{bar: 3, words: low tide}]")(problems, value, path)
    return WRONG if lines is WRONG else _rising(problems, lines, path, "lines")


sections = list_of(_section, example=f"[{_SECTION_EXAMPLE}]")
