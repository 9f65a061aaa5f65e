"""How loud does one stem leak into another, through open doors or one room's air?

Sound that leaks keeps the phase of its source, delayed by the way it takes: at one frequency the
phase between the two stems is the same whenever the source sounds. Two players on the same note
share no phase, however well they play together. So the gain of a path is taken from the part of the
cross-spectrum that stays alike from one stretch of the song to the next (the H1 estimate of a
transfer function: Bendat and Piersol, "Random Data", chapter 6; from memory), and what the other
stem plays itself averages out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.leaks.spectra import HOP_S, Spectra
from planner.model import Floats

# Within a stretch two held notes may share a phase by chance; between stretches they do not.
_STRETCH_FRAMES = round(2.0 / HOP_S)
_MOST_STRETCHES = 60  # chosen: two minutes, taken evenly from the song, are enough
# Cells where the source is less than 6 dB over the other stem: there the other may leak into it.
_OVER_OTHER = 4.0
_BANDS_HZ = (62.5, 125.0, 250.0, 500.0, 1000.0)  # octaves, by their lower edges
_NEIGHBOURS = 2.0  # bins of a Hann window that share their noise
# Standard deviations of chance. Two keyboards on one short tune come to 3.2 in 240 cases, parts of
# random sessions to 3.1 in 200 (`python -m tests.bench.bleed --paths-only --seeds 31 40`).
_SURE = 5.0
_SURE_IN_A_ROOM = 3.0  # chosen: of two stems that share the air of a room with any, both hear both
_SURE_OF_BAND = 3.0
# Chosen: a path this strong is another microphone of one source, which `linked` is for.
_ONE_SOURCE_DB = -8.0
# What leaks comes later than in its own stem: a room's microphone that is louder than the close
# ones holds them, not they it. How much later is known to about a millisecond, one standard
# deviation (paths of -20 dB without any way between, random sessions 31 to 35); chosen: twice that.
_AHEAD_S = 0.002
# In a room's sound the power of a path at one frequency is distributed exponentially about its mean
# (M. Schroeder, "Die statistischen Parameter der Frequenzkurven von grossen Räumen", 1954; memory).
_FAINTEST = 0.1  # chosen: a tenth of the cells, enough of them to be a level
_FAINTEST_POWER = -float(np.log1p(-_FAINTEST))  # of the mean: no more is in that tenth
_LOUD_CELL = 0.01  # of its frame's loudest: cells that no window's skirt reaches
_SOUNDING = 1e-4  # of a stem's mean power in a frame: no gate is shut
_FAINT_GAIN = 1e-6  # -60 dB: what is weaker moves no reading by a hundredth of a cent
_FAINT_CELL = 1e-8  # of a stem's mean power in a bin: silence
_TINY = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedPath:
    """How one stem is heard in another."""

    source: str
    into: str
    power_gain: tuple[float, ...]  # for each of the octaves from 62.5 Hz up
    gain_db: float  # of all octaves together, by the source's power


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leaking:
    """How stems leak into each other, as far as their sound tells it."""

    spectra: Mapping[str, Spectra]  # by stem code, of the files that start together
    paths: tuple[BleedPath, ...]
    only_bleed: frozenset[str] = frozenset()  # codes of stems in which nothing is played

    def into(self, code: str) -> tuple[BleedPath, ...]:
        """The paths that lead into a stem."""
        return tuple(path for path in self.paths if path.into == code)


_NONE: Mapping[str, Any] = MappingProxyType({})
NOTHING_LEAKS = Leaking(spectra=_NONE, paths=())


def how_stems_leak(spectra: Mapping[str, Spectra], shifts: Mapping[str, float] = _NONE) -> Leaking:
    """Find how stems leak into each other, other microphones of one source left out.

    spectra : by stem code
    shifts : by stem code, seconds from each file's clock to the session's; paths are looked for
        between the files that start together, as most do
    """
    starts = [round(shifts.get(code, 0.0), 4) for code in spectra]
    usual = max(sorted(set(starts)), key=starts.count, default=0.0)
    pairs = zip(spectra.items(), starts, strict=True)
    together = {code: one for (code, one), start in pairs if start == usual}
    paths = tuple(path for path in find_paths(together) if path.gain_db < _ONE_SOURCE_DB)
    return Leaking(spectra=together, paths=paths)


def find_paths(spectra: Mapping[str, Spectra]) -> tuple[BleedPath, ...]:
    """Find which stem is heard in which other, and how loud.

    spectra : by stem code, of files that start together

    Returns paths by source, then the stem they lead into; only those that are there beyond chance.
    """
    found = {
        (source, into): path_between(spectra[source], spectra[into])
        for source in sorted(spectra)
        for into in sorted(spectra)
        if source != into
    }
    room = {code for pair, (_, sure) in found.items() if sure > _SURE for code in pair}
    paths = []
    for (source, into), (gains, sure) in found.items():
        least = _SURE_IN_A_ROOM if {source, into} <= room else _SURE
        if sure > least and gains[0] > _FAINT_GAIN:
            gain_db = float(10.0 * np.log10(gains[0]))
            paths.append(BleedPath(source=source, into=into, power_gain=gains[1:], gain_db=gain_db))
    return tuple(paths)


def octave_of_bins(spectra: Spectra) -> NDArray[np.intp]:
    """For every bin, which of a path's gains is its own."""
    f_hz = (np.arange(spectra.parts.shape[1]) + spectra.first_bin) * spectra.bin_hz
    place: NDArray[np.intp] = np.searchsorted(_BANDS_HZ, f_hz, side="right") - 1
    return np.maximum(place, 0)


def path_between(there: Spectra, here: Spectra) -> tuple[tuple[float, ...], float]:
    """Power gains from one stem into another, and how sure it is that any of it leaks.

    Returns
    -------
    gains : of all octaves together, then of each
    sure : standard deviations of chance; 0 where the files are too short to tell, or where what
        both share comes first to where it would leak
    """
    frames = _some_frames(min(len(there.parts), len(here.parts)))
    if len(frames) < 2 * _STRETCH_FRAMES:
        return (), 0.0
    s, r = there.at(frames), here.at(frames)
    power = np.abs(s) ** 2
    heard = np.abs(r) ** 2
    use = (power > _OVER_OTHER * heard) & (power > _FAINT_CELL * power.mean())
    in_frame = heard.sum(axis=1, keepdims=True)
    use &= in_frame > _FAINT_CELL * in_frame.mean()
    borders = np.arange(0, len(frames), _STRETCH_FRAMES)
    product = np.where(use, r * np.conj(s), 0)
    # What the stem plays itself is noise here. Whether anything leaks is told by its phases alone,
    # each as loud as the source is there, and not as that noise.
    phases = _summed(product / np.maximum(np.abs(r), _TINY), borders)
    if _later_s(phases, there.bin_hz) < -_AHEAD_S:
        return (), 0.0
    cross, own = _summed(product, borders), _summed(np.where(use, power, 0), borders)
    gains = [_gain(cross, own)]
    octave = octave_of_bins(there)
    for k in range(len(_BANDS_HZ)):
        inside = octave == k
        known = _sureness(cross[:, inside]) > _SURE_OF_BAND
        gains.append(_gain(cross[:, inside], own[:, inside]) if known else gains[0])
    loud = use & (power > _LOUD_CELL * power.max(axis=1, keepdims=True))
    loud &= in_frame > _SOUNDING * in_frame.mean()
    at_most = _at_most(heard[loud], (np.asarray(gains[1:])[octave] * power)[loud])
    return tuple(min(g * at_most, 1.0) for g in gains), _sureness(phases)


def _at_most(heard: Floats, told: Floats) -> float:
    """How much of what seems to leak does so whenever its source sounds, 1 at most.

    Two parts of a sampler on an exact grid share the phase of a partial each time both play it, as
    a leak does; but a leak is there, too, when the stem itself plays something else.

    heard, told : (cells,) where the source is loud and the stem sounds: power in the stem, and what
        the path says leaks into it
    """
    leaks = told > 0.0
    if not leaks.any():
        return 1.0
    faintest = float(np.quantile(heard[leaks] / told[leaks], _FAINTEST))
    return min(faintest / _FAINTEST_POWER, 1.0)


def _later_s(cross: NDArray[np.complex128], bin_hz: float) -> float:
    """How much later what two stems share is heard in the second: the group delay, s.

    Between neighbouring bins its phase turns by their distance times the delay; over pairs of
    different stretches.

    cross : (stretches, bins)
    """
    whole = cross.sum(axis=0)
    turned = np.vdot(whole[:-1], whole[1:]) - np.vdot(cross[:, :-1], cross[:, 1:])
    return -float(np.angle(turned)) / (2.0 * np.pi * bin_hz)


def _some_frames(count: int) -> NDArray[np.intp]:
    """Whole stretches, evenly from all of the song."""
    stretches = count // _STRETCH_FRAMES
    taken = np.unique(np.linspace(0, stretches - 1, min(stretches, _MOST_STRETCHES)).astype(int))
    frames = taken[:, None] * _STRETCH_FRAMES + np.arange(_STRETCH_FRAMES)
    return frames.ravel().astype(np.intp)


def _summed(cells: NDArray[Any], borders: NDArray[np.intp]) -> NDArray[np.complex128]:
    """Sums over the frames of each stretch, (stretches, bins)."""
    return np.add.reduceat(cells, borders, axis=0).astype(complex)


def _over_pairs(parts: NDArray[Any]) -> float:
    """Over pairs of different stretches only: what one stretch says of itself is left out.

    parts : (stretches, bins)
    """
    return float(np.sum(np.abs(parts.sum(axis=0)) ** 2 - np.sum(np.abs(parts) ** 2, axis=0)))


def _gain(cross: NDArray[np.complex128], own: NDArray[np.complex128]) -> float:
    """Power gain over some bins."""
    full = _over_pairs(own)
    return _over_pairs(cross) / full if full > 0.0 else 0.0


def _sureness(cross: NDArray[np.complex128]) -> float:
    """By how many standard deviations of chance something leaks."""
    sd = np.sqrt(_NEIGHBOURS * max(_over_pairs(np.abs(cross) ** 2), 0.0))
    return _over_pairs(cross) / float(sd) if sd > 0.0 else 0.0
