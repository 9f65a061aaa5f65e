"""Sung lines from a glottal source and a vocal tract, words and all, with exact truth.

Nothing here is a sum of partials: pulses of a glottis, no two alike, and its breath go through
resonances that move from vowel to vowel. The pulse is that of G. Fant, J. Liljencrants and Q. Lin,
"A four-parameter model of glottal flow", STL-QPSR 4, 1985, shaped by one number as G. Fant, "The
LF-model revisited", STL-QPSR 2-3, 1995; vowels are those of G. Peterson and H. Barney, "Control
methods used in a study of the vowels", J. Acoust. Soc. Am. 24, 1952, in a cascade as D. Klatt,
"Software for a cascade/parallel formant synthesizer", J. Acoust. Soc. Am. 67, 1980; a pitch goes to
the next as T. Saitou, M. Unoki and M. Akagi, "Development of an F0 control model", Speech
Communication 46, 2005, found of singers: a damped swing that overshoots. Figures are from memory;
how long consonants take, how deep a vibrato is and the like are common practice, no source.

A note begins where its voice does, and ends where the next consonant closes. Where the voice goes
on through the consonant, some who annotate put the border at the one end, some at the other: here
it is the middle. Under one vowel it is where the pitch is half-way.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import soxr
from numba import njit  # type: ignore[import-untyped,unused-ignore]
from scipy.signal import lfilter  # type: ignore[import-untyped,unused-ignore]

from planner.model import Floats
from tests.tones.melodies import SR as MELODY_SR
from tests.tones.melodies import Melody, MelodyNote
from tests.tones.truth import truth_windows

SR = 48_000
SINGERS: dict[str, tuple[int, int]] = {  # lowest and highest note
    "bass": (41, 62), "tenor": (48, 69), "alto": (55, 76), "soprano": (60, 84),
}  # fmt: skip
_MEN = ("bass", "tenor")
# First three resonances of ten vowels as men and women speak them, Hz.
_VOWELS_HZ = {
    True: ((270, 2290, 3010), (390, 1990, 2550), (530, 1840, 2480), (660, 1720, 2410),
           (730, 1090, 2440), (570, 840, 2410), (440, 1020, 2240), (300, 870, 2240)),
    False: ((310, 2790, 3310), (430, 2480, 3070), (610, 2330, 2990), (860, 2050, 2850),
            (850, 1220, 2810), (590, 920, 2710), (470, 1160, 2680), (370, 950, 2670)),
}  # fmt: skip
_UPPER_HZ = {True: (3300, 3750), False: (3900, 4700)}
_WIDTHS_HZ = np.array([70.0, 90.0, 130.0, 180.0, 250.0])
_NOTES = 40
_ROOM_S = 0.3  # a note has to have for a scoop, a fall or to be carried on
_ON_ITS_WAY = 0.25  # semitones: so far off what it holds, a pitch comes or goes
_CONTROL = 48  # samples from one shape of the tract to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Consonant:
    """What a syllable begins with."""

    kind: str
    length_s: tuple[float, float]
    voiced: float = 0.0  # share of the voice's amplitude that is left
    tract_hz: tuple[int, int, int] | None = None  # None: that of the vowel which follows
    noise_hz: int = 0  # where its hiss or burst lies, 0 of none
    noise_db: float = -18.0
    noise_s: float | None = None  # of a burst, None: all of it hisses
    breath_s: tuple[float, float] = (0.0, 0.0)  # from its release until the voice begins


CONSONANTS: dict[str, Consonant] = {
    "p": Consonant(kind="stop", length_s=(0.04, 0.09), noise_hz=900, noise_s=0.008,
                   breath_s=(0.01, 0.05)),
    "t": Consonant(kind="stop", length_s=(0.04, 0.09), noise_hz=4500, noise_s=0.012,
                   breath_s=(0.015, 0.06)),
    "k": Consonant(kind="stop", length_s=(0.04, 0.09), noise_hz=1900, noise_s=0.02,
                   breath_s=(0.02, 0.07)),
    "s": Consonant(kind="hiss", length_s=(0.07, 0.15), noise_hz=6000, noise_db=-14.0),
    "sh": Consonant(kind="hiss", length_s=(0.07, 0.15), noise_hz=3200, noise_db=-12.0),
    "f": Consonant(kind="hiss", length_s=(0.06, 0.12), noise_hz=5000, noise_db=-28.0),
    "h": Consonant(kind="breath", length_s=(0.0, 0.01), breath_s=(0.04, 0.08)),
    "?": Consonant(kind="glottis", length_s=(0.02, 0.06)),
    "b": Consonant(kind="voiced stop", length_s=(0.04, 0.08), voiced=0.3, noise_hz=900,
                   tract_hz=(150, 800, 2200), noise_db=-26.0, noise_s=0.006),
    "d": Consonant(kind="voiced stop", length_s=(0.03, 0.07), voiced=0.3, noise_hz=4500,
                   tract_hz=(150, 1700, 2600), noise_db=-26.0, noise_s=0.008),
    "m": Consonant(kind="nasal", length_s=(0.05, 0.1), voiced=0.6, tract_hz=(250, 1000, 2200)),
    "n": Consonant(kind="nasal", length_s=(0.05, 0.1), voiced=0.6, tract_hz=(250, 1500, 2500)),
    "l": Consonant(kind="liquid", length_s=(0.04, 0.08), voiced=0.7, tract_hz=(360, 1300, 2900)),
    "r": Consonant(kind="liquid", length_s=(0.04, 0.08), voiced=0.7, tract_hz=(310, 1060, 1400)),
    "w": Consonant(kind="glide", length_s=(0.04, 0.08), voiced=0.8, tract_hz=(290, 610, 2150)),
    "v": Consonant(kind="voiced hiss", length_s=(0.04, 0.08), voiced=0.4, noise_hz=5000,
                   noise_db=-30.0, tract_hz=(220, 1100, 2080)),
    "z": Consonant(kind="voiced hiss", length_s=(0.05, 0.09), voiced=0.35, noise_hz=6000,
                   noise_db=-20.0, tract_hz=(240, 1390, 2530)),
}  # fmt: skip
_BREATH = Consonant(kind="breath", length_s=(0.0, 0.0), noise_hz=2000, noise_db=-32.0)
_OFTEN = ("t", "b", "d", "m", "n", "l")  # twice as often as the others


@dataclass(frozen=True, slots=True, kw_only=True)
class Syllable:
    """One note as it is sung; ``consonant`` is None where a vowel only moves on."""

    vowel_s: float
    end_s: float  # where the sound ends, or its pitch or vowel gives way to the next
    midi: float
    consonant: Consonant | None
    closes_s: float  # where the consonant begins
    breath_s: float
    vowel: int
    begins_phrase: bool
    ends_phrase: bool
    level_db: float
    vibrato: float  # semitones either way
    vibrato_hz: float


def sung_words(singer: str, seed: int) -> Melody:
    """Sing phrases of words, several notes on one vowel and syllables on one pitch among them."""
    rng = np.random.default_rng([seed, *SINGERS[singer]])
    syllables = drawn_syllables(singer, rng)
    t = np.arange(round((syllables[-1].end_s + 0.6) * SR)) / SR
    centre = _pitch(syllables, t, rng)
    midi = centre + _vibrato(syllables, t, rng)
    samples = _voice(syllables, t, midi, singer in _MEN, rng)
    samples = 0.5 * samples / np.abs(samples).max()
    samples += 10.0 ** (-68.0 / 20.0) * rng.normal(size=len(t))
    return Melody(
        samples=soxr.resample(samples, SR, MELODY_SR, quality="VHQ"),
        notes=tuple(_as_sung(syllables, centre)),
        role="lead-voice",
        range_hz=(73.0, 1400.0),
    )


def drawn_syllables(singer: str, rng: np.random.Generator) -> list[Syllable]:
    """Draw what is sung."""
    lowest, highest = SINGERS[singer]
    beat_s, skill = rng.uniform(0.16, 0.26), rng.uniform(0.06, 0.2)
    drawn: list[Syllable] = []
    at_s, key = 0.4, int(rng.integers(lowest + 4, highest - 4))
    left, loud_db, vowel = 0, 0.0, 0
    for _ in range(_NOTES):
        begins = left == 0
        if begins:
            left, loud_db = int(rng.integers(3, 10)), float(rng.uniform(-12.0, 0.0))
        left -= 1
        leap = int(rng.choice([-12, -7, -5, -4, -3, -2, -2, -1, -1, 0, 0, 1, 1, 2, 2, 3, 4, 5, 7]))
        moved = key + leap if lowest <= key + leap <= highest else key - leap
        length_s = beat_s * float(rng.choice([1, 1, 1.5, 2, 2, 3, 5]))
        melisma = not begins and moved != key and rng.random() < 0.3
        consonant = None if melisma else CONSONANTS[str(rng.choice([*CONSONANTS, *_OFTEN]))]
        if begins and rng.random() < 0.25:
            consonant = None
        key = moved
        closes_s, breath_s = at_s, 0.0
        if consonant is not None:
            room_s = 0.45 * (drawn[-1].end_s - drawn[-1].vowel_s) if drawn and not begins else 0.2
            breath_s = min(float(rng.uniform(*consonant.breath_s)), room_s / 2.0)
            held_s = min(float(rng.uniform(*consonant.length_s)), room_s - breath_s)
            closes_s = at_s - held_s - breath_s
        vowel = vowel if melisma else int(rng.integers(len(_VOWELS_HZ[True])))
        drawn.append(
            Syllable(
                vowel_s=at_s, end_s=at_s + length_s, midi=key + float(rng.normal(0.0, skill)),
                consonant=consonant, closes_s=closes_s, breath_s=breath_s, vowel=vowel,
                begins_phrase=begins, ends_phrase=left == 0,
                level_db=loud_db + float(rng.normal(0.0, 1.5)),
                vibrato=float(rng.uniform(0.2, 1.0)) if length_s > 0.5 else 0.0,
                vibrato_hz=float(rng.uniform(5.0, 7.0)),
            )
        )  # fmt: skip
        at_s += length_s + (float(rng.uniform(0.3, 0.6)) if left == 0 else 0.0)
    return drawn


def _pitch(syllables: list[Syllable], t: Floats, rng: np.random.Generator) -> Floats:
    """The pitch line without vibrato, semitones: steps through a damped swing, scoops and falls."""
    meant = np.full(len(t), syllables[0].midi)
    bump = np.zeros(len(t))
    swing, damping = rng.uniform(30.0, 55.0), rng.uniform(0.54, 0.9)
    half_s = 1.6 / swing  # what such a swing takes to be half-way, about
    roomy = False  # had the note before
    lengths_s = [syllable.end_s - syllable.vowel_s for syllable in syllables]
    for syllable, held_s in zip(syllables, lengths_s, strict=True):
        consonant, room = syllable.consonant, held_s > _ROOM_S
        lead_s = half_s if consonant is None else float(rng.uniform(0.6, 1.8)) * half_s
        unvoiced = consonant is not None and consonant.voiced == 0.0
        if unvoiced or syllable.begins_phrase:  # where no voice sounds it goes there unheard
            lead_s = max(lead_s, syllable.vowel_s - syllable.closes_s)
        if syllable.begins_phrase:
            lead_s += 2.0 * half_s
        first = round((syllable.vowel_s - lead_s) * SR)
        before = meant[max(first - 1, 0)]
        meant[first:] = syllable.midi
        if room and rng.random() < (0.5 if syllable.begins_phrase else 0.2 * unvoiced):
            scooped = round((syllable.vowel_s + rng.uniform(-0.03, 0.03)) * SR)
            meant[first:scooped] = syllable.midi - rng.uniform(0.7, 2.5)
        elif not syllable.begins_phrase and roomy and rng.random() < 0.1:  # carried to it
            carried = round(rng.uniform(0.08, 0.18) * SR)
            meant[first - carried : first] = np.linspace(before, syllable.midi, carried)
        elif not syllable.begins_phrase:  # prepared by a little the other way
            wide = round(0.06 * SR)
            bump[first - wide : first] -= (
                min(0.05 * abs(syllable.midi - before), 0.25)
                * np.sign(syllable.midi - before) * np.hanning(wide)
            )  # fmt: skip
        if consonant is not None and consonant.kind.startswith("voiced"):  # its closure lowers it
            closes, opens = round(syllable.closes_s * SR), round(syllable.vowel_s * SR)
            bump[closes:opens] -= rng.uniform(0.1, 0.6) * np.hanning(opens - closes)
        if unvoiced and not syllable.begins_phrase:  # and is higher after a voiceless one
            after = t[round(syllable.vowel_s * SR) :] - syllable.vowel_s
            bump[round(syllable.vowel_s * SR) :] += rng.uniform(0.0, 0.5) * np.exp(-after / 0.03)
        if syllable.ends_phrase and room and rng.random() < 0.3:
            falls = round((syllable.end_s - rng.uniform(0.05, 0.12)) * SR)
            meant[falls:] = syllable.midi - rng.uniform(1.0, 4.0)
        roomy = room
    # x'' + 2 d w x' + w^2 x = w^2 u, by the impulse invariance of a damped sine.
    ring, decay = swing * np.sqrt(1.0 - damping**2) / SR, np.exp(-damping * swing / SR)
    below = [1.0, -2.0 * decay * np.cos(ring), decay**2]
    start = meant[0]
    line = lfilter([0.0, sum(below)], below, meant - start) + start
    flutter = _slow_noise(len(t), 8.0, rng)
    wander = _slow_noise(len(t), 0.4, rng)
    return line + bump + rng.uniform(0.02, 0.06) * flutter + 0.08 * wander


def _vibrato(syllables: list[Syllable], t: Floats, rng: np.random.Generator) -> Floats:
    swings = np.zeros(len(t))
    for syllable in (one for one in syllables if one.vibrato):
        inside = slice(round(syllable.vowel_s * SR), round(syllable.end_s * SR))
        held_s = t[inside] - syllable.vowel_s - rng.uniform(0.12, 0.35)
        left_s = syllable.end_s - t[inside]
        deep = syllable.vibrato * np.clip(held_s / 0.3, 0.0, 1.0) * np.clip(left_s / 0.06, 0.0, 1.0)
        swings[inside] = deep * np.sin(2.0 * np.pi * syllable.vibrato_hz * held_s)
    return swings


def _as_sung(syllables: list[Syllable], centre: Floats) -> list[MelodyNote]:
    """Say when each note begins and ends, and where it lies while it is judged."""
    starts_s = []
    for before, syllable in zip([None, *syllables], syllables, strict=False):
        start_s = syllable.vowel_s
        if syllable.consonant is not None and syllable.consonant.voiced:
            start_s = (syllable.closes_s + start_s) / 2.0
        elif before is not None and syllable.consonant is None and not syllable.begins_phrase:
            near = slice(round((start_s - 0.12) * SR), round((start_s + 0.12) * SR))
            way = (centre[near] - before.midi) / (syllable.midi - before.midi)
            passes = near.start + np.flatnonzero(np.diff(way > 0.5))
            if len(passes):
                start_s = float(passes[np.abs(passes - start_s * SR).argmin()]) / SR
        starts_s.append(start_s)
    notes = []
    for k, (start_s, syllable) in enumerate(zip(starts_s, syllables, strict=True)):
        end_s = syllable.end_s
        if not syllable.ends_phrase and k + 1 < len(syllables):
            after = syllables[k + 1]
            voiced = after.consonant is None or after.consonant.voiced
            end_s = starts_s[k + 1] if voiced else after.closes_s
        hz = 440.0 * 2.0 ** ((syllable.midi - 69.0) / 12.0)
        span_s = truth_windows(end_s - start_s, hz).sustain_s or (
            0.3 * (end_s - start_s), 0.9 * (end_s - start_s),
        )  # fmt: skip
        held = centre[round((start_s + span_s[0]) * SR) : round((start_s + span_s[1]) * SR)]
        held = held[np.abs(held - np.median(held)) < _ON_ITS_WAY]
        notes.append(MelodyNote(start_s=start_s, end_s=end_s, midi=float(held.mean())))
    return notes


def _voice(
    syllables: list[Syllable], t: Floats, midi: Floats, man: bool, rng: np.random.Generator
) -> Floats:
    """Glottis, breath and hisses of what is sung, through the tract."""
    voiced, breath, soft = np.zeros(len(t)), np.zeros(len(t)), np.full(len(t), 1.2)
    uneven = np.full(len(t), float(rng.uniform(0.001, 0.005)))  # of a cycle
    tract = np.zeros((len(t) // _CONTROL + 1, 3))
    tract[:] = _VOWELS_HZ[man][syllables[0].vowel]
    hisses = np.zeros(len(t))
    breathy, pressed = rng.uniform(0.4, 1.2), rng.uniform(-0.3, 0.3)
    for k, syllable in enumerate(syllables):
        consonant, vowel_s = syllable.consonant, syllable.vowel_s
        loud = 10.0 ** (syllable.level_db / 20.0)
        first, closes = round(vowel_s * SR), round(syllable.closes_s * SR)
        last = round(syllable.end_s * SR)
        soft[closes:] = 1.1 + pressed - 0.09 * syllable.level_db
        shape = np.array(_VOWELS_HZ[man][syllable.vowel], dtype=float)
        tract[first // _CONTROL :] = shape
        voiced[first:last] = loud
        breath[first:last] = 0.02 * breathy * loud**0.5
        rise_s = rng.uniform(0.015, 0.035)
        if consonant is None:
            rise_s = rng.uniform(0.04, 0.1) if syllable.begins_phrase else 0.0
        else:
            voiced[closes:first] = consonant.voiced * loud
            breath[closes:first] = 0.0
            tract[closes // _CONTROL : first // _CONTROL] = consonant.tract_hz or shape
            released = first - round(syllable.breath_s * SR)
            breath[released:first] = 0.05 * loud**0.5
            if consonant.kind == "breath" and not syllable.begins_phrase:
                voiced[released:first] = 0.1 * loud
            if consonant.kind == "glottis":
                rise_s = 0.004
                creaks = slice(first, first + round(rng.uniform(0.01, 0.04) * SR))
                uneven[creaks] = 0.05
            _hiss(hisses, consonant, closes, released, loud, rng)
        if rise_s and (consonant is None or consonant.voiced == 0.0):
            rise = round(rise_s * SR)
            voiced[first : first + rise] *= np.linspace(0.0, 1.0, rise)[: last - first]
        if syllable.ends_phrase:
            fall = min(round(rng.uniform(0.04, 0.2) * SR), (last - first) // 2)
            voiced[last - fall : last] *= np.linspace(1.0, 0.0, fall)
            breath[last - fall : last] *= np.linspace(1.0, 0.5, fall)
            if k + 1 < len(syllables):  # breathes in
                into = slice(last + round(0.08 * SR), round(syllables[k + 1].closes_s * SR) - 2000)
                _hiss(hisses, _BREATH, into.start, into.stop, loud, rng)
    source = _glottis(midi, _smooth(soft, 0.04), _smooth(voiced, 0.012), uneven, rng)
    source += _smooth(breath, 0.006) * rng.normal(size=len(t)) * (0.4 + np.abs(source))
    source += 0.4 * _smooth(breath, 0.006) * rng.normal(size=len(t))
    trained = man and rng.random() < 0.5
    every = _resonances(tract, midi, man=man, trained=trained)
    out = _through_tract(source, every, _WIDTHS_HZ * rng.uniform(0.8, 1.5))
    gain = np.ones(len(t))
    for syllable in syllables:  # a singer evens out most of what a resonance adds
        held = out[round(syllable.vowel_s * SR) : round(syllable.end_s * SR)]
        gain[round(syllable.closes_s * SR) :] = (
            10.0 ** (syllable.level_db / 20.0) / np.sqrt(np.mean(held**2))
        ) ** 0.7
    out *= _smooth(gain, 0.05)
    return out / np.percentile(np.abs(out), 99) + hisses


def _resonances(tract: Floats, midi: Floats, *, man: bool, trained: bool) -> Floats:
    """All five of a tract, whose tongue and lips take 30 ms from one shape to the next."""
    near = np.hanning(35)[1:-1]
    moved = [
        np.convolve(np.pad(one, 16, mode="edge"), near / near.sum(), "valid") for one in tract.T
    ]
    lower = np.stack(moved, axis=1)
    f_hz = 440.0 * 2.0 ** ((midi[::_CONTROL][: len(lower)] - 69.0) / 12.0)
    # A high voice opens its mouth until the lowest resonance lies at its pitch.
    opens = (tract[: len(f_hz), 0] > 255.0) & (lower[: len(f_hz), 0] < 1.03 * f_hz)
    lower[: len(f_hz), 0][opens] = 1.03 * f_hz[opens]
    # Of a trained man the upper ones lie close together.
    upper = (2900.0, 3200.0) if trained else _UPPER_HZ[man]
    every = np.concatenate([lower, np.tile(upper, (len(lower), 1))], axis=1)
    every.sort(axis=1)
    return every


def _hiss(
    out: Floats, consonant: Consonant, closes: int, released: int, loud: float,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Add the noise that a consonant makes at the teeth or the lips."""
    if not consonant.noise_hz or released <= closes:
        return
    begins, length = closes, released - closes
    if consonant.noise_s is not None:  # a burst as it opens
        begins, length = released, round(consonant.noise_s * SR)
    turn, radius = 2.0 * np.pi * consonant.noise_hz / SR, 0.85
    noise = lfilter([1.0, -1.0], [1.0, -2.0 * radius * np.cos(turn), radius**2],
                    rng.normal(size=length))  # fmt: skip
    taper = np.clip(np.minimum(np.arange(length), np.arange(length)[::-1]) / (0.3 * length), 0, 1)
    level = 10.0 ** ((consonant.noise_db + rng.normal(0.0, 3.0)) / 20.0) * loud**0.5
    out[begins : begins + length] += level * noise / noise.std() * taper


def _glottis(
    midi: Floats, soft: Floats, voiced: Floats, uneven: Floats, rng: np.random.Generator
) -> Floats:
    """Flow pulses, differentiated: each cycle a little longer or shorter, louder or softer."""
    cycles = np.cumsum(440.0 * 2.0 ** ((midi - 69.0) / 12.0)) / SR
    count = int(cycles[-1]) + 2
    late = rng.normal(size=count) * np.interp(np.arange(count), cycles, uneven)
    cycles = cycles + np.interp(cycles, np.arange(count), late)
    shimmer = 1.0 + 0.03 * np.interp(cycles, np.arange(count), rng.normal(size=count))
    table = pulse_shapes()
    row = np.clip((soft - _SHAPES[0]) / (_SHAPES[1] - _SHAPES[0]), 0, len(table) - 1.001)
    at = (cycles % 1.0) * (table.shape[1] - 1)
    r, c = row.astype(int), at.astype(int)
    along = table[r, c] + (at - c) * (table[r, c + 1] - table[r, c])
    next_ = table[r + 1, c] + (at - c) * (table[r + 1, c + 1] - table[r + 1, c])
    pulses: Floats = (along + (row - r) * (next_ - along)) * voiced * shimmer
    return pulses


_SHAPES = np.arange(0.6, 2.71, 0.1)  # from pressed to breathy


@cache
def pulse_shapes() -> Floats:
    """One cycle of the flow's derivative for each shape, its sharpest fall 1."""
    phase = np.linspace(0.0, 1.0, 1025)
    rows = []
    for shape in _SHAPES:
        returns = (-1.0 + 4.8 * shape) / 100.0
        skew = (22.4 + 11.8 * shape) / 100.0
        rate = skew / (4.0 * (0.11 * shape / (0.5 + 1.2 * skew) - returns))
        peak = 1.0 / (2.0 * rate)
        shut = peak * (1.0 + skew)
        sharp = 1.0 / returns
        for _ in range(50):
            sharp = (1.0 - np.exp(-sharp * (1.0 - shut))) / returns
        back = -(np.exp(-sharp * (phase - shut)) - np.exp(-sharp * (1.0 - shut))) / (
            sharp * returns
        )
        turn = np.pi / peak

        def cycle(growth: float, shut: float = shut, turn: float = turn, back: Floats = back):  # type: ignore[no-untyped-def]
            opens = np.exp(growth * (phase - shut)) * np.sin(turn * phase) / -np.sin(turn * shut)
            return np.where(phase < shut, opens, back)

        low, high = -20.0, 60.0
        for _ in range(60):  # until as much air comes as goes
            growth = (low + high) / 2.0
            low, high = (growth, high) if cycle(growth)[:-1].sum() > 0.0 else (low, growth)
        rows.append(cycle(growth))
    return np.array(rows)


@njit(cache=False)
def _through_tract(source: Floats, formants: Floats, widths: Floats) -> Floats:
    """Let resonances in a row shape a source, each shape held for `_CONTROL` samples."""
    out = np.copy(source)
    for k in range(formants.shape[1]):
        y1, y2 = 0.0, 0.0
        r = np.exp(-np.pi * widths[k] / SR)
        for i in range(len(out)):
            if i % _CONTROL == 0:
                b = 2.0 * r * np.cos(2.0 * np.pi * formants[i // _CONTROL, k] / SR)
                a = 1.0 - b + r * r
            y = a * out[i] + b * y1 - r * r * y2
            y2, y1 = y1, y
            out[i] = y
    return out


def _smooth(line: Floats, over_s: float) -> Floats:
    width = round(over_s * SR) | 1
    kernel = np.hanning(width + 2)[1:-1]
    return np.convolve(np.pad(line, width // 2, mode="edge"), kernel / kernel.sum(), "valid")


def _slow_noise(count: int, below_hz: float, rng: np.random.Generator) -> Floats:
    """Noise of unit deviation with little above a frequency."""
    coarse = rng.normal(size=int(count / SR * 4.0 * below_hz) + 8)
    kernel = np.array([0.25, 0.5, 0.25])
    coarse = np.convolve(coarse, kernel, "same")
    line = np.interp(np.arange(count) / SR, np.arange(len(coarse)) / (4.0 * below_hz), coarse)
    return line / line.std()
