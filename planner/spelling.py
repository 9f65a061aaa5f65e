"""How notes are called: by the key of the place, one way in every output of a plan.

Notes are decided about by their MIDI numbers; names only begin to matter when a plan is finished.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from planner.model import Finding
from planner.pitch import MIXED_NAMES, NoteNames, key_names, note_name, respelled
from planner.plan_model import Judged, Plan
from planner.session_model import KeyMark, Session
from planner.timeline import TempoMap

NO_SHIFTS: Mapping[str, float] = MappingProxyType({})


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

    def at(start_s: float | None, stem: str | None) -> NoteNames:
        if tempo_map is None or start_s is None:
            return first
        return names_at(keys, tempo_map.bar_beat(start_s + shifts.get(stem or "", 0.0))[0])

    rows = []
    for row in plan.rows:
        # A rule, or advice on a chord that comes round, speaks of one key: where it begins.
        names = names_at(keys, row.start_bar)
        midi = row.intended_midi
        rows.append(
            replace(
                row,
                intended=row.intended if midi is None else note_name(midi, names),
                word=respelled(row.word, names),
                target_from=respelled(row.target_from, names),
                in_words=respelled(row.in_words, names),
                reason=respelled(row.reason, names),
            )
        )
    return replace(
        plan,
        rows=tuple(rows),
        judged=tuple(
            _judged(j, at(j.measured.note.start_s, j.measured.note.stem)) for j in plan.judged
        ),
        offenders=tuple(
            replace(
                o,
                intended=respelled(o.intended, names_at(keys, o.start_bar)),
                headline=respelled(o.headline, names_at(keys, o.start_bar)),
                fix=respelled(o.fix, names_at(keys, o.start_bar)),
            )
            for o in plan.offenders
        ),
        stems=tuple(
            replace(s, suspicions=tuple(respelled(text, first) for text in s.suspicions))
            for s in plan.stems
        ),
        findings=tuple(_finding(f, at(f.at_s, f.stem)) for f in plan.findings),
        a4=replace(
            plan.a4, findings=tuple(_finding(f, at(f.at_s, f.stem)) for f in plan.a4.findings)
        ),
    )


def _judged(judged: Judged, names: NoteNames) -> Judged:
    target = judged.target
    return replace(
        judged,
        names=names,
        target=replace(target, target_from=respelled(target.target_from, names)),
        reason=respelled(judged.reason, names),
        clash_words=respelled(judged.clash_words, names),
    )


def _finding(finding: Finding, names: NoteNames) -> Finding:
    return replace(
        finding,
        what=respelled(finding.what, names),
        did=respelled(finding.did, names),
        advice=respelled(finding.advice, names),
    )
