"""What changed from one plan to the next: rows that are new, gone, or move by something else."""

from collections import Counter
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from planner.answer.answers import largest_move
from planner.words.plan_model import MOVING_ACTIONS, Judged, Row, Since
from planner.words.wording import raise_or_lower, row_place

_NOTHING: Mapping[str, Judged] = MappingProxyType({})
_NAMED = 3  # chosen: rows that a line names in place of one that is gone
CHANGED_CENTS = 4.0  # chosen: less is scatter of the readings, not another decision


def changes_since(
    name: str,
    before: Sequence[Row],
    now: Sequence[Row],
    left_out: Sequence[str] = (),
    judged: Mapping[str, Judged] = _NOTHING,
) -> Since:
    """Compare two plans row by row; ids are permanent.

    name: of the earlier plan's folder.
    left_out: stems that one of the two plans left out: nothing is said about them.
    judged: note id -> what the later plan decided about it: why a row is gone.
    """

    def compared(rows: Sequence[Row]) -> dict[str, Row]:
        return {r.id: r for r in rows if r.stem not in left_out and r.state != "orphan"}

    old, new = compared(before), compared(now)
    both = [(old[i], row) for i, row in new.items() if i in old]
    acted = [(was, row) for was, row in both if was.action != row.action]
    changed = [(was, row) for was, row in both if was.action == row.action and _moved(was, row)]
    return Since(
        name=name,
        new=tuple(_row_words(row) for i, row in new.items() if i not in old),
        gone=tuple(
            f"{_row_words(row)}; {_why_gone(row, now, judged)}"
            for i, row in old.items()
            if i not in new
        ),
        changed=tuple(_from_to(was, row) for was, row in changed),
        acted=tuple(_from_to(was, row) for was, row in acted),
    )


def since_sentence(since: Since) -> str:
    """Say the counts: "since plan_01: 3 new, 2 gone, 5 changed by > 4 cents"."""
    if not anything(since):
        return f"Since {since.name}: nothing changed."
    counts = [
        f"{len(since.new)} new",
        f"{len(since.gone)} gone",
        f"{len(since.changed)} changed by > {CHANGED_CENTS:g} cents",
    ]
    if since.acted:
        counts.append(f"{len(since.acted)} of another action")
    return f"Since {since.name}: {', '.join(counts)}."


def gone_sentence(since: Since) -> str:
    """Name the rows that are gone, which nobody misses who is not told; empty where none is."""
    names = [words.split(maxsplit=1)[0] for words in since.gone]
    if not names:
        return ""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"Gone: {', '.join(names[:_NAMED])}{more}; summary.md says what became of them."


def anything(since: Since) -> bool:
    """Whether two plans differ at all."""
    return bool(since.new or since.gone or since.changed or since.acted)


def _moved(old: Row, new: Row) -> bool:
    then, now = largest_move(old), largest_move(new)
    return then is not None and now is not None and round(abs(now - then), 1) > CHANGED_CENTS


def _from_to(old: Row, new: Row) -> str:
    return f"{_where(new)}: {_move(old)} before, {_move(new)} now"


def _row_words(row: Row) -> str:
    return f"{_where(row)}: {_move(row)}"


def _why_gone(row: Row, now: Sequence[Row], judged: Mapping[str, Judged]) -> str:
    """What became of the notes of a row that is gone."""
    notes = [judged[note_id] for note_id in row.covers if note_id in judged]
    if not notes:
        return "nothing is heard there any more"
    others = Counter(
        r.id
        for n in notes
        for r in now
        if n.measured.id in r.covers and (r.kind != "rule" or r.action in MOVING_ACTIONS)
    )
    moved = ", ".join(row_id for row_id, _ in others.most_common(_NAMED))
    if row.kind == "rule" or len(notes) > 1:
        return f"its notes are in {moved} now" if moved else "its notes are left now"
    by_itself = "left" if notes[0].action == "leave" else notes[0].action
    what = f"in {moved}, and by itself " if moved else ""
    return f"now {what}{by_itself}: {notes[0].reason}"


def _where(row: Row) -> str:
    intended = f", {row.intended}" if row.intended else ""
    return f"{row.id} ({row.stem}, {row_place(row)}{intended})"


def _move(row: Row) -> str:
    cents = largest_move(row)
    if cents is None:
        return row.action
    said = raise_or_lower(cents)
    return said if row.add_cents is not None else f"{said} at the most ({row.action})"
