"""Stretches of frames are told first and half-open last."""

from __future__ import annotations

import numpy as np

from planner.frame_blocks import stretches


def test_stretches_are_where_something_holds() -> None:
    """At either end, alone, and nowhere."""
    holds = np.array([1, 1, 0, 0, 1, 0, 1], dtype=bool)
    assert stretches(holds) == [(0, 2), (4, 5), (6, 7)]
    assert stretches(np.zeros(3, dtype=bool)) == stretches(holds[:0]) == []
