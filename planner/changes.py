"""What changed from one plan to the next: rows that are new, gone, or move by something else."""

from __future__ import annotations

from collections.abc import Sequence

from planner.answers import largest_move
from planner.plan_model import Row, Since
from planner.wording import place, raise_or_lower

CHANGED_CENTS = 4.0  # chosen: less is scatter of the readings, not another decision


def changes_since(
    name: str,
    before: Sequence[Row],
    now: Sequence[Row],
    left_out: Sequence[str] = (),
) -> Since:
    """Compare two plans row by row; ids are permanent.

    Parameters
    ----------
    name : str
        Of the earlier plan's folder.
    left_out : sequence of str
        Stems that one of the two plans left out: nothing is said about them.
    """

    def compared(rows: Sequence[Row]) -> dict[str, Row]:
        return {r.id: r for r in rows if r.stem not in left_out and r.state != "orphan"}

    old, new = compared(before), compared(now)
    return Since(
        name=name,
        new=tuple(_told(row) for i, row in new.items() if i not in old),
        gone=tuple(_told(row) for i, row in old.items() if i not in new),
        changed=tuple(
            f"{_where(row)}: {_move(old[i])} before, {_move(row)} now"
            for i, row in new.items()
            if i in old and _differs(old[i], row)
        ),
    )


def since_sentence(since: Since) -> str:
    """Say the counts: "since plan_01: 3 new, 2 gone, 5 changed by > 4 cents"."""
    if not (since.new or since.gone or since.changed):
        return f"Since {since.name}: nothing changed."
    return (
        f"Since {since.name}: {len(since.new)} new, {len(since.gone)} gone, "
        f"{len(since.changed)} changed by > {CHANGED_CENTS:g} cents."
    )


def _differs(old: Row, new: Row) -> bool:
    then, now = largest_move(old), largest_move(new)
    if then is None or now is None:
        return (then is None) != (now is None) or old.action != new.action
    return round(abs(now - then), 1) > CHANGED_CENTS


def _told(row: Row) -> str:
    return f"{_where(row)}: {_move(row)}"


def _where(row: Row) -> str:
    intended = f", {row.intended}" if row.intended else ""
    return f"{row.id} ({row.stem}, {place(row.start_bar, row.start_beat, row.start_s)}{intended})"


def _move(row: Row) -> str:
    cents = largest_move(row)
    if cents is None:
        return row.action
    said = raise_or_lower(cents)
    return said if row.add_cents is not None else f"{said} at the most ({row.action})"
