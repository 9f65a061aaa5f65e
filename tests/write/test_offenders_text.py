"""The producer's list in words: lines, and the stop line at its end."""

from dataclasses import replace

from planner.write.offenders_text import offenders_markdown, often, relief_of, stop_line
from tests.invented_plan import OFFENDER, plan


def test_offenders_are_numbered_and_end_in_the_stop_line() -> None:
    """Each line has place, fix and minutes; below the stop line stands what each rank is of."""
    lines = offenders_markdown(plan()).splitlines()
    assert lines[7].startswith("1. **The held D5 sits low, rubbing on the piano's D.** LV, bar 33")
    assert "6 times" in lines[7]
    assert "Fix: raise by 16, give or take 2." in lines[7]
    assert lines[7].endswith("Half a minute so far.")
    assert lines[-2] == (
        "| 1 | 61.2 | rubbing against another part 25.0, how far out of tune it sounds 20.1, "
        "where in the phrase it sits 15.0 |"
    )
    # 6.0 of 61.2 + 61.2 + 6.0 is 4.7 %.
    assert lines[10] == (
        "Stop line: the first 2 lines take about 1 minute; the next line buys 5 % more."
    )


def test_one_sour_second_is_one() -> None:
    """A line clears 1 sour second, or 1.4 sour seconds."""
    for clears_s, said in ((1.0, "Clears 1 sour second. "), (1.4, "Clears 1.4 sour seconds. ")):
        one = plan(offenders=(replace(OFFENDER, clears_s=clears_s),))
        assert said in offenders_markdown(one)


def test_stop_line_of_other_lists() -> None:
    """Nothing to do, nothing below, and many below are each said as they are."""
    below = tuple(replace(OFFENDER, rank=i, above_stop_line=False, severity=1) for i in (2, 3))
    assert stop_line(plan(offenders=())) == "Stop line: nothing needs doing."
    assert stop_line(plan(offenders=(OFFENDER,))).endswith("there is nothing below.")
    assert stop_line(plan(offenders=(OFFENDER, *below))).endswith("the next 2 lines buy 3 % more.")


def test_a_rule_covers_notes_and_a_fault_comes_several_times() -> None:
    """46 notes under one rule are no fault that comes 46 times; what comes once is not counted."""
    assert often(replace(OFFENDER, row_id="R-001", times=46)) == "46 notes"
    assert often(OFFENDER) == "6 times"
    assert often(replace(OFFENDER, times=1)) == ""


def test_a_typed_a4_that_disagrees_is_shouted_at_the_head() -> None:
    """443 Hz measured beside a typed 441: said in capitals; nothing where they agree."""
    loud = offenders_markdown(replace(plan(), a4=replace(plan().a4, measured_hz=443.0)))
    assert "WHAT WAS MEASURED DISAGREES: it is 7.8 sharp of that" in loud
    assert "MEASURED" not in offenders_markdown(plan())


def test_a_line_says_what_it_clears_or_what_beating_it_ends() -> None:
    """In a crowd moments hardly come clear, and beating is told; under a second of it is not."""
    both = replace(OFFENDER, clears_s=8.9, thins_s=25.0)
    assert relief_of(both, crowded=False) == "clears 8.9 sour seconds"
    assert relief_of(both, crowded=True) == "ends 25 s of beating"
    assert relief_of(replace(both, clears_s=1.0), crowded=False) == "clears 1 sour second"
    assert relief_of(replace(both, clears_s=0.0), crowded=False) == "ends 25 s of beating"
    assert relief_of(replace(both, thins_s=0.9), crowded=True) == ""
