"""What all answers to a row come to: one ruling, and what contradicts what.

Who wins: a do-not-touch span, then a lock, then what a person typed into the list or the answers
file, then a reply, then rule and tool. Of two answers of the same rank the later one stands. Where
two people disagree, or a ruling cannot be carried out, a finding says so.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from planner.answer.answers import STATE_OF, Entry, Ruling, plan_number, short
from planner.model import Finding
from planner.pitch import note_name
from planner.words.plan_model import Row, State


def rulings_from(
    entries: Iterable[Entry], rows: Iterable[Row] = ()
) -> tuple[dict[str, Ruling], tuple[Finding, ...]]:
    """Bring all answers together, one ruling a row.

    entries: in the order in which they were given, as far as that is known.
    rows: the rows of the last plan: what a lock freezes.

    Gives rulings by row id, and a warning for every contradiction.
    """
    by_id: dict[str, list[Entry]] = {}
    for entry in entries:
        by_id.setdefault(entry.id, []).append(entry)
    # An orphan has lost its numbers: there is nothing in it that a lock could freeze.
    last = {row.id: row for row in rows if row.state != "orphan"}
    rulings = {}
    findings: list[Finding] = []
    for row_id, given in by_id.items():
        ordered = sorted(given, key=_when)
        ruling = _ruling(row_id, ordered)
        row = last.get(row_id)
        if ruling.locked and (row is None or row.locked or not _said_with_the_lock(ordered)):
            ruling = replace(ruling, frozen=row)
        rulings[row_id] = ruling
        findings += _contradictions(ordered, ruling)
    return rulings, tuple(findings)


def _when(entry: Entry) -> tuple[bool, int, bool]:
    """Order answers as they count: by plan, typed ones after replies; without a plan last."""
    return entry.typed and not entry.plan, plan_number(entry.plan), entry.typed


def _ruling(row_id: str, entries: Sequence[Entry]) -> Ruling:
    """What the answers to one row come to, in the order in which they count."""
    told = tuple(zip(entries, _states_that_count(entries), strict=True))
    decided, state = next(
        ((e, said) for e, said in reversed(told) if said is not None), (entries[-1], "new")
    )
    comment = ""
    for e in entries:
        comment = comment if e.comment is None else _with_comment(comment, e)
    return Ruling(
        id=row_id,
        state=state,
        by=_author(told, state),
        comment=comment,
        locked=next((e.locked for e in reversed(entries) if e.locked is not None), False),
        factor=_share_taken(told),
        override=next((e.override for e in reversed(entries) if e.override is not None), None),
        entry=decided,
    )


def _states_that_count(entries: Sequence[Entry]) -> list[State | None]:
    """The state that each answer gives its row; None for words alone and replies to typed rows.

    What a person typed into the list stands until something is typed again.
    """
    states: list[State | None] = []
    typed = False
    for e in entries:
        said = _stand(e) if e.typed or not typed else None
        typed = typed or (said is not None and e.typed)
        states.append(said)
    return states


def _share_taken(told: Sequence[tuple[Entry, State | None]]) -> float:
    """The share of the proposed move: whoever answers to a halved move sees the half."""
    share, halved_in = 1.0, -1
    for e, said in told:
        if said == "new":
            share, halved_in = 1.0, -1
        elif said is not None and e.answer is not None:
            seen = share if plan_number(e.plan) > halved_in else 1.0
            share = 0.5 * seen if e.answer == "half" else seen
            halved_in = plan_number(e.plan) if e.answer == "half" else halved_in
    return share


def _author(told: Sequence[tuple[Entry, State | None]], state: State) -> str:
    """Who stands behind a ruling: who decided last, set a value or typed; else who agrees."""
    by = ""
    for e, said in told:
        if said is not None:
            by = e.by
        if e.by and (e.override is not None or e.typed):
            by = e.by
    # Nobody is said to have refused what he approved.
    agree = (e.by for e, _ in reversed(told) if e.by and _stand(e) in (None, state))
    return by or next(agree, "")


def _stand(entry: Entry) -> State | None:
    """The state that an answer gives its row; None for words and numbers alone."""
    return entry.state or (STATE_OF.get(entry.answer) if entry.answer else None)


def _with_comment(before: str, entry: Entry) -> str:
    """A cell of the list holds all there was; a reply comes below it."""
    said = entry.comment or ""
    if entry.typed or not before:
        return said if said or entry.typed else before
    if not said or said in before.split("\n") or said == before:
        return before
    return f"{before}\n{said}"


def _contradictions(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    """Say in what the answers to one row disagree, and which was taken."""
    return [
        *_two_answers(entries, ruling),
        *_named_twice(entries, ruling),
        *_answered_under_lock(entries, ruling),
    ]


def _two_answers(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    """Two voices that want two things; one that changes its mind contradicts nobody."""
    stated = [e for e in entries if e.answer in STATE_OF or e.state is not None]
    # Each voice counts by what it said last.
    voices = {(e.by, e.typed): e for e in stated}.values()
    in_list = any(e.typed for e in voices)
    # The list knows no half; among replies yes and half are two things.
    wanted = {e.state or STATE_OF[e.answer or "yes"] if in_list else str(e.answer) for e in voices}
    if len(wanted - {"done", "checked", "not-done", "new"}) < 2:
        return []
    said = "; ".join(f"{e.by or 'somebody'} ({_where(e)}): {_said(e)}" for e in voices)
    return [
        _warning(
            ruling,
            what=f"has answers that contradict each other: {said}.",
            did=f"Taken as {ruling.state}{f', by {ruling.by}' if ruling.by else ''}: what is "
            "typed into the list goes before replies, later before earlier.",
        )
    ]


def _said_with_the_lock(entries: Sequence[Entry]) -> bool:
    """Whether who locked a row also refused or halved it in the same plan: that counts first."""
    lock = next((e for e in reversed(entries) if e.locked and e.area is None), None)
    return lock is not None and any(
        e.answer in ("no", "half") and _in_one_breath(e, lock) for e in entries
    )


def _in_one_breath(one: Entry, lock: Entry) -> bool:
    return (one.by, one.plan, one.source) == (lock.by, lock.plan, lock.source)


def _answered_under_lock(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    """A row that is locked, by itself or with its place, and then answered otherwise."""
    lock = next((e for e in reversed(entries) if e.locked), None)
    if not ruling.locked or lock is None:
        return []
    # What was answered to an earlier plan is in the row that was locked; of a place, also what was
    # answered to the same one (`planner.answer.locks.with_locked_rows`).
    since = plan_number(lock.plan) + (lock.area is not None)
    late = [
        e
        for e in entries
        if e.answer in ("no", "half", "ask")
        and plan_number(e.plan) >= since
        and (e.answer == "ask" or not _in_one_breath(e, lock))
    ]
    if not late:
        return []
    return [
        _warning(
            ruling,
            what=f"is locked, and was answered otherwise: {_said(late[-1])}.",
            did="Its numbers and text stay as they are.",
            advice="Take the lock out of the list if the answer shall count.",
        )
    ]


def _named_twice(entries: Sequence[Entry], ruling: Ruling) -> list[Finding]:
    """Two people who name two notes; whoever changes their own mind contradicts nobody."""
    by = {
        e.by: e.override.intended_midi
        for e in entries
        if e.override is not None and e.override.intended_midi is not None
    }
    if len(set(by.values())) < 2:
        return []
    said = "; ".join(f"{who or 'somebody'}: {note_name(midi)}" for who, midi in by.items())
    taken = ruling.override.intended_midi if ruling.override else None
    return [
        _warning(
            ruling,
            what=f"has two names for the note that was meant: {said}.",
            did="" if taken is None else f"Taken as {note_name(taken)}, which was said last.",
        )
    ]


def _warning(
    ruling: Ruling, *, what: str, did: str, advice: str = "Agree on one, and answer again."
) -> Finding:
    return Finding(
        severity="warning", what=f"{ruling.id} {what}", did=did, advice=advice,
        stem=ruling.entry.stem or None,
    )  # fmt: skip


def _said(entry: Entry) -> str:
    said = str(entry.answer or entry.state)
    if entry.comment:
        said += f' "{short(entry.comment)}"'
    return said


def _where(entry: Entry) -> str:
    words = {"sheet": "in the list", "file": "in the answers file"}
    return words.get(entry.source, "in a reply")
