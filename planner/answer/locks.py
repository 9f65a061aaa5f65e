"""Locks over more than one row: a whole stem, a stretch of bars, a section of the song.

What stands in such a place stays as it stands, and nothing new is planned there.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from planner.answer.answers import STATE_OF, Area, Entry, Rulings
from planner.words.plan_model import MOVING_ACTIONS, Row
from planner.words.session_model import Section

_BARS = re.compile(r"\s*\bbars?\s+(\d+)(?:\s*(?:-|\u2013|to)\s*(\d+))?\s*", re.IGNORECASE)


def area_said(
    text: str, codes: Iterable[str], sections: Sequence[Section]
) -> tuple[Area | None, str]:
    """Read a place in words: "BAS", "bars 12-16", "BAS bars 12 to 16", "verse 1".

    Gives the place, or None and a sentence where it is no such place.
    """
    found = _BARS.search(text)
    bars = (int(found[1]), int(found[2] or found[1])) if found else None
    rest = (text[: found.start()] + " " + text[found.end() :] if found else text).strip()
    if bars is not None and bars[0] > bars[1]:
        return None, f"bars {bars[0]}-{bars[1]} end before they begin"
    codes = tuple(codes)
    stem = next((code for code in codes if code.casefold() == rest.casefold()), "")
    if rest and not stem:
        named = next((s for s in sections if s.name.casefold() == rest.casefold()), None)
        if named is None or bars is not None:
            names = ", ".join([*codes, *(s.name for s in sections)])
            return None, f"no stem, section or row is called {rest!r}; there are {names}"
        bars = (named.from_bar, named.to_bar)
    if not stem and bars is None:
        return None, "say what: a stem, bars, a section or a row"
    first, last = bars or (None, None)
    return Area(stem=stem, from_bar=first, to_bar=last), ""


def area_words(area: Area) -> str:
    """Name a place as a reply does."""
    if area.from_bar is None:
        return area.stem
    return f"{area.stem} {bars_words((area.from_bar, area.to_bar))}".strip()


def bars_words(bars: tuple[int, int | None]) -> str:
    """Say a stretch of bars: "bars 19-34", "bar 12", "from bar 19 on"."""
    first, last = bars
    if last is None:
        return f"from bar {first} on"
    return f"bar {first}" if first == last else f"bars {first}-{last}"


def lies_inside(area: Area, stem: str, first_bar: int | None, last_bar: int | None) -> bool:
    """Whether something lies wholly in a place; without a tempo map no bar lies anywhere."""
    if area.stem and area.stem != stem:
        return False
    if area.from_bar is None or area.to_bar is None:
        return True
    if first_bar is None or last_bar is None:
        return False
    return area.from_bar <= first_bar and last_bar <= area.to_bar


def rows_inside(area: Area, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Give the rows that a lock over a place freezes: rules that lie wholly in it, and notes."""
    return tuple(
        row
        for row in rows
        if row.kind in ("rule", "note")
        and row.state != "orphan"
        # A note belongs to the bar in which it begins, however long it lasts.
        and lies_inside(
            area, row.stem, row.start_bar, row.end_bar if row.kind == "rule" else row.start_bar
        )
    )


def questions_inside(area: Area, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Give the open questions about notes that begin in a place: a lock ends them."""
    return tuple(
        row
        for row in rows
        if row.kind == "question"
        and row.covers
        and row.state == "new"
        and lies_inside(area, row.stem, row.start_bar, row.start_bar)
    )


def moved_inside(
    area: Area, rows: Iterable[Row], bars: Mapping[str, int]
) -> tuple[tuple[str, int], ...]:
    """Count the notes that each rule of a plan moves in a place: (rule id, notes).

    bars: note id -> the bar in which it begins.
    """
    counted = (
        (row.id, sum(lies_inside(area, row.stem, bars.get(n), bars.get(n)) for n in row.covers))
        for row in rows
        if row.kind == "rule" and row.action in MOVING_ACTIONS
        if row.state not in ("orphan", "refused", "parked")
    )
    return tuple((rule, notes) for rule, notes in counted if notes)


def with_locked_rows(entries: Sequence[Entry], rows: Sequence[Row]) -> tuple[Entry, ...]:
    """Put in place of each lock over a place one lock for every row that it freezes.

    Hands off a place is a no to each of them, which an unlock takes back. A row that has been
    answered since it was written is frozen once the answer is in it, and so is a note whose rule
    was refused or halved since.

    rows: of the last plan.
    """
    done: list[Entry] = []
    pending = _not_yet_in(entries, rows)
    said = {e.id: e.answer for e in entries if e.answer in STATE_OF}
    waiting = _notes_of(r for r in rows if r.id in pending and said[r.id] in ("no", "half"))
    stilled: set[str] = set()
    for entry in entries:
        if entry.area is None:
            done.append(entry)
            continue
        for row in rows_inside(entry.area, rows):
            if entry.answer == "no":
                stilled.add(row.id)
                # Not locked: as it stands it may move, and its place is kept by `held_by`.
                done.append(replace(entry, id=row.id, stem=row.stem, locked=False))
                continue
            if row.id in stilled and not entry.locked:
                stilled.remove(row.id)
                done.append(replace(entry, id=row.id, stem=row.stem, state="new"))
                continue
            if row.id in pending or (row.kind == "note" and waiting & set(row.covers)):
                continue
            # What is only asked about does not stand yet (`parted_rules`).
            if row.kind == "rule" and row.state == "parked" and not row.locked:
                continue
            if not entry.locked and not row.locked:
                continue
            done.append(replace(entry, id=row.id, stem=row.stem))
    return tuple(done)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceLock:
    """A place that somebody locked, or unlocked again."""

    area: Area
    locked: bool
    by: str = ""
    still: bool = False  # hands off: nothing is moved there


def place_locks(entries: Iterable[Entry]) -> tuple[PlaceLock, ...]:
    """List what was said of locks over places, in order."""
    return tuple(
        PlaceLock(area=e.area, locked=bool(e.locked), by=e.by, still=e.answer == "no")
        for e in entries
        if e.area is not None
    )


def held_by(locks: Iterable[PlaceLock], stem: str, bar: int | None) -> tuple[str, bool]:
    """Say who locked the place that a note lies in, and whether hands are off it.

    Empty where nobody did; the last one counts.
    """
    said, still = "", False
    for one in locks:
        if lies_inside(one.area, stem, bar, bar):
            word = "hands off" if one.still else "locked"
            by = f" by {one.by}" if one.by else ""
            said, still = f"{area_words(one.area)} {word}{by}" if one.locked else "", one.still
    return said, still


def own_locks(rulings: Rulings) -> dict[str, str]:
    """Say of each note whose own row is locked who locked it: nothing else is to move it.

    One that lies under rules which nobody has answered stays under them, as its row says.
    """
    answered = {
        k for k, ruling in rulings.items() if ruling.says_otherwise or ruling.state == "parked"
    }
    return {
        note: f"{k} locked{f' by {ruling.by}' if ruling.by else ''}"
        for k, ruling in rulings.items()
        if (row := ruling.frozen) is not None and row.kind == "note"
        if not row.layers or any(rule in answered for rule, _ in row.layers)
        for note in row.covers
    }


def waiting_notes(rulings: Rulings, rows: Iterable[Row]) -> frozenset[str]:
    """Give the notes whose rule was refused or halved since: no lock over a place holds them yet.

    Their edits rested on the rule, so they are decided about once more before they are frozen.

    rows: of the last plan.
    """
    return _notes_of(
        row
        for row in rows
        if (ruling := rulings.get(row.id)) is not None
        and row.action in MOVING_ACTIONS
        and not row.locked
        and ruling.state != row.state
        and (ruling.state == "refused" or ruling.factor != 1.0)
    )


def _notes_of(rows: Iterable[Row]) -> frozenset[str]:
    """Ids of the notes that the rules among some rows cover."""
    return frozenset(note for row in rows if row.kind == "rule" for note in row.covers)


def _not_yet_in(entries: Iterable[Entry], rows: Iterable[Row]) -> frozenset[str]:
    """Ids of the rows whose last answer came after the plan that has them: it is not in it yet.

    What stands locked in that plan was locked before the answer came: the lock goes first.
    """
    last = {e.id: e for e in entries if e.answer in STATE_OF}
    return frozenset(
        row.id
        for row in rows
        if (e := last.get(row.id)) is not None
        and e.answer is not None
        and not row.locked
        and row.state in ("new", "parked", "approved", "refused")
        and row.state != STATE_OF[e.answer]
    )
