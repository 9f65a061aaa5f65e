"""One note's pitch line in cents, and the windows it is judged in.

The trade's windows (README): onset from max(10 ms, one period) after the start, lasting
max(60 ms, five periods) but at most 35 % of the note; sustain from max(150 ms, end of the onset)
to 85 % of the note, less the way of a long scoop or fall (`planner.measure.arrival`). A string that
is stopped before the note's end is judged up to there: the level of its own partials tells that to
10 ms, where the stem's level still holds a neighbour's ring.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.measure.arrival import settled_span
from planner.measure.contour import (
    FOLLOW_HOP_S,
    MOST_PARTIALS,
    Contour,
    Phases,
    contour_of,
    partial_phases,
    partials_along,
)
from planner.measure.even_line import EvenLine, even_line
from planner.measure.note_span import NoteSpan, parabola_law
from planner.measure.partial_series import LN_CENTS, FoundPartials, KnownB, tied
from planner.measure.stiffness import Stiffness
from planner.measure.vibrato import Vibrato, find_vibrato
from planner.model import Floats
from planner.segment.note_ends import stopped_frame
from planner.words.spread import middle_of, spread_of

_ONSET_SKIP_S = 0.010
_ONSET_LENGTH_S = 0.060
_ONSET_PERIODS = 5.0
_ONSET_MOST_SHARE = 0.35
_SUSTAIN_AFTER_S = 0.150
_SUSTAIN_UNTIL_SHARE = 0.85
SUSTAIN_LEAST_FRAMES = 4
_PARTIALS_S = 0.250  # of the middle of a sustain: over more, what dies away is no straight line
# Chosen: of strings of random sessions 97 in 100 stay under 0.1, of those with B 1e-3 that die away
# all lie over 0.18. Under 120 Hz their even lines at 60 dB over the noise were refused, and lay 30
# to 43 times their bound off (0.01 to 0.04 cents), now 1 to 2.4 (`tests/bench/limits.py`, seeds
# 47000 to 47005).
_MOST_TURNS_SPREAD = 0.15
# Chosen: strings of random sessions and those with B 1e-3 that die away stay under it, one that is
# driven turns by up to 2: at 60 dB over the noise its mean lay 40 times the bound off (seed 30002).
_MOST_TURN = 0.7


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
    settled: bool = False  # whether a way to the note, or away from it, was taken off
    even: EvenLine | None = None  # through the sustain, where nothing but noise lies beside one
    vibrato: Vibrato | None = None
    partials: FoundPartials | None = None  # in the middle of the sustain
    partials_s: tuple[float, float] = (0.0, 0.0)  # from when to when these were read
    loud_off_cents: float = 0.0  # how far off the loud partials put it, where they do not set it
    b: float = 0.0  # stiffness, as the loud partials of the sustain have it
    b_doubt: float = 0.0  # how far off that may be, as all of them have it

    @property
    def in_sustain(self) -> NDArray[np.bool_]:
        """Which frames of the contour lie in the sustain."""
        if self.contour is None:
            return np.zeros(0, dtype=bool)
        t_s = self.contour.t_s
        return (t_s >= self.sustain_first_s) & (t_s <= self.sustain_last_s)

    def cents_between(self, first_s: float, last_s: float) -> float:
        """The mean pitch between two moments, in the cents of the line."""
        t_s = self.contour.t_s if self.contour is not None else np.zeros(0)
        return float(self.cents[(t_s >= first_s) & (t_s <= last_s)].mean())

    def swinging(self, usual_hz: float | None = None) -> Vibrato | None:
        """The vibrato in the sustain, if any; ``usual_hz`` is the part's usual rate."""
        inside = self.in_sustain
        if self.contour is None or inside.sum() < SUSTAIN_LEAST_FRAMES:
            return None
        t_s, cents = self.contour.t_s[inside], self.cents[inside]
        return find_vibrato(t_s, cents, self.contour.window_s, usual_hz)


def note_line(span: NoteSpan, stiffness: Stiffness, phases: Phases | None = None) -> NoteLine:
    """Follow one note, whose string is known to be so stiff, and lay the windows over it.

    phases : of its partials, where they have been followed for a B near by
    """
    note = span.note
    followed = _followed(span, stiffness.b, phases)
    contour = None if followed is None else followed[1]
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
        b=stiffness.b,
        b_doubt=stiffness.known_sd,
    )
    if contour is not None:
        window_s = line.sustain_first_s, line.sustain_last_s
        first_s, last_s = settled_span(contour.t_s, line.cents, window_s)
        settled = (first_s, last_s) != window_s
        line = replace(line, sustain_first_s=first_s, sustain_last_s=last_s, settled=settled)
    if followed is None or line.in_sustain.sum() < SUSTAIN_LEAST_FRAMES:
        return line
    first_s, last_s = line.sustain_first_s, line.sustain_last_s
    middle_s, half_s = (first_s + last_s) / 2, min(_PARTIALS_S, last_s - first_s) / 2
    partials_s = middle_s - half_s, middle_s + half_s
    vibrato, partials = line.swinging(), partials_along(*followed, partials_s)
    b_doubt = line.b_doubt
    if partials is not None and stiffness.b_sd is None and b_doubt > 0.0:
        b_doubt = _left_of_b(b_doubt, stiffness.b, partials)
    line = replace(
        line,
        vibrato=vibrato,
        even=even_line(*followed, (first_s, last_s), b_doubt) if not vibrato else None,
        partials=partials,
        partials_s=partials_s,
        b_doubt=b_doubt,
    )
    if span.swells or stiffness.b_sd is not None or (line.even and not line.even.drifts):
        return line
    return _by_loud_ones(line, followed[1])


def _by_loud_ones(line: NoteLine, contour: Contour) -> NoteLine:
    """A string's line, where its loud partials put it, or what they say against a B told."""
    if line.partials is None:
        return line
    off_cents = contour.apart_cents[line.partials.numbers - 1][:, line.in_sustain].mean(axis=1)
    first_cents, b_off = by_loud_ones(line.partials, off_cents, line.b)
    if line.b > 0.0:
        return replace(line, loud_off_cents=first_cents)
    if first_cents == 0.0:
        return line
    contour = replace(contour, f1_hz=contour.f1_hz * 2.0 ** (first_cents / 1200.0))
    cents = line.cents + first_cents
    b = max(b_off, 0.0)
    return replace(
        line, contour=contour, cents=cents, even=None, b=b, b_doubt=float(np.hypot(line.b_doubt, b))
    )


def _left_of_b(doubt: float, b: float, partials: FoundPartials) -> float:
    """How far off a B borrowed or guessed may still be, once partials of the sustain are heard.

    Were it another, the high ones would lie off by the square of their numbers.
    """
    fit = tied(partials, KnownB(b=b, asked=True))
    if fit.b_sd is None:
        return doubt
    variance = 1.0 / (doubt**-2 + fit.b_sd**-2)
    return float(np.hypot((fit.b - b) * variance / fit.b_sd**2, np.sqrt(variance)))


def _followed(span: NoteSpan, b: float, phases: Phases | None) -> tuple[Phases, Contour] | None:
    """The partials of a note and the pitch that they share; None where it is too short.

    The period of a stiff string is sharp while its high partials last. Where these turn against it
    within a window, what dies away there leans, and neighbours leak in at other rates than they
    turn: they are followed once more, along their own pitch.
    """
    if phases is None:
        phases = partial_phases(span.samples, span.sr, span.prior_hz / np.sqrt(1.0 + b), b=b)
    else:
        phases = phases.lowest(MOST_PARTIALS).at_stiffness(b)
    first = _from_the_start(span, phases)
    if first is None or span.swells or not _turns_off(*first):
        return first
    contour = first[1]
    at_s = np.arange(len(span.samples)) / span.sr + span.late_s
    prior_hz = parabola_law(contour.t_s, contour.f1_hz / np.sqrt(1.0 + b), at_s)
    return _from_the_start(span, partial_phases(span.samples, span.sr, prior_hz, b=b))


def _from_the_start(span: NoteSpan, phases: Phases | None) -> tuple[Phases, Contour] | None:
    """Phases with their contour, in seconds from the start of the note."""
    if phases is None:
        return None
    # On a slide a half of a sample's time is heard of in 60 dB.
    phases = replace(phases, t_s=phases.t_s + span.late_s)
    return phases, contour_of(phases)


def _turns_off(phases: Phases, contour: Contour) -> bool:
    """Whether the highest partial turns against its prior in a window, or that spreads, too far."""
    hop_s = phases.t_s[1] - phases.t_s[0]
    off_hz = contour.f1_hz / np.sqrt(1.0 + phases.b) - np.diff(phases.turns) / hop_s
    a_window = float(phases.ratios[-1]) * phases.window_s
    far = abs(float(middle_of(off_hz))) * a_window > _MOST_TURN
    return far or spread_of(off_hz) * a_window > _MOST_TURNS_SPREAD


def _sounding_s(span: NoteSpan, contour: Contour | None) -> float:
    """How long a note sounds before its string is stopped; what is driven ends where it ends."""
    whole_s = span.note.length_s
    if contour is None or span.swells:
        return whole_s
    stop = stopped_frame(contour.level_db, FOLLOW_HOP_S)
    return float(contour.t_s[stop]) if stop < len(contour.t_s) else whole_s


# ---------------------------------------------------------------- loud partials

# An amplifier driven hard adds sums and differences of partials. They lie near whole multiples,
# outnumber the string's own and agree with each other, so that a pitch, and a stiffness of next
# to nothing, on which most partials agree is 3 to 5 cents sharp of the first one. What is added
# turns a partial by as much as that is weak: the loud ones still say what the string does.

_LEAST_PARTIALS = 4  # two unknowns, and as many partials that may contradict
# Chosen: those that the ear follows. Above, an amplifier's own are mostly the louder ones.
_MOST_PARTIALS = 6
_STIFFEST_B = 2e-3  # twice what strings of guitars and basses reach high up
_NOTHING = 1e-12  # cents squared


def by_loud_ones(found: FoundPartials, off_cents: Floats, b: float) -> tuple[float, float]:
    """How far the first partial lies from a pitch, cents, and how far B from the one held.

    Each partial counts by its power, as far as noise leaves it exact, and as many count as their
    powers are worth (L. Kish's effective number). Another B than the one held moves the log of
    partial n by n^2 / (2 (1 + B n^2)) times as much more than that of f0. What could be their
    scatter is left out (W. James and C. Stein, "Estimation with quadratic loss", Proc. 4th Berkeley
    Symp. 1961, with the positive part), and all of it where too few are heard, or no string is as
    stiff.

    found : (k,) partials, with their numbers and amplitudes
    off_cents : (k,) how far each lies from the series of the pitch asked about
    b : stiffness of that series
    """
    low = found.numbers <= _MOST_PARTIALS
    if low.sum() < _LEAST_PARTIALS:
        return 0.0, 0.0
    square, off_cents = found.numbers[low].astype(float) ** 2, off_cents[low]
    lever = square / (1.0 + b * square) - 1.0 / (1.0 + b)
    share = found.amplitudes[low] ** 2
    share /= share.sum()
    _, _, left, _ = _line(lever, off_cents, share)
    own = LN_CENTS**2 * found.variance[low] / found.f_hz[low] ** 2
    freedom = 1.0 / float(share @ share) - 2.0
    if freedom <= 0.0:
        return 0.0, 0.0
    turned = float(share @ left**2) / freedom
    first, bends, _, variance = _line(lever, off_cents, 1.0 / (own + turned / share))
    b_off = 2.0 * bends / LN_CENTS
    if not 0.0 < b + b_off < _STIFFEST_B:
        return 0.0, 0.0
    kept = max(0.0, 1.0 - variance / max(first**2, _NOTHING))
    return kept * first, kept * b_off


def _line(x: Floats, y: Floats, weight: Floats) -> tuple[float, float, Floats, float]:
    """Weighted least squares: value at 0, slope, what is left; with true weights, its variance."""
    total = float(weight.sum())
    middle = float(weight @ x) / total
    apart, level = x - middle, float(weight @ y) / total
    spread = float(weight @ apart**2)
    slope = float((weight * apart) @ y) / spread
    return (
        level - slope * middle,
        slope,
        y - level - slope * apart,
        1.0 / total + middle**2 / spread,
    )
