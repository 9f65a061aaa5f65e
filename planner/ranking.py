"""How much a fault matters, with every term kept; the ranked list with its stop line."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from planner.answer.questions import is_open_question, notes_offered
from planner.clear.fewest_moves import Step
from planner.model import Confidence
from planner.words.plan_model import EDIT_ACTIONS, Offender, Row
from planner.words.session_model import Session
from planner.words.wording import flat_or_sharp, sung_word

Terms = tuple[tuple[str, float], ...]

# All of these: common practice, no source. They add up to 100.
_OVER_PER_TOLERANCE, _OVER_MOST = 17.5, 35.0
_CLASH_MOST = 25.0
_EXPOSURE_MOST = 15.0
_PLACE_MOST = 15.0
_LENGTH_MOST = 10.0
_DOWNBEAT, _PHRASE_END, _CADENCE, _TITLE_WORD = 4.0, 6.0, 10.0, 3.0
_REPEAT, _REPEAT_MOST = 2.0, 10.0
_SURE: dict[str, float] = {"firm": 1.0, "fair": 0.8, "shaky": 0.5, "": 0.5}  # chosen
# Level over the rest that counts nothing and everything: chosen, as 12 dB under is buried.
_BURIED_DB, _PROUD_DB = -12.0, 12.0
_SHORTEST_S, _DOUBLINGS = 0.125, 6.0  # chosen: 0.125 s counts nothing, 8 s everything


def place_points(
    *,
    on_downbeat: bool,
    ends_phrase: bool,
    on_title_word: bool,
    final_held: bool,
    on_tonic: bool = False,
) -> float:
    """Say how much more a fault is heard for where it stands in the song.

    A phrase that ends on the tonic of its key has come to rest: a cadence.
    """
    end = _CADENCE if on_tonic else _PHRASE_END
    place = _DOWNBEAT * on_downbeat + end * ends_phrase + _TITLE_WORD * on_title_word
    return _PLACE_MOST if final_held else min(place, _PLACE_MOST)


def severity(
    *,
    error_cents: float,
    tolerance_cents: float,
    clash_points: float = 0.0,
    over_rest_db: float | None = None,
    place_points: float = 0.0,
    length_s: float,
    confidence: Confidence,
    covered: bool = False,
) -> tuple[float, Terms]:
    """Say from 0 to 100 how much a fault matters, and from which terms.

    ``confidence x (over + clash + exposure + place + length) / (1 + covered)``; the terms come in
    that order of names. The two factors are told as what they take away, so that all terms add up
    to the severity as printed. With nobody else in its range a note counts as fully exposed.
    """
    over = _OVER_PER_TOLERANCE * (abs(error_cents) / tolerance_cents - 1.0)
    exposed = 1.0
    if over_rest_db is not None:
        exposed = (over_rest_db - _BURIED_DB) / (_PROUD_DB - _BURIED_DB)
    length = math.log2(max(length_s, _SHORTEST_S) / _SHORTEST_S) / _DOUBLINGS
    terms = {
        "over": min(max(over, 0.0), _OVER_MOST),
        "clash": min(clash_points, _CLASH_MOST),
        "exposure": _EXPOSURE_MOST * min(max(exposed, 0.0), 1.0),
        "place": min(place_points, _PLACE_MOST),
        "length": _LENGTH_MOST * min(length, 1.0),
    }
    terms = {name: round(value, 1) for name, value in terms.items()}
    whole = sum(terms.values())
    terms["confidence"] = round(-(1.0 - _SURE[confidence]) * whole, 1)
    terms["covered"] = round(-sum(terms.values()) / 2.0, 1) if covered else 0.0
    return total_of(tuple(terms.items())), tuple(terms.items())


def total_of(terms: Terms) -> float:
    """Add the terms of a severity up."""
    return round(sum(value for _, value in terms), 1)


def fault_of(row: Row) -> tuple[object, ...]:
    """Say which fault a row mends; rows with the same one are told as one line."""
    if row.kind != "note":
        return (row.id,)
    return (row.stem, row.intended_midi, row.action, _side(row))


def likeness_of(row: Row) -> tuple[object, ...]:
    """Say what a row is one of; "all like this" speaks of every row of which this is the same.

    Rules: stem, scope and action. Questions which note was meant: stem, what is asked and the notes
    offered, and whether somebody has answered already. Other questions are like themselves alone,
    notes like those of the same fault.
    """
    if row.kind == "rule":
        return row.stem, row.scope, row.action
    if row.kind == "question" and (notes := notes_offered(row)):
        return row.stem, row.rule_name, notes, is_open_question(row)
    return fault_of(row)


def like_this(row: Row, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Give every row that "all like this" speaks of, the row itself first."""
    same = likeness_of(row)
    return (row, *(one for one in rows if one.id != row.id and likeness_of(one) == same))


def with_repeats(
    rows: Sequence[Row], terms: Mapping[str, Terms]
) -> tuple[tuple[Row, ...], dict[str, Terms]]:
    """Count into each edit's severity how often its fault comes back."""
    times: dict[tuple[object, ...], int] = {}
    for row in rows:
        if row.action in EDIT_ACTIONS:
            many = row.notes_covered if row.kind == "rule" else 1
            times[fault_of(row)] = times.get(fault_of(row), 0) + many
    told, found = [], dict(terms)
    for row in rows:
        n = times.get(fault_of(row), 1)
        if row.action in EDIT_ACTIONS and n > 1 and row.severity is not None:
            extra = round(min(_REPEAT_MOST, _REPEAT * n, 100.0 - row.severity), 1)
            found[row.id] = (*terms.get(row.id, ()), ("repeats", extra))
            row = replace(row, severity=round(row.severity + extra, 1))
        told.append(row)
    return tuple(told), found


def rank(
    rows: Sequence[Row],
    terms: Mapping[str, Terms],
    session: Session,
    steps: Sequence[Step],
    beats: Mapping[str, str],
    words: Mapping[str, str] | None = None,
    beating_s: float | None = None,
) -> tuple[Offender, ...]:
    """List the edits in the order of the steps, and say where the editor's time runs out.

    The same fault on the same note of a stem is one line with its count, told by its worst place.
    A line is above the stop line while the time up to and including it, and the lines that it is
    made together with, fits in ``edit_minutes``.

    rows : all rows; only those of the steps are ranked
    terms : row id -> the terms of its severity
    steps : the lines in their order, best first (`planner.clear.fewest_moves`)
    beats : row id -> its worst clash in one clause, where it has one
    words : row id -> the word that is sung on its note
    beating_s : as recorded, where the steps say what goes of it
    """
    by_id = {row.id: row for row in rows}
    ends_s: dict[int, float] = {}
    lines_of = Counter(step.together for step in steps)
    seconds = 0.0
    for step in steps:
        seconds += len(step.ids) * session.seconds_per_edit
        ends_s[step.together] = seconds
    offenders: list[Offender] = []
    seconds = 0.0
    left_s = beating_s
    for step in steps:
        seconds += len(step.ids) * session.seconds_per_edit
        thins_s = sum(step.thins_s)
        left_s = None if left_s is None else left_s - thins_s
        worst = min((by_id[i] for i in step.ids), key=lambda r: (-(r.severity or 0.0), r.id))
        offenders.append(
            Offender(
                rank=len(offenders) + 1,
                row_id=worst.id,
                stem=worst.stem,
                start_s=worst.start_s or 0.0,
                start_bar=worst.start_bar,
                start_beat=worst.start_beat,
                intended=worst.intended,
                times=worst.notes_covered if worst.kind == "rule" else len(step.ids),
                headline=_headline(worst, beats.get(worst.id, ""), (words or {}).get(worst.id, "")),
                fix=worst.in_words + ("; the others as listed" if len(step.ids) > 1 else ""),
                severity=worst.severity or 0.0,
                terms=terms.get(worst.id, ()),
                minutes_so_far=round(seconds / 60.0, 1),
                above_stop_line=ends_s[step.together] <= session.edit_minutes * 60.0,
                row_ids=step.ids,
                clears_s=round(sum(step.clears_s), 1),
                sour_left_s=round(step.left_s, 1) + 0.0,  # never -0
                thins_s=None if left_s is None else round(thins_s, 1) + 0.0,
                beating_left_s=None if left_s is None else round(left_s, 1) + 0.0,
                together=step.together,
                shares_step=lines_of[step.together] > 1,
            )
        )
    return tuple(offenders)


def with_clears(rows: Sequence[Row], steps: Sequence[Step]) -> tuple[Row, ...]:
    """Write beside each edit how many sour seconds go with it."""
    clears = {
        row_id: round(clears_s, 1) + 0.0
        for step in steps
        for row_id, clears_s in zip(step.ids, step.clears_s, strict=True)
    }
    return tuple(replace(row, clears_s=clears.get(row.id)) for row in rows)


def _side(row: Row) -> float:
    amount = row.add_cents or row.onset_add_cents or row.sustain_add_cents
    if amount is None and row.points:
        amount = max((c for _, c in row.points), key=abs)
    return math.copysign(1.0, amount or 0.0)


def _headline(row: Row, beats: str, word: str) -> str:
    """What one hears, in words."""
    if row.kind == "rule":
        return row.reason
    what, error, lasts = {
        "start-only": ("the start", row.onset_cents, "in a note of"),
        "hold-end": ("the end", row.end_cents, "in a note of"),
    }.get(row.action, (row.intended, row.heard_cents, "for"))
    said = f"{what} {flat_or_sharp(error)}".strip()
    if word:
        said = f"{sung_word(word)}: {said}"
    if beats:
        return f"{said}, {beats}"
    if row.start_s is not None and row.end_s is not None:
        said += f", {lasts} {row.end_s - row.start_s:.1f} s"
    return said
