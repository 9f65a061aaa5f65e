"""When notes of a chord begin and end: swells of one place together, strokes, beats."""

import numpy as np
import pytest

from planner.polyphony.chord_times import (
    BEAT_S,
    STROKE_S,
    TOGETHER_S,
    begun_in_stroke_s,
    begun_s,
    begun_together_s,
    ended_s,
    held_until_s,
)

SR = 16000
RNG = np.random.default_rng(54451)


def test_notes_of_one_place_begin_at_the_lower_quartile_of_their_starts() -> None:
    """Five readings of one entry and its place give one start; an entry elsewhere has its own."""
    places_s, starts_s = [1.0, 1.0, 1.0, 1.0, 1.0, 2.0], [0.95, 1.0, 1.1, 1.02, 1.05, 2.1]
    assert begun_together_s(places_s, starts_s) == [1.0, 1.0, 1.0, 1.0, 1.0, 2.025]


def test_who_enters_long_after_the_others_keeps_the_own_start() -> None:
    """A start further from the middle than the limit stays, one within it goes with the others."""
    far, near = 1.0 + 1.01 * TOGETHER_S, 1.0 + 0.99 * TOGETHER_S
    assert begun_together_s([1.0] * 3, [1.0, 1.0, far]) == [1.0, 1.0, far]
    assert begun_together_s([1.0] * 3, [1.0, 1.0, near]) == [1.0, 1.0, 1.0]


def test_a_start_outside_its_stroke_is_the_middle_of_it() -> None:
    """One further from the middle than a strum lasts is a beat's; of two nobody can say."""
    inside, outside = 1.02 + 0.99 * STROKE_S, 1.02 + 1.01 * STROKE_S
    assert begun_in_stroke_s([1.0] * 3, [1.0, 1.02, outside]) == [1.0, 1.02, 1.02]
    assert begun_in_stroke_s([1.0] * 3, [1.0, 1.02, inside]) == [1.0, 1.02, inside]
    assert begun_in_stroke_s([1.0] * 2, [1.0, 1.2]) == [1.0, 1.2]
    assert begun_in_stroke_s([], []) == []


def test_no_notes_have_no_starts() -> None:
    """Silence gives nothing."""
    assert begun_together_s([], []) == []


@pytest.mark.parametrize("rise_s", [0.0, 0.02, 0.05, 0.1])
def test_what_swells_in_begins_where_it_begins_to_rise(rise_s: float) -> None:
    """However long a straight rise takes; where it rises most in dB lies 20 ms later of 100."""
    sr = 16000
    at = np.arange(sr) / sr
    own_hz = np.array([330.0, 660.0])
    shape = np.clip((at - 0.5) / max(rise_s, 1e-3), 0.0, 1.0)
    sound = 0.2 * shape * np.sin(2 * np.pi * own_hz[:, None] * at).sum(axis=0)
    sound += 1e-4 * np.random.default_rng(3).standard_normal(sr)
    found_s = begun_s(sound, sr, own_hz, 0.55, early_s=0.15, late_s=0.15, struck=False)
    assert abs(found_s - 0.5) < 0.007


def test_a_later_string_begins_when_it_is_struck_not_with_the_pick_on_the_first() -> None:
    """The noise rises further out of the silence than the tone out of the noise."""
    sr, rng = 16000, np.random.default_rng(2)
    at = np.arange(sr) / sr
    sound = 1e-5 * rng.standard_normal(sr)
    sound += 0.3 * rng.standard_normal(sr) * np.exp(-(at - 0.5) / 0.03) * (at > 0.5)
    own_hz = np.array([330.0, 660.0])
    for hz in own_hz:
        sound += 0.2 * np.sin(2 * np.pi * hz * at) * (at > 0.56)
    found_s = begun_s(sound, sr, own_hz, 0.5, early_s=0.08, late_s=0.1)
    assert abs(found_s - 0.56) < 0.01


def oscillators(
    f0_hz: float,
    cents: tuple[float, ...],
    length_s: float,
    silence_s: float,
    numbers: tuple[int, ...],
) -> np.ndarray:
    """Two voices so many cents apart at these numbers, then silence."""
    t = np.arange(round(length_s * SR)) / SR
    sound = sum(
        0.05 / n * np.sin(2 * np.pi * n * f0_hz * 2 ** (off / 1200) * t + n)
        for off in cents
        for n in numbers
    )
    rest = np.zeros(round(silence_s * SR))
    return np.concatenate([np.asarray(sound), rest]) + 1e-6 * RNG.standard_normal(
        len(t) + len(rest)
    )


@pytest.mark.parametrize("apart_cents", [4.0, 7.0, 10.0, 14.0])
@pytest.mark.parametrize("numbers", [(1,), (1, 2, 3, 4)])
def test_a_beat_is_no_end(apart_cents: float, numbers: tuple[int, ...]) -> None:
    """Two oscillators sink to nothing once a beat and come back; the note ends when both stop."""
    f0_hz = 220.0
    sound = oscillators(f0_hz, (0.0, apart_cents), 3.0, 1.0, numbers)
    own = f0_hz * np.array(numbers, dtype=float)
    found_s = held_until_s(sound, SR, own, 0.0, 4.0, np.zeros(0))
    assert found_s == pytest.approx(3.0, abs=BEAT_S / 2)  # it may stop while it is sunk
    if apart_cents > 5.0 and len(numbers) == 1:
        assert ended_s(sound, SR, own, 0.0, 4.0) < 2.0  # as struck notes end


@pytest.mark.parametrize(("gap_s", "goes_on"), [(BEAT_S - 0.1, True), (BEAT_S + 0.15, False)])
def test_edge_of_a_gap_that_a_beat_makes(gap_s: float, goes_on: bool) -> None:
    """A gap longer than a beat's ends the note."""
    one = oscillators(220.0, (0.0,), 1.0, gap_s, (1, 2))
    sound = np.concatenate([one, oscillators(220.0, (0.0,), 1.0, 0.5, (1, 2))])
    found_s = held_until_s(sound, SR, np.array([220.0, 440.0]), 0.0, 2.0 + gap_s, np.zeros(0))
    assert found_s == pytest.approx(2.0 + gap_s if goes_on else 1.0, abs=0.1)


def test_what_begins_in_a_gap_is_another_note() -> None:
    """A note damped before the next chord has ended, though that has partials where its were."""
    one = oscillators(220.0, (0.0,), 1.0, 0.3, (1, 2))
    sound = np.concatenate([one, oscillators(220.0, (0.0,), 1.0, 0.5, (1, 2))])
    found_s = held_until_s(sound, SR, np.array([220.0, 440.0]), 0.0, 2.3, np.array([1.3]))
    assert found_s == pytest.approx(1.0, abs=0.1)


def test_a_stretch_too_short_to_follow_ends_where_it_was_found() -> None:
    """Nothing can be followed in less than nine frames."""
    assert held_until_s(np.zeros(SR), SR, np.array([220.0]), 0.0, 0.1, np.zeros(0)) == 0.1
