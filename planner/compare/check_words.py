"""The check of corrected bounces in words: what is wrong first, then row by row."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from planner.check import Ghost, Moved, RowCheck, StemCheck, Verdict
from planner.compare.null_test import Changed, NullTest
from planner.compare.sour_check import FreshSour, SourCheck
from planner.words.plan_model import Row, State
from planner.words.wording import (
    SIGN_RULE,
    amount,
    count,
    flat_or_sharp,
    listed,
    place,
    raise_or_lower,
    row_place,
)
from planner.write.markdown import plain, table

_SEEN = 20  # chosen: further lines are in check.csv
_ABSENT_EACH = 3  # chosen: more stems without a file are one line
_LEFT_ALONE = 4  # chosen: so many rows of a stem are one line where none was done
# A crossfade reaches 30 ms past a note, and stretches are told in pieces of a tenth of a second.
_SEAM_S = 0.2
_EXACT_DB = -150.0  # nothing is left but the rounding of sums
_STATE: dict[Verdict, State] = {"done": "checked", "cannot tell": "new", "no file": "not-done"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BounceCheck:
    """The whole result of a check."""

    song: str
    plan: str
    rows: tuple[RowCheck, ...]
    moved: tuple[Moved, ...]
    stems: tuple[StemCheck, ...]
    changed_originals: tuple[str, ...]  # codes of stems whose original is not what was planned
    nulls: tuple[NullTest, ...] = ()  # one a file that has a bounce
    sour: SourCheck | None = None
    ghosts: tuple[Ghost, ...] = ()

    @property
    def passed(self) -> bool:
        said = any(stem.said for stem in self.stems)
        all_done = all(row.verdict == "done" for row in self.rows)
        same = all(null.passed for null in self.nulls)
        return all_done and same and not self.moved and not said and not self.changed_originals


def state_of(verdict: Verdict) -> State:
    """Give the state that a row takes by its check; ``new`` where nothing was found out."""
    return _STATE.get(verdict, "not-done")


def in_short(check: BounceCheck) -> list[str]:
    """Say the outcome in a few lines, the worst first."""
    lines = []
    if check.changed_originals:
        codes = ", ".join(check.changed_originals)
        lines.append(
            f"AN ORIGINAL HAS CHANGED SINCE THE PLAN: {codes}. Find out why before mixing."
        )
    found = Counter(row.verdict for row in check.rows)
    counts = ", ".join(f"{n} {verdict}" for verdict, n in found.most_common())
    lines.append(f"{count(len(check.rows), 'row')} of {check.plan}: {counts or 'none to check'}.")
    lines += [f"{one.id} is {one.state}, and was made all the same: {_moved_words(one)}."
              for one in check.moved if one.state != "new"]  # fmt: skip
    single = sum(one.state == "new" for one in check.moved)
    if single:
        lines.append(f"{count(single, 'note')} moved that no row asks for.")
    absent = [stem for stem in check.stems if stem.unchecked_rows]
    if len(absent) > _ABSENT_EACH:
        rows = sum(stem.unchecked_rows for stem in absent)
        codes = ", ".join(stem.code for stem in absent)
        lines.append(
            f"No corrected files for {len(absent)} stems ({codes}): {rows} rows cannot be checked."
        )
    for stem in check.stems:
        if not stem.unchecked_rows or len(absent) <= _ABSENT_EACH:
            lines += [f"{stem.code}: {said}." for said in stem.said]
    lines += [
        f"{null.stem}: {said}."
        for null in check.nulls
        if (said := _not_the_same(null, check.moved))
    ]
    if check.passed:
        same = any(not null.why_not for null in check.nulls)
        lines.append(
            "All done as planned, and nothing else moved"
            + (": outside the edits it is the same sound." if same else ".")
        )
    if check.sour is not None:
        said = sour_sentence(check.sour)
        if absent:
            codes = listed(stem.code for stem in absent)
            said += f" Without a corrected file, {codes} counted as recorded."
        lines.append(said)
    if check.ghosts:
        stems = ", ".join(dict.fromkeys(g.held_in for g in check.ghosts))
        lines.append(f"Corrected notes are still heard at their old pitch in {stems}, by bleed.")
    return lines


def sour_sentence(sour: SourCheck) -> str:
    """Say the sour seconds before, as planned and as the bounces sound."""
    fresh = [one for one in sour.fresh if not one.planned]
    said = (
        # Rounded as the plan rounds, so that the same figure is the same word.
        f"Sour seconds: {round(sour.recorded_s, 1):.0f} as recorded, "
        f"{round(sour.planned_s, 1):.0f} as planned, "
        f"{round(sour.measured_s, 1):.0f} in the bounces"
    )
    if fresh:
        said += f"; {count(len(fresh), 'moment')} sour there that the plan leaves clean"
    return f"{said}."


def changed_words(one: Changed, moved: Iterable[Moved] = ()) -> str:
    """Say what became of a stretch outside the edits.

    moved: notes of its stem that moved and are in no row; where they fill the stretch, that is it.
    """
    inside = [m for m in moved if m.start_s < one.end_s and m.end_s > one.start_s]
    if one.how == "other" and inside:
        first, last = min(m.start_s for m in inside), max(m.end_s for m in inside)
        if one.start_s >= first - _SEAM_S and one.end_s <= last + _SEAM_S:
            return f"{' and '.join(m.id for m in inside)} moved, and no row asks for it"
    if one.how == "level" and one.level_db is not None:
        side = "louder" if one.level_db > 0 else "softer"
        most = "" if one.steady else " at most"
        return f"level changed: {abs(one.level_db):.1f} dB {side}{most}"
    if one.how == "later" and one.later_s is not None:
        side = "later" if one.later_s > 0 else "earlier"
        return f"moved in time: {abs(one.later_s) * 1000:.2f} ms {side}"
    if one.how == "silent":
        return "silent now"
    if one.how == "added":
        return "something sounds where there was silence"
    return f"something else changed (null {_null(one.null_db)})"


def _not_the_same(null: NullTest, moved: Iterable[Moved]) -> str:
    said = []
    if null.turned_over:
        said.append("polarity is turned over")
    if null.rerendered:
        said.append(
            "no null is possible outside the edits: the whole file was rendered anew, so it was "
            "compared by pitch, level and timing alone"
        )
    if null.ride_db is not None:
        said.append(
            f"its level moves along the file, {_ride(null.ride_db)}: a fade, or levels ridden by "
            "hand; otherwise it is the same sound. Bounce it without, or say so to whoever mixes"
        )
    if null.changed:
        n, first = len(null.changed), null.changed[0]
        lasts = sum(one.end_s - one.start_s for one in null.changed)
        said.append(
            f"{count(n, 'stretch', 'stretches')} outside the edits "
            f"{'is' if n == 1 else 'are'} not the same sound ({lasts:.1f} s in all; first at "
            f"{first.start_s:.2f} s, {changed_words(first, moved)})"
        )
    named = f"{null.file}: " if said else ""
    return named + "; ".join(said)


def _ride(levels_db: tuple[float, float]) -> str:
    low, high = (
        f"{abs(db):.1f} dB {'louder' if db > 0 else 'softer'}" if abs(db) >= 0.1 else "unchanged"
        for db in levels_db
    )
    return f"from {low} to {high}"


def _null(db: float | None) -> str:
    if db is None:
        return "not known"
    return f"{db:.0f} dB" if db > _EXACT_DB else "exact"


def row_words(check: RowCheck) -> str:
    """Say what was wanted and what was found: "lower by 16; found lowered by 3: not done"."""
    wanted = raise_or_lower(check.wanted_cents)
    got = check.got_cents
    if got is None:
        return f"{wanted}: {check.verdict}"
    if round(abs(got), 1) < 0.5:
        return f"{wanted}; found where it was: {check.verdict}"
    side = "raised" if got > 0 else "lowered"
    return f"{wanted}; found {side} by {amount(got)}: {check.verdict}"


def check_markdown(check: BounceCheck, rows: Sequence[Row]) -> str:
    """Write the check as a sheet: in short, what is not done, what moved, then the files."""
    of = {row.id: row for row in rows}
    wrong = [row for row in check.rows if row.verdict != "done"]
    undone = _stems_left_alone(check.rows)
    single = [row for row in wrong if row.stem not in undone]
    lines = [f"# Check of the bounces: {plain(check.song)}", "", f"Sign rule: {SIGN_RULE}.", ""]
    lines += [f"- {plain(line)}" for line in in_short(check)]
    lines += ["", "## Rows that are not as planned", ""]
    if wrong:
        cells = [
            (f"all {n} rows", stem, "", "none of them was done", "") for stem, n in undone.items()
        ]
        cells += [
            (c.id, c.stem, row_place(of[c.id]) if c.id in of else "", row_words(c), str(c.notes))
            for c in single[:_SEEN]
        ]
        lines += table(("row", "stem", "where", "planned, found", "notes read"), cells)
        lines += _more(single)
    else:
        lines.append("None.")
    lines += ["", "## Notes that moved and are in no row", ""]
    for one in check.moved[:_SEEN]:
        why = f", beyond {' and '.join(one.rules)}" if one.rules else ", not in the plan"
        why = why if one.state == "new" else f", and the rule is {one.state}"
        lines.append(f"- {one.id}, {place(None, None, one.start_s)}: {_moved_words(one)}{why}")
    lines += _more(check.moved) or ([] if check.moved else ["None."])
    lines += ["", "## Outside the edits", "", *_outside(check.nulls, check.moved)]
    if check.sour is not None:
        lines += ["", "## Sour seconds", "", *_sour(check.sour)]
    if check.ghosts:
        lines += ["", "## Still heard at their old pitch", "", *_ghosts(check.ghosts)]
    lines += ["", "## Files", ""]
    files = [
        (s.code, f"{s.paired} of {s.notes}", plain(_of_file(check, s)) or "as planned")
        for s in check.stems
    ]
    lines += table(("stem", "notes found again", "what is to be said"), files)
    lines += [
        "",
        "Measured, not judged: the bounces were read, never written to. Listen to every row that "
        "is not as planned, and to some that are.",
        "",
    ]
    return "\n".join(lines)


def _moved_words(one: Moved) -> str:
    moved = flat_or_sharp(one.moved_cents).replace("flat", "down").replace("sharp", "up")
    return f"moved {moved}" if one.state == "new" else f"{count(one.notes, 'note')} moved {moved}"


def _of_file(check: BounceCheck, stem: StemCheck) -> str:
    """Say what is wrong with a file, and count what is told above; empty where nothing is."""
    rows = sum(r.stem == stem.code and r.verdict != "done" for r in check.rows)
    notes = sum(m.notes for m in check.moved if m.stem == stem.code)
    stretches = sum(len(null.changed) for null in check.nulls if null.stem == stem.code)
    told = [
        count(rows, "row") if rows else "",
        count(notes, "note") if notes else "",
        count(stretches, "stretch", "stretches") if stretches else "",
    ]
    above = ", ".join(filter(None, told))
    return "; ".join([*stem.said, *([f"{above} told above"] if above else [])])


def _stems_left_alone(rows: Sequence[RowCheck]) -> dict[str, int]:
    """Count the rows of stems of which nothing at all was done: one line says it for each."""
    by_stem: dict[str, list[RowCheck]] = {}
    for row in rows:
        by_stem.setdefault(row.stem, []).append(row)
    return {
        stem: len(own)
        for stem, own in by_stem.items()
        if len(own) >= _LEFT_ALONE and all(r.verdict in ("not done", "cannot tell") for r in own)
    }


def _outside(nulls: Sequence[NullTest], moved: Sequence[Moved]) -> list[str]:
    """Say file by file whether what the plan does not touch is the same sound."""
    if not nulls:
        return ["Nothing to compare."]
    cells = [_outside_cells(null) for null in nulls]
    head = ("stem", "file", "compared", "made up for, and what is left", "found")
    lines = table(head, cells)
    changed = [(null, one) for null in nulls for one in null.changed]
    if changed:
        lines.append("")
    lines += [
        f"- {null.stem} ({plain(null.file)}), {one.start_s:.2f} to {one.end_s:.2f} s: "
        f"{changed_words(one, [m for m in moved if m.stem == null.stem])}"
        for null, one in changed[:_SEEN]
    ]
    if len(changed) > _SEEN:
        lines.append(f"- {len(changed) - _SEEN} more are in check.yaml.")
    return lines


def _outside_cells(null: NullTest) -> tuple[str, str, str, str, str]:
    if null.why_not:
        return null.stem, plain(null.file), "", "", f"not compared: {null.why_not}"
    made_up = [f"{null.late_smp:.2f} samples"] if null.late_smp else []
    if abs(null.gain_db) >= 0.05:
        made_up.append(f"{null.gain_db:+.1f} dB")
    left = f"{', '.join(made_up) or 'nothing'}; null {_null(null.null_db)}"
    return null.stem, plain(null.file), f"{null.compared_s:.1f} s", left, _found_outside(null)


def _found_outside(null: NullTest) -> str:
    said = "the same sound"
    if null.ride_db is not None:
        said = f"the same sound, its level moving {_ride(null.ride_db)}"
    if null.rerendered:
        said = "rendered anew"
    elif null.changed:
        stretches = f"{count(len(null.changed), 'stretch', 'stretches')} changed"
        said = f"{said}; {stretches}" if null.ride_db is not None else stretches
    if null.reaching:
        said += (
            f"; {count(null.reaching, 'edit')} past the note's own span, by "
            f"{null.reach_s:.1f} s at most"
        )
    return said


def _sour(sour: SourCheck) -> list[str]:
    lines = [sour_sentence(sour)]
    if sour.unread:
        n = count(sour.unread, "note")
        lines.append(f"{n} of the bounces could not be read again: counted as recorded.")
    fresh = [f"- {_fresh(one)}" for one in sour.fresh[:_SEEN]]
    return [*lines, *(["", "Sour now, and not as recorded:", "", *fresh] if fresh else [])]


def _fresh(one: FreshSour) -> str:
    what = " against ".join(one.notes) if len(one.notes) > 1 else f"{one.notes[0]} out of tune"
    planned = " (as planned)" if one.planned else ""
    return f"{one.start_s:.2f} to {one.end_s:.2f} s: {what}{planned}"


def _ghosts(ghosts: Sequence[Ghost]) -> list[str]:
    lines = [
        f"- {g.held_in} holds {count(g.notes, 'corrected note')} of {g.stem} as recorded, at "
        f"{g.loudest_db:.0f} dB the loudest; {g.stem} was {_side(g.most_cents)} by up to "
        f"{amount(g.most_cents)}."
        for g in ghosts
    ]
    return [*lines, "- Listen there: mute it where it is not needed, or take the edit back."]


def _side(cents: float) -> str:
    return "raised" if cents > 0 else "lowered"


def _more(found: Sequence[object]) -> list[str]:
    return ["", f"{len(found) - _SEEN} more are in check.csv."] if len(found) > _SEEN else []
