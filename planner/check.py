"""Corrected bounces against the plan: what was done to every row, and what moved besides.

Nothing here hears anything: it compares the notes of a plan with the notes found anew in the
bounces. Cents moved are ``1200 log2(bounce / original)``, so they stand for themselves, whatever
the target was. Limits: common practice, no source, unless said otherwise.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.compare.note_pairs import LEAST_DOUBT_CENTS, WHOLE_NOTE, At, Pair, Paired, Reading
from planner.compare.null_test import NullTest
from planner.words.plan_model import MOVING_ACTIONS, Row, State
from planner.words.spread import doubt_of_middle, spread_of

Verdict = Literal[
    "done", "not done", "half done", "overdone", "done twice", "wrong way", "inexact",
    "cannot tell", "no file",
]  # fmt: skip

_LEAST_SHARE, _MOST_SHARE = 0.7, 1.3  # of the planned move
_WITHIN_CENTS = 5.0
_NOTHING_SHARE, _TWICE_FROM, _TWICE_TO = 0.3, 1.7, 2.3  # chosen: nearer to none, to twice
_UNPLANNED_CENTS = 3.0
_NOT_AS_THE_RULE_CENTS = 5.0
_VIBRATO_SHARE = 0.2
_VIBRATO_FROM_CENTS = 10.0  # half-extent: smaller ones are no vibrato to thin
_LEFT = ("refused", "parked")  # states of rows that nobody is to make
_EACH_TOLD = 3  # chosen: more notes than this are counted
_LEVEL_DB = 1.0
_NOT_FOUND_SHARE = 0.1  # chosen: of chords, one or two in a hundred are missed
_LATE_S = 0.002  # the middle of all starts


@dataclass(frozen=True, slots=True, kw_only=True)
class RowCheck:
    """What became of one planned row."""

    id: str
    stem: str
    start_s: float | None
    wanted_cents: float
    got_cents: float | None
    uncertainty_cents: float | None
    verdict: Verdict
    notes: int  # that it was judged by


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A note that moved by something that no row asks for, or all notes of a rule left out."""

    id: str
    stem: str
    start_s: float
    end_s: float
    moved_cents: float  # beyond what the rules that cover it did
    rules: tuple[str, ...]  # that cover it; empty where no row is about it
    notes: int = 1
    state: State = "new"  # of a rule: refused or parked


@dataclass(frozen=True, slots=True, kw_only=True)
class StemCheck:
    """What is to be said of one stem as a whole."""

    code: str
    notes: int
    paired: int
    late_s: float  # by how much the bounce's notes begin later, their middle
    said: tuple[str, ...]
    unchecked_rows: int = 0  # because there is no corrected file at all


def checked_rows(
    rows: Iterable[Row], pairs: Mapping[str, Pair], no_file: frozenset[str]
) -> tuple[tuple[RowCheck, ...], dict[str, float]]:
    """Judge every row of a plan that moves something and was not refused or parked.

    pairs: note id -> the note in both files.
    no_file: codes of stems without a bounce.

    Gives checks in the order of the rows, and by rule id what the rule's notes really moved by:
    of rules that were refused or parked as well, 0 where nobody made them.
    """
    rows = tuple(rows)
    wanted = [
        r for r in rows
        if r.action in MOVING_ACTIONS and r.state not in (*_LEFT, "orphan")
    ]  # fmt: skip
    rules = {r.id: r for r in rows if r.kind == "rule" and (r in wanted or r.state in _LEFT)}
    own = {r.covers[0]: r for r in wanted if r.kind == "note" and r.covers}
    checks: dict[str, RowCheck] = {}
    done: dict[str, float] = {}
    # The rule over most notes first: what it really did is known when the others are judged.
    for rule in sorted(rules.values(), key=lambda r: -len(r.covers)):
        found = _by_rule(rule, rules, own, pairs, done)
        check = _checked_rule(rule, found, no_file)
        if rule.state in _LEFT:
            done[rule.id] = (check.got_cents or 0.0) if _made_all_the_same(rule, check) else 0.0
            continue
        checks[rule.id] = check
        if check.got_cents is not None:
            done[rule.id] = check.got_cents
    for row in own.values():
        checks[row.id] = _checked_note(row, pairs.get(row.covers[0]), done, no_file)
    return tuple(checks[r.id] for r in wanted if r.id in checks), done


def _checked_rule(rule: Row, found: Sequence[float], no_file: frozenset[str]) -> RowCheck:
    """Judge a rule by the middle of what its notes moved by, in cents."""
    got = doubt = None
    if found:
        got = float(np.median(found))
        doubt = max(LEAST_DOUBT_CENTS, doubt_of_middle(spread_of(found, got), len(found)))
    return _check(rule, rule.add_cents or 0.0, got, doubt, len(found), no_file)


def _made_all_the_same(rule: Row, check: RowCheck) -> bool:
    """Whether the notes of a rule that was refused or parked were moved as one."""
    got, doubt = check.got_cents, check.uncertainty_cents
    if got is None or doubt is None or 2 * check.notes < len(rule.covers):
        return False
    return check.notes > 1 and round(abs(got), 1) > max(_UNPLANNED_CENTS, 2.0 * doubt)


def _checked_note(
    row: Row, pair: Pair | None, done: Mapping[str, float], no_file: frozenset[str]
) -> RowCheck:
    """Judge a note's own edit by what it moved beyond what its rules really did."""
    at, wanted = _where(row, pair)
    move = None if pair is None else pair.moved(at)
    if move is None:
        return _check(row, wanted, None, None, 0, no_file)
    by_rules = sum(done.get(rule_id, planned) for rule_id, planned in row.layers)
    return _check(row, wanted, move.cents - by_rules, move.uncertainty_cents, 1, no_file)


def moved_unasked(
    rows: Iterable[Row], pairs: Mapping[str, Pair], done: Mapping[str, float]
) -> tuple[Moved, ...]:
    """Find notes without a row of their own that moved otherwise than their rules did.

    A rule that was refused or parked, and made all the same, comes first and once.
    """
    rows = tuple(rows)
    own = {n for r in rows if r.kind == "note" and r.action in MOVING_ACTIONS for n in r.covers}
    over: dict[str, list[str]] = {}
    for row in rows:
        if row.kind == "rule" and row.id in done and (row.state not in _LEFT or done[row.id]):
            for note_id in row.covers:
                over.setdefault(note_id, []).append(row.id)
    found = [
        Moved(
            id=row.id, stem=row.stem, start_s=row.start_s or 0.0, end_s=row.end_s or 0.0,
            moved_cents=done[row.id], rules=(), notes=sum(n in pairs for n in row.covers),
            state=row.state,
        )
        for row in rows
        if row.kind == "rule" and row.state in _LEFT and done.get(row.id)
    ]  # fmt: skip
    for note_id, pair in pairs.items():
        move = pair.moved()
        if note_id in own or pair.shaky or move is None:
            continue
        rules = tuple(over.get(note_id, ()))
        beyond = move.cents - sum(done[rule_id] for rule_id in rules)
        limit = _NOT_AS_THE_RULE_CENTS if rules else _UNPLANNED_CENTS
        if round(abs(beyond), 1) > max(limit, 2.0 * move.uncertainty_cents):
            found.append(
                Moved(
                    id=note_id, stem=pair.then.stem, start_s=pair.then.start_s,
                    end_s=pair.then.end_s, moved_cents=beyond, rules=rules,
                )
            )  # fmt: skip
    return tuple(found)


def verdict_of(wanted: float, got: float, doubt: float) -> Verdict:
    """Say what a move of some cents is against the one that was planned."""
    off = abs(got - wanted)
    if 2.0 * doubt >= abs(wanted) and off <= 2.0 * abs(wanted):
        return "cannot tell"
    share = round(got / wanted, 2)
    close = _LEAST_SHARE <= share <= _MOST_SHARE
    if close and round(off, 1) <= _WITHIN_CENTS:
        return "done"
    if round(off, 1) <= 2.0 * doubt:
        # Nearer than any doubt: but what could as well be half of the move is not said to be done.
        return "done" if 4.0 * doubt < abs(wanted) else "cannot tell"
    if share <= -_NOTHING_SHARE:
        return "wrong way"
    if share < _NOTHING_SHARE:
        return "not done"
    if share < _LEAST_SHARE:
        return "half done"
    if close:
        return "inexact"
    return "done twice" if _TWICE_FROM <= share <= _TWICE_TO else "overdone"


def checked_stem(
    code: str,
    then: Sequence[Reading],
    met: Paired,
    said: Sequence[str],
    null: NullTest | None = None,
) -> StemCheck:
    """Compare one stem as a whole: where it begins, its vibrato, its level.

    A null test, where one was possible, knows delay and level to the sample; notes know them to
    some milliseconds and tenths of a dB.

    then: all notes of the stem, as planned; met: those that were found again.
    said: what is to be said of its file besides; it comes first.
    """
    pairs, late_s = met.pairs, met.late_s
    exact = null is not None and not null.why_not and not null.rerendered
    late = f"{abs(late_s) * 1000:.1f} ms"
    if null is not None and exact:
        late_s = null.late_s
        late = f"{abs(null.late_smp):.1f}".removesuffix(".0")
        late = f"{late} sample{'' if late == '1' else 's'} ({abs(late_s) * 1000:.2f} ms)"
    told = list(said)
    if abs(late_s) > (0.0 if exact else _LATE_S):
        side = "late" if late_s > 0 else "early"
        told.append(f"{late} {side} throughout: a delay was not made up for")
    if len(then) - len(pairs) > _NOT_FOUND_SHARE * len(then):
        told.append(f"{len(then) - len(pairs)} of {len(then)} notes were not found again")
    told += _vibrato_said(pairs)
    louder = [
        p.now.level_db - p.then.level_db
        for p in pairs
        if p.now.level_db is not None and p.then.level_db is not None
    ]
    by = float(np.median(louder)) if louder else 0.0
    if null is not None and exact:
        by = null.gain_db
    ridden = null is not None and null.ride_db is not None  # which says more, and is said there
    if abs(by) > _LEVEL_DB and not ridden:
        told.append(f"{abs(by):.1f} dB {'louder' if by > 0 else 'softer'} than the original")
    return StemCheck(
        code=code, notes=len(then), paired=len(pairs), late_s=late_s, said=tuple(told)
    )  # fmt: skip


def _vibrato_said(pairs: Iterable[Pair]) -> list[str]:
    found: list[tuple[float, str, str]] = []
    for pair in pairs:
        then, now = pair.then.vibrato_half_cents, pair.now.vibrato_half_cents
        if then is None or then < _VIBRATO_FROM_CENTS or now is None:
            continue
        share = now / then - 1.0
        if abs(round(share, 2)) > _VIBRATO_SHARE:
            how = "narrower" if share < 0 else "wider"
            by = f"{how} by {100 * abs(share):.0f} %"
            found.append((abs(share), f"vibrato {by} on {pair.then.id}", f"{pair.then.id} {by}"))
    if len(found) <= _EACH_TOLD:
        return [alone for _, alone, _ in found]
    return [f"vibrato changed on {len(found)} notes, most of all {max(found)[2]}"]


def _by_rule(
    rule: Row,
    rules: Mapping[str, Row],
    own: Mapping[str, Row],
    pairs: Mapping[str, Pair],
    done: Mapping[str, float],
) -> list[float]:
    """What a rule's notes moved by, less what other rows want of them."""
    at: At = "onset" if rule.onset_cents is not None else "sustain"
    alone = [n for n in rule.covers if n not in own and n in pairs]
    found = []
    for note_id in alone or [n for n in rule.covers if n in pairs]:
        pair = pairs[note_id]
        move = pair.moved(at, *WHOLE_NOTE)
        if move is None or pair.shaky:
            continue
        others = sum(
            done.get(r.id, 0.0 if r.state in _LEFT else r.add_cents or 0.0)
            for r in rules.values()
            if r.id != rule.id and note_id in r.covers
        )
        if note_id in own:
            others += _wanted_at(own[note_id], at, pair)
        found.append(move.cents - others)
    return found


def _where(row: Row, pair: Pair | None) -> tuple[At, float]:
    """Where in the note a row's move shows most, of where it can be read, and what it is there."""

    def shows(at: At) -> tuple[bool, float]:
        wanted = abs(_wanted_at(row, at, pair))
        return bool(wanted) and pair is not None and pair.moved(at) is not None, wanted

    places: tuple[At, ...] = ("sustain", "onset", "end")
    best = max(places, key=shows)
    return best, _wanted_at(row, best, pair)


def _wanted_at(row: Row, at: At, pair: Pair | None) -> float:
    """What a row adds in the middle of the windows of onset, sustain and end."""
    if not row.points:
        if row.add_cents is not None:
            return row.add_cents
        first, rest = row.onset_add_cents or 0.0, row.sustain_add_cents or 0.0
        return first if at == "onset" else rest
    length_s = pair.then.end_s - pair.then.start_s if pair is not None else row.points[-1][0]
    # The windows are those of every reading: see README, "What the pitch is".
    middle_s = {
        "onset": 0.010 + min(0.060, 0.35 * length_s) / 2,
        "sustain": (min(0.150, 0.35 * length_s) + 0.85 * length_s) / 2,
        "end": length_s - min(0.15 * length_s, 0.250) / 2,
    }[at]
    times, values = zip(*row.points, strict=True)
    return float(np.interp(middle_s, times, values))


def _check(
    row: Row,
    wanted: float,
    got: float | None,
    doubt: float | None,
    notes: int,
    no_file: frozenset[str],
) -> RowCheck:
    verdict: Verdict = "cannot tell"
    if row.stem in no_file:
        verdict = "no file"
    elif got is not None and doubt is not None and wanted:
        verdict = verdict_of(wanted, got, doubt)
    return RowCheck(
        id=row.id, stem=row.stem, start_s=row.start_s, wanted_cents=wanted, got_cents=got,
        uncertainty_cents=doubt, verdict=verdict, notes=notes,
    )  # fmt: skip


# ---------------------------------------------------------------- what leaks


@dataclass(frozen=True, slots=True, kw_only=True)
class Ghost:
    """Corrected notes of one stem that another still holds at their old pitch."""

    stem: str
    held_in: str
    notes: int
    loudest_db: float  # against the notes themselves
    most_cents: float  # the largest move among them, cents added


def ghosts_left(pairs: Iterable[Pair]) -> tuple[Ghost, ...]:
    """Find, for each stem and each it leaks into, how many moved notes are still heard there.

    A fix of one file does not reach what leaks from it into the others: there the note goes on
    sounding as it was played. The leaks are those that the plan measured, down to -40 dB.

    The loudest first.
    """
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for pair in pairs:
        move = pair.moved()
        if move is None:
            continue
        if round(abs(move.cents), 1) < max(_UNPLANNED_CENTS, 2.0 * move.uncertainty_cents):
            continue
        for stem, db in pair.then.heard_in:
            found.setdefault((pair.then.stem, stem), []).append((db, move.cents))
    told = []
    for (stem, other), notes in found.items():
        levels_db, moves = zip(*notes, strict=True)
        told.append(
            Ghost(
                stem=stem, held_in=other, notes=len(notes), loudest_db=max(levels_db),
                most_cents=round(float(max(moves, key=abs)), 1),
            )
        )  # fmt: skip
    return tuple(sorted(told, key=lambda g: (-g.loudest_db, g.stem, g.held_in)))
