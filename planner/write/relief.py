"""What the editor's minutes buy: sour seconds against edits, in a sentence and a small table."""

from dataclasses import dataclass

from planner.words.plan_model import Plan
from planner.words.wording import count, percent, whole_minutes

# Where the curve is read: shares of everything that the list can clear.
_READ_AT = (0.25, 0.5, 0.75, 0.9)
_MOST = 0.5  # of what is sour as recorded
_POLISHING_FROM = 0.9  # chosen: the last tenth takes as long as the first half, or longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The curve at one line of the list."""

    lines: int
    edits: int
    minutes: float
    left_s: float
    beating_left_s: float | None
    gone_share: float  # of what is told as recorded (`_told`), 0..1


def readings(plan: Plan) -> tuple[Reading, ...]:
    """Read the curve where a quarter, half, three quarters and 90 % of all gain is had, and last.

    Empty where nothing is sour, or nothing that is can be cleared.
    """
    every = _at_every_line(plan)
    if not every or every[-1].gone_share <= 0.0:
        return ()
    before_s = (plan.beating_before_s if is_crowded(plan) else plan.sour_before_s) or 0.0
    found = []
    wanted = [share * every[-1].gone_share * before_s for share in (*_READ_AT, 1.0)]
    for one in every:
        gone_s = one.gone_share * before_s
        if wanted and round(gone_s - wanted[0], 1) >= 0:
            wanted = [gain for gain in wanted if round(gone_s - gain, 1) < 0]
            found.append(one)
    return tuple(found)


def relief_sentence(plan: Plan) -> str:
    """Say what the minutes buy; empty where there is no curve.

    ``6 edits, 3 min, 58 % of the sour seconds gone; 12 edits, 6 min, 81 % gone; after that you are
    polishing.``
    """
    curve = readings(plan)
    if not curve:
        return ""
    what = "beating" if is_crowded(plan) else "sour seconds"
    most = curve[-1].gone_share
    knee = next(r for r in curve if r.gone_share >= _POLISHING_FROM * most - 1e-3)
    shown = [r for r in curve if r.edits <= knee.edits][-2:]
    said = [
        f"{count(r.edits, 'edit')}, {_short(r.minutes)} min, "
        f"{percent(r.gone_share)} " + (f"of the {what} gone" if k == 0 else "gone")
        for k, r in enumerate(shown)
    ]
    last = plan.offenders[-1].rank > knee.lines
    most_gone = knee.gone_share >= _MOST  # else what stays is no polish: no edit reaches it
    rest = "after that you are polishing" if most_gone else "the lines below clear hardly more"
    return "; ".join(said) + (f"; {rest}." if last else ".")


def relief_rows(plan: Plan) -> list[tuple[str, ...]]:
    """Lay the curve out as table cells: lines, edits, minutes, sour seconds and beating left.

    The stop line, which is where the editor's minutes end, has a row of its own.
    """
    curve = readings(plan)
    if not curve:
        return []
    stop = max((o.rank for o in plan.offenders if o.above_stop_line), default=0)
    ends_there = [r for r in _at_every_line(plan) if r.lines == stop]
    rows = sorted({r.lines: r for r in (*curve, *ends_there)}.values(), key=lambda r: r.lines)
    return [
        (
            (f"first {r.lines}" if r.lines > 1 else "first")
            + (" (stop line)" if r.lines == stop < plan.offenders[-1].rank else ""),
            str(r.edits),
            _short(r.minutes),
            _left(r.left_s, plan.sour_before_s),
            _left(r.beating_left_s, plan.beating_before_s),
        )
        for r in rows
    ]


def _at_every_line(plan: Plan) -> list[Reading]:
    """The curve behind every line that ends a step of the list."""
    ends = {o.together: o.rank for o in plan.offenders}
    crowded = is_crowded(plan)
    found = []
    edits = 0
    for o in plan.offenders:
        edits += o.edits
        if o.sour_left_s is not None and ends[o.together] == o.rank and plan.sour_before_s:
            beating = _gone(o.beating_left_s, plan.beating_before_s)
            sour = _gone(o.sour_left_s, plan.sour_before_s)
            found.append(
                Reading(
                    lines=o.rank, edits=edits, minutes=o.minutes_so_far, left_s=o.sour_left_s,
                    beating_left_s=o.beating_left_s, gone_share=beating if crowded else sour,
                )
            )  # fmt: skip
    return found


def is_crowded(plan: Plan) -> bool:
    """Whether most moments stay sour, and more goes of what beats in them than of themselves.

    Then many parts beat at once, and how much they beat says what an edit is worth.
    """
    if not plan.offenders or not plan.sour_before_s:
        return False
    last = plan.offenders[-1]
    gone = _gone(last.sour_left_s, plan.sour_before_s)
    return gone < _MOST and _gone(last.beating_left_s, plan.beating_before_s) > gone


def _gone(left_s: float | None, before_s: float | None) -> float:
    return 0.0 if left_s is None or not before_s else 1.0 - left_s / before_s


def _left(left_s: float | None, before_s: float | None) -> str:
    if left_s is None:
        return ""
    return f"{left_s:.1f} ({percent(_gone(left_s, before_s))} gone)"


def _short(minutes: float) -> str:
    """Whole minutes, as in every sentence; a single edit takes half of one."""
    return str(whole_minutes(minutes) or 0.5)


RELIEF_HEAD = (
    "lines of the list", "edits", "minutes", "sour seconds left",
    "seconds of beating left, each pair counted",
)  # fmt: skip
