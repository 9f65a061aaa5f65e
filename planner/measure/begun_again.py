"""Does a note begin again inside its sustain: two notes of one pitch that were taken for one?

Where the segmenter sees one note, its sustain is the mean over all of it. A dip of the level that
the pitch's own swing does not explain, partials that part for a moment, or a vibrato that does not
go on as it began, may still be a new bow, syllable or stroke, and so may a step of the pitch at
which partials part a little, since a room fills the dip between two notes; then the note's own
sustain is what lies before. How far that lies from the mean over all is how far the sustain may be
off: it belongs into the uncertainty, and a note that would be cents off is not firm.
"""

import numpy as np
from numpy.typing import NDArray

from planner.measure.contour import FOLLOW_HOP_S, Contour
from planner.measure.vibrato import Vibrato, around_a_line
from planner.model import Floats
from planner.segment.dips import level_dips, unexplained_dips
from planner.words.spread import evenly, middle_of

# Checked on random sessions (`tests/bench/calibration.py`): of 5227 firm notes of 36 seeds, 17 were
# two notes of one pitch more than 2.6 cents off; these find 15 of them.
_DIP_DB = 2.0  # that the pitch does not explain
_OVER_SCATTER = 2.5  # times what pitch and slow swells leave unexplained around it
_PARTING_TIMES, _PARTING_CENTS = 6.0, 0.5  # partials part: over their usual scatter, and at least
_SWING_LEFT = 0.6  # of a vibrato's crest: more, and what was found goes through a part of the note
_WITHOUT_A_SIGN = 0.2  # of a sustain: nearer its ends only a dip says that a note began again
_LEAST_FRAMES = 6  # on either side; a border blurs as many
# Of 23 driven notes of seeds 45200-45225 whose sustain was off by more than 2.5 times its doubt
# because the next one of their pitch was taken for a part of them, 12 show a step at which partials
# part so; of the others 8 in a hundred, most of them by less than their doubt.
_STEP_CENTS = 4.0  # players mean two notes to be one pitch, and miss it by as much
_STEP_OVER_REST = 5.0  # power of the step over what it leaves, of frames that say something new
_FRAMES_THAT_SAY_ONE = 7  # 0.035 s: a voice or bow wavers by up to 15 Hz
_STEP_PARTS = 2.0  # times their usual scatter, as far as a border blurs


def begun_again_cents(
    contour: Contour,
    inside: NDArray[np.bool_],
    cents: Floats,
    vibrato: Vibrato | None = None,
    *,
    swells: bool = True,
) -> float:
    """How far the mean over a sustain lies from that up to where the note may begin again, cents.

    contour : of the whole note
    inside : which of its frames lie in the sustain
    cents : (k,) of these frames, vibrato taken out
    vibrato : what was taken out
    swells : whether it is driven; the pitch of a string falls along a curve that no line explains
    """
    first = int(np.argmax(inside))
    breaks = [at - first for at in (*_dips(contour), *_partings(contour, inside))]
    within = [at for at in breaks if _LEAST_FRAMES <= at < len(cents) - _LEAST_FRAMES]
    mean = float(cents.mean())
    step = _step(cents, contour.sd_cents[inside]) if swells else None
    if step is not None:
        within.append(step)
    if vibrato is not None and around_a_line(cents) > _SWING_LEFT * vibrato.half_cents:
        edge = max(_LEAST_FRAMES, round(_WITHOUT_A_SIGN * len(cents)))
        within += range(edge, len(cents) - edge)
    return max((abs(float(cents[: at - 3].mean()) - mean) for at in within), default=0.0)


def _dips(contour: Contour) -> list[int]:
    """Frames where the level dips more than the pitch explains."""
    dips, _ = level_dips(contour.level_db, FOLLOW_HOP_S)
    if len(dips) == 0:
        return []
    swing = 12.0 * np.log2(contour.f1_hz / np.exp(np.mean(np.log(contour.f1_hz))))
    left_db, scatters = unexplained_dips(contour.level_db, swing, dips, FOLLOW_HOP_S)
    return [int(dip) for dip in dips[(left_db > _DIP_DB) & (scatters > _OVER_SCATTER)]]


def _step(cents: Floats, apart: Floats) -> int | None:
    """The frame at which the line steps, and partials part; None where none stands out.

    A step on a line that may slope, by least squares, at the frame where it explains most. A line
    that only bends explains as much of a note that comes to its pitch by and by, as a trumpet's.
    """
    count = len(cents)
    edge = max(2 * _LEAST_FRAMES, count // 7)
    if count < 3 * edge:
        return None
    place = evenly(count)
    spread = float(place @ place)
    rest = cents - cents.mean() - place * float(place @ cents) / spread
    after = count - np.arange(count)
    onto, onto_place = _later(rest), _later(place)
    # Of the step that is 1 from a frame on, what neither a level nor a slope explains.
    own = after - after**2 / count - onto_place**2 / spread
    inner = slice(edge, count - edge)
    explained = onto[inner] ** 2 / own[inner]
    at = edge + int(explained.argmax())
    left = (float(rest @ rest) - float(explained.max())) / count
    if explained.max() < _STEP_OVER_REST * _FRAMES_THAT_SAY_ONE * left:
        return None
    # Likewise of the line that is 0 up to a frame, and rises by 1 a frame from there on.
    onto_bend, place_bend = _later(onto) - onto, _later(onto_place) - onto_place
    total, size = after * (after - 1) / 2, after * (after - 1) * (2 * after - 1) / 6
    own_bend = size - total**2 / count - place_bend**2 / spread
    if float((onto_bend[2:-2] ** 2 / own_bend[2:-2]).max()) >= explained.max():
        return None
    near = apart[at - _LEAST_FRAMES : at + _LEAST_FRAMES + 1]
    parts = float(near.max()) > _STEP_PARTS * float(middle_of(apart))
    return at if parts and abs(onto[at] / own[at]) > _STEP_CENTS else None


def _later(values: Floats) -> Floats:
    """The sum of the values from each frame on."""
    summed: Floats = np.cumsum(values[::-1])[::-1]
    return summed


def _partings(contour: Contour, inside: NDArray[np.bool_]) -> list[int]:
    """Frames where partials that agree before and after do not."""
    apart = contour.sd_cents
    usual = float(middle_of(apart[inside]))
    over = apart > max(_PARTING_TIMES * usual, _PARTING_CENTS)
    top = over[1:-1] & (apart[1:-1] >= apart[:-2]) & (apart[1:-1] >= apart[2:])
    return [int(at) + 1 for at in np.flatnonzero(top)]
