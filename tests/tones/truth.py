"""What a perfect measurement of a note would give, from the pitch line that it was made from.

Nothing is measured here: `planner.demo.tones` carries the line, and the windows are written down.
"""

from dataclasses import dataclass

import numpy as np

from planner.demo.tones import SR, PlayedNote
from planner.model import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """Where in a note onset, sustain and end are judged: seconds from its start, half-open."""

    onset_s: tuple[float, float]
    sustain_s: tuple[float, float] | None  # None where the note is too short for one
    end_s: tuple[float, float] | None  # None for notes of 0.8 s or less


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTruth:
    """Onset, sustain and end of one note, as frequencies of its first partial."""

    onset_hz: float
    sustain_hz: float | None
    end_hz: float | None


def truth_windows(length_s: float, pitch_hz: float) -> Windows:
    """Give the stretches in which a note's onset, sustain and end are judged.

    Onset: from max(10 ms, one period), for max(60 ms, five periods), at most 35 % of the note.
    Sustain: from max(150 ms, end of the onset) to 85 % of the note. End: the last 15 %, at most
    250 ms, of notes over 0.8 s. Common practice, no source.
    """
    first = max(0.010, 1.0 / pitch_hz)
    last = first + min(max(0.060, 5.0 / pitch_hz), 0.35 * length_s)
    sustain = (max(0.150, last), 0.85 * length_s)
    end = (length_s - min(0.15 * length_s, 0.250), length_s)
    return Windows(
        onset_s=(first, min(last, length_s)),
        sustain_s=sustain if sustain[1] > sustain[0] else None,
        end_s=end if length_s > 0.8 else None,
    )


def truth_of(note: PlayedNote) -> NoteTruth:
    """Say what a perfect measurement of a note would give, from its pitch line alone.

    Means are taken in cents (geometric in Hz), all three of the line without vibrato.
    """
    windows = truth_windows(note.length_s, float(note.centre_hz.mean()))
    return NoteTruth(
        onset_hz=_mean_hz(note.centre_hz, windows.onset_s),
        sustain_hz=windows.sustain_s and _mean_hz(note.centre_hz, windows.sustain_s),
        end_hz=windows.end_s and _mean_hz(note.centre_hz, windows.end_s),
    )


def mean_of_whole_cycles_hz(note: PlayedNote) -> float | None:
    """Give the mean over as many whole vibrato cycles as fit, in the middle of the sustain.

    Another way to say where a vibrato stands. The two agree where it is steady; while it grows, a
    cycle's second half outweighs its first. None where there is no vibrato or no whole cycle.
    """
    sustain_s = truth_windows(note.length_s, float(note.centre_hz.mean())).sustain_s
    if sustain_s is None or not note.vibrato_hz:
        return None
    first, last = sustain_s
    cycles = int((last - first) * note.vibrato_hz)
    if cycles < 1:
        return None
    spare = (last - first) - cycles / note.vibrato_hz
    return _mean_hz(note.f1_hz, (first + spare / 2, last - spare / 2))


def _mean_hz(line_hz: Floats, span_s: tuple[float, float]) -> float:
    first = min(round(span_s[0] * SR), len(line_hz) - 1)
    last = max(round(span_s[1] * SR), first + 1)
    return float(np.exp(np.log(line_hz[first:last]).mean()))
