"""Where a row lies: seconds, samples, bars and beats, labels of pictures."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from planner.model import Note, StemNotes
from planner.timeline import TempoMap
from planner.words.session_model import Session, StemSpec
from planner.words.timecode import parse_timecode, timecode


@dataclass(frozen=True, slots=True, kw_only=True)
class StemOnClock:
    """One stem, its file, and the session's clock: what every row of it is written with."""

    spec: StemSpec
    stem: StemNotes
    shift_s: float  # from the file's clock to the session's
    tempo_map: TempoMap | None
    session: Session

    def played_at(self, start_s: float) -> tuple[int | None, float | None]:
        """Bar and beat of a start on the file's clock; None without a tempo map."""
        if self.tempo_map is None:
            return None, None
        return self.tempo_map.played_at(start_s + self.shift_s)


def place_of(first: Note, last: Note, on: StemOnClock) -> dict[str, Any]:
    """Lay out a place, from the start of one note to the end of another, in all its counts."""
    place: dict[str, Any] = {
        "start_s": first.start_s,
        "end_s": last.end_s,
        "start_smp": first.start_smp,
        "end_smp": last.end_smp,
        "start_tc": _timecode(first.start_s, on),
    }
    if on.tempo_map is not None:
        place["start_bar"], place["start_beat"] = on.played_at(first.start_s)
        place["end_bar"], place["end_beat"] = on.tempo_map.bar_beat(last.end_s + on.shift_s)
    return place


def _timecode(start_s: float, on: StemOnClock) -> str | None:
    """The typed start of the session wins over the file's own stamp; None without either."""
    session, facts = on.session, on.stem.facts
    if session.frame_rate is None:
        return None
    if session.start_timecode is not None:
        zero = parse_timecode(
            session.start_timecode, session.frame_rate, drop_frame=session.drop_frame
        )
        at = zero + Fraction(start_s + on.shift_s)
    elif facts is not None and facts.time_reference_smp is not None:
        at = Fraction(facts.time_reference_smp, facts.sr) + Fraction(start_s)
    else:
        return None
    return timecode(max(at, Fraction(0)), session.frame_rate, drop_frame=session.drop_frame)
