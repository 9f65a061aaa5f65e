"""The period that a note shares with the ring of another is given to the note."""

import numpy as np
import pytest
from tones.exact import faded, laid_out, steady, stem_of, tone

from planner.model import Floats
from planner.track.common_periods import without_common_periods
from planner.tracker import HOP_S, track

SR = 16_000


def offered(rows: list[list[tuple[float, float]]]) -> tuple[Floats, Floats]:
    """Candidates of some frames as arrays: Hz and strength."""
    table = np.array(rows)
    return table[:, :, 0], table[:, :, 1]


def struck(f0_hz: Floats, *at: int) -> Floats:
    """An attack curve with strokes at some frames."""
    curve = np.full(len(f0_hz), 0.01)
    curve[list(at)] = 0.5
    return curve


def test_a_note_a_fifth_above_a_ring_is_no_octave_below() -> None:
    """330 Hz over a ring of 220 Hz repeat together at 110: those frames are 330 Hz."""
    old = [(220.0, 1.0), (330.0, 0.0)]
    both = [(110.0, 0.99), (330.0, 0.85)]
    new = [(330.0, 0.98), (110.0, 0.9)]
    candidates_hz, strength = offered([old] * 20 + [both] * 10 + [new] * 20)
    f0_hz = np.repeat([220.0, 110.0, 330.0], [20, 10, 20])
    moved = without_common_periods(f0_hz, candidates_hz, strength, struck(f0_hz, 20), HOP_S)
    assert list(moved) == [220.0] * 20 + [330.0] * 30


def test_an_octave_leap_over_a_ring_begins_where_it_fits() -> None:
    """440 Hz over a ring of 220 Hz repeats at 220: the new note begins where 440 suddenly fits."""
    old = [(220.0, 1.0), (440.0, 0.1)]
    both = [(220.0, 0.99), (440.0, 0.8)]
    new = [(440.0, 0.98), (220.0, 0.98)]
    candidates_hz, strength = offered([old] * 20 + [both] * 10 + [new] * 20)
    f0_hz = np.repeat([220.0, 440.0], [30, 20])
    moved = without_common_periods(f0_hz, candidates_hz, strength, struck(f0_hz, 22), HOP_S)
    assert list(moved) == [220.0] * 20 + [440.0] * 30


def test_no_other_string_sounds_where_nothing_is_struck() -> None:
    """A low string fits its octave well once the noise of its own stroke has gone: one note."""
    own_stroke = [(98.0, 0.85), (196.0, 0.0)]
    clean = [(98.0, 0.99), (196.0, 0.8)]
    high = [(196.0, 0.98), (98.0, 0.98)]
    candidates_hz, strength = offered([own_stroke] * 15 + [clean] * 30 + [high] * 20)
    f0_hz = np.repeat([98.0, 196.0], [45, 20])
    attack = struck(f0_hz, 2, 45)
    assert list(without_common_periods(f0_hz, candidates_hz, strength, attack, HOP_S)) == list(
        f0_hz
    )


def test_a_bass_with_weak_odd_partials_keeps_its_pitch() -> None:
    """A note that always fits an octave up as well, and before which nothing rang, stays."""
    low = [(55.0, 0.99), (110.0, 0.85)]
    high = [(110.0, 0.99), (55.0, 0.99)]
    candidates_hz, strength = offered([low] * 30 + [high] * 20)
    f0_hz = np.repeat([55.0, 110.0], [30, 20])
    attack = struck(f0_hz, 0, 30)
    assert list(without_common_periods(f0_hz, candidates_hz, strength, attack, HOP_S)) == list(
        f0_hz
    )
    f0_hz[:5] = np.nan
    assert np.array_equal(
        without_common_periods(f0_hz, candidates_hz, strength, attack, HOP_S), f0_hz, equal_nan=True
    )


def test_octaves_of_a_bass_with_weak_odd_partials_stay() -> None:
    """E2, E1, E2: the low note fits an octave up from end to end, as all such notes do here."""
    low = [(41.2, 0.99), (82.4, 0.85)]
    high = [(82.4, 0.99), (41.2, 0.99)]
    candidates_hz, strength = offered(([high] * 40 + [low] * 60) * 3 + [high] * 40)
    f0_hz = np.concatenate([np.tile(np.repeat([82.4, 41.2], [40, 60]), 3), np.full(40, 82.4)])
    attack = struck(f0_hz, 0, 40, 100, 140, 200, 240, 300)
    assert list(without_common_periods(f0_hz, candidates_hz, strength, attack, HOP_S)) == list(
        f0_hz
    )


@pytest.mark.parametrize("ratio", [3 / 2, 4 / 3, 2.0])
def test_the_track_reads_a_note_over_a_ring(ratio: float) -> None:
    """A note that begins while the one before still rings 10 dB under it is read at its pitch."""
    rng = np.random.default_rng(3)
    old = faded(tone(steady(220.0, 0.6, SR), SR, rng), SR)
    ring = 0.3 * faded(tone(steady(220.0, 0.4, SR), SR, rng, decay_s=0.15), SR, fall_s=0.2)
    new = faded(tone(steady(220.0 * ratio, 0.4, SR), SR, rng), SR)
    stem = stem_of(laid_out([(0.2, old), (0.8, ring), (0.8, new)], 1.5, SR), SR)
    f0_hz = track(stem).f0_hz[round(0.85 / HOP_S) : round(1.15 / HOP_S)]
    assert np.abs(1200 * np.log2(f0_hz / (220.0 * ratio))).max() < 40.0


def two_readings(
    high_fits: np.ndarray, low_hz: float = 49.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A note two octaves up, a stretch read low that its octave fits more or less, its octave."""
    frames = len(high_fits)
    f0_hz = low_hz * np.repeat([4.0, 1.0, 2.0], [60, frames, 60])
    offered = np.stack([f0_hz, np.full(len(f0_hz), 2.0 * low_hz)], axis=1)
    strength = np.full(offered.shape, 0.99)
    strength[:60, 1] = 0.3  # the octave does not fit what came before
    strength[60 : 60 + frames, 1] = high_fits
    return f0_hz, offered, strength


@pytest.mark.parametrize(("driven", "kept"), [(True, True), (False, False)])
def test_a_ring_under_a_driven_note_fades(driven: bool, kept: bool) -> None:
    """What fits the octave by 0.92 for half a second is a low note; under strings it may ring on.

    As a recorded double bass, whose odd partials lie 14 dB under the even ones.
    """
    f0_hz, offered, strength = two_readings(np.full(100, 0.92))
    out = without_common_periods(
        f0_hz, offered, strength, None if driven else struck(f0_hz, 60), HOP_S
    )
    assert (out[60:160] == (49.0 if kept else 98.0)).all()


def test_what_fades_is_a_ring() -> None:
    """From 0.85 to 0.99 within half a second: the octave's own note, under a ring."""
    f0_hz, offered, strength = two_readings(np.linspace(0.85, 0.99, 100))
    out = without_common_periods(f0_hz, offered, strength, None, HOP_S)
    assert (out[60:160] == 98.0).all()


@pytest.mark.parametrize(("low_hz", "read_hz"), [(49.0, 98.0), (311.0, 311.0)])
def test_what_is_short_cannot_tell(low_hz: float, read_hz: float) -> None:
    """Within 0.1 s of a bass a ring need not fade: as before, the octave is taken.

    A high note is read in a third of that, and tells: a sung Eb4 whose second partial is the
    stronger by 9 dB is no Eb5.
    """
    f0_hz, offered, strength = two_readings(np.full(20, 0.92), low_hz)
    out = without_common_periods(f0_hz, offered, strength, None, HOP_S)
    assert (out[60:80] == read_hz).all()


def test_a_slide_does_not_fit_where_it_comes_to_rest_and_is_no_ring() -> None:
    """139 Hz slid to 123 Hz fits 247 Hz only from there on: it had not come that far before."""
    slid_hz = np.linspace(139.0, 124.0, 12)
    sliding = [[(float(hz), 0.95), (2.0 * float(hz), 0.66)] for hz in slid_hz]
    rest = [(123.0, 0.99), (246.0, 0.8)]
    high = [(246.0, 0.98), (123.0, 0.98)]
    held = [(139.0, 0.95), (278.0, 0.75)]
    usual = [(110.0, 0.99), (220.0, 0.2)]
    rows = [usual] * 120 + [held] * 10 + sliding + [rest] * 40 + [high] * 10
    candidates_hz, strength = offered(rows)
    f0_hz = np.concatenate(
        [np.full(120, 110.0), np.full(10, 139.0), slid_hz, np.full(40, 123.0), np.full(10, 246.0)]
    )
    attack = struck(f0_hz, 0, 120, 142)
    assert list(without_common_periods(f0_hz, candidates_hz, strength, attack, HOP_S)) == list(
        f0_hz
    )
