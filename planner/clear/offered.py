"""What an offer would clear if it were taken: said beside it, so that a person can weigh it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from planner.clear.decided import Decided, once_made, sour_of
from planner.clear.sour_time import change_of, sour_now_s
from planner.scope.part_scope import LEAD_OFFER
from planner.scope.scope_rule import ScopeRule
from planner.words.plan_model import EDIT_ACTIONS, Judged
from planner.words.wording import amount

_SAID_FROM_S = 0.05  # less would be said as 0.0


def saying_what_they_clear(offers: Iterable[ScopeRule], made: Decided) -> tuple[ScopeRule, ...]:
    """Add to the offer of a lead as a whole how many sour seconds would go with it.

    That is beyond what the plan clears: notes that it moves by themselves stay where it puts them.
    """
    return tuple(_saying(rule, made) if rule.name == LEAD_OFFER else rule for rule in offers)


def _saying(rule: ScopeRule, made: Decided) -> ScopeRule:
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    rest = [n for n in rule.covers if n in sour.index and not _is_moved(made.judged[n])]
    notes = np.array(sorted(sour.index[n] for n in rest), dtype=np.int64)
    gain_s = change_of(sour, now, notes, np.full(len(notes), -rule.bias_cents)).gain_s
    moved = "lowered" if rule.bias_cents > 0 else "raised"
    whose = "it" if len(rest) == len(rule.covers) else "its other notes"
    would = f"{moved} by {amount(rule.bias_cents)}, {whose} would"
    if gain_s >= _SAID_FROM_S:
        left_s = sour_now_s(sour, now)
        said = f"{would} clear {gain_s:.1f} of the {left_s:.1f} sour seconds that this plan leaves"
    elif gain_s <= -_SAID_FROM_S:
        said = f"{would} add {-gain_s:.1f} sour seconds"
    else:
        said = f"{would} clear no sour time"
    return replace(rule, reason=f"{rule.reason}; {said}")


def _is_moved(j: Judged) -> bool:
    return bool(j.layers) or j.action in EDIT_ACTIONS
