"""Samples, seconds, bars and ticks, against the MIDI file standard and exact arithmetic."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.timeline import (
    TempoMap,
    bars_of,
    fixed_tempo_map,
    seconds_to_smp,
    smp_to_seconds,
    tempo_map_from_events,
    tempo_map_from_marks,
)
from planner.words.session_model import TempoMark


def mark(bar: int, bpm: float, meter: tuple[int, int] = (4, 4)) -> TempoMark:
    """Shorten what the tests write often."""
    return TempoMark(bar=bar, bpm=bpm, meter=meter)


SONG = [mark(1, 92.0), mark(57, 88.0)]

# ---------------------------------------------------------------- samples


@given(smp=st.integers(0, 2**40), sr=st.sampled_from([8000, 44100, 48000, 88200, 96000, 192000]))
def test_samples_survive_seconds(smp: int, sr: int) -> None:
    """A sample position turned into seconds and back is the same sample."""
    assert seconds_to_smp(smp_to_seconds(smp, sr), sr) == smp


def test_ties_go_to_the_even_sample() -> None:
    """Half a sample is rounded to the even one, computed exactly."""
    assert [seconds_to_smp(half / 16, 8) for half in (1, 3, 5, 7)] == [0, 2, 2, 4]
    # At 29.97 a frame is 1601.6 samples at 48 kHz (SMPTE ST 12-1 rate), so rounding is needed.
    assert [seconds_to_smp(f * 1001 / 30000, 48000) for f in (1, 2, 5)] == [1602, 3203, 8008]


@pytest.mark.parametrize("seconds", [math.nan, math.inf])
def test_no_time(seconds: float) -> None:
    """A time that is no number is refused."""
    with pytest.raises(ValueError, match="a time must be a finite number of seconds"):
        seconds_to_smp(seconds, 48000)


def test_no_rate() -> None:
    """A sample rate of 0 is refused both ways."""
    with pytest.raises(ValueError, match="a sample rate is above 0 Hz, got 0"):
        seconds_to_smp(1.0, 0)
    with pytest.raises(ValueError, match="a sample rate is above 0 Hz, got -1"):
        smp_to_seconds(1, -1)


# ---------------------------------------------------------------- bars


def test_bars_of_a_song_with_two_tempi() -> None:
    """Bar 33 beat 3 at 92 is 130 quarters in, and bar 57 begins after 224 quarters."""
    tempo_map = tempo_map_from_marks(SONG, bar_one_at_s=0.0)
    assert tempo_map.seconds_at(33, 3.0) == pytest.approx(130 * 60 / 92, abs=2e-5)
    assert tempo_map.seconds_at(57) == pytest.approx(224 * 60 / 92, abs=3e-5)
    assert tempo_map.seconds_at(58) - tempo_map.seconds_at(57) == pytest.approx(4 * 60 / 88)
    assert tempo_map.bar_beat(84.7826) == (33, 3.0)
    assert tempo_map.bar_beat(105.3261) == (41, 2.5)


def test_beats_are_the_denominator_and_bpm_counts_quarters() -> None:
    """Six beats fill a bar of 6/8, which lasts three quarter notes."""
    tempo_map = tempo_map_from_marks([mark(1, 60.0, (6, 8)), mark(3, 60.0)], bar_one_at_s=0.0)
    assert tempo_map.bar_beat(2.5) == (1, 6.0)
    assert tempo_map.bar_beat(3.0) == (2, 1.0)
    assert tempo_map.bar_beat(6.0) == (3, 1.0)
    assert tempo_map.seconds_at(2, 4.0) == 4.5


def test_a_beat_rounds_into_the_next_bar() -> None:
    """A time just before a bar line is beat 1 of the next bar, never beat 5 of four."""
    tempo_map = fixed_tempo_map()
    assert tempo_map.bar_beat(1.9974) == (1, 4.99)
    assert tempo_map.bar_beat(1.9976) == (2, 1.0)
    assert tempo_map.bar_beat(1.9976, decimals=3) == (1, 4.995)


@pytest.mark.parametrize(
    ("early_beats", "expected"),
    [
        (0.0, (2, 1.0)),
        (0.004, (2, 1.0)),
        (0.02, (2, 0.98)),
        (0.06, (2, 0.94)),
        (0.07, (1, 4.93)),
        (1.02, (1, 3.98)),
    ],
)
def test_a_hair_before_a_bar_line_is_played_in_that_bar(
    early_beats: float, expected: tuple[int, float]
) -> None:
    """Up to a sixteenth of a beat before bar 2 is bar 2, and the beat says by how much."""
    song = tempo_map_from_marks([mark(1, 120.0)], bar_one_at_s=0.0)
    assert song.played_at(2.0 - 0.5 * early_beats) == expected


def test_a_strum_before_the_first_bar_is_in_it() -> None:
    """10 ms before bar 1 is no bar 0; a bar that another meter cuts short ends where it does."""
    song = tempo_map_from_marks([mark(1, 120.0)], bar_one_at_s=0.5)
    assert song.played_at(0.49) == (1, 0.98)
    cut = tempo_map_from_events(
        tempos=[(0, 500_000)], meters=[(0, 4, 4), (960, 3, 4)], ticks_per_quarter=480
    )
    assert cut.played_at(0.99) == (2, 0.98)


def test_a_meter_that_changes_inside_a_bar_cuts_it_short() -> None:
    """A new meter begins a new bar, wherever in the old bar it stands."""
    tempo_map = tempo_map_from_events([], [(0, 4, 4), (4800, 3, 4)])  # 5 quarters in
    assert tempo_map.bar_beat(2.25) == (2, 1.5)
    assert tempo_map.bar_beat(2.5) == (3, 1.0)
    assert tempo_map.bar_beat(2.499) == (3, 1.0)
    assert tempo_map.seconds_at(4) == 4.0


@pytest.mark.parametrize(
    ("bar_one_at_s", "bars_before", "start_s"),
    [(0.0, 0, 0.0), (0.5, 1, -1.5), (2.0, 1, 0.0), (3.7, 2, -0.3), (-4.0, 0, -4.0)],
)
def test_music_before_bar_one(bar_one_at_s: float, bars_before: int, start_s: float) -> None:
    """Whole bars of the first tempo and meter cover all that sounds before bar 1."""
    tempo_map = tempo_map_from_marks([mark(1, 120.0), mark(2, 60.0)], bar_one_at_s=bar_one_at_s)
    assert tempo_map.bars_before == bars_before
    assert tempo_map.start_s == pytest.approx(start_s, abs=1e-12)
    assert tempo_map.seconds_at(1) == pytest.approx(bar_one_at_s, abs=1e-12)
    assert tempo_map.seconds_at(0) == pytest.approx(bar_one_at_s - 2.0, abs=1e-12)
    assert tempo_map.bar_beat(bar_one_at_s - 0.5) == (0, 4.0)
    assert tempo_map.bar_beat(bar_one_at_s - 2.5) == (-1, 4.0)
    assert tempo_map.bar_beat(bar_one_at_s + 2.0) == (2, 1.0)
    assert tempo_map.tick_at(bar_one_at_s) == bars_before * 4 * 960


def test_any_resolution_gives_the_same_seconds() -> None:
    """A file of 384 or 1000 ticks to the quarter is mapped without moving an event."""
    plain = tempo_map_from_events([(0, 500_000), (5 * 960, 400_000)])
    for division in (96, 384, 480, 1000, 32767):
        other = tempo_map_from_events(
            [(0, 500_000), (5 * division, 400_000)], ticks_per_quarter=division
        )
        for seconds in (0.0, 1.3, 2.5, 77.7):
            assert other.tick_at(seconds) == plain.tick_at(seconds)
        assert other.seconds_at(9, 2.5) == plain.seconds_at(9, 2.5)
    odd = tempo_map_from_events([(0, 500_000), (385, 400_000)], ticks_per_quarter=384)
    assert odd.on_guide_grid().tempos == ((0, 500_000), (962, 400_000))  # 962.5: a tie, to even
    assert plain.on_guide_grid() is plain


def test_defaults_of_the_midi_file_standard() -> None:
    """Without events a file runs at 120 in 4/4; of two events at a tick the later counts."""
    assert tempo_map_from_events([]) == fixed_tempo_map()
    twice = tempo_map_from_events([(0, 400_000), (0, 600_000)], keys=[(0, "D"), (960, "F#m")])
    assert twice.tempos == ((0, 600_000),)
    assert twice.keys == ((0, "D"), (960, "F#m"))


tempo_changes = st.lists(
    st.tuples(st.integers(1, 4000), st.integers(200_000, 1_500_000)), min_size=400, max_size=400
)


@settings(max_examples=15, deadline=None)
@given(changes=tempo_changes, share=st.floats(0, 1))
def test_ticks_do_not_creep(changes: list[tuple[int, int]], share: float) -> None:
    """After 400 tempo changes a tick still lies where exact sums put it, and within half a tick."""
    tick, exact, tempos = 0, Fraction(0), [(0, 500_000)]
    for gap, us in changes:
        exact += Fraction(gap * tempos[-1][1], 960_000_000)
        tick += gap
        tempos.append((tick, us))
    tempo_map = tempo_map_from_events(tempos)
    assert tempo_map.seconds_of_tick(tick) == float(exact)
    assert tempo_map.tick_at(float(exact)) == tick
    seconds = share * float(exact)
    ties = [tempo_map.seconds_of_tick(Fraction(2 * k + 1, 2)) for k in range(0, tick, 997)]
    many = np.sort([seconds, *ties])
    assert tempo_map.ticks_at(many).tolist() == [tempo_map.tick_at(float(s)) for s in many]
    near = tempo_map.seconds_of_tick(tempo_map.tick_at(seconds))
    assert abs(near - seconds) <= 1_500_000 / 960e6 / 2 + 1e-9
    assert tempo_map.seconds_at(*tempo_map.bar_beat(seconds, decimals=9)) == pytest.approx(
        seconds, abs=1e-6
    )


@pytest.mark.parametrize(
    ("marks", "text"),
    [
        ([], "needs at least one mark, at bar 1"),
        ([mark(3, 90)], "starts at bar 3; say the tempo of bar 1 too"),
        (
            [mark(1, 90), mark(9, 92), mark(5, 91)],
            "bar 5 comes after bar 9; put the marks in order",
        ),
        ([mark(1, 90), mark(1, 91)], "bar 1 comes after bar 1"),
        ([mark(1, 0.0)], "bar 1: 0.0 is no tempo; bpm counts quarter notes a minute, 4 to 1000"),
        ([mark(1, math.nan)], "bar 1: nan is no tempo"),
        ([mark(1, 90), mark(2, 90, (4, 3))], "bar 2: 4/3 is no meter; write beats over 1, 2, 4"),
        ([mark(1, 90, (0, 4))], "bar 1: 0/4 is no meter"),
    ],
)
def test_marks_that_make_no_map(marks: list[TempoMark], text: str) -> None:
    """A list of marks that makes no tempo map is refused with the bar."""
    with pytest.raises(ValueError, match=text):
        tempo_map_from_marks(marks, bar_one_at_s=0.0)


def test_events_that_make_no_map() -> None:
    """A resolution or tempo of 0, or a strange meter, is refused with the tick."""
    with pytest.raises(ValueError, match="0 ticks to the quarter is no resolution"):
        tempo_map_from_events([], ticks_per_quarter=0)
    with pytest.raises(ValueError, match="tempo at tick 7: 0 microseconds to the quarter is no"):
        tempo_map_from_events([(7, 0)])
    with pytest.raises(ValueError, match="tick 3: 4/128 is no meter"):
        tempo_map_from_events([], [(3, 4, 128)])


def test_map_is_a_value() -> None:
    """Two maps of the same marks are equal, and a map does not change."""
    one, two = (tempo_map_from_marks(SONG, bar_one_at_s=1.0) for _ in range(2))
    assert one == two
    with pytest.raises(AttributeError, match="cannot assign"):
        one.bars_before = 3  # type: ignore[misc]
    assert isinstance(one, TempoMap)


def test_the_bar_of_each_note() -> None:
    """A note a little early is of the bar that it is played for; without a map none has a bar."""
    starts = [("LV-1", 0.0), ("LV-2", 2.39), ("LV-3", 5.0)]
    tempo = tempo_map_from_marks([mark(1, 100.0)], bar_one_at_s=0.0)  # bars of 2.4 s
    assert bars_of(starts, tempo) == {"LV-1": 1, "LV-2": 2, "LV-3": 3}
    assert bars_of(starts, None) == {}
