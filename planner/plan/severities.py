"""How much each edit's fault matters where it stands: in its tolerance, its bar, its phrase."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

from planner import ranking
from planner.decide.exposure import Standing
from planner.model import MeasuredNote
from planner.plan.ground import Ground
from planner.plan.parts import Part, tonics_of
from planner.read.lyrics import is_title_word
from planner.words.plan_model import EDIT_ACTIONS, Judged

_PHRASE_GAP_S = 0.5  # chosen: a rest this long ends a phrase
_FINAL_HELD_S = 1.0  # chosen


def with_severity(
    judged: dict[str, Judged],
    parts: dict[str, Part],
    clash_points: Mapping[str, float],
    standing: dict[str, Standing],
    ground: Ground,
) -> dict[str, Judged]:
    """Say of every note that has an edit how much its fault matters, by its terms.

    clash_points: note id -> of its worst clash.
    standing: note id -> how it stands among the others.
    """
    told = {}
    tempo_map, song = ground.tempo_map, ground.session.song
    for part in parts.values():
        ends = _phrase_ends(part.stem.notes)
        tonics = tonics_of(ground, part.stem)
        last = part.stem.notes[-1].id if part.stem.notes else ""
        for n in part.stem.notes:
            j = judged[n.id]
            if n.id in part.words:
                j = replace(j, word=part.words[n.id])
            if j.action not in EDIT_ACTIONS or j.tolerance_cents is None:
                told[n.id] = j
                continue
            beat = tempo_map.played_at(n.note.start_s + part.shift_s)[1] if tempo_map else None
            total, terms = ranking.severity(
                error_cents=_faulty_cents(j),
                tolerance_cents=j.tolerance_cents,
                clash_points=clash_points.get(n.id, 0.0),
                over_rest_db=standing[n.id].over_rest_db if n.id in standing else None,
                place_points=ranking.place_points(
                    on_downbeat=beat is not None and abs(beat - 1.0) <= 0.1,
                    ends_phrase=n.id in ends,
                    on_tonic=_is_tonic(j.target.intended_midi, tonics.get(n.id)),
                    on_title_word=is_title_word(j.word, song),
                    final_held=n.id == last and n.note.length_s >= _FINAL_HELD_S,
                ),
                length_s=n.note.length_s,
                confidence=n.measurement.confidence,
                covered=bool(j.layers),
            )
            told[n.id] = replace(j, severity=total, severity_terms=terms)
    return told


def _faulty_cents(j: Judged) -> float:
    """The error of what the edit mends, after the rules."""
    error = {"start-only": j.onset_cents, "hold-end": j.end_cents, "shape": j.sustain_cents}.get(
        j.action, j.heard_cents
    )
    return (error or 0.0) + j.layer_cents


def _is_tonic(midi: int, tonic: int | None) -> bool:
    return tonic is not None and (midi - tonic) % 12 == 0


def _phrase_ends(notes: Iterable[MeasuredNote]) -> frozenset[str]:
    ordered = list(notes)
    return frozenset(
        n.id
        for k, n in enumerate(ordered)
        if k + 1 == len(ordered) or ordered[k + 1].note.start_s - n.note.end_s >= _PHRASE_GAP_S
    )
