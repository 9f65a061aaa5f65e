"""The tables of the tuning summary: what minutes buy, stems, keys, pitches, strings, what stays."""

from collections import Counter
from dataclasses import dataclass

from planner.pitch import A4_MIDI, note_name
from planner.scope.strings import FRETTED_ROLES, tuning_of
from planner.target.tuner import strings_told, strings_words
from planner.timeline import TempoMap
from planner.words.plan_model import Judged, Plan
from planner.words.spelling import names_at
from planner.words.wording import amount, count, flat_or_sharp, give_or_take, percent
from planner.write.along_song import along_song
from planner.write.asking import not_asked
from planner.write.in_short import coverage_sentence
from planner.write.markdown import plain, table
from planner.write.relief import RELIEF_HEAD, relief_rows
from planner.write.tally import Group, PitchBias, last_against_first, left_on_purpose, not_measured


def minutes_table(plan: Plan) -> list[str]:
    """Lay out what clears how many sour seconds, and who is farther out where parts beat."""
    rows = relief_rows(plan)
    if not rows and not plan.named:
        return []
    about = (
        "Sour seconds are the time with a beating that can be heard or with a held note beyond its "
        "tolerance; the list of offenders is in the order in which its lines clear most of them."
    )
    lines = ["## What the minutes buy", "", about, ""]
    lines += table(RELIEF_HEAD, rows) if rows else ["No edit clears any of them."]
    if plan.named:
        told = "; ".join(
            f"{code} in {count(times, 'clash', 'clashes')} ({amount(lasts_s)} s)"
            for code, times, lasts_s in plan.named
        )
        lines += ["", f"Where two parts beat, the one further out of tune, as recorded: {told}."]
    return lines


def stems_table(plan: Plan) -> list[str]:
    """Lay out each stem: how much of it was measured, where it sits, what may lie behind it."""
    stems = plan.stems
    if not stems:
        return []
    later = last_against_first(plan)
    head = (
        "stem", "role", "notes", "measured", "of the time", "heard", "spread (cents)",
        "start against sustain", "last third against first", "edits",
    )  # fmt: skip
    rows = [
        (
            s.code,
            s.role,
            str(s.notes),
            str(s.measured),
            "" if s.measured_time_share is None else percent(s.measured_time_share),
            ""
            if s.offset_cents is None
            else flat_or_sharp(s.offset_cents) + give_or_take(s.offset_uncertainty_cents),
            "" if s.spread_cents is None else amount(s.spread_cents),
            ""
            if s.onset_minus_sustain_cents is None
            else flat_or_sharp(s.onset_minus_sustain_cents).replace("in tune", "alike"),
            _later(later.get(s.code)),
            str(s.edits),
        )
        for s in stems
    ]
    suspected = [f"- {s.code}: {plain(words)}" for s in stems for words in s.suspicions]
    if suspected:
        suspected = ["", "What may lie behind these figures:", "", *suspected]
    return ["## Stem by stem", "", *table(head, rows), *suspected]


def _later(found: tuple[float, float] | None) -> str:
    if found is None:
        return ""
    cents, doubt = found
    return flat_or_sharp(cents).replace("in tune", "alike") + give_or_take(doubt)


def along_table(plan: Plan, tempo_map: TempoMap | None) -> list[str]:
    """Lay out where each part sits in each stretch of the song."""
    found = along_song(plan, tempo_map)
    if found is None:
        return []
    bars = found.unit == "bars"
    head = ("stem", *(f"{'bar' if bars else 's'} {_stretch(a, b)}" for a, b in found.stretches))
    rows = [
        (part.stem, *("" if at is None else flat_or_sharp(at.cents) for at in part.at))
        for part in found.parts
    ]
    note = (
        "The middle of each part's notes, as recorded; blank where it rests. What all parts share "
        "is the song's, what one does alone is its own; drawn in review.html."
    )
    return ["## Along the song", "", note, "", *table(head, rows)]


def _stretch(first: int, last: int) -> str:
    return f"{first}" if first == last else f"{first} to {last}"


def keys_table(plan: Plan) -> list[str]:
    """Lay out the keys of the fixed instruments that stand out or beat, and the A's."""
    told = [
        k for k in plan.a4.keys if k.stands_out or strings_told(k) or k.midi % 12 == A4_MIDI % 12
    ]
    if not told:
        return []
    off = ("off the instrument's own curve", "against the keys around it")
    head = ("stem", "key", "notes", *off, "strings")
    rows = [
        (
            k.stem,
            note_name(k.midi, names_at(plan.keys, None)),
            str(k.notes),
            flat_or_sharp(k.mean_cents) + give_or_take(k.uncertainty_cents),
            flat_or_sharp(k.beside_cents) + (" (stands out)" if k.stands_out else ""),
            strings_words(k, plan.a4.a4_hz),
        )
        for k in told
    ]
    note = (
        f"The A's and whatever stands out, of {count(len(plan.a4.keys), 'key')} heard. "
        "A part with follow_keys: true is tuned to each key as it stands."
    )
    return ["## Keys of the reference", "", note, "", *table(head, rows)]


def pitches_table(biases: tuple[PitchBias, ...]) -> list[str]:
    """Lay out each pitch that comes often enough: where it sits."""
    if not biases:
        return []
    head = ("stem", "pitch", "MIDI", "notes", "sits", "on that side")
    rows = [
        (
            b.stem,
            b.name,
            str(b.midi),
            str(b.notes),
            flat_or_sharp(b.mean_cents) + give_or_take(b.uncertainty_cents),
            percent(b.same_side),
        )
        for b in biases
    ]
    return ["## Pitch by pitch", "", *table(head, rows)]


def strings_tables(plan: Plan) -> list[str]:
    """Lay out the strings and frets of each fretted stem."""
    lines: list[str] = []
    for grid in string_grids(plan):
        lines += ["", f"{grid.stem}: {grid.sentence}"]
        if grid.rows:
            lines += ["", *table(grid.head, grid.rows)]
    if not lines:
        return []
    note = "Notes in each place, and how they sit on the average; frets count from the nut."
    return ["## String by string", "", note, *lines]


def _group_row(group: Group) -> tuple[str, ...]:
    """Give one group of notes as table cells: notes, why, rule, stems."""
    stems = ", ".join(group.stems)
    return tuple(plain(cell) for cell in (str(group.notes), group.reason, group.rule_name, stems))


def left_table(plan: Plan) -> list[str]:
    """Lay out the measured notes that stay as they are, by why."""
    rows = [_group_row(group) for group in left_on_purpose(plan)]
    head = ("notes", "why (most of them)", "rule", "stems")
    lines = table(head, rows) if rows else ["No measured note was left alone."]
    aside = [s.code for s in plan.session.stems if s.role == "exclude"]
    if aside:
        lines += ["", f"Not listened to, by their role: {', '.join(aside)}."]
    return ["## Left on purpose", "", *lines]


def unsettled_table(plan: Plan) -> list[str]:
    """Lay out the notes that are not settled though nobody is asked, by why."""
    rows = [_group_row(group) for group in not_asked(plan)]
    if not rows:
        return []
    about = (
        "Left as recorded, and nobody is asked: where no answer would change the plan (listen, and "
        "take another take if one is better), or where longer notes are asked about first. Each "
        "stands in the edit list as a question, and can be answered there."
    )
    head = ("notes", "why", "rule", "stems")
    return ["## Not settled", "", about, "", *table(head, rows)]


def unmeasured_table(plan: Plan) -> list[str]:
    """Say how much was measured, and what stood in the way of the rest."""
    lines = [coverage_sentence(plan)]
    groups = not_measured(plan)
    if groups:
        rows = [(str(g.notes), plain(g.reason), ", ".join(g.stems)) for g in groups]
        lines += ["", *table(("notes", "because", "stems"), rows)]
    return ["## Could not be measured", "", *lines]


# ---------------------------------------------------------------- string by string


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
                note_name(at, names),
                *(_cell([j for j in told if (j.string_midi, j.fret) == (at, f)]) for f in frets),
                _cell([j for j in told if j.string_midi == at]),
            )
            for at in strings
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
        for n, why in ((alike, "may be on more than one"), (blank, "with nothing to tell by"))
        if n
    ]
    said = f"String and fret are known for {firm + fair or 'none'} of {count(len(judged), 'note')}"
    said += "; ".join([f" ({sure})" if sure else "", *rest]) + "."
    if len(strings) == 1:
        said += f" All are on the {strings[0]} string: there is no other to compare it with."
    return said
