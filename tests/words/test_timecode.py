"""Timecode labels, against the counting rule of SMPTE ST 12-1."""

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.words.timecode import FRAME_RATES, parse_timecode, timecode

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
    with pytest.raises(ValueError, match="0 s or later, got nan s"):
        timecode(math.nan, "25")
