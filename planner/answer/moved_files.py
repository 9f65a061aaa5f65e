"""What is said of a file whose notes are not where the last plan had them.

The whole file may have been put together anew, its timing may have been edited, or it may be
another recording.
"""

from collections.abc import Mapping, Sequence

from planner.model import Finding
from planner.timeline import TempoMap
from planner.words.wording import count

# Chosen: starts of notes nobody touched come out within 6 ms; three are no accident.
RETIMED_S, _RETIMED_NOTES = 0.010, 3
_TOGETHER_S = 0.040  # as in `planner.answer.note_ids`: nearer to each other, two shifts are one


def retimed(code: str, moved_s: Sequence[float]) -> list[Finding]:
    """Notes that are the same and begin elsewhere: timing was edited after the last plan.

    moved_s: how far each note that was found again begins from where it did, s.
    """
    late = [by_s for by_s in moved_s if round(by_s, 4) >= RETIMED_S]
    if len(late) < _RETIMED_NOTES:
        return []
    return [
        Finding(
            severity="warning",
            what=f"{code}: {len(late)} of {count(len(moved_s), 'note')} of the last plan begin "
            f"up to {1000 * max(late):.0f} ms from where they did, as after edits of timing.",
            did="Ids and decisions were kept; every position is that of the file as it is now.",
            advice="Lists and guides of earlier plans no longer lie in place: use those of this "
            "one.",
            stem=code,
        )
    ]


def too_little_found(code: str, lost: int, of: int) -> Finding:
    """Ask whether this is the same recording, where too many of its notes are gone."""
    return Finding(
        severity="question",
        what=f"{code}: {lost} of {count(of, 'note')} of the last plan are not found again, "
        "and no single shift explains it.",
        did="Their decisions are kept with their old places.",
        advice="Is this the same recording? If timing was edited, go over the decisions anew.",
        stem=code,
    )


def shift_questions(
    shifts: Mapping[str, float], tempo_map: TempoMap | None, sounding: int
) -> list[Finding]:
    """One question for all stems that moved together."""
    groups: list[tuple[float, list[str]]] = []
    for code, shift_s in shifts.items():
        for other_s, codes in groups:
            if abs(shift_s - other_s) <= _TOGETHER_S:
                codes.append(code)
                break
        else:
            groups.append((shift_s, [code]))
    return [
        Finding(
            severity="question",
            what=f"{', '.join(codes)}: the notes lie {abs(shift_s):.3f} s"
            f"{_in_bars(shift_s, tempo_map)} {'later' if shift_s > 0 else 'earlier'} than in the "
            "last plan, as if the file had been put together anew.",
            did="They were taken for the same notes; their decisions were kept, and locked rows "
            "moved along.",
            advice="Confirm that this is the same recording. Seconds in the session file "
            "(do_not_touch, comp_edges) are those of the file as it is now."
            + (_bar_one(tempo_map) if len(codes) == sounding else ""),
            stem=codes[0] if len(codes) == 1 else None,
        )
        for shift_s, codes in groups
    ]


def _bar_one(tempo_map: TempoMap | None) -> str:
    """Ask to look at bar 1: if it moved, which nobody can hear, all that is said of bars did."""
    if tempo_map is None:
        return ""
    return (
        f" If bar 1 moved with it, see that bar_one_at says so (it stands at "
        f"{tempo_map.seconds_at(1):.3f} s): locks, do_not_touch, sections and keys count from it."
    )


def _in_bars(shift_s: float, tempo_map: TempoMap | None) -> str:
    if tempo_map is None:
        return ""
    bar_s = tempo_map.seconds_at(2) - tempo_map.seconds_at(1)
    bars = round(abs(shift_s) / bar_s)
    if bars == 0 or abs(abs(shift_s) - bars * bar_s) > _TOGETHER_S:
        return ""
    return f" ({count(bars, 'bar')})"
