"""What an offer says that it would clear."""

from __future__ import annotations

from deciding import line, plan, stem

MIDIS = [69, 72, 76, 81] * 3


def test_an_offer_says_what_it_would_clear() -> None:
    """All twelve notes beat with the piano, and would not once they are raised by 5."""
    piano = stem("PNO", "tuning-reference", line("PNO", MIDIS, [0.0] * 12, length_s=1.8))
    lead = stem("LV", "lead-voice", line("LV", MIDIS, [-5.0] * 12, length_s=1.8))
    made = plan(piano, lead)
    (row,) = made.rows
    assert row.add_cents is None
    assert made.sour_after_s == made.sour_before_s == 21.6  # 12 notes of 1.8 s
    assert row.reason.endswith(
        "; raised by 5, it would clear 21.6 of the 21.6 sour seconds that this plan leaves"
    )


def test_an_offer_says_where_it_would_clear_nothing() -> None:
    """A lead alone beats with nobody."""
    (row,) = plan(stem("LV", "lead-voice", line("LV", MIDIS, [-5.0] * 12, length_s=1.8))).rows
    assert row.reason.endswith("; raised by 5, it would clear no sour time")


def test_an_offer_says_what_it_would_add() -> None:
    """Beside strings that stand as low and cannot be moved one by one, moving it would beat."""
    lead = stem("LV", "lead-voice", line("LV", MIDIS, [-5.0] * 12, length_s=1.8))
    group = stem("GTA", "fretted-chords", line("GTA", MIDIS, [-3.4] * 12, length_s=1.8))
    advice = [r for r in plan(lead, group).rows if r.stem == "LV"]
    assert len(advice) == 1
    assert advice[0].reason.endswith("raised by 5, it would add 21.6 sour seconds")
