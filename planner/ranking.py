"""Which rows matter most: severity with every term kept, repeats folded, and the stop line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from planner.model import Confidence
from planner.plan_model import MOVING_ACTIONS, Offender, Row
from planner.session_model import Session
from planner.wording import flat_or_sharp

Terms = tuple[tuple[str, float], ...]

# All of these: common practice, no source. They add up to 100.
_OVER_PER_TOLERANCE, _OVER_MOST = 17.5, 35.0
_CLASH_MOST = 25.0
_EXPOSURE_MOST = 15.0
_PLACE_MOST = 15.0
_LENGTH_MOST = 10.0
_DOWNBEAT, _PHRASE_END = 4.0, 6.0
_REPEAT, _REPEAT_MOST = 2.0, 10.0
_SURE: dict[str, float] = {"firm": 1.0, "fair": 0.8, "shaky": 0.5, "": 0.5}  # chosen
# Level over the rest that counts nothing and everything: chosen, as 12 dB under is buried.
_BURIED_DB, _PROUD_DB = -12.0, 12.0
_SHORTEST_S, _DOUBLINGS = 0.125, 6.0  # chosen: 0.125 s counts nothing, 8 s everything
_PER_STEM_ON_FIRST_SCREEN = 5


def severity(
    *,
    error_cents: float,
    tolerance_cents: float,
    clash_points: float = 0.0,
    over_rest_db: float | None = None,
    on_downbeat: bool = False,
    ends_phrase: bool = False,
    final_held: bool = False,
    length_s: float,
    confidence: Confidence,
    covered: bool = False,
) -> tuple[float, Terms]:
    """Say from 0 to 100 how much a fault matters, and from which terms.

    ``confidence x (over + clash + exposure + place + length) / (1 + covered)``; the terms come in
    that order of names. With nobody else in its range a note counts as fully exposed.
    """
    over = _OVER_PER_TOLERANCE * (abs(error_cents) / tolerance_cents - 1.0)
    exposed = 1.0
    if over_rest_db is not None:
        exposed = (over_rest_db - _BURIED_DB) / (_PROUD_DB - _BURIED_DB)
    place = _DOWNBEAT * on_downbeat + _PHRASE_END * ends_phrase
    length = math.log2(max(length_s, _SHORTEST_S) / _SHORTEST_S) / _DOUBLINGS
    terms = {
        "over": min(max(over, 0.0), _OVER_MOST),
        "clash": min(clash_points, _CLASH_MOST),
        "exposure": _EXPOSURE_MOST * min(max(exposed, 0.0), 1.0),
        "place": _PLACE_MOST if final_held else min(place, _PLACE_MOST),
        "length": _LENGTH_MOST * min(length, 1.0),
    }
    sure = _SURE[confidence]
    total = sure * sum(terms.values()) / (2.0 if covered else 1.0)
    factors = (("confidence", sure), ("covered", float(covered)))
    return round(total, 1), (*((k, round(v, 1)) for k, v in terms.items()), *factors)


def rank(rows: Sequence[Row], terms: Mapping[str, Terms], session: Session) -> tuple[Offender, ...]:
    """List the edits by how much they matter, and say where the editor's time runs out.

    The same fault on the same note of a stem is one line with its count, told by its worst place.
    At most five lines of a stem stand among the first ``offenders_wanted``; the rest follow. A line
    is above the stop line while the time up to and including it fits in ``edit_minutes``.

    Parameters
    ----------
    rows : sequence of Row
        All rows; only edits are ranked.
    terms : mapping
        Row id -> the terms of its severity.
    """
    groups: dict[tuple[object, ...], list[Row]] = {}
    for row in rows:
        if row.action in MOVING_ACTIONS:
            groups.setdefault(fault_of(row), []).append(row)
    lines = []
    for members in groups.values():
        worst = min(members, key=lambda r: (-(r.severity or 0.0), r.id))
        times = worst.notes_covered if worst.kind == "rule" else len(members)
        extra = min(_REPEAT_MOST, _REPEAT * times) if times > 1 else 0.0
        total = round(min(100.0, (worst.severity or 0.0) + extra), 1)
        lines.append((total, extra, worst, times, len(members)))
    lines.sort(key=lambda line: (-line[0], line[2].id))
    offenders: list[Offender] = []
    seconds = 0.0
    for total, extra, worst, times, edits in _few_of_each(lines, session.offenders_wanted):
        seconds += edits * session.seconds_per_edit
        told = terms.get(worst.id, ())
        offenders.append(
            Offender(
                rank=len(offenders) + 1,
                row_id=worst.id,
                stem=worst.stem,
                start_s=worst.start_s or 0.0,
                start_bar=worst.start_bar,
                start_beat=worst.start_beat,
                intended=worst.intended,
                times=times,
                headline=_headline(worst),
                fix=worst.in_words,
                severity=total,
                terms=(*told, ("repeats", extra)) if extra else told,
                minutes_so_far=round(seconds / 60.0, 1),
                above_stop_line=seconds <= session.edit_minutes * 60.0,
            )
        )
    return tuple(offenders)


def fault_of(row: Row) -> tuple[object, ...]:
    """Name a row's fault: the same note of a stem, moved the same way, is the same fault again."""
    if row.kind != "note":
        return (row.id,)
    return (row.stem, row.intended_midi, row.action, _side(row))


Line = tuple[float, float, Row, int, int]


def _few_of_each(lines: list[Line], first_screen: int) -> list[Line]:
    shown: list[Line] = []
    later: list[Line] = []
    of_stem: dict[str, int] = {}
    for line in lines:
        stem = line[2].stem
        if len(shown) < first_screen and of_stem.get(stem, 0) < _PER_STEM_ON_FIRST_SCREEN:
            of_stem[stem] = of_stem.get(stem, 0) + 1
            shown.append(line)
        else:
            later.append(line)
    return shown + later


def _side(row: Row) -> float:
    amount = row.add_cents or row.onset_add_cents or row.sustain_add_cents
    if amount is None and row.points:
        amount = max((c for _, c in row.points), key=abs)
    return math.copysign(1.0, amount or 0.0)


def _headline(row: Row) -> str:
    """What one hears, in words."""
    if row.kind == "rule":
        return row.reason
    error = row.heard_cents
    what = "the start" if row.action == "start-only" else "the end"
    if row.action == "start-only":
        error = row.onset_cents
    elif row.action == "hold-end":
        error = row.end_cents
    else:
        what = row.intended
    said = f"{what} {flat_or_sharp(error)}".strip()
    if row.clash_with and row.beating_hz:
        rate = f"{row.beating_hz:.1f}" if row.beating_hz < 10 else f"{row.beating_hz:.0f}"
        said += f", beating with {row.clash_with} {rate} times a second"
    if row.start_s is not None and row.end_s is not None:
        said += f", for {row.end_s - row.start_s:.1f} s"
    return said
