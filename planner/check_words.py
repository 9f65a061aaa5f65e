"""The check of corrected bounces in words: what is wrong first, then row by row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from planner.check import Moved, RowCheck, StemCheck, Verdict
from planner.plan_model import Row, State
from planner.summary import plain, table
from planner.wording import SIGN_RULE, amount, count, flat_or_sharp, place, raise_or_lower

_SEEN = 20  # chosen: further lines are in check.csv
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

    @property
    def passed(self) -> bool:
        said = any(stem.said for stem in self.stems)
        all_done = all(row.verdict == "done" for row in self.rows)
        return all_done and not self.moved and not said and not self.changed_originals


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
    if check.moved:
        lines.append(f"{count(len(check.moved), 'note')} moved that no row asks for.")
    for stem in check.stems:
        lines += [f"{stem.code}: {said}." for said in stem.said]
    if check.passed:
        lines.append("All done as planned, and nothing else moved.")
    return lines


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
    lines = [f"# Check of the bounces: {plain(check.song)}", "", f"Sign rule: {SIGN_RULE}.", ""]
    lines += [f"- {plain(line)}" for line in in_short(check)]
    lines += ["", "## Rows that are not as planned", ""]
    if wrong:
        cells = [
            (c.id, c.stem, _place(of.get(c.id)), row_words(c), str(c.notes)) for c in wrong[:_SEEN]
        ]
        lines += table(("row", "stem", "where", "planned, found", "notes read"), cells)
        lines += _more(wrong)
    else:
        lines.append("None.")
    lines += ["", "## Notes that moved and are in no row", ""]
    for one in check.moved[:_SEEN]:
        rules = f", beyond {' and '.join(one.rules)}" if one.rules else ", not in the plan"
        moved = flat_or_sharp(one.moved_cents).replace("flat", "down").replace("sharp", "up")
        lines.append(f"- {one.id}, {place(None, None, one.start_s)}: moved {moved}{rules}")
    lines += _more(check.moved) or ([] if check.moved else ["None."])
    lines += ["", "## Files", ""]
    files = [
        (s.code, f"{s.paired} of {s.notes}", plain("; ".join(s.said)) or "as planned")
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


def _place(row: Row | None) -> str:
    return "" if row is None else place(row.start_bar, row.start_beat, row.start_s)


def _more(found: Sequence[object]) -> list[str]:
    return ["", f"{len(found) - _SEEN} more are in check.csv."] if len(found) > _SEEN else []
