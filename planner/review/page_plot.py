"""One note as a drawing: cents against time, measured solid, planned dashed, in one ink.

Bar lines and the strip below, which names what other stems sound, come from
`planner.review.page_strip`.

Geometry only, in the units of the drawing; `planner/page_assets/review.html.j2` turns it into SVG.

Conventions
-----------
- Seconds run to the right from the start of the stem's file; cents run upwards, 0 is the target.
- Whiskers stand at onset, sustain and note end. Their half length is the uncertainty (about 2 in
  3 chance); that of the end is not measured by itself and is drawn as the sustain's.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.model import Floats
from planner.review.page_strip import (
    LINE_HEIGHT,
    BarLine,
    StripLine,
    Window,
    bar_lines,
    strip_lines,
)
from planner.timeline import TempoMap
from planner.words.plan_model import Judged
from planner.words.wording import count, flat_or_sharp
from planner.write.note_curves import heard_curve, planned_add_cents

WIDTH, HEIGHT = 360.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 84.0, 18.0, 26.0  # chosen: room for the labels at 10 units
BOX = {
    "left": LEFT,
    "right": WIDTH - RIGHT,
    "top": TOP,
    "bottom": HEIGHT - BOTTOM,
    "width": WIDTH,
    "height": HEIGHT,
}
LABEL_GAP = 12.0  # chosen: one line of text
POINTS_MAX = 240  # chosen: finer than the drawing's own width
CENTS_MIN, CENTS_MAX = 12.0, 150.0  # chosen: never so near that noise looks like a fault


@dataclass(frozen=True, slots=True)
class Label:
    """A word at a place; `y` is its middle."""

    y: float
    text: str


@dataclass(frozen=True, slots=True)
class EndLabel:
    """The name of a line beside its end; `y` is its middle, `line_y` where the line ends."""

    y: float
    text: str
    line_y: float


@dataclass(frozen=True, slots=True)
class Whisker:
    """A reading with its uncertainty."""

    x: float
    y: float
    low_y: float
    high_y: float
    name: str


@dataclass(frozen=True, slots=True)
class _Reading:
    """One of a note's readings, in cents off its target, and where it is drawn."""

    name: str
    at_s: float
    cents: float
    uncertainty_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Everything the drawing of one note shows."""

    title: str
    described: str  # the same in words, for those who do not see it
    target_y: float
    limit_ys: tuple[float, ...]
    measured: str  # SVG path, empty where there is no trace
    planned: str
    whiskers: tuple[Whisker, ...]
    left_labels: tuple[Label, ...]  # cents
    end_labels: tuple[EndLabel, ...]
    seconds: tuple[tuple[float, str], ...]  # x, text
    bars: tuple[BarLine, ...]
    strip: tuple[StripLine, ...]  # what other stems sound meanwhile
    strip_more: str  # "and 2 more stems", or nothing
    height: float  # of the whole drawing, the strip with it


def plot_note(
    judged: Judged,
    intended: str,
    *,
    others: Sequence[Judged] = (),
    tempo_map: TempoMap | None = None,
    later_s: Callable[[str], float] = lambda stem: 0.0,
) -> Plot | None:
    """Draw one note; None where nothing of it was measured.

    judged: the note after the decision.
    intended: the name of the note that was meant.
    others: notes of other stems, by stem, then start; those that sound meanwhile are named.
    tempo_map: where bars and beats lie; without one no bar lines are drawn.
    later_s: stem code to the seconds that its file's clock is later than the session's.
    """
    note = judged.measured.note
    times, errors = _trace(judged)
    planned = errors if times is None else errors + planned_add_cents(judged, times)
    readings = _readings(judged)
    if times is None and not readings:
        return None
    limit = judged.tolerance_cents
    reach = _reach(errors, planned, readings, limit)

    window = Window(start_s=note.start_s, end_s=note.end_s, left=LEFT, right=WIDTH - RIGHT)
    x = window.x
    own_s = later_s(note.stem)
    strip, without_room = strip_lines(
        window,
        others,
        HEIGHT,
        beats_with=judged.clash_with,
        later_s=lambda stem: later_s(stem) - own_s,
    )

    def y(cents: float) -> float:
        middle = (TOP + HEIGHT - BOTTOM) / 2
        return middle - max(-reach, min(reach, cents)) / reach * (HEIGHT - TOP - BOTTOM) / 2

    def path(times: Floats, line: Floats) -> str:
        return svg_path(
            f"{x(at_s):.1f} {y(cents):.1f}" if math.isfinite(cents) else None
            for at_s, cents in zip(times.tolist(), _inside(line, reach).tolist(), strict=True)
        )

    whiskers = tuple(
        Whisker(
            x=round(x(one.at_s), 1),
            y=round(y(one.cents), 1),
            low_y=round(y(one.cents - one.uncertainty_cents), 1),
            high_y=round(y(one.cents + one.uncertainty_cents), 1),
            name=one.name,
        )
        for one in readings
    )
    ends = [Label(y(0), f"target {intended}")]
    if times is not None:
        ends.append(Label(y(_last(errors)), "measured"))
        if _moves(judged):
            ends.append(Label(y(_last(planned)), "planned"))
    limits = () if limit is None else (limit, -limit)
    step = next(s for s in (5, 10, 20, 50, 100) if reach / s <= 3.5)
    ticks = [k * step for k in range(-4, 5) if abs(k * step) <= reach]
    said = ", ".join(f"{one.name} {flat_or_sharp(one.cents)}" for one in readings)
    heard = f"; meanwhile {'; '.join(line.said for line in strip)}" if strip else ""
    return Plot(
        title=f"{judged.measured.id}: cents against seconds",
        described=f"{judged.measured.id}, target {intended}: {said or 'trace only'}{heard}",
        target_y=round(y(0), 1),
        limit_ys=tuple(round(y(c), 1) for c in limits),
        measured="" if times is None else path(times, errors),
        planned=path(times, planned) if times is not None and _moves(judged) else "",
        whiskers=whiskers,
        left_labels=tuple(
            Label(round(y(c), 1), flat_or_sharp(float(c)) if c else "0 cents") for c in ticks
        ),
        end_labels=_apart([*ends, *(Label(y(c), f"limit {flat_or_sharp(c)}") for c in limits)]),
        seconds=tuple(
            (round(x(t), 1), f"{t:.2f} s")
            for t in (note.start_s, (note.start_s + note.end_s) / 2, note.end_s)
        ),
        bars=bar_lines(window, tempo_map, own_s),
        strip=strip,
        strip_more=f"and {count(without_room, 'more stem')}" if without_room else "",
        height=HEIGHT + LINE_HEIGHT * (len(strip) + bool(without_room)),
    )


def _moves(judged: Judged) -> bool:
    own = (judged.add_cents, judged.onset_add_cents, judged.sustain_add_cents)
    return bool(judged.points or judged.layers) or any(value is not None for value in own)


def _trace(judged: Judged) -> tuple[Floats, Floats] | tuple[None, Floats]:
    """Give the contour as seconds and cents off the target, thinned; None without any figure.

    A note that was read as one figure, as those of chords are, is a level line.
    """
    nothing: Floats = np.zeros(0)
    heard, whole = heard_curve(judged), judged.sustain_cents
    if heard is None and whole is not None:
        note = judged.measured.note
        return np.array([note.start_s, note.end_s]), np.full(2, whole)
    if heard is None:
        return None, nothing
    times_s, hz = heard
    step = max(1, math.ceil(hz.size / POINTS_MAX))
    errors = 1200.0 * np.log2(hz[::step] / judged.target.target_hz)
    return (times_s[::step], errors) if np.isfinite(errors).any() else (None, nothing)


def _readings(judged: Judged) -> list[_Reading]:
    """List the readings that are there."""
    note, found = judged.measured.note, judged.measured.measurement
    sustain_u = found.uncertainty_cents or 0.0
    onset_u = found.onset_uncertainty_cents or 0.0
    # Chosen places inside the stretches that the three readings are taken from.
    spots = (
        ("onset", 0.08, judged.onset_cents, onset_u),
        ("sustain", 0.55, judged.sustain_cents, sustain_u),
        ("end", 0.94, judged.end_cents, sustain_u),
    )
    return [
        _Reading(name, note.start_s + share * note.length_s, value, unsure)
        for name, share, value, unsure in spots
        if value is not None
    ]


def _reach(
    errors: Floats, planned: Floats, readings: Sequence[_Reading], limit: float | None
) -> float:
    sizes = [abs(one.cents) + one.uncertainty_cents for one in readings]
    for line in (errors, planned):
        if np.isfinite(line).any():
            # The steepest start of a scoop may leave the drawing; the rest should fill it.
            sizes.append(float(np.nanpercentile(np.abs(line), 97)))
    if limit is not None:
        sizes.append(limit)
    return min(CENTS_MAX, max(CENTS_MIN, 1.15 * max(sizes, default=0.0)))


def _last(line: Floats) -> float:
    return float(line[np.flatnonzero(np.isfinite(line))[-1]])


def _inside(line: Floats, reach: float) -> Floats:
    """Blank what lies outside but for the way there: along the edge it would seem to be held."""
    near = np.pad(np.abs(line) <= reach, 1)
    return np.where(near[:-2] | near[1:-1] | near[2:], line, np.nan)


def svg_path(points: Iterable[str | None]) -> str:
    """Write an SVG path through points, each "x y"; it breaks where there is None."""
    parts, pen_down = [], False
    for point in points:
        if point is not None:
            parts.append(f"{'L' if pen_down else 'M'}{point}")
        pen_down = point is not None
    return "".join(parts)


def _apart(labels: list[Label]) -> tuple[EndLabel, ...]:
    """Push labels apart so that none covers another, and keep them inside the drawing."""
    ordered = sorted(labels, key=lambda label: label.y)
    ys: list[float] = []
    for label in ordered:
        ys.append(max(label.y, ys[-1] + LABEL_GAP if ys else TOP))
    over = ys[-1] - (HEIGHT - BOTTOM) if ys else 0.0
    if over > 0:
        floor = HEIGHT - BOTTOM
        for i in range(len(ys) - 1, -1, -1):
            ys[i] = min(ys[i], floor)
            floor = ys[i] - LABEL_GAP
    return tuple(
        EndLabel(round(y, 1), o.text, line_y=round(o.y, 1))
        for y, o in zip(ys, ordered, strict=True)
    )
