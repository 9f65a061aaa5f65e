"""Targets that move with the song, where a machine or the whole band takes all stems along."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from planner.model import FIXED_ROLES, Finding
from planner.pitch import shift_hz
from planner.plan.parts import Part
from planner.target.movement import Heard, SongMovement, song_movement
from planner.targets import aim
from planner.timeline import TempoMap
from planner.words.wording import amount, flat_or_sharp, place

_NO_TUNING = frozenset({"exclude", "drum-tones"})


def movement_of(parts: Mapping[str, Part]) -> SongMovement | None:
    """Find the movement that all parts share, on the session's clock."""
    heard = []
    for code, part in parts.items():
        if part.stem.role in _NO_TUNING:
            continue
        known = [
            (a.measured.note.start_s + part.shift_s, a.heard_cents)
            for a in part.aimed
            if a.heard_cents is not None and not a.target.between_notes
        ]
        start_s, error_cents = np.array(known, dtype=float).reshape(-1, 2).T
        fixed = part.stem.role in FIXED_ROLES
        heard.append(Heard(code=code, fixed=fixed, start_s=start_s, error_cents=error_cents))
    return song_movement(heard)


def moved_along(parts: Mapping[str, Part], movement: SongMovement | None) -> dict[str, Part]:
    """Move every target to where the song stands at its note; nothing moves without a movement."""
    if movement is None:
        return dict(parts)
    moved = {}
    for code, part in parts.items():
        aimed = []
        for a in part.aimed:
            by = movement.cents_at(a.measured.note.start_s + part.shift_s)
            target = replace(
                a.target,
                target_hz=shift_hz(a.target.target_hz, by),
                target_from=f"{a.target.target_from}, where the song stands there",
            )
            aimed.append(aim(a.measured, target))
        moved[code] = replace(part, aimed=tuple(aimed))
    return moved


def movement_findings(
    movement: SongMovement | None, tempo_map: TempoMap | None
) -> tuple[Finding, ...]:
    """Say how the song moves, and that no part is to be mended for it."""
    if movement is None:
        return ()
    low, high = int(np.argmin(movement.cents)), int(np.argmax(movement.cents))
    first, last = sorted((low, high))

    def where(knee: int) -> str:
        at_s = float(movement.at_s[knee])
        bar = None if tempo_map is None else tempo_map.bar_beat(at_s)[0]
        return f"{place(bar, None, at_s)}, {flat_or_sharp(float(movement.cents[knee]))}"

    span = float(movement.cents.max() - movement.cents.min())
    return (
        Finding(
            severity="question",
            what=f"all stems move together by {amount(span)} cents between {where(first)}, and "
            f"{where(last)}, of the song's own middle: the machine, or the whole band?",
            did="Targets move with the song: no part is mended for it.",
            advice="If the speed of one transfer changed, make it again before any edit.",
        ),
    )
