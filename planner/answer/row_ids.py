"""Permanent ids of rules, questions and advice: R-001, Q-001, A-001.

A rule is known by its stem, scope, action and pitch (a run of short notes by the notes it covers),
a question by the note it asks about, advice as a rule.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from planner.answer.ledger import Known, Ledger, owner_of, serial_of
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import Action, Judged, Row


def name_rules(
    rules: Sequence[ScopeRule], ledger: Ledger, taken: Collection[str] = ()
) -> dict[str, ScopeRule]:
    """Give every rule its id: the one it had, or the next free number; in the order given.

    taken: ids that other rules of this run have already.
    """
    like = [(_rule_key(r.stem, r.scope, r.action, r.intended_midi), r.covers) for r in rules]
    old = [k for k in ledger if k.kind == "rule" and k.id not in taken]
    return dict(zip(_named(like, old, "R", ledger, taken), rules, strict=True))


def name_rows(rows: tuple[Row, ...], ledger: Ledger) -> tuple[Row, ...]:
    """Give questions and advice the ids they had; a question is known by the note it asks about."""
    for kind, letter in (("question", "Q"), ("advice", "A")):
        own = [row for row in rows if row.kind == kind]
        old = [k for k in ledger if k.kind == kind]
        like = [(_known_key(_known_row(row)), row.covers) for row in own]
        ids = iter(_named(like, old, letter, ledger))
        rows = tuple(replace(row, id=next(ids)) if row.kind == kind else row for row in rows)
    return rows


def with_rows(ledger: Ledger, rows: Iterable[Row], planned_stems: Iterable[str]) -> Ledger:
    """Write down the rules, questions and advice of this run; what was known and is gone stays.

    Those of a stem that was left out of this run stay as they were.
    """
    before = {known.id: known for known in ledger}
    now = {
        row.id: _known_row(row, before.get(row.id))
        for row in rows
        if row.kind != "note" and row.state != "orphan"
    }
    codes = set(planned_stems)
    others = []
    for known in ledger:
        if known.kind == "note":
            others.append(known)
        else:
            gone = replace(known, here=known.here and known.stem not in codes)
            others.append(now.pop(known.id, gone))
    return (*others, *now.values())


def notes_from(judged: Iterable[Judged], ledger: Ledger) -> Ledger:
    """Put the intended notes that the plan settled on into the ledger, in place of the guesses."""
    meant = {j.measured.id: j.target.intended_midi for j in judged}
    return tuple(
        replace(k, midi=meant[k.id]) if k.kind == "note" and k.id in meant else k for k in ledger
    )


_Key = tuple[object, ...]


def _rule_key(stem: str, scope: object, action: object, midi: int | None) -> _Key:
    return stem, scope, action, midi


def _known_key(known: Known) -> _Key:
    if known.kind == "question":
        return known.stem, known.covers
    return _rule_key(known.stem, known.scope, known.action, known.midi)


def _named(
    like: Sequence[tuple[_Key, tuple[str, ...]]],
    old: Sequence[Known],
    letter: str,
    ledger: Ledger,
    taken: Collection[str] = (),
) -> list[str]:
    pairs = []
    for k, (key, covers) in enumerate(like):
        for known in old:
            share = _common_share(covers, known.covers)
            # A run of short notes is told from the next one by the notes it covers.
            if _known_key(known) == key and (share > 0 or known.scope != "passage"):
                pairs.append((not known.here, -share, serial_of(known.id), known.id, k))
    ids: dict[int, str] = {}
    for *_, known_id, k in sorted(pairs):
        if k not in ids and known_id not in ids.values():
            ids[k] = known_id
    ids_used = [k.id for k in ledger if owner_of(k.id) == letter] + list(taken)
    serial = max((serial_of(used) for used in ids_used), default=0)
    for k in range(len(like)):
        if k not in ids:
            serial += 1
            ids[k] = f"{letter}-{serial:03d}"
    return [ids[k] for k in range(len(like))]


def _common_share(one: Sequence[str], other: Sequence[str]) -> float:
    union = len({*one, *other})
    return len({*one} & {*other}) / union if union else 0.0


def _known_row(row: Row, before: Known | None = None) -> Known:
    action: Action | None = None if row.kind == "question" else row.action
    scope = row.scope
    if row.kind == "rule" and before is not None:
        # Known by what the planner found, though a person refused it or gave it its bars.
        scope, action = before.scope, before.action
    return Known(
        id=row.id,
        kind=row.kind,
        stem=row.stem,
        scope=scope,
        action=action,
        midi=row.intended_midi,
        start_s=None if row.start_s is None else round(row.start_s, 4),
        end_s=None if row.end_s is None else round(row.end_s, 4),
        covers=row.covers,
    )
