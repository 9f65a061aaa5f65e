"""What the editor's minutes buy, in words and as a table."""

from dataclasses import replace
from itertools import pairwise

import pytest
from invented_plan import OFFENDER, plan

from planner.summary import summary_markdown
from planner.words.plan_model import Plan
from planner.write.in_short import in_short
from planner.write.offenders_text import offenders_markdown, stop_line
from planner.write.relief import is_crowded, readings, relief_rows, relief_sentence


def made(
    *left_s: float, before_s: float = 40.0, joined: tuple[int, ...] = (),
    beating_s: tuple[float, ...] = (),
) -> Plan:  # fmt: skip
    """Lines of one edit and half a minute each, with the sour seconds left after each.

    beating_s: as recorded and left after each, where it is known.
    """
    lines, was_s = [], before_s
    for k, after_s in enumerate(left_s):
        lines.append(
            replace(
                OFFENDER, rank=k + 1, row_id=f"LV-{k}", row_ids=(f"LV-{k}",),
                minutes_so_far=0.5 * (k + 1), clears_s=was_s - after_s, sour_left_s=after_s,
                together=k + 1 - (k in joined), shares_step=k in joined or k + 1 in joined,
            )
        )  # fmt: skip
        was_s = after_s
    known = list(pairwise(beating_s))
    lines = [
        replace(line, thins_s=was - now, beating_left_s=now)
        for line, (was, now) in zip(lines, known, strict=True)
    ] if known else lines  # fmt: skip
    return plan(
        offenders=tuple(lines), sour_before_s=before_s, sour_after_s=was_s,
        beating_before_s=beating_s[0] if known else None,
    )  # fmt: skip


def test_curve_is_read_where_its_shares_are_reached() -> None:
    """A quarter, a half, three quarters and nine tenths of all gain, and all of it."""
    curve = readings(made(36, 30, 24, 20, 12, 10, 8, 4, 2, 0))
    assert [(r.edits, r.left_s) for r in curve] == [(2, 30), (4, 20), (6, 10), (8, 4), (10, 0)]
    assert curve[1].gone_share == 0.5
    assert curve[1].minutes == 2.0


def test_sentence_says_what_the_minutes_buy() -> None:
    """Two readings, then that the rest is polishing, if more than half is gone by then."""
    assert relief_sentence(made(36, 30, 24, 20, 12, 10, 8, 4, 2, 0)) == (
        "6 edits, 3 min, 75 % of the sour seconds gone; 8 edits, 4 min, 90 % gone; "
        "after that you are polishing."
    )
    little = relief_sentence(made(38.0, 38.0, 37.9))
    assert little == (
        "1 edit, 0.5 min, 5 % of the sour seconds gone; the lines below clear hardly more."
    )
    assert relief_sentence(made(10.0)) == "1 edit, 0.5 min, 75 % of the sour seconds gone."


CROWDED = {"before_s": 240.0, "beating_s": (1000.0, 700.0, 500.0, 320.0)}


def test_where_many_parts_beat_at_once_the_beating_is_told() -> None:
    """Of 240 sour seconds 233 stay, but two thirds of what beats in them goes."""
    p = made(239.0, 236.0, 233.0, **CROWDED)  # type: ignore[arg-type]
    assert relief_sentence(p).startswith("2 edits, 1 min, 50 % of the beating gone; 3 edits")
    assert relief_rows(p)[-1][3:] == ("233.0 (3 % gone)", "320.0 (68 % gone)")
    text = " ".join(in_short(p))
    assert "each pair counted by itself, 320 of 1000 s are left if every edit is made" in text
    below = tuple(replace(o, above_stop_line=o.rank == 1) for o in p.offenders)
    assert stop_line(replace(p, offenders=below)).endswith(
        "; the 2 lines below end 380 s more of beating."
    )
    assert "Ends 300 s of beating." in offenders_markdown(p)


@pytest.mark.parametrize(
    ("left_s", "beating_left_s", "crowded"),
    [(121.0, 400.0, True), (120.0, 400.0, False), (121.0, 505.0, False)],
)
def test_edges_of_a_crowd(left_s: float, beating_left_s: float, crowded: bool) -> None:
    """More than half of the sour seconds stay, and less of the beating than of them."""
    p = made(left_s, before_s=240.0, beating_s=(1000.0, beating_left_s))
    assert is_crowded(p) is crowded


def test_lines_made_together_are_read_once_all_are_made() -> None:
    """Between two lines of one step there is no reading."""
    assert [r.lines for r in readings(made(20.0, 0.0, joined=(1,)))] == [2]


def test_no_curve_where_nothing_can_be_cleared() -> None:
    """No sour time, or none that goes away: no sentence and no table."""
    assert relief_sentence(made(0.0, before_s=0.0)) == ""
    assert relief_rows(made(40.0)) == []
    assert "What the minutes buy" not in summary_markdown(made(40.0))


def test_who_is_farther_out_is_told() -> None:
    """The summary counts, stem by stem, who is farther out where parts beat."""
    named = (("BAS", 3, 12.4), ("LV", 1, 0.8))
    text = summary_markdown(replace(made(40.0), named=named))
    assert "No edit clears any of them." in text
    assert (
        "the one further out of tune, as recorded: BAS in 3 clashes (12 s); LV in 1 clash (0.8 s)."
        in text
    )


def test_curve_stands_in_both_texts() -> None:
    """The summary and the list of offenders carry the sentence and the table."""
    p = made(20.0, 4.0, 0.0)
    for text in (summary_markdown(p), offenders_markdown(p)):
        assert relief_sentence(p) in text
        assert "| first 2 | 2 | 1 | 4.0 (90 % gone) |" in text


def test_stop_line_says_what_the_lines_below_clear() -> None:
    """What going on would buy is said in sour seconds."""
    p = made(20.0, 4.0, 1.0)
    below = tuple(replace(o, above_stop_line=o.rank == 1) for o in p.offenders)
    assert stop_line(replace(p, offenders=below)).endswith(
        "; the 2 lines below clear 19 more sour seconds."
    )


def test_the_stop_line_has_a_row_of_its_own() -> None:
    """The table says what the editor's own minutes buy, wherever the stop line falls."""
    p = made(36, 30, 24, 20, 12, 10, 8, 4, 2, 0)
    cut = replace(p, offenders=tuple(replace(o, above_stop_line=o.rank <= 3) for o in p.offenders))
    rows = relief_rows(cut)
    assert rows[1] == ("first 3 (stop line)", "3", "2", "24.0 (40 % gone)", "")
    assert [r for r in rows if "stop" not in r[0]] == relief_rows(p)
    assert relief_sentence(cut) == relief_sentence(p)
