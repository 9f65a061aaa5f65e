import pytest
from deciding import note

from planner.decide.protection import join_inside, protected_notes
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import ProtectedSpan, StemSpec, TempoMark

NOTES = tuple(note(f"V-{k}", 60, 0, start_s=2.0 * k, length_s=1.0) for k in range(4))
MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)


def spec(*spans: ProtectedSpan, edges: tuple[float, ...] = ()) -> StemSpec:
    return StemSpec(code="V", file="v.wav", role="lead-voice", do_not_touch=spans,
                    comp_edges_s=edges)  # fmt: skip


@pytest.mark.parametrize(
    ("span", "found"),
    [
        (ProtectedSpan(from_s=2.9, to_s=4.0), {"V-1"}),
        (ProtectedSpan(from_s=3.0, to_s=4.1), {"V-2"}),
        (ProtectedSpan(to_s=2.0), {"V-0"}),
        (ProtectedSpan(from_bar=2, to_bar=3), {"V-1", "V-2"}),
        (ProtectedSpan(note_id="V-3"), {"V-3"}),
    ],
)
def test_spans(span: ProtectedSpan, found: set[str]) -> None:
    """A note that overlaps a span is protected whole; bars count inclusive."""
    assert set(protected_notes(NOTES, spec(span), MAP, 0.0)) == found


def test_late_file_and_no_map() -> None:
    """Bars count on the session's clock; without a map they protect nothing."""
    span = ProtectedSpan(from_bar=2, to_bar=2, why="loved", who="producer")
    assert protected_notes(NOTES, spec(span), MAP, 2.0) == {"V-0": "loved, says producer"}
    assert protected_notes(NOTES, spec(span), None, 0.0) == {}


@pytest.mark.parametrize(
    ("edge", "inside"), [(0.03, False), (0.04, True), (0.96, True), (0.98, False)]
)
def test_joins(edge: float, inside: bool) -> None:
    """A join at a note's edge lies between notes, one further in lies inside."""
    assert join_inside(NOTES[0], spec(edges=(edge,))) == inside
