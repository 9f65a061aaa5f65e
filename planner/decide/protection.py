"""Where nobody may touch a part, and where takes were joined."""

from planner.model import MeasuredNote
from planner.timeline import TempoMap
from planner.words.session_model import ProtectedSpan, StemSpec

_JOIN_NEAR_S = 0.03  # chosen: a join this close to a note's start or end lies between notes


def protected_notes(
    notes: tuple[MeasuredNote, ...], spec: StemSpec, tempo_map: TempoMap | None, shift_s: float
) -> dict[str, str]:
    """Find the notes that the session file says not to touch: note id -> why, and who said so.

    A note that only overlaps a protected span is protected whole. Spans in seconds count on the
    file's own clock, spans in bars on the session's (``shift_s`` later), bars inclusive; spans in
    bars are passed over without a tempo map.
    """
    found = {}
    for span in spec.do_not_touch:
        said = ", says ".join(
            part for part in (span.why or "as the session file says", span.who) if part
        )
        limits = _limits(span, tempo_map, shift_s)
        for n in notes:
            inside = limits is not None and n.note.start_s < limits[1] and n.note.end_s > limits[0]
            if n.id == span.note_id or inside:
                found[n.id] = said
    return found


def join_inside(measured: MeasuredNote, spec: StemSpec) -> bool:
    """Say whether a join of takes lies inside a note, not at its edges."""
    note = measured.note
    return any(
        note.start_s + _JOIN_NEAR_S < edge_s < note.end_s - _JOIN_NEAR_S
        for edge_s in spec.comp_edges_s
    )


def _limits(
    span: ProtectedSpan, tempo_map: TempoMap | None, shift_s: float
) -> tuple[float, float] | None:
    if span.from_s is not None or span.to_s is not None:
        start_s = float("-inf") if span.from_s is None else span.from_s
        return start_s, float("inf") if span.to_s is None else span.to_s
    if tempo_map is None or (span.from_bar is None and span.to_bar is None):
        return None
    start = float("-inf")
    end = float("inf")
    if span.from_bar is not None:
        start = tempo_map.seconds_at(span.from_bar) - shift_s
    if span.to_bar is not None:
        end = tempo_map.seconds_at(span.to_bar + 1) - shift_s
    return start, end
