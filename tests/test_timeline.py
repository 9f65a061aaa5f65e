"""Samples, seconds, bars, ticks and timecode, against standards and exact arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.model import TempoMark
from planner.timeline import (
    FRAME_RATES,
    TempoMap,
    fixed_tempo_map,
    parse_timecode,
    seconds_to_smp,
    smp_to_seconds,
    tempo_map_from_events,
    tempo_map_from_marks,
    timecode,
)


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


# ---------------------------------------------------------------- timecode

# Frame number and label at 29.97 drop-frame, counted by the rule of SMPTE ST 12-1: labels ;00 and
# ;01 are left out at the start of every minute but each tenth.
DROP_2997 = [
    (0, "00:00:00;00"), (1799, "00:00:59;29"), (1800, "00:01:00;02"), (3597, "00:01:59;29"),
    (3598, "00:02:00;02"), (17981, "00:09:59;29"), (17982, "00:10:00;00"), (35964, "00:20:00;00"),
    (107892, "01:00:00;00"), (1_000_000, "09:16:06;22"), (2589407, "23:59:59;29"),
]  # fmt: skip


@pytest.mark.parametrize(("frame", "label"), DROP_2997)
def test_drop_frame_labels(frame: int, label: str) -> None:
    """Drop-frame labels at 29.97 are those of SMPTE ST 12-1, from exact and from float seconds."""
    seconds = Fraction(frame * 1001, 30000)
    assert timecode(seconds, "29.97", drop_frame=True) == label
    assert timecode(float(seconds), "29.97", drop_frame=True) == label
    assert parse_timecode(label, "29.97", drop_frame=True) == seconds


def test_every_drop_frame_of_an_hour() -> None:
    """Counting labels one by one and skipping the dropped ones gives each label of two hours."""
    for rate, nominal, dropped in (("29.97", 30, 2), ("59.94", 60, 4)):
        frame = 0
        for minute in range(0, 120, 1):
            for label in range(60 * nominal):
                if label < dropped and minute % 10:
                    continue
                if label < 6 or label % 97 == 0 or label > 60 * nominal - 3:
                    text = (
                        f"{minute // 60:02}:{minute % 60:02}:{label // nominal:02};"
                        f"{label % nominal:02}"
                    )
                    seconds = frame / FRAME_RATES[rate]
                    assert timecode(float(seconds), rate, drop_frame=True) == text
                    assert parse_timecode(text, rate, drop_frame=True) == seconds
                frame += 1
        assert frame == 2 * {30: 107892, 60: 215784}[nominal]


def test_the_day_wraps() -> None:
    """After 24 hours of labels they start again."""
    assert timecode(Fraction(2589408 * 1001, 30000), "29.97", drop_frame=True) == "00:00:00;00"
    assert timecode(86400.0, "25") == "00:00:00:00"


def test_non_drop_at_video_rates_runs_slow() -> None:
    """At 29.97 non-drop an hour of labels lasts 3603.6 s, and 3600 s reads 00:59:56:12."""
    assert parse_timecode("01:00:00:00", "29.97") == Fraction(36036, 10)
    assert parse_timecode("01:00:00:00", "23.976") == Fraction(36036, 10)
    assert timecode(3600.0, "29.97") == "00:59:56:12"
    assert timecode(3600.0, "59.94", drop_frame=True) == "01:00:00;00"  # 215784 frames and a bit


def test_floor_to_the_frame() -> None:
    """A time inside a frame has that frame's label."""
    assert timecode(3600 + 84.7826, "25") == "01:01:24:19"
    assert timecode(0.0399, "25") == "00:00:00:00"
    assert timecode(0.04, "25") == "00:00:00:01"


@pytest.mark.parametrize("rate", FRAME_RATES)
@settings(max_examples=60, deadline=None)
@given(frame=st.integers(0, 24 * 3600 * 24 - 1))
def test_labels_survive_float_seconds(rate: str, frame: int) -> None:
    """A frame's time as a float still reads as that frame, at each rate."""
    seconds = float(frame / FRAME_RATES[rate])
    assert parse_timecode(timecode(seconds, rate), rate) == frame / FRAME_RATES[rate]


@pytest.mark.parametrize("text", ["00:01:00;00", "00:01:00;01", "00:59:00;01", "00:09:00:00"])
def test_dropped_labels_do_not_exist(text: str) -> None:
    """A label that drop-frame leaves out is refused with the first one that exists."""
    with pytest.raises(ValueError, match=r"does not exist in drop-frame.*:00;02$"):
        parse_timecode(text, "29.97", drop_frame=True)
    with pytest.raises(ValueError, match=r"does not exist in drop-frame.*:00;04$"):
        parse_timecode("00:01:00;03", "59.94", drop_frame=True)


@pytest.mark.parametrize(
    ("text", "rate", "message"),
    [
        ("1:2:3", "25", "is no timecode; write hh:mm:ss:ff, for example 01:00:00:00"),
        ("3600", "25", "is no timecode"),
        ("01:00:00;00", "29.97", "has ; before the frames, which means drop-frame; say so"),
        ("01:00:00:25", "25", "does not exist at 25: .* frames to 24"),
        ("24:00:00:00", "25", "does not exist at 25: hours go to 23"),
        ("01:60:00:00", "23.976", "does not exist at 23.976"),
        ("01:00:00:00", "23.98", "'23.98' is no frame rate known here; use one of 23.976, 24"),
    ],
)
def test_no_timecode(text: str, rate: str, message: str) -> None:
    """A text that is no label at this rate is refused in words."""
    with pytest.raises(ValueError, match=message):
        parse_timecode(text, rate)


def test_no_drop_frame_elsewhere() -> None:
    """Drop-frame at other rates, and a time before 0, are refused."""
    with pytest.raises(ValueError, match=r"drop-frame exists at 29.97 and 59.94 only, not at 25"):
        timecode(1.0, "25", drop_frame=True)
    with pytest.raises(ValueError, match=r"a timecode needs a time of 0 s or later, got -1.0 s"):
        timecode(-1.0, "25")
