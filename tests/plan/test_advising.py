"""Rows that move nothing: questions about notes, and advice, numbered stem by stem."""

from __future__ import annotations

from deciding import line, note, plan, stem

MIDIS = [69, 72, 76, 81] * 3


def test_questions_are_numbered_by_the_codes_of_their_stems() -> None:
    """Two notes between two notes, in two stems given in either order."""
    one = stem("WW", "woodwind", [note("WW-0001", 69, 40)])
    two = stem("CEL", "bowed", [note("CEL-0001", 62, -40)])
    for stems in ((one, two), (two, one)):
        asked = [(r.id, r.covers) for r in plan(*stems).rows if r.kind == "question"]
        assert asked == [("Q-001", ("CEL-0001",)), ("Q-002", ("WW-0001",))]


def test_advice_is_numbered_offers_first() -> None:
    """An offer of a lead as a whole before the retake of a part that asks for edits throughout."""
    lead = stem("LV", "lead-voice", line("LV", MIDIS, [-5.0] * 12, length_s=1.8))
    loose = [24, -27, 26, -24, -25, 28, -26, 25, 27, 24, -28, -25, -24, 26, 25, -27]
    midis = [50, 57, 53, 60, 55, 52, 59, 51, 58, 54, 61, 56, 62, 49, 63, 48]
    off = stem("CEL", "bowed", line("CEL", midis, [float(x) for x in loose]))
    advice = [(r.id, r.stem, r.action) for r in plan(lead, off).rows if r.kind == "advice"]
    assert advice == [("A-001", "LV", "leave"), ("A-002", "CEL", "retake")]
