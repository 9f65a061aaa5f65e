"""Sounds whose pitch is known exactly, because it was written down before they were made.

A `Sound` carries its samples and, for each note in it, the frequency of the first partial at every
sample: ``f1 = f0 sqrt(1 + B)``. The truth about onset, sustain and end follows from that line;
nothing is ever measured.

Times are in seconds and samples at `SR`; pitch is in Hz, errors and movements in cents, plus is
sharp. Every function that uses chance takes the generator it draws from.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.model import Floats

SR = 48_000

_TOP_HZ = 12_000.0  # chosen: partials above are too weak to hear in what is made here
_FAINT = 10.0 ** (-74.0 / 20.0)  # chosen: a partial this far below the loudest is not computed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedNote:
    """The true pitch line of one note; it lasts as long as its line."""

    start_smp: int  # from the sound's own start
    f1_hz: Floats  # (n,) the first partial, sample by sample
    centre_hz: Floats  # (n,) the same with the vibrato taken out
    vibrato_hz: float | None = None

    @property
    def start_s(self) -> float:
        return self.start_smp / SR

    @property
    def length_s(self) -> float:
        return len(self.f1_hz) / SR


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """Samples and the notes in them; the samples may ring on after the last note's end."""

    samples: Floats
    notes: tuple[PlayedNote, ...] = ()
    lead_smp: int = 0  # how much of the samples comes before the sound's start: a consonant


def at(sound: Sound, start_smp: int) -> tuple[PlayedNote, ...]:
    """Give the notes of a sound as they stand once it is placed at a sample of a stem."""
    return tuple(replace(n, start_smp=n.start_smp + start_smp) for n in sound.notes)


def mix(sounds: Sequence[tuple[float, Sound]], length_s: float) -> Sound:
    """Lay sounds into one stem of a given length, each at its start in seconds."""
    samples = np.zeros(round(length_s * SR))
    notes: list[PlayedNote] = []
    for start_s, sound in sounds:
        start = round(start_s * SR)
        first = max(start - sound.lead_smp, 0)
        piece = sound.samples[first - start + sound.lead_smp :][: max(len(samples) - first, 0)]
        samples[first : first + len(piece)] += piece
        notes.extend(at(sound, start))
    notes.sort(key=lambda n: (n.start_smp, n.centre_hz[0]))
    return Sound(samples=samples, notes=tuple(notes))


# ------------------------------------------------------------------ strings left to themselves


@dataclass(frozen=True, slots=True, kw_only=True)
class StringSound:
    """How a plucked string sounds; the defaults are a steel-string guitar's middle strings."""

    b: float = 8e-5  # stiffness; B of plain and wound guitar strings: 2e-5 to 6e-4 (measured sets)
    pick_at: float = 0.18  # share of the string between bridge and pick
    brightness: float = 1.0  # partial n starts at 1 / n ** (2 - brightness) of the comb
    decay_s: float = 1.4  # amplitude time constant of the first partial
    decay_tilt: float = 0.25  # partial n decays (1 + tilt (n - 1)) times as fast
    sharp_at_onset_cents: float = 8.0  # how far tension raises the pitch at the pluck
    settle_s: float = 0.12  # its time constant: half of the amplitude's for pure tension rise
    attack_s: float = 0.003
    attack_noise_db: float = -26.0  # peak of the pick's noise against the string
    damp_s: float = 0.025  # time constant once the note is stopped


def plucked(
    f1_hz: float,
    length_s: float,
    string: StringSound,
    rng: np.random.Generator,
    *,
    level: float = 1.0,
) -> Sound:
    """Pluck a stiff string that settles at a given first partial, and stop it after a while.

    Partials ``n f0 sqrt(1 + B n^2)`` (H. Fletcher, E. D. Blackham and R. Stratton, J. Acoust. Soc.
    Am. 34, 1962, 749); the pluck point leaves out partials by ``sin(pi n p)``; tension follows the
    square of amplitude, so pitch starts sharp and relaxes exponentially (K. A. Legge and
    N. H. Fletcher, J. Acoust. Soc. Am. 76, 1984, 5).
    """
    held = round(length_s * SR)
    total = held + round(6.0 * string.damp_s * SR)
    t = np.arange(total) / SR
    line = f1_hz * 2.0 ** (string.sharp_at_onset_cents * np.exp(-t / string.settle_s) / 1200.0)
    n = np.arange(1, 60)
    amplitudes = np.sin(np.pi * n * string.pick_at) / n ** (2.0 - string.brightness)
    decays_s = string.decay_s / (1.0 + string.decay_tilt * (n - 1))
    samples = _partials(line, string.b, amplitudes, decays_s, rng)
    samples *= _stopped(t, held, string.damp_s) * _rise(t, string.attack_s)
    samples *= level / (np.abs(samples).max() + 1e-12)
    samples += _knock(total, 0.004, 1500.0, rng) * level * 10.0 ** (string.attack_noise_db / 20)
    held_line = line[:held]
    return Sound(
        samples=samples, notes=(PlayedNote(start_smp=0, f1_hz=held_line, centre_hz=held_line),)
    )


def strummed(sounds: Sequence[Sound], apart_s: float) -> Sound:
    """Sound several strings one after the other, a few milliseconds apart."""
    starts = [k * apart_s for k in range(len(sounds))]
    length_s = max(s + len(x.samples) / SR for s, x in zip(starts, sounds, strict=True))
    return mix(list(zip(starts, sounds, strict=True)), length_s + 1.0 / SR)


@dataclass(frozen=True, slots=True, kw_only=True)
class PianoSound:
    """How a piano sounds; B and decay follow the key."""

    b_factor: float = 1.0  # against the compass of `piano_b`
    hardness: float = 1.0  # of the hammer: how slowly the partials fall off
    strings_apart_cents: float = 0.25  # second string against the first; 0 for one string
    decay_factor: float = 1.0
    knock_db: float = -30.0


def piano_b(midi: float) -> float:
    """Give the stiffness B of a key of a typical piano.

    Source: F. Rigaud, B. David and L. Daudet, "A parametric model of piano tuning", DAFx 2011:
    ``exp(0.0926 m - 13.64) + exp(-0.0847 m - 5.82)``.
    """
    return float(np.exp(0.0926 * midi - 13.64) + np.exp(-0.0847 * midi - 5.82))


def struck(
    f1_hz: float,
    midi: int,
    length_s: float,
    piano: PianoSound,
    rng: np.random.Generator,
    *,
    level: float = 1.0,
) -> Sound:
    """Play one piano key: two strings a hair apart, a fast and a slow decay, felt on release.

    The true pitch is the mean of the two strings, which is where the note stands as they beat.
    Double decay: G. Weinreich, J. Acoust. Soc. Am. 62 (1977) 1474.
    """
    b = piano_b(midi) * piano.b_factor
    held = round(length_s * SR)
    total = held + round(0.35 * SR)
    t = np.arange(total) / SR
    n = np.arange(1, 40)
    amplitudes = np.exp(-0.28 * (n - 1) / piano.hardness * (f1_hz / 260.0) ** 0.45)
    amplitudes *= np.abs(np.sin(np.pi * n / 8.3)) + 0.06  # hammer at about an eighth of the string
    slow_s = piano.decay_factor * 5.0 * 2.0 ** (-(midi - 48) / 16.0)
    decays_s = slow_s / (1.0 + 0.18 * (n - 1))
    spread = 2.0 ** (0.5 * piano.strings_apart_cents / 1200.0)
    pitches = (f1_hz,) if piano.strings_apart_cents == 0 else (f1_hz * spread, f1_hz / spread)
    samples = np.zeros(total)
    for pitch_hz in pitches:
        phases = np.random.default_rng(midi)  # one blow sets both strings off together
        samples += _steady_partials(total, pitch_hz, b, amplitudes, decays_s, phases)
    samples *= 0.7 * np.exp(-t / (0.12 * slow_s)) + 0.3
    samples *= _stopped(t, held, 0.06) * _rise(t, 0.002)
    samples *= level / (np.abs(samples).max() + 1e-12)
    samples += _knock(total, 0.012, 400.0, rng) * level * 10.0 ** (piano.knock_db / 20)
    line = np.full(held, f1_hz)
    return Sound(samples=samples, notes=(PlayedNote(start_smp=0, f1_hz=line, centre_hz=line),))


def _partials(
    f1_hz: Floats, b: float, amplitudes: Floats, decays_s: Floats, rng: np.random.Generator
) -> Floats:
    """Sum stiff partials along a pitch line, each dropped once it has faded."""
    turns = np.concatenate([[0.0], np.cumsum(f1_hz[:-1])]) / SR
    t = (np.arange(len(f1_hz)) / SR).astype(np.float32)
    samples: Floats = np.zeros(len(f1_hz))
    loudest = float(np.abs(amplitudes).max())
    for n, (amplitude, decay_s) in enumerate(zip(amplitudes, decays_s, strict=True), start=1):
        start = float(rng.uniform(0.0, 1.0))
        ratio = float(n * np.sqrt((1.0 + b * n * n) / (1.0 + b)))
        if ratio * f1_hz[0] > _TOP_HZ or abs(amplitude) < _FAINT * loudest:
            continue
        lasts_s = decay_s * np.log(abs(amplitude) / (_FAINT * loudest))
        k = min(len(samples), int(lasts_s * SR) + 1)
        decay = np.exp(t[:k] * np.float32(-1.0 / decay_s))
        samples[:k] += amplitude * (decay * cosine(ratio * turns[:k] + start))
    return samples


def cosine(turns: Floats) -> Floats:
    """Cosine of a phase counted in turns; single precision after whole turns are taken off.

    The phase keeps its double precision, so pitch stays exact; what is left is noise at -130 dB.
    """
    part = (turns - np.floor(turns)).astype(np.float32)
    wave: Floats = np.cos(part * np.float32(2.0 * np.pi))
    return wave


def _steady_partials(
    total: int,
    f1_hz: float,
    b: float,
    amplitudes: Floats,
    decays_s: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Sum stiff partials of one unmoving pitch.

    A decaying sine is a power of one complex number, and ``z^(block k + i)`` is a product, so all
    partials together are one product of two matrices: the same sum, many times as quick.
    """
    block = 1024
    n = np.arange(1, len(amplitudes) + 1)
    start = rng.uniform(0.0, 2.0 * np.pi, len(n))
    hz = f1_hz * n * np.sqrt((1.0 + b * n * n) / (1.0 + b))
    kept = (hz <= _TOP_HZ) & (np.abs(amplitudes) >= _FAINT * np.abs(amplitudes).max())
    rate = (-1.0 / decays_s[kept] + 2j * np.pi * hz[kept]) / SR
    across = amplitudes[kept] * np.exp(1j * start[kept])
    blocks = np.exp(np.outer(np.arange(-(-total // block)) * block, rate)) * across
    within = np.exp(np.outer(rate, np.arange(block)))
    summed: Floats = blocks.real @ within.real - blocks.imag @ within.imag
    return summed.ravel()[:total]


def _rise(t: Floats, attack_s: float) -> Floats:
    rise: Floats = np.sin(0.5 * np.pi * np.clip(t / attack_s, 0.0, 1.0)) ** 2
    return rise


def _stopped(t: Floats, held: int, damp_s: float) -> Floats:
    """1 while the note is held, an exponential fall after, and 0 at the last sample."""
    after = np.clip(t - held / SR, 0.0, None)
    fade = np.ones(len(t))
    tail = min(len(t), 240)
    fade[-tail:] = np.linspace(1.0, 0.0, tail)
    stopped: Floats = np.exp(-after / damp_s) * fade
    return stopped


def _knock(total: int, decay_s: float, centre_hz: float, rng: np.random.Generator) -> Floats:
    """A short noise burst with its weight around a frequency, peak 1."""
    n = min(total, round(8.0 * decay_s * SR))
    noise = band_noise(n, (0.4 * centre_hz, 3.0 * centre_hz), rng)
    noise *= np.exp(-np.arange(n) / SR / decay_s)
    burst = np.zeros(total)
    burst[:n] = noise / (np.abs(noise).max() + 1e-12)
    return burst


def band_noise(n: int, band_hz: tuple[float, float], rng: np.random.Generator) -> Floats:
    """Gaussian noise between two frequencies, with soft edges, RMS 1."""
    size = quick_size(max(n, 256))
    spectrum = np.fft.rfft(rng.standard_normal(size))
    f = np.fft.rfftfreq(size, 1.0 / SR) + 1e-9
    spectrum /= np.sqrt((1.0 + (band_hz[0] / f) ** 4) * (1.0 + (f / band_hz[1]) ** 4))
    noise = np.fft.irfft(spectrum, size)[:n]
    normed: Floats = noise / (np.sqrt(np.mean(noise**2)) + 1e-12)
    return normed


def quick_size(n: int) -> int:
    """Give a length of at least n that the transform is quick for: 1, 3 or 5 times a power of 2."""
    return min(k << max((-(-n // k) - 1).bit_length(), 0) for k in (1, 3, 5))
