"""The excerpts that the review page plays, read from the stems once the plan is made."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from planner.files.audio import read_excerpt
from planner.page_lines import page_lines
from planner.page_sound import Excerpt, excerpt, spans_to_play, within
from planner.plan_model import Plan


def read_excerpts(plan: Plan, paths: Mapping[str, Path]) -> tuple[Excerpt, ...]:
    """Read what the page plays of each line, as much as fits on it.

    Parameters
    ----------
    plan : Plan
    paths : mapping
        Stem code to its file, opened for reading only.

    Raises
    ------
    AudioError
        If a file can no longer be read.
    """
    session = plan.session
    spans = spans_to_play(
        page_lines(plan), most_s=session.excerpt_seconds, at_most=session.offenders_wanted
    )
    facts = dict(plan.facts)
    cut = []
    for span in within(spans, session.page_size_mb * 1e6):
        rate = facts[span.stem].sr
        start, end = round(span.start_s * rate), round(span.end_s * rate)
        samples = read_excerpt(paths[span.stem], start, end)
        cut.append(excerpt(span, samples, facts[span.stem]))
    return tuple(cut)
