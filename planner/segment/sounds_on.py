"""Is a string struck again, or does it only get louder: a tremolo, a pedal, a pick on another one?

A stroke begins every partial anew, at a phase of its own. Where all partials arrive at the phase
that their frequency, measured before and after, says they must, the same sound goes on, whatever
its level does meanwhile.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats, PitchTrack, Stem
from planner.words.spread import hann

_WINDOW_S, _WINDOW_PERIODS = 0.040, 4.0  # as long as a partial needs to stand apart from the next
_BEFORE_S, _AFTER_S = 0.030, 0.020  # kept clear of the stroke itself, whose frame is some ms late
_STEP_S = 0.010  # between two looks, of which a frequency is made
_PARTIALS = 8  # chosen
_FAINT = 10.0 ** (-30.0 / 20.0)  # of the strongest: what is softer may be noise
# Of four phases at random the mean cosine passes 0.95 in one of 2000 cases (by drawing). But
# a string plucked at one place begins alike each time, so that phases differ by multiples of one
# angle: of 61 repeats of sampled strings (`tests.bench.rendered`, seeds 26 to 28) 2 pass, and 6
# pass 0.9; of a tremolo of 20 dB all at 4 Hz, three quarters at 6 Hz.
_LEAST_PARTIALS, _LEAST_COSINE = 4, 0.95
_SAME_SEMITONES = 0.3


def that_sound_on(stem: Stem, track: PitchTrack, struck: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell which frames at which a string seems struck only carry on what sounds.

    stem, track : the stem and its coarse pitch
    struck : frames of `planner.segment.attacks.attack_frames`

    Returns (n,) of the frames given; False where the pitch changes or too few partials can tell.
    """
    return np.array([_sounds_on(stem, track, int(frame)) for frame in struck], dtype=bool)


def _sounds_on(stem: Stem, track: PitchTrack, frame: int) -> bool:
    sr, at_s = stem.analysis_sr, frame * track.hop_s
    back, ahead = round(_BEFORE_S / track.hop_s), round(_AFTER_S / track.hop_s)
    around = track.f0_hz[max(frame - 2 * back, 0) : frame + 2 * ahead]
    if len(around) < 2 * (back + ahead) or np.isnan(around).any():
        return False
    before_hz, after_hz = float(np.median(around[:back])), float(np.median(around[-ahead:]))
    if abs(12.0 * np.log2(after_hz / before_hz)) > _SAME_SEMITONES:
        return False
    count = round(max(_WINDOW_S, _WINDOW_PERIODS / before_hz) * sr)
    step = round(_STEP_S * sr)
    first = round((at_s - _BEFORE_S) * sr) - count - step
    later = round((at_s + _AFTER_S) * sr)
    if first < 0 or later + step + count > len(stem.samples):
        return False
    f_hz = before_hz * np.arange(1, _PARTIALS + 1)
    f_hz = f_hz[f_hz < sr / 2.5]
    places = np.array([first, first + step, later, later + step])
    looks = _looks(stem.samples, places, count, f_hz, sr)
    loud = np.abs(looks).min(axis=0)
    heard = loud > _FAINT * np.abs(looks).max()
    if heard.sum() < _LEAST_PARTIALS:
        return False
    turns = np.angle(looks[:, heard])
    gap_s = (later - first) / sr
    nominal_hz = f_hz[heard]
    own = [nominal_hz + _wrapped(turns[k + 1] - turns[k]) / (2 * np.pi * _STEP_S) for k in (0, 2)]
    # `_looks` has taken the nominal frequency out: what is left turns by what lies beside it.
    expected = 2 * np.pi * ((own[0] + own[1]) / 2 - nominal_hz) * gap_s
    return bool(np.cos(turns[2] - turns[0] - expected).mean() > _LEAST_COSINE)


def _looks(
    samples: Floats, places: NDArray[np.intp], count: int, f_hz: Floats, sr: int
) -> NDArray[np.complex128]:
    """Amplitude and phase of some frequencies in windows, as if all began at sample 0: (k, n)."""
    taper = hann(count)
    looks = []
    for place in places:
        at = (place + np.arange(count)) / sr
        waves = np.exp(-2j * np.pi * f_hz * at[:, None])
        looks.append((samples[place : place + count] * taper) @ waves)
    return np.array(looks)


def _wrapped(turn: Floats) -> Floats:
    """An angle between minus and plus half a turn, radians."""
    return (turn + np.pi) % (2 * np.pi) - np.pi
