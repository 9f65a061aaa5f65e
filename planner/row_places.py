"""Where a row lies: seconds, samples, bars and beats, labels of pictures."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from planner.model import Note, StemNotes
from planner.session_model import Session
from planner.timeline import TempoMap, parse_timecode, timecode


def place_of(
    first: Note,
    last: Note,
    stem: StemNotes,
    tempo_map: TempoMap | None,
    shift_s: float,
    session: Session,
) -> dict[str, Any]:
    """Lay out a place, from the start of one note to the end of another, in all its counts."""
    place: dict[str, Any] = {
        "start_s": first.start_s,
        "end_s": last.end_s,
        "start_smp": first.start_smp,
        "end_smp": last.end_smp,
        "start_tc": _timecode(first.start_s, stem, shift_s, session),
    }
    if tempo_map is not None:
        place["start_bar"], place["start_beat"] = tempo_map.played_at(first.start_s + shift_s)
        place["end_bar"], place["end_beat"] = tempo_map.bar_beat(last.end_s + shift_s)
    return place


def _timecode(start_s: float, stem: StemNotes, shift_s: float, session: Session) -> str | None:
    """The typed start of the session wins over the file's own stamp; None without either."""
    if session.frame_rate is None:
        return None
    if session.start_timecode is not None:
        zero = parse_timecode(
            session.start_timecode, session.frame_rate, drop_frame=session.drop_frame
        )
        at = zero + Fraction(start_s + shift_s)
    elif stem.facts is not None and stem.facts.time_reference_smp is not None:
        at = Fraction(stem.facts.time_reference_smp, stem.facts.sr) + Fraction(start_s)
    else:
        return None
    return timecode(max(at, Fraction(0)), session.frame_rate, drop_frame=session.drop_frame)
