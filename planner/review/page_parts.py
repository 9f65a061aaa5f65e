"""All parts along the song in one drawing: each in a lane of its own, over the same bars.

Geometry only, in the units of the drawing of `planner.review.page_plot`. In the middle of a lane is
the reference; a dot is the middle of a stretch's notes, its whisker how well that is known (about 2
in 3 chance), the dashed line what the plan leaves. All lanes have one scale, so that what moves in
all of them alike can be seen.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from planner.review.page_plot import LEFT, RIGHT, WIDTH, Label, Whisker, svg_path
from planner.words.plan_model import StemSummary
from planner.words.wording import amount, count, flat_or_sharp
from planner.write.along_song import THE_SONG, AlongSong, PartAlong, Sits

LANE = 26.0  # chosen: two lines of text
TOP, FOOT = 4.0, 18.0
LANES_MOST = 10  # chosen: with more the printed page takes a third sheet in one browser
REACHES = (5.0, 10.0, 20.0, 40.0)  # cents to either side
_INSET = 3.0  # that a whisker at full reach stays off the next lane


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One part; `y` is where the reference lies."""

    stem: str
    y: float
    top: float
    recorded: str  # SVG path through the dots
    planned: str
    dots: tuple[Whisker, ...]
    labels: tuple[Label, ...]  # beside its end


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsDrawing:
    """Everything the drawing of all parts shows."""

    described: str  # the same in words, for those who do not see it
    lanes: tuple[Lane, ...]
    stretches: tuple[tuple[float, str], ...]  # x, text under the lanes
    unit: str
    reach: str  # how far a lane reaches, in words
    left_out: str  # "2 more stems", or nothing
    left: float
    right: float
    width: float
    bottom: float
    height: float


def draw_parts(along: AlongSong, stems: Iterable[StemSummary]) -> PartsDrawing:
    """Draw all parts along the song; of more than ten those that sit farthest off."""
    of = {stem.code: stem for stem in stems}
    shown = set(sorted(along.parts, key=_farthest, reverse=True)[:LANES_MOST])
    parts = [part for part in along.parts if part in shown]
    reach = next((r for r in REACHES if r >= max(map(_farthest, parts))), REACHES[-1])
    right = WIDTH - RIGHT
    step = (right - LEFT) / len(along.stretches)
    xs = [round(LEFT + (k + 0.5) * step, 1) for k in range(len(along.stretches))]
    bottom = TOP + LANE * len(parts)
    more = len(along.parts) - len(parts)
    return PartsDrawing(
        described="; ".join(_in_words(part) for part in parts),
        lanes=tuple(
            _lane(part, of.get(part.stem), TOP + k * LANE, xs, reach)
            for k, part in enumerate(parts)
        ),
        stretches=tuple((x, str(a)) for x, (a, _) in zip(xs, along.stretches, strict=True)),
        unit=along.unit,
        reach=f"{amount(reach)} cents",
        left_out=count(more, "more stem") if more else "",
        left=LEFT, right=right, width=WIDTH, bottom=bottom, height=bottom + FOOT,
    )  # fmt: skip


def _known(part: PartAlong) -> list[Sits]:
    return [at for at in part.at if at is not None]


def _farthest(part: PartAlong) -> float:
    return max(abs(at.cents) for at in _known(part))


def _beside(part: PartAlong, summary: StemSummary | None) -> list[str]:
    """Where a part sits over all its notes, and how far they scatter."""
    if summary is None:
        stands = [at.cents for at in _known(part)]
        return [f"moves by {amount(max(stands) - min(stands))}"]
    spread = summary.spread_cents
    return [
        flat_or_sharp(summary.offset_cents),
        *([] if spread is None else [f"spread {amount(spread)}"]),
    ]


def _lane(
    part: PartAlong, summary: StemSummary | None, top: float, xs: list[float], reach: float
) -> Lane:
    middle = top + LANE / 2

    def y(cents: float) -> float:
        inside = min(max(cents, -reach), reach)
        return round(middle - inside / reach * (LANE / 2 - _INSET), 1)

    said = _beside(part, summary)
    ys = (middle,) if len(said) == 1 else (middle - 6.0, middle + 6.0)
    return Lane(
        stem=part.stem, y=middle, top=top,
        recorded=_path(part, xs, lambda at: y(at.cents)),
        planned="" if part.stem == THE_SONG else _path(part, xs, lambda at: y(at.left_cents)),
        dots=tuple(
            Whisker(x, y(at.cents), y(at.cents - at.uncertainty_cents),
                    y(at.cents + at.uncertainty_cents), f"{part.stem}: {flat_or_sharp(at.cents)}")
            for x, at in zip(xs, part.at, strict=True) if at is not None
        ),
        labels=tuple(Label(at_y, text) for at_y, text in zip(ys, said, strict=True)),
    )  # fmt: skip


def _path(part: PartAlong, xs: list[float], y: Callable[[Sits], float]) -> str:
    places = zip(xs, part.at, strict=True)
    return svg_path(None if at is None else f"{x} {y(at)}" for x, at in places)


def _in_words(part: PartAlong) -> str:
    said = [flat_or_sharp(at.cents) for at in _known(part)]
    return f"{part.stem} {said[0] if len(set(said)) == 1 else ', '.join(said)}"
