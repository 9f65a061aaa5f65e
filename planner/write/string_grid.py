"""Strings against frets: how many notes each place got, how they sit, how many are told."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from planner.pitch import note_name
from planner.scope.strings import FRETTED_ROLES, tuning_of
from planner.words.plan_model import Judged, Plan
from planner.words.spelling import names_at
from planner.words.wording import count, flat_or_sharp


@dataclass(frozen=True, slots=True, kw_only=True)
class StringGrid:
    """One fretted stem's table; cells are texts, blank where no note was told there."""

    stem: str
    head: tuple[str, ...]  # "string", then frets
    rows: tuple[tuple[str, ...], ...]  # highest string first; none where all are on one
    sentence: str  # how many notes were told, and what was assumed


def string_grids(plan: Plan) -> tuple[StringGrid, ...]:
    """Give a table for each fretted stem with notes; errors are as recorded, before any edit."""
    grids = []
    names = names_at(plan.keys, None)
    for spec in plan.session.stems:
        own = [j for j in plan.judged if j.measured.note.stem == spec.code]
        chords = spec.role == "fretted-chords" and spec.strings
        if (spec.role not in FRETTED_ROLES and not chords) or not own:
            continue
        told = [j for j in own if j.string_midi is not None]
        frets = sorted({j.fret for j in told if j.fret is not None})
        strings = sorted({j.string_midi for j in told if j.string_midi is not None}, reverse=True)
        rows = tuple(
            (
                note_name(string, names),
                *(
                    _cell([j for j in told if (j.string_midi, j.fret) == (string, f)])
                    for f in frets
                ),
                _cell([j for j in told if j.string_midi == string]),
            )
            for string in strings
        )
        sentence = _told_sentence(own, [note_name(string, names) for string in strings])
        if not spec.strings:
            open_notes = " ".join(note_name(m, names) for m in tuning_of(spec.role, spec))
            sentence += f" Its strings are not in the session file: {open_notes} is assumed."
        grids.append(
            StringGrid(
                stem=spec.code,
                head=("string", *(f"fret {f}" for f in frets), "all"),
                rows=rows if len(strings) > 1 else (),
                sentence=sentence,
            )
        )
    return tuple(grids)


def _cell(judged: list[Judged]) -> str:
    """Count and mean error of the notes in one place: ``3: 9 flat``."""
    if not judged:
        return ""
    errors = [j.heard_cents for j in judged if j.heard_cents is not None]
    said = flat_or_sharp(sum(errors) / len(errors)) if errors else "not measured"
    return f"{len(judged)}: {said}"


def _told_sentence(judged: list[Judged], strings: list[str]) -> str:
    """Say how many notes were told, and why there is no table: one string compares with none."""
    told = Counter(j.string_confidence for j in judged)
    firm, fair, alike = told["firm"], told["fair"], told["not told apart"]
    blank = len(judged) - firm - fair - alike
    sure = ", ".join(f"{n} {word}" for n, word in ((firm, "surely"), (fair, "fairly")) if n)
    rest = [
        f"{n} {why}"
        for n, why in (
            (alike, "may be on more than one"),
            (blank, "with nothing to tell by"),
        )
        if n
    ]
    said = f"String and fret are known for {firm + fair or 'none'} of {count(len(judged), 'note')}"
    said += "; ".join([f" ({sure})" if sure else "", *rest]) + "."
    if len(strings) == 1:
        said += f" All are on the {strings[0]} string: there is no other to compare it with."
    return said
