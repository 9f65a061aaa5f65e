"""Does the whole song move in pitch, all stems together: a machine's speed, or the whole band?

A tape or a clock that runs off moves every stem by the same cents at the same time, the piano too,
which cannot move by itself. No part is wrong then, and none may be fixed for it: the targets move
with the song instead.

The movement is a line with a knee every few seconds, fitted to the errors of all stems at once,
each stem with an offset of its own. It counts only where it is proven: the line that the *other*
stems give must explain each stem, and every instrument that cannot move by itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.model import FIXED_ROLES, Finding, Floats
from planner.pitch import shift_hz
from planner.plan.parts import Part
from planner.targets import aim
from planner.timeline import TempoMap
from planner.words.spread import spread_of
from planner.words.wording import amount, flat_or_sharp, place

Ints = NDArray[np.int64]

KNEE_EVERY_S = 10.0  # chosen: a dozen notes of most parts; a flutter is faster and not this
FEWEST_NOTES = 16  # chosen: fewer do not say whether a stem moves along
FEWEST_STEMS = 3  # chosen: two that move alike may be two players who listen to each other
LEAST_CENTS = 3.0  # chosen: below, no one hears it, and offsets of parts begin at 3.5
SURE_SD = 4.0  # chosen: of many knees the furthest is 3 standard deviations off by chance
_FOLLOWS = (0.5, 1.5)  # chosen: of the others' movement, a stem that moves along shows this share
_MOST_FOLLOW = 0.75  # chosen: of the stems; one may have been retuned against it
_BEND_SD_CENTS = 4.0  # chosen: how far one knee may lie from the line through its neighbours
_HUBER = 1.5  # times the scatter; Huber 1964, from memory


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """The errors of one stem's notes along the song."""

    code: str
    fixed: bool  # cannot move by itself
    start_s: Floats  # (k,)
    error_cents: Floats  # (k,) against targets that stand still


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SongMovement:
    """How the whole song moves: cents to its own middle, straight lines between the knees."""

    at_s: Floats  # (m,)
    cents: Floats  # (m,)
    stems: tuple[str, ...]  # that were found to move along

    @property
    def knees(self) -> tuple[tuple[float, float], ...]:
        return tuple(zip(self.at_s.tolist(), self.cents.tolist(), strict=True))

    def cents_at(self, at_s: float) -> float:
        return float(np.interp(at_s, self.at_s, self.cents))


def song_movement(stems: Sequence[Heard]) -> SongMovement | None:
    """Find the movement that all stems share, or None where none is proven.

    stems : in any order. Stems with fewer than `FEWEST_NOTES` notes are not asked.
    """
    asked = sorted(
        (stem for stem in stems if len(stem.start_s) >= FEWEST_NOTES), key=lambda stem: stem.code
    )
    if len(asked) < FEWEST_STEMS:
        return None
    first_s = min(float(stem.start_s.min()) for stem in asked)
    last_s = max(float(stem.start_s.max()) for stem in asked)
    stretches = max(round((last_s - first_s) / KNEE_EVERY_S), 1)
    knees = np.linspace(first_s, last_s, stretches + 1)
    line, sd = _fit(asked, knees)
    # Where one or two play alone nothing is shared: neither movement, nor the middle of the song.
    together = _playing(asked, knees) >= FEWEST_STEMS
    if not together.any():
        return None
    knees_together, line, sd = knees[together], line[together], sd[together]
    line = line - line.mean()
    if not ((np.abs(line) >= LEAST_CENTS) & (np.abs(line) >= SURE_SD * sd)).any():
        return None
    follows = [stem for k, stem in enumerate(asked) if _follows(stem, asked, k, knees)]
    fixed = [stem for stem in asked if stem.fixed]
    if len(follows) < max(FEWEST_STEMS, _MOST_FOLLOW * len(asked)):
        return None
    if any(stem not in follows for stem in fixed):
        return None
    return SongMovement(at_s=knees_together, cents=line, stems=tuple(stem.code for stem in follows))


def _hats(at_s: Floats, knees: Floats) -> Floats:
    """How much each moment has of each knee, (moments, knees)."""
    each: Floats = np.stack([np.interp(at_s, knees, row) for row in np.eye(len(knees))], axis=1)
    return each


def _playing(stems: Sequence[Heard], knees: Floats) -> Ints:
    """How many stems have a note between each knee's neighbours."""
    plays = [(_hats(stem.start_s, knees) > 0.0).any(axis=0) for stem in stems]
    return np.asarray(np.sum(plays, axis=0))


def _fit(stems: Sequence[Heard], knees: Floats) -> tuple[Floats, Floats]:
    """The shared line and its standard deviation at the knees, cents; its middle is 0."""
    count, many = len(stems), len(knees)
    owner = np.concatenate([np.full(len(stem.start_s), k) for k, stem in enumerate(stems)])
    error = np.concatenate([stem.error_cents for stem in stems])
    start_s = np.concatenate([stem.start_s for stem in stems])
    columns = np.concatenate([np.eye(count)[owner], _hats(start_s, knees)], axis=1)
    # A line that bends little where few notes are; and its mean is nobody's but the offsets'.
    bends = np.zeros((max(many - 2, 0), count + many))
    for row in range(len(bends)):
        bends[row, count + row : count + row + 3] = (1.0, -2.0, 1.0)
    prior = bends.T @ bends / _BEND_SD_CENTS**2
    prior[count:, count:] += 1e3 / many**2
    offsets = np.array([np.median(stem.error_cents) for stem in stems])
    solved = np.concatenate([offsets, np.zeros(many)])
    inverse = np.eye(count + many)
    for _ in range(8):
        rest = error - columns @ solved
        scatter = np.array([_scatter(rest[owner == k]) for k in range(count)])[owner]
        trust = 1.0 / np.maximum(1.0, np.abs(rest) / (_HUBER * scatter))
        weight = trust / scatter**2
        inverse = np.linalg.inv((columns * weight[:, None]).T @ columns + prior)
        solved = inverse @ (columns.T @ (weight * error))
    line = solved[count:]
    return line - line.mean(), np.sqrt(np.diagonal(inverse)[count:])


def _scatter(rest: Floats) -> float:
    # Chosen: nobody's notes scatter less than a cent, so that no stem outvotes all others.
    return max(spread_of(rest), 1.0)


def _follows(stem: Heard, stems: Sequence[Heard], at: int, knees: Floats) -> bool:
    """Whether the line that the others give explains this stem as well."""
    others = [other for k, other in enumerate(stems) if k != at]
    line, _ = _fit(others, knees)
    shared = np.interp(stem.start_s, knees, line)
    shared = shared - shared.mean()
    scatter = _scatter(stem.error_cents)
    size = float(shared @ shared)
    if size <= (scatter * SURE_SD / 2) ** 2:
        return True  # it plays where the song stands still, and so cannot speak against it
    error = stem.error_cents - np.median(stem.error_cents)
    most = np.abs(shared) + 4 * scatter  # what is further out is another note
    share = float(shared @ np.clip(error, -most, most)) / size
    return _FOLLOWS[0] <= share <= _FOLLOWS[1]


# ---------------------------------------------------------------- the song as a whole

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
