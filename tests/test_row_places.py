"""Where a row lies, in every count."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from deciding import note, session, stem

from planner.model import AudioFacts, StemNotes
from planner.row_places import StemOnClock, place_of
from planner.session_model import TempoMark
from planner.timeline import TempoMap, tempo_map_from_marks

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
        sha256="0" * 64, time_reference_smp=stamp_smp, peak_dbfs=-3.0, rms_dbfs=-20.0, dc_db=-90.0,
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
