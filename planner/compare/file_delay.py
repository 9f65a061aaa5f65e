"""By how much is one file late against another, to a part of a sample; and moved back by it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.model import Floats
from planner.words.spread import weighted_middle

_ALIKE = 0.5  # chosen: under this share of common power nothing says where a bounce begins
_MOST_STEPS = 4  # chosen: one is usual
_LEAST_SHIFT_SMP = 0.001  # chosen: less moves nothing by -60 dB below 20 kHz at any usual rate
TAPS = 64  # either side; Kaiser beta 9: the stop band of such a filter lies 90 dB down
_KAISER_BETA = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """By how much a bounce is late, in samples; minus is early."""

    whole_smp: int
    part_smp: float = 0.0  # -0.5 to 0.5

    @property
    def late_smp(self) -> float:
        return self.whole_smp + self.part_smp


def find_delay(pairs: Sequence[tuple[Floats, Floats]]) -> Delay | None:
    """Find by how much one file is late against another.

    pairs : (x, y) windows of one channel: x (n,) of the original, y (n + 2 m,) of the bounce, which
        begins m samples before the place of x

    Returns the delay of the highest cross-correlation of all windows together, either polarity, and
    from there by the slope of the phases that both share; None where nothing is alike.
    """
    places = len(pairs[0][1]) - len(pairs[0][0]) + 1
    total, own, other = np.zeros(places), 0.0, np.zeros(places)
    for x, y in pairs:
        n = len(x) + len(y)
        both = np.fft.rfft(y, n) * np.conj(np.fft.rfft(x, n))
        total += np.fft.irfft(both, n)[:places]
        own += float(x @ x)
        power = np.concatenate([[0.0], np.cumsum(y * y)])
        other += power[len(x) :] - power[: -len(x)]
    # What lies at a place is held against its own power, so that no louder place wins.
    within = own * other
    least = 1e-6 * float(within.max())  # chosen: 60 dB under the loudest place nothing is alike
    alike = np.where(within > least, np.abs(total) / np.sqrt(np.maximum(within, 1e-30)), 0.0)
    best = int(np.argmax(alike))
    if own <= 0.0 or alike[best] < _ALIKE:
        return None
    # Where part of the sound was moved, the highest place may lie a sample beside that of the rest.
    for _ in range(_MOST_STEPS):
        part = _part_of_a_sample([(x, y[best : best + len(x)]) for x, y in pairs])
        if not (step := round(part)) or not 0 <= best + step < places:
            break
        best, part = best + step, part - step
    return Delay(whole_smp=best - (places - 1) // 2, part_smp=part)


def _part_of_a_sample(met: Sequence[tuple[Floats, Floats]]) -> float:
    """Read the rest of a delay off the phases: a line through zero, weighted by common power.

    The middle of all windows, since some may lie where the sound was changed.
    """
    parts, weights = [], []
    for x, y in met:
        window = np.hanning(len(x))
        both = np.fft.rfft(y * window) * np.conj(np.fft.rfft(x * window))
        weight = np.abs(both)
        f = np.arange(len(both)) / len(x)  # cycles a sample
        # Either polarity: the doubled phase does not know it.
        phase = 0.5 * np.angle(both * both)
        below = float((weight * f * f).sum())
        if below > 0.0:
            parts.append(-float((weight * f * phase).sum()) / (2.0 * np.pi * below))
            weights.append(below)
    part = weighted_middle(np.array(parts), np.array(weights)) if parts else 0.0
    return part if abs(part) >= _LEAST_SHIFT_SMP else 0.0


def earlier(y: Floats, part_smp: float, margin: int) -> Floats:
    """Move samples to an earlier place by a part of a sample; ``margin`` ones go at either end.

    y : (n + 2 margin, channels). A sinc cut short by a Kaiser window (Oppenheim and Schafer,
    Discrete-Time Signal Processing, section 7.5, from memory).
    """
    n = len(y) - 2 * margin
    if part_smp == 0.0:
        return y[margin : margin + n]
    taps = min(TAPS, margin)
    k = np.arange(-taps, taps + 1)
    kernel = np.sinc(k - part_smp) * np.kaiser(2 * taps + 1, _KAISER_BETA)
    done = [np.convolve(one, kernel[::-1], mode="same") for one in np.asarray(y, dtype=float).T]
    return np.stack(done, axis=1)[margin : margin + n]
