"""The excerpts that the review page plays, read from the stems once the plan is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from planner.files.audio import read_excerpt, read_stem_audio
from planner.model import AudioFacts
from planner.plan.parts import clock_shifts
from planner.review.page_lines import page_lines
from planner.review.page_sound import Excerpt, Span, excerpt, spans_to_play, within
from planner.words.plan_model import Plan


def read_excerpts(
    plan: Plan, paths: Mapping[str, Path], rough_mix: Path | None = None
) -> tuple[Excerpt, ...]:
    """Read what the page plays of each line, as much as fits on it.

    paths: stem code to its file, opened for reading only.
    rough_mix: a mix that begins with the session's clock; each stretch is cut from it too.

    Raises AudioError if a file can no longer be read.
    """
    session = plan.session
    spans = spans_to_play(
        page_lines(plan), most_s=session.excerpt_seconds, at_most=session.offenders_wanted,
        mixed=rough_mix is not None,
    )  # fmt: skip
    facts = dict(plan.facts)
    shifts = clock_shifts(session, facts)
    mix_facts = None
    if rough_mix is not None and spans:
        mix_facts, _, _ = read_stem_audio(rough_mix, file=rough_mix.name)
    cut = []
    for span in within(spans, session.page_size_mb * 1e6):
        rate = facts[span.stem].sr
        start, end = round(span.start_s * rate), round(span.end_s * rate)
        samples = read_excerpt(paths[span.stem], start, end)
        one = excerpt(span, samples, facts[span.stem])
        if rough_mix is not None and mix_facts is not None:
            mix = _of_the_mix(span, shifts.get(span.stem, 0.0), rough_mix, mix_facts)
            one = replace(one, mix=mix)
        cut.append(one)
    return tuple(cut)


def _of_the_mix(span: Span, later_s: float, path: Path, facts: AudioFacts) -> bytes:
    """The same stretch of the rough mix, on its own clock; empty where the mix is silent there."""
    moved = replace(
        span,
        start_s=max(0.0, span.start_s + later_s),
        end_s=span.end_s + later_s,
        note_start_s=span.note_start_s + later_s,
        note_end_s=span.note_end_s + later_s,
    )
    start, end = round(moved.start_s * facts.sr), round(moved.end_s * facts.sr)
    if start >= facts.frames:
        return b""
    return excerpt(moved, read_excerpt(path, start, min(end, facts.frames)), facts).wav
