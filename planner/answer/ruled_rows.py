"""The human columns of the rows: filled in, locked, opened again, or kept without a home."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from planner.answer.answers import Ruling, largest_move, moved_since
from planner.answer.ledger import Ledger
from planner.answer.locks import PlaceLock, bars_words
from planner.answer.ruled import moved_s, said_move
from planner.model import Finding
from planner.pitch import note_name
from planner.words.plan_model import OwnFigure, Row
from planner.words.wording import count, raise_or_lower

# The columns that say where a row lies.
PLACE = (
    "start_s", "end_s", "start_smp", "end_smp", "start_bar", "start_beat", "end_bar", "end_beat",
    "start_tc",
)  # fmt: skip
_SAME_SHARE = 0.9  # chosen: of a rule's notes; one in ten may have been read a little otherwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Recalled:
    """What a run knows from the runs before it; empty where there were none."""

    ledger: Ledger = ()
    rulings: Mapping[str, Ruling]
    last_rows: tuple[Row, ...] = ()
    place_locks: tuple[PlaceLock, ...] = ()
    held: Mapping[str, str] = field(default_factory=dict)  # note id -> which lock it lies under
    still: frozenset[str] = frozenset()  # those of them that nothing is to move: hands off
    roles_said: frozenset[str] = frozenset()  # codes of the stems whose role people answered
    bars: Mapping[str, int] = field(default_factory=dict)  # note id -> its bar, by play order
    as_before: frozenset[str] = frozenset()  # ids of notes that sound as in the last run


NOTHING = Recalled(rulings={})


def ruled_rows(
    rows: tuple[Row, ...],
    recalled: Recalled,
    tool: Mapping[str, OwnFigure],
    sha256_of: Mapping[str, str],
    missing: Sequence[str],
) -> tuple[tuple[Row, ...], tuple[Finding, ...]]:
    """Fill in the human columns, put locked rows back as they stood, and keep orphans.

    tool: note id -> what the tool alone would decide, for the warnings beside locked rows.
    sha256_of: stem code -> content of its file now.
    missing: stems left out of this run; their decisions wait for them.
    """
    asked = _asked_before(recalled)
    answered = [_answer_to(row, recalled.rulings, asked) for row in rows]
    done: list[Row] = []
    findings: list[Finding] = []
    reopened: dict[tuple[str, str], list[str]] = {}
    still_open = {r.id for r in recalled.last_rows if r.state == "reopened"}
    for row, answer in zip(rows, answered, strict=True):
        ruling = answer.ruling
        if ruling is None:
            done.append(row)
            continue
        if ruling.frozen is not None:
            findings += _beside_a_lock(row, ruling, tool)
            row = _frozen(row, ruling.frozen)
        if row.action == "leave":
            row = replace(row, add_cents=None, in_words="", severity=None)
        unchanged = row.id not in still_open and _sounds_as_before(row, recalled.as_before)
        why = _why_reopened(row, ruling, answer, {} if unchanged else sha256_of)
        if why:
            reopened.setdefault((row.stem, why), []).append(row.id)
        findings += _cannot_be(row, ruling)
        done.append(
            replace(
                row, state="reopened" if why else ruling.state, by=ruling.by,
                comment=ruling.comment, locked=ruling.locked,
            )
        )  # fmt: skip
    findings += _reopened(reopened)
    here = frozenset(row_id for answer in answered for row_id in answer.speaks_of)
    for ruling in recalled.rulings.values():
        if ruling.id not in here and _says_something(ruling):
            row = _orphan(ruling, recalled)
            if row.stem not in missing:
                done.append(row)
                findings.append(_lost(row, ruling))
    return tuple(done), tuple(findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What people said of one row, under whichever id they said it."""

    ruling: Ruling | None
    speaks_of: tuple[str, ...]  # the ids whose answers have found their row
    was_asked: bool = False  # it was said to a question about what is now an edit


def _asked_before(recalled: Recalled) -> dict[str, str]:
    """Note id -> id of the question about it, in this run's ledger or the last plan."""
    known = {k.covers[0]: k.id for k in recalled.ledger if k.kind == "question" and k.covers}
    last = {r.covers[0]: r.id for r in recalled.last_rows if r.kind == "question" and r.covers}
    return known | last


def _answer_to(row: Row, rulings: Mapping[str, Ruling], asked: Mapping[str, str]) -> _Answer:
    ruling = rulings.get(row.id)
    if ruling is None and row.kind == "question" and row.covers:
        # Its note had a row before, and that was answered.
        note_id = row.covers[0]
        return _Answer(ruling=rulings.get(note_id), speaks_of=(row.id, note_id))
    if row.kind != "note" or row.id not in asked:
        return _Answer(ruling=ruling, speaks_of=(row.id,))
    question = asked[row.id]
    to_the_question = rulings.get(question)
    if ruling is not None:
        # The question was answered by naming the note: its answer lives on in the note's row.
        ruling = _with_the_questions(ruling, to_the_question)
        return _Answer(ruling=ruling, speaks_of=(row.id, question))
    was_asked = to_the_question is not None
    return _Answer(ruling=to_the_question, speaks_of=(row.id, question), was_asked=was_asked)


def _with_the_questions(ruling: Ruling, asked: Ruling | None) -> Ruling:
    """Add the words that were said to a question to what was said of its note."""
    if asked is None or not asked.comment:
        return ruling
    words = "\n".join(dict.fromkeys(w for w in (asked.comment, ruling.comment) if w))
    return replace(ruling, comment=words)


def _frozen(row: Row, frozen: Row) -> Row:
    if row.action == "leave" and row.rule_name == "hands off":
        return row
    if frozen.kind != "rule":
        return _in_its_place(frozen, row)
    if frozen.start_s is None:  # it was parted from a rule in this run
        frozen = replace(frozen, **{name: getattr(row, name) for name in PLACE})
    frozen = _in_its_place(frozen, row)
    if set(frozen.covers) == set(row.covers):
        return frozen
    return replace(frozen, covers=row.covers, notes_covered=row.notes_covered)


def _in_its_place(frozen: Row, row: Row) -> Row:
    """Put a locked row where its notes lie now: a lock keeps what is done, not the place."""
    if row.start_s is None or frozen.start_s is None or frozen.end_s is None:
        return frozen
    late_s = moved_s(frozen, row.start_s)
    late_smp = (row.start_smp or 0) - (frozen.start_smp or 0)
    if not late_s:
        return frozen
    place = {name: getattr(row, name) for name in PLACE}
    place["end_s"] = frozen.end_s + late_s
    place["end_smp"] = None if frozen.end_smp is None else frozen.end_smp + late_smp
    cut_s = None if frozen.cut_s is None else frozen.cut_s + late_s
    return replace(frozen, **place, cut_s=cut_s)


def _beside_a_lock(row: Row, ruling: Ruling, tool: Mapping[str, OwnFigure]) -> list[Finding]:
    frozen = ruling.frozen
    assert frozen is not None
    now = tool.get(row.id)
    said = []
    if now is not None and row.kind == "note":
        then = largest_move(frozen)
        alone = now.add_cents
        if now.action != frozen.action or (
            then is not None and alone is not None and then != alone
        ):
            said.append(f"the planner alone would now say {said_move(now)}")
    if row.kind == "rule" and set(row.covers) != set(frozen.covers):
        said.append(f"it now covers {count(len(row.covers), 'note')}")
    if row.rule_name == "hands off":
        said.append("the session file says not to touch it, and that goes first")
    if not said:
        return []
    return [
        Finding(
            severity="warning",
            what=f"{row.id} is locked ({frozen.in_words or frozen.action}), and {'; '.join(said)}.",
            did="The row stays as it was locked." if row.rule_name != "hands off" else "",
            advice="Take the lock out of the list if the row shall follow.",
            stem=row.stem,
        )
    ]


def _sounds_as_before(row: Row, as_before: frozenset[str]) -> bool:
    """Whether nearly all notes that a row covers sound as they did in the last run."""
    same = sum(note_id in as_before for note_id in row.covers)
    return bool(row.covers) and same >= _SAME_SHARE * len(row.covers)


def _why_reopened(row: Row, ruling: Ruling, answer: _Answer, sha256_of: Mapping[str, str]) -> str:
    """Why an answer no longer holds; empty where it does."""
    if answer.was_asked and ruling.state in ("approved", "refused"):
        return "the question is now an edit"
    then, now = ruling.entry.sha256, sha256_of.get(row.stem, "")
    if ruling.state == "approved" and then and now and then != now and ruling.frozen is None:
        return "its file has changed since"
    if ruling.state in ("approved", "done", "checked") and moved_since(row, ruling):
        return f"what is proposed is no longer what was {ruling.state}"
    return ""


def _reopened(groups: Mapping[tuple[str, str], list[str]]) -> list[Finding]:
    return [
        Finding(
            severity="question",
            what=f"{stem}: {', '.join(ids[:6])}{' and others' if len(ids) > 6 else ''} "
            f"{'was' if len(ids) == 1 else 'were'} answered, and {why}.",
            did=f"Opened again ({count(len(ids), 'row')}); comments are kept.",
            advice="Answer again.",
            stem=stem,
        )
        for (stem, why), ids in groups.items()
    ]


def _cannot_be(row: Row, ruling: Ruling) -> list[Finding]:
    """Say what a person asked for and cannot have, or has only in part."""
    what = did = ""
    override = ruling.override
    kept_out = _kept_out_by_the_lock(row, ruling)
    wanted = ruling.state == "approved" or override is not None
    if row.rule_name == "hands off" and wanted:
        what = f"{row.id}: {ruling.who} wants it moved, and the session file says not to touch it."
        did = "It was left."
    elif kept_out:
        what = f"{row.id} is locked, and something else was set for it: {kept_out}."
        did = "It stays as it was locked; unlock it if that shall count."
    elif ruling.state == "refused" and override is not None and override.moves:
        what = f"{row.id} was {ruling.refused_by}, and a number was set for it as well."
        did = "The number was taken."
    elif ruling.state == "refused" and row.kind == "note" and row.layers:
        rules = ", ".join(rule for rule, _ in row.layers)
        what = f"{row.id} was {ruling.refused_by}, and {rules} still moves it with the others."
        did = "Its own edit was left out."
    if not what:
        return []
    return [Finding(severity="warning", what=what, did=did, stem=row.stem)]


def _kept_out_by_the_lock(row: Row, ruling: Ruling) -> str:
    """Say what a person set for a row beyond what it held when it was locked; empty for nothing."""
    override = ruling.override
    if ruling.frozen is None or override is None:
        return ""
    said = []
    if override.add_cents is not None and override.add_cents != row.add_cents:
        said.append(raise_or_lower(override.add_cents))
    if override.points and override.points != row.points:
        said.append("a move drawn by hand")
    if override.action is not None and override.action != row.action:
        said.append(override.action)
    if override.intended_midi is not None and override.intended_midi != row.intended_midi:
        said.append(f"{note_name(override.intended_midi)} was meant")
    if override.bars is not None and not _lies_in(row, override.bars):
        said.append(bars_words(override.bars))
    return ", ".join(said)


def _lies_in(row: Row, bars: tuple[int, int | None]) -> bool:
    first, last = bars
    begins = row.start_bar is None or row.start_bar >= first
    return begins and (last is None or row.end_bar is None or row.end_bar <= last)


# ---------------------------------------------------------------- what lost its home


def _says_something(ruling: Ruling) -> bool:
    return (
        ruling.state != "new" or bool(ruling.comment) or ruling.locked
        or ruling.override is not None
    )  # fmt: skip


def _orphan(ruling: Ruling, recalled: Recalled) -> Row:
    last = next((row for row in recalled.last_rows if row.id == ruling.id), None)
    known = next((k for k in recalled.ledger if k.id == ruling.id), None)
    if last is not None and last.state == "orphan":
        return replace(last, by=ruling.by, comment=ruling.comment, locked=ruling.locked)
    entry = ruling.entry
    if last is None:
        last = Row(
            id=ruling.id, kind=known.kind if known else "note",
            scope=known.scope if known else None,
            stem=entry.stem or (known.stem if known else ruling.id.rpartition("-")[0]),
            apply_to=(), start_s=entry.start_s, end_s=entry.end_s, intended=entry.intended,
            action="leave", in_words=entry.was,
        )  # fmt: skip
    was = last.in_words or entry.was or last.action
    where = f"it is part of {known.absorbed_by} now" if known and known.absorbed_by else ""
    if last.kind == "question" and not where:
        where = "it is no question any more"
    return replace(
        last,
        action="leave", add_cents=None, in_words="", onset_add_cents=None, cut_s=None,
        sustain_add_cents=None, points=(), crossfade_in_ms=None, crossfade_out_ms=None,
        remaining_cents=None, layers=(), severity=None, rule_name="orphan",
        reason=f"{where or 'nothing is found there any more'}; it was: {was}, {ruling.state}",
        state="orphan", by=ruling.by, comment=ruling.comment, locked=ruling.locked,
    )  # fmt: skip


def _lost(row: Row, ruling: Ruling) -> Finding:
    comment = f' "{" ".join(ruling.comment.split())}"' if ruling.comment else ""
    return Finding(
        severity="warning",
        what=f"{row.id} was answered ({ruling.state}{comment}), and {row.reason}.",
        did="The answer is kept with its old place.",
        advice="See whether it belongs to another row now.",
        stem=row.stem,
        at_s=row.start_s,
    )
