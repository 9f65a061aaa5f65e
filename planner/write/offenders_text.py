"""The producer's list in words, as Markdown: most relief first, and where to stop."""

from planner.answer.ledger import owner_of
from planner.words.plan_model import Offender, Plan, Row
from planner.words.wording import (
    SIGN_RULE,
    amount,
    count,
    minutes,
    percent,
    place,
    row_place,
    terms,
)
from planner.write.in_short import reference_in_short
from planner.write.markdown import plain, table
from planner.write.relief import RELIEF_HEAD, is_crowded, relief_rows, relief_sentence

_THINS_TOLD_S = 1.0  # chosen: less is no reason for a line


def offenders_markdown(plan: Plan) -> str:
    """Write the ranked list of offenders in words, its stop line, and what each rank is of."""
    lines = [
        f"# Most relief first: {plain(plan.session.song)}",
        "",
        f"Sign rule: {SIGN_RULE}.",
        "",
        *(f"- {plain(line)}" for line in reference_in_short(plan)),
        "- First comes what clears most sour seconds for its time (beating that ends while "
        "other beating stays counts a quarter), and among equals what ranks higher (0 to 100).",
        "",
    ]
    if relief_sentence(plan):
        lines += [relief_sentence(plan), "", *table(RELIEF_HEAD, relief_rows(plan)), ""]
    rows = {row.id: row for row in plan.rows}
    above = [o for o in plan.offenders if o.above_stop_line]
    lines += [f"{o.rank}. {_offender(o, rows.get(o.row_id), is_crowded(plan))}" for o in above]
    lines += ["", stop_line(plan)]
    if any(o.terms for o in above):
        ranks = [(str(o.rank), f"{o.severity:.1f}", terms(o.terms)) for o in above]
        lines += ["", "## What the lines rank by", ""]
        lines += table(("line", "rank, of 100", "made of"), ranks)
    return "\n".join(lines) + "\n"


def stop_line(plan: Plan) -> str:
    """Say what the lines above take, and what going on would buy."""
    if not plan.offenders:
        return "Stop line: nothing needs doing."
    above = [o for o in plan.offenders if o.above_stop_line]
    below = [o for o in plan.offenders if not o.above_stop_line]
    spent = minutes(above[-1].minutes_so_far) if above else "no time"
    first = "first line takes" if len(above) == 1 else f"first {len(above)} lines take"
    done = f"Stop line: the {first} {spent}"
    if not below:
        return f"{done}; there is nothing below."
    if is_crowded(plan):
        more_s = sum(o.thins_s or 0.0 for o in below)
        ends = "ends" if len(below) == 1 else "end"
        lines = count(len(below), "line")
        return f"{done}; the {lines} below {ends} {amount(more_s)} s more of beating."
    if any(o.clears_s for o in plan.offenders):
        more_s = sum(o.clears_s or 0.0 for o in below)
        verb = "clears" if len(below) == 1 else "clear"
        return f"{done}; the {count(len(below), 'line')} below {verb} {_sour(more_s, 'more ')}."
    total = sum(o.severity for o in plan.offenders)
    share = sum(o.severity for o in below) / total if total > 0 else 0.0
    more = "the next line buys" if len(below) == 1 else f"the next {len(below)} lines buy"
    return f"{done}; {more} {percent(share)} more."


def often(o: Offender) -> str:
    """Say in how many places a fault comes, or how many notes a rule moves; once is not said."""
    if o.times < 2:
        return ""
    return count(o.times, "note" if owner_of(o.row_id) == "R" else "time")


def relief_of(o: Offender, *, crowded: bool) -> str:
    """Say what a line clears: ``clears 1.3 sour seconds``; of a crowd, what beating it ends."""
    if o.clears_s and not crowded:
        return f"clears {_sour(o.clears_s)}"
    thins_s = o.thins_s or 0.0
    return f"ends {amount(thins_s)} s of beating" if thins_s >= _THINS_TOLD_S else ""


def _sour(seconds: float, more: str = "") -> str:
    size = amount(seconds)
    return f"{size} {more}sour {'second' if size == '1' else 'seconds'}"


def _offender(o: Offender, row: Row | None, crowded: bool) -> str:
    relief = relief_of(o, crowded=crowded)
    clears = f"{relief[0].upper()}{relief[1:]}. " if relief else ""
    joined = "It helps only together with the lines beside it. " if o.shares_step else ""
    # A rule over many pitches names none.
    at = place(o.start_bar, o.start_beat, o.start_s) if row is None else row_place(row)
    parts = (o.stem, at, plain(o.intended), often(o))
    where = ", ".join(part for part in parts if part)
    so_far = minutes(o.minutes_so_far)
    return (
        f"**{plain(o.headline[:1].upper() + o.headline[1:])}** {where} "
        f"({plain(o.row_id)}). Fix: {plain(o.fix).rstrip('.')}. {clears}{joined}"
        f"{so_far[:1].upper()}{so_far[1:]} so far."
    )
