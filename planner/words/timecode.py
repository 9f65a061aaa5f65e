"""SMPTE timecode: the label of the frame that is on screen, for finding places only.

A time is floored to its frame. At 23.976, 29.97 and 59.94 an hour of labels without drop-frame
lasts 3603.6 s, so the rate belongs beside every label.
"""

import math
import re
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

# Pictures a second (SMPTE ST 12-1; 1000/1001 of the whole number for the colour-television rates).
FRAME_RATES: Mapping[str, Fraction] = MappingProxyType(
    {
        "23.976": Fraction(24000, 1001),
        "24": Fraction(24),
        "25": Fraction(25),
        "29.97": Fraction(30000, 1001),
        "30": Fraction(30),
        "50": Fraction(50),
        "59.94": Fraction(60000, 1001),
        "60": Fraction(60),
    }
)
# Labels left out at the start of each minute but every tenth (SMPTE ST 12-1).
_DROPPED = {"29.97": 2, "59.94": 4}
# Almost no frame line is an exact float: a time this little below one counts as on it.
# Chosen: 33 ns at 30 frames, far below one sample and far above the rounding of a day in floats.
_FRAME_SLACK = Fraction(1, 1_000_000)
_TIMECODE = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;])(\d{2})")


def timecode(seconds: float | Fraction, frame_rate: str, *, drop_frame: bool = False) -> str:
    """Label the frame that is on screen at a time, as ``hh:mm:ss:ff`` or ``hh:mm:ss;ff`` (drop).

    seconds: time in seconds from 00:00:00:00, 0 or above; floored to the frame. Labels start again
        after 24 hours.
    frame_rate: a key of `FRAME_RATES`.
    drop_frame: leave out labels as SMPTE ST 12-1 says, for 29.97 and 59.94.

    Raises ValueError if the time is below 0, the rate is unknown, or a rate has no drop-frame
    counting.
    """
    rate, nominal, dropped = _counting(frame_rate, drop_frame)
    if not (math.isfinite(seconds) and seconds >= 0):
        raise ValueError(f"a timecode needs a time of 0 s or later, got {float(seconds)} s")
    frame = math.floor(Fraction(seconds) * rate + _FRAME_SLACK)
    per_minute = 60 * nominal - dropped
    per_ten = 600 * nominal - 9 * dropped
    frame %= 144 * per_ten
    tens, rest = divmod(frame, per_ten)
    # The first minute of ten is whole, so its end lies `dropped` labels later than the others'.
    short_minutes = max(0, rest - dropped) // per_minute
    label = frame + dropped * (9 * tens + short_minutes)
    ff = label % nominal
    ss = label // nominal
    return f"{ss // 3600:02}:{ss // 60 % 60:02}:{ss % 60:02}{';' if dropped else ':'}{ff:02}"


def parse_timecode(text: str, frame_rate: str, *, drop_frame: bool = False) -> Fraction:
    """Read a timecode label into the exact time in seconds at which its frame begins.

    text: ``hh:mm:ss:ff``; ``;`` before the frames is allowed for drop-frame.
    frame_rate, drop_frame: as in `timecode`.

    Raises ValueError if the text is no timecode, or a label that this counting does not have.
    """
    rate, nominal, dropped = _counting(frame_rate, drop_frame)
    match = _TIMECODE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is no timecode; write hh:mm:ss:ff, for example 01:00:00:00")
    hours, minutes, secs, frames = (int(match[group]) for group in (1, 2, 3, 5))
    if match[4] == ";" and not drop_frame:
        raise ValueError(f"{text!r} has ; before the frames, which means drop-frame; say so")
    if hours > 23 or minutes > 59 or secs > 59 or frames >= nominal:
        raise ValueError(
            f"{text!r} does not exist at {frame_rate}: hours go to 23, minutes and seconds to 59, "
            f"frames to {nominal - 1}"
        )
    if secs == 0 and frames < dropped and minutes % 10:
        raise ValueError(
            f"{text!r} does not exist in drop-frame: the first frame of that minute is "
            f"{hours:02}:{minutes:02}:00;{dropped:02}"
        )
    total_minutes = 60 * hours + minutes
    label = (60 * total_minutes + secs) * nominal + frames
    return (label - dropped * (total_minutes - total_minutes // 10)) / rate


def _counting(frame_rate: str, drop_frame: bool) -> tuple[Fraction, int, int]:
    """Give pictures a second, labels a second, and labels dropped a minute."""
    rate = FRAME_RATES.get(frame_rate)
    if rate is None:
        raise ValueError(
            f"{frame_rate!r} is no frame rate known here; use one of {', '.join(FRAME_RATES)}"
        )
    if drop_frame and frame_rate not in _DROPPED:
        raise ValueError(f"drop-frame exists at 29.97 and 59.94 only, not at {frame_rate}")
    return rate, math.ceil(rate), _DROPPED[frame_rate] if drop_frame else 0
