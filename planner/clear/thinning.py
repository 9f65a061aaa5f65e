"""How much beating goes with each row, every pair counted by itself.

A moment is sour or it is not. Where sixteen parts play, hardly one is ever clear, and sour seconds
tell one row from another no more; how many pairs still beat in them does.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from planner.clear.fewest_moves import Step
from planner.clear.move_lines import Proposal, moved_by
from planner.clear.sour_time import SourMap, apply, as_recorded, change_of


def with_thinning(
    sour: SourMap, proposals: Iterable[Proposal], steps: Sequence[Step]
) -> tuple[float, tuple[Step, ...]]:
    """Say what is beating as recorded, and beside each row of the steps what of it goes with it.

    In s: the lengths of all pairs that beat and of all held notes beyond their tolerance, added up.
    What goes with the rows adds up to what goes in all; of a row that makes others beat in moments
    that are sour anyhow it is below 0.
    """
    by_id = {proposal.id: proposal for proposal in proposals}
    now = as_recorded(sour)
    before_s = float(now.count @ sour.piece_s)
    found = []
    for step in steps:
        thins_s = []
        for row_id in step.ids:
            change = change_of(sour, now, *moved_by(sour, [by_id[row_id]]))
            apply(sour, now, change)
            thins_s.append(change.shared_s)
        found.append(replace(step, thins_s=tuple(thins_s)))
    return before_s, tuple(found)
