"""One note's pitch line in cents, and the windows it is judged in.

The trade's windows (README): onset from max(10 ms, one period) after the start, lasting
max(60 ms, five periods) but at most 35 % of the note; sustain from max(150 ms, end of the onset)
to 85 % of the note, less the way of a long scoop or fall (`planner.arrival`). A string that is
stopped before the note's end is judged up to there: the level of its own partials tells that to
10 ms, where the stem's level still holds a neighbour's ring.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.arrival import settled_span
from planner.contour import FOLLOW_HOP_S, Contour, contour_of, partial_phases
from planner.even_line import EvenLine, even_line
from planner.model import Floats
from planner.note_ends import stopped_frame
from planner.note_span import NoteSpan
from planner.partial_series import LN_CENTS
from planner.stiffness import Stiffness
from planner.vibrato import Vibrato, find_vibrato

_ONSET_SKIP_S = 0.010
_ONSET_LENGTH_S = 0.060
_ONSET_PERIODS = 5.0
_ONSET_MOST_SHARE = 0.35
_SUSTAIN_AFTER_S = 0.150
_SUSTAIN_UNTIL_SHARE = 0.85
SUSTAIN_LEAST_FRAMES = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteLine:
    """One note's contour in cents over its pitch, and the windows it is judged in, s."""

    contour: Contour | None
    cents: Floats
    length_s: float  # up to where it is stopped
    onset_first_s: float
    onset_length_s: float
    sustain_first_s: float
    sustain_last_s: float
    even: EvenLine | None = None  # through the sustain, where nothing but noise lies beside one
    vibrato: Vibrato | None = None

    @property
    def in_sustain(self) -> NDArray[np.bool_]:
        """Which frames of the contour lie in the sustain."""
        if self.contour is None:
            return np.zeros(0, dtype=bool)
        t_s = self.contour.t_s
        return (t_s >= self.sustain_first_s) & (t_s <= self.sustain_last_s)

    def swinging(self, usual_hz: float | None = None) -> Vibrato | None:
        """The vibrato in the sustain, if any; ``usual_hz`` is the part's usual rate."""
        inside = self.in_sustain
        if self.contour is None or inside.sum() < SUSTAIN_LEAST_FRAMES:
            return None
        t_s, cents = self.contour.t_s[inside], self.cents[inside]
        return find_vibrato(t_s, cents, self.contour.window_s, usual_hz)


def note_line(span: NoteSpan, stiffness: Stiffness) -> NoteLine:
    """Follow one note, whose string is known to be so stiff, and lay the windows over it."""
    note, b = span.note, stiffness.b
    phases = partial_phases(span.samples, span.sr, span.prior_hz / np.sqrt(1.0 + b), b=b)
    if phases is not None:  # on a slide a half of a sample's time is heard of in 60 dB
        phases = replace(phases, t_s=phases.t_s + span.late_s)
    contour = None if phases is None else contour_of(phases)
    length_s = _sounding_s(span, contour)
    onset_first_s = max(_ONSET_SKIP_S, 1.0 / note.pitch_hz)
    onset_length_s = min(
        max(_ONSET_LENGTH_S, _ONSET_PERIODS / note.pitch_hz), _ONSET_MOST_SHARE * length_s
    )
    line = NoteLine(
        contour=contour,
        cents=np.zeros(0) if contour is None else LN_CENTS * np.log(contour.f1_hz / note.pitch_hz),
        length_s=length_s,
        onset_first_s=onset_first_s,
        onset_length_s=onset_length_s,
        sustain_first_s=max(_SUSTAIN_AFTER_S, onset_first_s + onset_length_s),
        sustain_last_s=_SUSTAIN_UNTIL_SHARE * length_s,
    )
    if contour is not None:
        window_s = line.sustain_first_s, line.sustain_last_s
        first_s, last_s = settled_span(contour.t_s, line.cents, window_s)
        line = replace(line, sustain_first_s=first_s, sustain_last_s=last_s)
    vibrato = line.swinging()
    if vibrato is not None or phases is None or contour is None:
        return replace(line, vibrato=vibrato)
    span_s = (line.sustain_first_s, line.sustain_last_s)
    return replace(line, even=even_line(phases, contour, span_s, stiffness.known_sd))


def _sounding_s(span: NoteSpan, contour: Contour | None) -> float:
    """How long a note sounds before its string is stopped; what is driven ends where it ends."""
    whole_s = span.note.length_s
    if contour is None or span.swells:
        return whole_s
    stop = stopped_frame(contour.level_db, FOLLOW_HOP_S)
    return float(contour.t_s[stop]) if stop < len(contour.t_s) else whole_s
