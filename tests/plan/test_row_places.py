"""Where a row lies, in every count."""

from dataclasses import replace
from typing import Any

import pytest
from deciding import note, session, stem

from planner.model import AudioFacts, StemNotes
from planner.plan.row_places import StemOnClock, place_of
from planner.timeline import TempoMap, tempo_map_from_marks
from planner.words.session_model import TempoMark

FIRST, LAST = note("LV-0001", 69, 0, start_s=2.0), note("LV-0002", 69, 0, start_s=5.0)
LEAD = stem("LV", "lead-voice", [FIRST, LAST])
MAP = tempo_map_from_marks((TempoMark(bar=1, bpm=120.0),), bar_one_at_s=0.0)


def on(
    part: StemNotes, shift_s: float, tempo_map: TempoMap | None = None, **fields: Any
) -> StemOnClock:
    where = session(part, **fields)
    return StemOnClock(
        spec=where.stems[0], stem=part, shift_s=shift_s, tempo_map=tempo_map, session=where
    )


def facts(stamp_smp: int | None) -> AudioFacts:
    return AudioFacts(
        file="lv.wav", container="WAV", subtype="PCM_24", sr=48000, channels=1, frames=480000,
        sha256="0" * 64, time_reference_smp=stamp_smp, peak_dbfs=-3.0, dc_db=-90.0,
        flat_tops=0, stereo="mono", measured_side="mono",
    )  # fmt: skip


def test_seconds_samples_bars() -> None:
    """From the start of the first note to the end of the last; bars by the common clock."""
    place = place_of(FIRST.note, LAST.note, on(LEAD, 0.5, tempo_map=MAP))
    assert (place["start_s"], place["end_s"]) == (2.0, 6.0)
    assert (place["start_smp"], place["end_smp"]) == (96000, 288000)
    assert (place["start_bar"], place["start_beat"]) == (2, 2.0)
    assert (place["end_bar"], place["end_beat"]) == (4, 2.0)


def test_without_a_tempo_map_there_are_no_bars() -> None:
    """Seconds and samples alone."""
    place = place_of(FIRST.note, LAST.note, on(LEAD, 0.0))
    assert "start_bar" not in place
    assert place["start_tc"] is None


@pytest.mark.parametrize(
    ("typed", "stamp", "label"),
    [
        ("01:00:00:00", None, "01:00:02:12"),  # on the session's clock, half a second later
        ("01:00:00:00", 48000, "01:00:02:12"),
        (None, 48000 * 3600, "01:00:02:00"),  # on the file's own
        (None, None, None),
    ],
)
def test_a_typed_start_wins_over_the_stamp(
    typed: str | None, stamp: int | None, label: str | None
) -> None:
    """The session's typed start, else the file's stamp, else none."""
    part = LEAD if stamp is None else replace(LEAD, facts=facts(stamp))
    where = on(part, 0.5, frame_rate="25", start_timecode=typed)
    place = place_of(FIRST.note, LAST.note, where)
    assert place["start_tc"] == label


@pytest.mark.outside
@pytest.mark.parametrize(
    ("frame_rate", "drop", "at_s", "label"),
    [
        # SMPTE ST 12-1: frame numbers counted at the nominal rate; 29.97 drop leaves out 00 and 01
        # of each minute but every tenth, 59.94 drop 00 to 03. Worked by hand: seconds x rate,
        # floored, then counted in labels.
        ("23.976", False, 60.0, "00:00:59:22"),  # 1438.56 frames = 59 x 24 + 22
        ("24", False, 60.5, "00:01:00:12"),
        ("25", False, 60.5, "00:01:00:12"),
        ("29.97", False, 60.0, "00:00:59:28"),  # 1798.2 frames = 59 x 30 + 28
        ("29.97", True, 60.0, "00:00:59;28"),
        ("29.97", True, 60.06, "00:01:00;02"),  # 1799.99.. below 1800, whose label is ;02
        ("29.97", True, 600.0, "00:10:00;00"),  # 17982.01 frames
        ("30", False, 60.5, "00:01:00:15"),
        ("50", False, 60.5, "00:01:00:25"),
        ("59.94", False, 60.0, "00:00:59:56"),  # 3596.4 frames = 59 x 60 + 56
        ("59.94", True, 600.0, "00:10:00;00"),
        ("60", False, 60.5, "00:01:00:30"),
    ],
)
def test_labels_of_every_rate(frame_rate: str, drop: bool, at_s: float, label: str) -> None:
    """A row far into a stem that starts at midnight carries the label of the picture on screen."""
    late = note("LV-0001", 69, 0, start_s=at_s)
    part = replace(stem("LV", "lead-voice", [late]), facts=facts(0))
    where = on(part, 0.0, frame_rate=frame_rate, drop_frame=drop)
    assert place_of(late.note, late.note, where)["start_tc"] == label
