"""How notes are called: by the key of the place, one way in every output of a plan.

Notes are decided about by their MIDI numbers; names only begin to matter when a plan is finished.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from types import MappingProxyType
from typing import Any, TypeVar

from planner.answer.answers import short
from planner.model import VOICE_ROLES, Finding, Target
from planner.pitch import MIXED_NAMES, NoteNames, key_names, note_name, respelled
from planner.timeline import TempoMap
from planner.words.plan_model import Judged, Offender, Plan, Row
from planner.words.session_model import KeyMark, Session

NO_SHIFTS: Mapping[str, float] = MappingProxyType({})
Speller = Callable[[str, NoteNames], str]
Record = TypeVar("Record", Row, Judged, Offender, Finding, Target)


def keys_of(session: Session, tempo_map: TempoMap | None) -> tuple[KeyMark, ...]:
    """Give the keys that the session file states, else those of the tempo map's file."""
    if session.keys or tempo_map is None:
        return session.keys
    return tuple(
        KeyMark(
            bar=tempo_map.bar_beat(tempo_map.seconds_of_tick(tick))[0],
            tonic=name.removesuffix("m"),
            mode="minor" if name.endswith("m") else "major",
        )
        for tick, name in tempo_map.keys
    )


def names_at(keys: Sequence[KeyMark], bar: int | None) -> NoteNames:
    """Give the names of the twelve notes in the key of a bar; without a bar, in the first key."""
    if not keys:
        return MIXED_NAMES
    before = [key for key in keys if bar is not None and key.bar <= bar]
    key = before[-1] if before else keys[0]
    return key_names(key.tonic, key.mode)


def spelled(
    plan: Plan, tempo_map: TempoMap | None, shifts: Mapping[str, float] = NO_SHIFTS
) -> Plan:
    """Name every note of a plan by its key; what people wrote themselves is left as it is.

    shifts: stem code to how much later its file starts than the song's clock, s.
    """
    keys = keys_of(plan.session, tempo_map)
    plan = replace(plan, keys=keys)
    if not keys:
        return plan
    first = names_at(keys, None)
    voices = {spec.code for spec in plan.session.stems if spec.role in VOICE_ROLES}
    again = speller(_of_people(plan, voices))

    def at(start_s: float | None, stem: str | None) -> NoteNames:
        if tempo_map is None or start_s is None:
            return first
        return names_at(keys, tempo_map.played_at(start_s + shifts.get(stem or "", 0.0))[0])

    rows = []
    for row in plan.rows:
        # A rule, or advice on a chord that comes round, speaks of one key: where it begins.
        names = names_at(keys, row.start_bar)
        midi = row.intended_midi
        row = replace(row, intended=row.intended if midi is None else note_name(midi, names))
        texts = ("target_from", "in_words", "reason", *(() if row.stem in voices else ("word",)))
        rows.append(_anew(row, again, names, *texts))
    return replace(
        plan,
        rows=tuple(rows),
        judged=tuple(
            _judged(j, at(j.measured.note.start_s, j.measured.note.stem), again)
            for j in plan.judged
        ),
        offenders=tuple(
            _anew(o, again, names_at(keys, o.start_bar), "intended", "headline", "fix")
            for o in plan.offenders
        ),
        stems=tuple(
            replace(s, suspicions=tuple(again(text, first) for text in s.suspicions))
            for s in plan.stems
        ),
        findings=tuple(_finding(f, at(f.at_s, f.stem), again) for f in plan.findings),
        a4=replace(
            plan.a4,
            findings=tuple(_finding(f, at(f.at_s, f.stem), again) for f in plan.a4.findings),
        ),
    )


def speller(of_people: Iterable[str]) -> Speller:
    """Give what names notes anew in a sentence and leaves alone what people wrote.

    Whatever stands in double quotes is left, since comments are told so, and every text of
    ``of_people``; one that is nothing but a note's name is left where it stands in quotes.
    """
    texts = {form for t in of_people for form in (t, " ".join(t.split()), short(t))}
    texts = {t for t in texts if any(respelled(t, one) != t for one in _BOTH_WAYS)}
    kept = [r'"[^"]*"']
    for text in sorted(texts, key=lambda t: (-len(t), t)):
        name = re.escape(text)
        quoted = rf"(?<=['\u2018\u201c]){name}(?=['\u2019\u201d])"
        kept.append(quoted if text in _NAMES else name)
    theirs = re.compile("|".join(kept))

    def again(text: str, names: NoteNames) -> str:
        done, at = [], 0
        for found in theirs.finditer(text):
            done += [respelled(text[at : found.start()], names), found[0]]
            at = found.end()
        return "".join([*done, respelled(text[at:], names)])

    return again


# Every black key has another name in one of these.
_BOTH_WAYS: tuple[NoteNames, ...] = (key_names("Db", "major"), key_names("B", "major"))
_NAMES = frozenset(note_name(midi, names) for names in _BOTH_WAYS for midi in range(128))


def _of_people(plan: Plan, voices: set[str]) -> tuple[str, ...]:
    """Every text that people wrote: the session file's, lyrics, names and comments of answers."""
    said = [text for row in plan.rows for text in (row.by, row.comment)]
    said += [row.word for row in plan.rows if row.stem in voices]
    said += [j.word for j in plan.judged if j.measured.note.stem in voices]
    return tuple(dict.fromkeys([*_texts(plan.session), *said]))


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif is_dataclass(value):
        for one in fields(value):
            yield from _texts(getattr(value, one.name))
    elif isinstance(value, tuple):
        for each in value:
            yield from _texts(each)


def _judged(judged: Judged, names: NoteNames, again: Speller) -> Judged:
    target = _anew(judged.target, again, names, "target_from")
    return _anew(replace(judged, names=names, target=target), again, names, "reason", "clash_words")


def _finding(finding: Finding, names: NoteNames, again: Speller) -> Finding:
    return _anew(finding, again, names, "what", "did", "advice")


def _anew(record: Record, again: Speller, names: NoteNames, *texts: str) -> Record:
    """A record with some of its texts spelled by these names."""
    spelled_texts: Any = {name: again(getattr(record, name), names) for name in texts}
    return replace(record, **spelled_texts)
