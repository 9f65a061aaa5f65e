from dataclasses import replace

import pytest
from invented_plan import judged, plan

from planner.timeline import tempo_map_from_marks
from planner.words.plan_model import Judged, Plan
from planner.words.session_model import TempoMark
from planner.write.along_song import THE_SONG, along_song

MAP = tempo_map_from_marks((TempoMark(bar=1, bpm=60, meter=(4, 4)),), bar_one_at_s=0.0)


def bass(k: int, cents: float, start_s: float, **changes: object) -> Judged:
    """One bass note, moved by the rule that adds 4.3, with nothing of its own."""
    return judged(
        f"BAS-{k:04d}", 33, start_s=start_s, heard_cents=cents, layers=(("R-001", 4.3),),
        add_cents=None, action="leave", remaining_cents=None, **changes,
    )  # fmt: skip


def with_bass(*notes: Judged, **changes: object) -> Plan:
    return plan(judged=notes, **changes)


def test_a_part_is_laid_along_whole_bars() -> None:
    """Sixteen bars of 4 s are eight stretches of two; middles are medians, the rest as planned."""
    notes = [bass(k, -5.0 + k % 3, 4.0 * k + 0.5) for k in range(16)]
    notes += [bass(k + 20, -5.0, 4.0 * k + 1.5) for k in range(16)]
    found = along_song(with_bass(*notes), MAP)
    assert found is not None
    assert found.unit == "bars"
    assert found.stretches == tuple((a, a + 1) for a in range(1, 17, 2))
    (part,) = found.parts
    assert part.stem == "BAS"
    first = part.at[0]
    assert first is not None
    # Bars 1 and 2 hold -5, -5, -4, -5: median -5; the rule adds 4.3.
    assert (first.cents, first.left_cents) == (-5.0, pytest.approx(-0.7))


def test_a_part_that_rests_leaves_a_gap() -> None:
    """No notes, no middle, and the line breaks there; a part of two notes is not told at all."""
    near = [bass(k, 2.0, 0.1 + 0.2 * k) for k in range(3)]
    far = [bass(k, 2.0, 30.0 + 0.2 * k) for k in range(3, 5)]
    found = along_song(with_bass(*near, *far), MAP)
    assert found is not None
    assert [at is not None for at in found.parts[0].at] == [True, *[False] * 6, True]
    assert along_song(with_bass(*far), MAP) is None


def test_few_notes_are_as_unsure_as_their_part_scatters() -> None:
    """Errors -2, 0, 2 again and again: sd 1.4826 * 2; the four of bar 1 have half of 1.2533 sd."""
    notes = [bass(k, (-2.0, 0.0, 2.0)[k % 3], 1.0 * k) for k in range(32)]
    found = along_song(with_bass(*notes), MAP)
    assert found is not None
    at = found.parts[0].at[0]
    assert at is not None
    # Standard error of a median: 1.2533 times that of a mean.
    assert at.uncertainty_cents == pytest.approx(1.2533 * 1.4826 * 2.0 / 4**0.5)


def test_without_a_map_stretches_are_seconds() -> None:
    """Notes between 0 and 40 s make eight stretches of whole seconds."""
    notes = [bass(k, 2.0, 0.5 * k) for k in range(80)]
    found = along_song(with_bass(*notes))
    assert found is not None
    assert found.unit == "s"
    assert found.stretches == tuple((a, a + 5) for a in range(0, 40, 5))


def test_only_notes_that_say_how_a_part_is_tuned_count() -> None:
    """A note between two notes, or a semitone and more off, is another note, and no tuning."""
    notes = [bass(k, 2.0, 0.2 * k) for k in range(3)]
    wrong = bass(3, 130.0, 0.7)
    between = bass(4, 48.0, 0.8)
    between = replace(between, target=replace(between.target, between_notes=True))
    found = along_song(with_bass(*notes, wrong, between), MAP)
    assert found is not None
    at = found.parts[0].at[0]
    assert at is not None
    assert (at.cents, at.uncertainty_cents) == (2.0, 0.0)


def test_a_song_that_moves_stands_first() -> None:
    """Its line is where the song stands at the notes; one that does not move has none."""
    notes = [bass(k, 2.0, 0.5 * k) for k in range(80)]
    found = along_song(with_bass(*notes, movement=((0.0, -4.0), (40.0, 4.0))))
    assert found is not None
    song, part = found.parts
    assert (song.stem, part.stem) == (THE_SONG, "BAS")
    said = [at.cents for at in song.at if at is not None]
    # The notes of seconds 0 to 4.5 have their median at 2.25 s: -4 + 8 * 2.25 / 40.
    assert said[0] == pytest.approx(-3.55)
    assert said == sorted(said)
    assert len(said) == 8
