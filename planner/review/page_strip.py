"""What surrounds one drawn note: bar lines, and by name what the other stems sound meanwhile.

Geometry only, in the units of the drawing of `planner.review.page_plot`. Each other stem has one
line of text along the same seconds; height says nothing there.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from planner.pitch import note_name
from planner.timeline import TempoMap
from planner.words.plan_model import Judged

LINE_HEIGHT = 15.0  # chosen: one line of text at 10 units, and its rule
LINES_MOST = 6  # chosen: with more, the strip would be taller than the plot on a phone
CHARACTER = 6.0  # chosen: mean advance of a serif at the 11.5 units that phones are given
BEATS_MOST = 24  # chosen: beats nearer than a tenth of an inch hide the curve
TOGETHER_S = 0.05  # chosen: a chord's notes begin within 50 ms, as in mir_eval's onset match


@dataclass(frozen=True, slots=True)
class Sounding:
    """A note or chord of another stem: from where to where, and its name where there is room."""

    x1: float
    x2: float
    starts: bool  # False where it was sounding before the drawing begins
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StripLine:
    """One other stem; `y` is where its text stands."""

    y: float
    stem: str
    pieces: tuple[Sounding, ...]
    said: str  # the same in words


@dataclass(frozen=True, slots=True)
class BarLine:
    """A beat inside the drawing; `whole` where a bar begins."""

    x: float
    whole: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The stretch that is drawn: s of the drawn stem's file, and where they lie."""

    start_s: float
    end_s: float
    left: float
    right: float

    def x(self, at_s: float) -> float:
        share = (at_s - self.start_s) / max(self.end_s - self.start_s, 1e-9)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)


@dataclass(frozen=True, slots=True)
class _Chord:
    """Notes of another stem that begin together; `beats` where the drawn note beats with one."""

    start_s: float
    end_s: float
    text: str
    beats: bool


def strip_lines(
    window: Window,
    others: Sequence[Judged],
    top: float,
    *,
    beats_with: str = "",
    later_s: Callable[[str], float] = lambda stem: 0.0,
) -> tuple[tuple[StripLine, ...], int]:
    """Lay out what other stems sound inside the window, one line each.

    others: notes of every other stem, by stem, then start.
    top: where the strip begins.
    beats_with: id of the note that the drawn one beats with: its stem and itself are named first.
    later_s: stem code to the seconds that its file's clock is later than the drawn stem's.

    Gives at most `LINES_MOST`, and how many stems that sound found no room.
    """
    by_stem: dict[str, list[tuple[float, float, Judged]]] = {}
    for judged in others:
        note = judged.measured.note
        start_s = note.start_s + later_s(note.stem)
        end_s = note.end_s + later_s(note.stem)
        if start_s < window.end_s and end_s > window.start_s:
            by_stem.setdefault(note.stem, []).append((start_s, end_s, judged))
    first = beats_with.rpartition("-")[0]  # a note's id is its stem's code and a serial
    order = sorted(by_stem, key=lambda stem: stem != first)  # stable: the session's order else
    lines = [
        _line(window, stem, _chords(by_stem[stem], beats_with), top + (k + 1) * LINE_HEIGHT - 4.0)
        for k, stem in enumerate(order[:LINES_MOST])
    ]
    return tuple(lines), max(0, len(order) - LINES_MOST)


def _chords(sounding: list[tuple[float, float, Judged]], beats_with: str) -> list[_Chord]:
    """Put notes that begin together into one entry, named from the lowest up."""
    groups: list[list[tuple[float, float, Judged]]] = []
    for each in sorted(sounding, key=lambda one: (one[0], one[1], one[2].target.intended_midi)):
        if groups and each[0] - groups[-1][0][0] <= TOGETHER_S:
            groups[-1].append(each)
        else:
            groups.append([each])
    chords = []
    for group in groups:
        names = {judged.target.intended_midi: judged.names for *_, judged in group}
        chords.append(
            _Chord(
                group[0][0],
                max(end_s for _, end_s, _ in group),
                " ".join(note_name(midi, names[midi]) for midi in sorted(names)),
                any(judged.measured.id == beats_with for *_, judged in group),
            )
        )
    return chords


def _line(window: Window, stem: str, chords: list[_Chord], y: float) -> StripLine:
    at = [window.x(chord.start_s) for chord in chords]
    order = sorted(range(len(chords)), key=lambda k: (not chords[k].beats, k))
    widths = [len(chord.text) * CHARACTER for chord in chords]
    fitting = [k for k in order if at[k] + widths[k] <= window.right]
    named = _apart([(k, at[k], at[k] + widths[k] + CHARACTER) for k in fitting])
    pieces = tuple(
        Sounding(
            round(at[k], 1),
            round(window.x(chord.end_s), 1),
            chord.start_s >= window.start_s,
            chord.text if k in named else "",
        )
        for k, chord in enumerate(chords)
    )
    said = ", ".join(chord.text for chord in chords)
    return StripLine(y=round(y, 1), stem=stem, pieces=pieces, said=f"{stem} {said}")


def bar_lines(
    window: Window, tempo_map: TempoMap | None, later_s: float = 0.0
) -> tuple[BarLine, ...]:
    """Place the beats inside the window; bars in words, beats where the words leave room.

    ``later_s`` is what the drawn stem's clock is later than the session's. Without a tempo map
    there are none.
    """
    if tempo_map is None:
        return ()
    lines: list[BarLine] = []
    bar, beat = tempo_map.bar_beat(window.start_s + later_s)
    at = (bar, float(-(-beat // 1)))
    while True:
        at_s = tempo_map.seconds_at(*at) - later_s
        # The map says itself where a bar ends: past its last beat it names beat 1 of the next.
        at = tempo_map.bar_beat(at_s + later_s, decimals=4)
        if at_s >= window.end_s:
            break
        if at_s >= window.start_s:
            whole = at[1] == 1
            text = f"bar {at[0]}" if whole else f"beat {at[1]:.0f}"
            lines.append(BarLine(round(window.x(at_s), 1), whole, text))
        at = (at[0], at[1] + 1.0)
    if len(lines) > BEATS_MOST:
        lines = [line for line in lines if line.whole]
    return _with_room(lines)


def _with_room(lines: list[BarLine]) -> tuple[BarLine, ...]:
    """Take the words away that would cover others; bars are placed before beats."""
    spans = []
    for k in sorted(range(len(lines)), key=lambda k: not lines[k].whole):
        half = (len(lines[k].text) + 1) * CHARACTER / 2
        spans.append((k, lines[k].x - half, lines[k].x + half))
    named = _apart(spans)
    return tuple(line if k in named else replace(line, text="") for k, line in enumerate(lines))


def _apart(spans: Iterable[tuple[int, float, float]]) -> set[int]:
    """Which of some numbered spans cover none before them: what matters most comes first."""
    taken: dict[int, tuple[float, float]] = {}
    for k, low, high in spans:
        if all(low >= end or high <= start for start, end in taken.values()):
            taken[k] = low, high
    return set(taken)
