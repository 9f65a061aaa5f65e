"""Where a moment lies: samples, seconds, bar and beat, ticks.

Conventions
-----------
- Seconds count from the first sample of the stem's file; samples are the truth.
- One rounding rule: the nearest whole sample or tick, a tie to the even one, computed exactly
  (a float is taken as the exact number it holds).
- Tempo is a whole number of microseconds per quarter note, as in a Standard MIDI File, and time is
  cumulated in integers, so nothing creeps over a long song.
- Bars and beats count from 1; a beat is the meter's denominator; ``bpm`` counts quarter notes
  whatever the meter. Bars before bar 1 are 0, -1, ...
- Ticks are 960 to the quarter. Tick 0 is a bar line: bar 1 where the music starts there, else whole
  bars earlier, so that nothing of the file lies before it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.words.session_model import TempoMark

TICKS_PER_QUARTER = 960  # common practice, no source: divisible by 2**6, 3 and 5
DEFAULT_US_PER_QUARTER = 500_000  # Standard MIDI File 1.0: 120 to the minute where none is given
DEFAULT_METER = (4, 4)  # Standard MIDI File 1.0
# Chosen: further from a beat, a start is nearer to the thirty-second note before it, 1/8 of a beat.
EARLY_BEATS = 0.06
MAX_US_PER_QUARTER = 0xFFFFFF  # the three bytes of a tempo event
_LAST_BITS_TICKS = 1e-6  # of sums over a day, in double precision: they come to 1e-7
BPM_RANGE = (4.0, 1000.0)  # chosen: three tempo bytes end at 3.6, and no music is faster


def seconds_to_smp(seconds: float, sr: int) -> int:
    """Give the sample nearest to a time (s) at rate ``sr`` (Hz); a tie goes to the even sample.

    Raises ValueError if the time is not a finite number or the rate is not above 0.
    """
    return round(_exact(seconds) * _rate(sr))


def smp_to_seconds(smp: int, sr: int) -> float:
    """Give the time (s) of a sample at rate ``sr`` (Hz).

    Raises ValueError if the rate is not above 0.
    """
    return smp / _rate(sr)


def _rate(sr: int) -> int:
    if sr <= 0:
        raise ValueError(f"a sample rate is above 0 Hz, got {sr}")
    return sr


def _exact(seconds: float | Fraction) -> Fraction:
    return Fraction(*_exact_ratio(seconds))


def _exact_ratio(seconds: float | Fraction) -> tuple[int, int]:
    if not math.isfinite(seconds):
        raise ValueError(f"a time must be a finite number of seconds, got {seconds}")
    return seconds.as_integer_ratio()


def _round_half_even(over: int, under: int) -> int:
    whole, rest = divmod(over, under)
    return whole + (2 * rest > under or (2 * rest == under and whole % 2 == 1))


# ---------------------------------------------------------------- tempo map


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMap:
    """Tempi, meters and keys by tick, and the exact arithmetic between ticks, seconds and bars.

    Build one with `tempo_map_from_marks`, `tempo_map_from_events` or `fixed_tempo_map`.
    """

    tempos: tuple[tuple[int, int], ...]  # (tick, microseconds per quarter), ascending from tick 0
    meters: tuple[tuple[int, int, int], ...]  # (tick, beats, beat unit), ascending from tick 0
    keys: tuple[tuple[int, str], ...] = ()  # (tick, "D", "F#m"), ascending
    bars_before: int = 0  # whole bars between tick 0 and bar 1
    start: Fraction = Fraction(0)  # s of tick 0 in the stems, exact; 0 or below with bars before
    ticks_per_quarter: int = TICKS_PER_QUARTER  # of the events above; `tick_at` is always 960
    # Derived once: time of each tempo event in microseconds * ticks_per_quarter, bar of each meter.
    _elapsed: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _bars: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        elapsed = [0]
        for (tick, us), (next_tick, _) in pairwise(self.tempos):
            elapsed.append(elapsed[-1] + (next_tick - tick) * us)
        object.__setattr__(self, "_elapsed", tuple(elapsed))
        bars = [1 - self.bars_before]
        for index, (before, after) in enumerate(pairwise(self.meters)):
            # A meter that changes inside a bar cuts that bar short: the next begins here.
            bars.append(bars[-1] - (before[0] - after[0]) // self._bar_ticks(index))
        object.__setattr__(self, "_bars", tuple(bars))

    @property
    def start_s(self) -> float:
        """Time of tick 0 in seconds of the stems."""
        return float(self.start)

    def bar_beat(self, seconds: float, *, decimals: int = 2) -> tuple[int, float]:
        """Say in which bar and on which beat a time (s) falls, the beat rounded to ``decimals``.

        A beat that rounds past the end of its bar is beat 1 of the next, never beat 5 of four.
        """
        over, under = self._at(seconds)
        index = self._meter_at(over // under)
        start, beats, unit = self.meters[index]
        bar_ticks, quarter = self._bar_ticks(index), 4 * self.ticks_per_quarter
        whole_bars, into = divmod(over - start * under, bar_ticks * under)
        bar, parts = self._bars[index] + whole_bars, 10**decimals
        beat = _round_half_even(into * unit * parts, under * quarter)  # in parts of a beat
        past_change = index + 1 < len(self.meters) and (
            (start + whole_bars * bar_ticks) * unit * parts + beat * quarter
            >= self.meters[index + 1][0] * unit * parts
        )
        if beat >= beats * parts or past_change:
            return bar + 1, 1.0
        return bar, (parts + beat) / parts

    def played_at(self, seconds: float) -> tuple[int, float]:
        """Say in which bar and on which beat a note that begins at a time (s) is played.

        A start by up to `EARLY_BEATS` before a bar line is beat 1 of that bar, a little early: the
        beat is then below 1 by as much, 0.98 for a fiftieth of a beat, so that nothing is lost.
        """
        bar, beat = self.bar_beat(seconds)
        over, under = self._at(seconds)
        unit = self.meters[self._meter_at(over // under)][2]
        before_line = (self._tick_of_bar(bar + 1) * under - over) * unit
        early = round(before_line / (under * 4 * self.ticks_per_quarter), 2)
        return (bar + 1, round(1.0 - early, 2)) if 0.0 < early <= EARLY_BEATS else (bar, beat)

    def seconds_at(self, bar: int, beat: float = 1.0) -> float:
        """Give the time (s) of a beat, counted from 1, in a bar."""
        index = max(0, bisect_right(self._bars, bar) - 1)
        beat_ticks = Fraction(4 * self.ticks_per_quarter, self.meters[index][2])
        ticks = self._tick_of_bar(bar) + (_exact(beat) - 1) * beat_ticks
        return float(self.start + self._seconds_of(ticks))

    def tick_at(self, seconds: float) -> int:
        """Give the nearest tick, 960 to the quarter, of a time (s); rounded once, a tie to even."""
        over, under = self._at(seconds)
        return _round_half_even(over * TICKS_PER_QUARTER, under * self.ticks_per_quarter)

    def ticks_at(self, seconds: Floats) -> NDArray[np.int64]:
        """Give the nearest ticks of some times (s), as `tick_at` does: curves ask a million."""
        elapsed = (seconds - self.start_s) * 1e6 * self.ticks_per_quarter
        index = np.searchsorted(self._elapsed, elapsed, side="right") - 1
        tick, us = np.array(self.tempos)[np.maximum(index, 0)].T
        into = elapsed - np.array(self._elapsed)[np.maximum(index, 0)]
        at = (tick + into / us) * (TICKS_PER_QUARTER / self.ticks_per_quarter)
        ticks: NDArray[np.int64] = np.rint(at).astype(np.int64)
        # Where the last bits of the floats could decide, they are asked exactly.
        for k in np.flatnonzero(np.abs(at - np.floor(at) - 0.5) < _LAST_BITS_TICKS):
            ticks[k] = self.tick_at(float(seconds[k]))
        return ticks

    def seconds_of_tick(self, tick: int | Fraction) -> float:
        """Give the time (s) of a tick, 960 to the quarter."""
        own = Fraction(tick * self.ticks_per_quarter, TICKS_PER_QUARTER)
        return float(self.start + self._seconds_of(own))

    def on_guide_grid(self) -> TempoMap:
        """Give the same map with every event on a tick of 960 to the quarter, for a guide file.

        The map itself, unless it was read from a file of an odd resolution.
        """
        if self.ticks_per_quarter == TICKS_PER_QUARTER:
            return self
        scale = Fraction(TICKS_PER_QUARTER, self.ticks_per_quarter)
        return TempoMap(
            tempos=tuple((round(tick * scale), us) for tick, us in self.tempos),
            meters=tuple((round(tick * scale), n, d) for tick, n, d in self.meters),
            keys=tuple((round(tick * scale), key) for tick, key in self.keys),
            bars_before=self.bars_before,
            start=self.start,
        )

    def _bar_ticks(self, index: int) -> int:
        _, beats, unit = self.meters[index]
        return 4 * self.ticks_per_quarter * beats // unit

    def _tick_of_bar(self, bar: int) -> int:
        index = max(0, bisect_right(self._bars, bar) - 1)
        return self.meters[index][0] + (bar - self._bars[index]) * self._bar_ticks(index)

    def _seconds_of(self, tick: int | Fraction) -> Fraction:
        """Time from tick 0 to a tick of this map's own resolution, exact."""
        index = max(0, bisect_right(self.tempos, (tick, math.inf)) - 1)
        start, us = self.tempos[index]
        return Fraction(self._elapsed[index] + (tick - start) * us) / (
            1_000_000 * self.ticks_per_quarter
        )

    def _meter_at(self, tick: int) -> int:
        return max(0, bisect_right(self.meters, tick, key=lambda meter: meter[0]) - 1)

    def _at(self, seconds: float) -> tuple[int, int]:
        """Position of a time in ticks of this map's own resolution, as an exact ratio.

        In whole numbers: fractions took seven times as long, and every note asks this many times.
        """
        over, under = _exact_ratio(seconds)
        start_over, start_under = self.start.as_integer_ratio()
        under_both = under * start_under
        elapsed = (over * start_under - start_over * under) * 1_000_000 * self.ticks_per_quarter
        index = max(0, bisect_right(self._elapsed, elapsed // under_both) - 1)
        tick, us = self.tempos[index]
        into = elapsed - self._elapsed[index] * under_both
        return tick * us * under_both + into, us * under_both


def tempo_map_from_marks(marks: Sequence[TempoMark], *, bar_one_at_s: float) -> TempoMap:
    """Build the tempo map that a session file states bar by bar.

    marks : in order of bars, the first at bar 1
    bar_one_at_s : where beat 1 of bar 1 lies, in seconds of the stems. Above 0 there is music
        before bar 1: whole bars of the first tempo and meter are added for it.

    Raises ValueError if there is no mark, the first is not at bar 1, bars do not rise, or a tempo
    or meter is none.
    """
    if not marks:
        raise ValueError("a tempo map needs at least one mark, at bar 1")
    if marks[0].bar != 1:
        raise ValueError(f"the tempo map starts at bar {marks[0].bar}; say the tempo of bar 1 too")
    tick, bar = 0, 1
    bar_ticks = 0
    tempos: list[tuple[int, int]] = []
    meters: list[tuple[int, int, int]] = []
    for mark in marks:
        if tempos and mark.bar <= bar:
            raise ValueError(
                f"bar {mark.bar} comes after bar {bar}; put the marks in order of bars"
            )
        tick += (mark.bar - bar) * bar_ticks
        bar = mark.bar
        _check_meter(*mark.meter, where=f"bar {bar}")
        tempos.append((tick, _us_per_quarter(mark.bpm, bar)))
        meters.append((tick, *mark.meter))
        bar_ticks = 4 * TICKS_PER_QUARTER * mark.meter[0] // mark.meter[1]
    return tempo_map_from_events(tempos, meters, bar_one_at_s=bar_one_at_s)


def tempo_map_from_events(
    tempos: Sequence[tuple[int, int]],
    meters: Sequence[tuple[int, int, int]] = (),
    keys: Sequence[tuple[int, str]] = (),
    *,
    ticks_per_quarter: int = TICKS_PER_QUARTER,
    bar_one_at_s: float = 0.0,
) -> TempoMap:
    """Build a tempo map from the events of a Standard MIDI File, of any resolution.

    tempos : sequence of (tick, microseconds per quarter)
    meters : sequence of (tick, beats, beat unit)
    keys : sequence of (tick, key name such as "D" or "F#m")
        Each in any order; of two at one tick the later one counts. Where none stands at tick 0,
        120 to the minute and 4/4 do, as the standard says.
    ticks_per_quarter : the resolution of those ticks
    bar_one_at_s : where tick 0 of the events, beat 1 of bar 1, lies in seconds of the stems

    Raises ValueError if the resolution, a tempo, or a meter is none.
    """
    if ticks_per_quarter <= 0:
        raise ValueError(f"{ticks_per_quarter} ticks to the quarter is no resolution")
    for tick, us in tempos:
        if not 0 < us <= MAX_US_PER_QUARTER:
            raise ValueError(f"tempo at tick {tick}: {us} microseconds to the quarter is no tempo")
    for tick, beats, unit in meters:
        _check_meter(beats, unit, where=f"tick {tick}")
    # Work at a resolution that both the file and 960 divide, so that no event has to move.
    own = math.lcm(ticks_per_quarter, TICKS_PER_QUARTER)
    scale = own // ticks_per_quarter
    tempo_at = {0: DEFAULT_US_PER_QUARTER}
    tempo_at |= {tick * scale: us for tick, us in tempos}
    meter_at = {0: DEFAULT_METER}
    meter_at |= {tick * scale: (beats, unit) for tick, beats, unit in meters}
    key_at = {tick * scale: key for tick, key in keys}

    beats, unit = meter_at[0]
    bar_ticks = 4 * own * beats // unit
    bar_s = Fraction(bar_ticks * tempo_at[0], 1_000_000 * own)
    bars_before = max(0, math.ceil(_exact(bar_one_at_s) / bar_s))
    shift = bars_before * bar_ticks

    def moved(tick: int) -> int:
        return tick + shift if tick > 0 else 0  # what stands at bar 1 also rules the bars before

    return TempoMap(
        tempos=tuple((moved(tick), us) for tick, us in sorted(tempo_at.items())),
        meters=tuple((moved(tick), *meter) for tick, meter in sorted(meter_at.items())),
        keys=tuple((moved(tick), key) for tick, key in sorted(key_at.items())),
        bars_before=bars_before,
        start=_exact(bar_one_at_s) - bars_before * bar_s,
        ticks_per_quarter=own,
    )


def bars_of(starts: Iterable[tuple[str, float]], tempo_map: TempoMap | None) -> dict[str, int]:
    """The bar in which each note begins, by its id; none without a tempo map.

    starts: id and start of each note, s on the session's clock.
    """
    if tempo_map is None:
        return {}
    return {note_id: tempo_map.played_at(start_s)[0] for note_id, start_s in starts}


def fixed_tempo_map() -> TempoMap:
    """Give the map for a song without one: 120 to the minute, so one beat is half a second."""
    return tempo_map_from_events([(0, DEFAULT_US_PER_QUARTER)])


def _us_per_quarter(bpm: float, bar: int) -> int:
    low, high = BPM_RANGE
    if not low <= bpm <= high:
        raise ValueError(
            f"bar {bar}: {bpm} is no tempo; bpm counts quarter notes a minute, {low:g} to {high:g}"
        )
    return round(60_000_000 / Fraction(bpm))


def _check_meter(beats: int, unit: int, *, where: str) -> None:
    if not (1 <= beats <= 255 and unit in (1, 2, 4, 8, 16, 32, 64)):
        raise ValueError(
            f"{where}: {beats}/{unit} is no meter; write beats over 1, 2, 4, 8, 16, 32 or 64"
        )
