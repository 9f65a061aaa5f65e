"""Lines on strings whose sound comes of waves that run along them, with exact truth.

Nothing here is a sum of partials: a bow's or a plectrum's force goes into delay lines, and what
comes of it is what a bridge moves like (M. E. McIntyre, R. T. Schumacher and J. Woodhouse, "On the
oscillations of musical instruments", J. Acoust. Soc. Am. 74, 1983; J. O. Smith, "Efficient
simulation of the reed-bore and bow-string mechanisms", ICMC 1986; D. A. Jaffe and J. O. Smith,
"Extensions of the Karplus-Strong plucked-string algorithm", Computer Music J. 7, 1983). A bow turns
as bows do, and a note is begun by what begins it on a string. Lengths, forces, losses and bodies
are drawn; usual sizes are common practice, no source. A bowed string lies some cents off where it
is held, as real ones do, so its lines say which notes are found and not to the cent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import soxr
from numba import njit  # type: ignore[import-untyped,unused-ignore]
from scipy.signal import lfilter  # type: ignore[import-untyped,unused-ignore]

from planner.model import Floats, Role
from tests.tones.melodies import SR as MELODY_SR
from tests.tones.melodies import Melody, MelodyNote

SR = 48_000
BOWED: dict[str, tuple[int, int]] = {  # lowest and highest note
    "violin": (55, 88), "viola": (48, 79), "cello": (36, 69), "double bass": (28, 55),
}  # fmt: skip
PLUCKED: dict[str, tuple[Role, tuple[int, ...]]] = {  # role and open strings
    "guitar": ("fretted", (40, 45, 50, 55, 59, 64)), "bass": ("bass-fretted", (28, 33, 38, 43)),
}  # fmt: skip
# Fretted shapes, lowest string first; -1 is not struck. Common practice, no source.
SHAPES = (
    (0, 2, 2, 1, 0, 0), (-1, 0, 2, 2, 1, 0), (-1, 3, 2, 0, 1, 0), (3, 2, 0, 0, 0, 3),
    (-1, -1, 0, 2, 3, 2), (1, 3, 3, 2, 1, 1), (0, 2, 2, 0, 0, 0), (-1, 0, 2, 2, 2, 0),
)  # fmt: skip
_LINE = 8192  # samples that a delay line holds
_NOTES = 28
_PADDED = 1 << 17
_OCTAVE_UP = 0.01  # power of odd partials to even ones


def bowed_line(instrument: str, seed: int) -> Melody:
    """Play slurs and turned bows, repeats among them, some with vibrato, at drawn lengths."""
    rng = np.random.default_rng([seed, len(instrument)])
    lowest, highest = BOWED[instrument]
    bows = _drawn_bows(rng, lowest, highest)
    t = np.arange(round((bows[-1].note.end_s + 0.5) * SR)) / SR
    midi, speed, force = np.full(len(t), bows[0].note.midi), np.zeros(len(t)), np.zeros(len(t))
    way = 1.0
    for bow, after in zip(bows, [*bows[1:], None], strict=True):
        note, first = bow.note, round(bow.note.start_s * SR)
        held = t[first:] - note.start_s
        line = note.midi + bow.vibrato * np.clip((held - 0.15) / 0.2, 0.0, 1.0) * np.sin(
            2 * np.pi * bow.vibrato_hz * (held - 0.15)
        )
        if bow.slurred:
            moved = np.clip(held / bow.rise_s, 0.0, 1.0)
            line = midi[first - 1] + (line - midi[first - 1]) * moved**2 * (3.0 - 2.0 * moved)
        midi[first:] = line
        way = way if bow.slurred else -way
        swell = np.ones(len(held)) if bow.slurred else np.clip(held / bow.rise_s, 0.0, 1.0)
        if after is None or not after.slurred:
            swell = swell * np.clip((note.end_s - note.start_s - held) / 0.04, 0.0, 1.0)
        speed[first:] = way * bow.speed * swell
        force[first:] = bow.force
    samples = _bowed(_hz(midi), speed, force, rng.uniform(0.08, 0.14), rng.uniform(0.3, 0.55))
    samples = samples / np.abs(samples).max()
    samples = _through_a_body(samples, rng) + 0.01 * rng.normal(size=len(t)) * np.abs(speed)
    notes = [_as_it_speaks(bow.note, samples) for bow in bows]
    return _melody(samples, notes, "bowed", (lowest, highest), rng)


def double_stops(instrument: str, seed: int) -> Melody:
    """Play two strings at once, thirds to octaves apart, each pair under one bow."""
    rng = np.random.default_rng([seed, len(instrument), 2])
    lowest, highest = BOWED[instrument]
    at_s, pairs = 0.3, []
    for _ in range(14):
        length_s = float(rng.choice([0.6, 0.9, 1.4]))
        low, apart = rng.integers(lowest, highest - 18), rng.choice([3, 4, 5, 7, 8, 9, 12])
        pair = [
            MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=key + rng.normal(0.0, 0.05))
            for key in (low, low + apart)
        ]
        pairs.append(pair)
        at_s += length_s + float(rng.choice([0.0, 0.2]))
    t = np.arange(round((at_s + 0.5) * SR)) / SR
    samples = np.zeros(len(t))
    bridge = rng.uniform(0.08, 0.14)
    for notes in zip(*pairs, strict=True):
        midi, speed, way = np.full(len(t), notes[0].midi), np.zeros(len(t)), 1.0
        force = np.full(len(t), rng.uniform(0.55, 0.8))
        for note in notes:
            inside = slice(round(note.start_s * SR), round(note.end_s * SR))
            held, way = t[inside] - note.start_s, -way
            midi[inside.start :] = note.midi
            left = np.clip((note.end_s - note.start_s - held) / 0.04, 0.0, 1.0)
            speed[inside] = way * rng.uniform(0.15, 0.28) * np.clip(held / 0.06, 0.0, 1.0) * left
        samples += _bowed(_hz(midi), speed, force, bridge, rng.uniform(0.3, 0.5))
    samples = _through_a_body(samples / np.abs(samples).max(), rng)
    every = [note for pair in pairs for note in pair]
    return _melody(samples, every, "bowed", (lowest, highest), rng)


def _as_it_speaks(note: MelodyNote, samples: Floats) -> MelodyNote:
    """Take a note an octave up where the string speaks so: its odd partials are hardly there."""
    middle_s = (note.start_s + note.end_s) / 2.0
    held = samples[round(middle_s * SR) : round((note.end_s - 0.01) * SR)]
    power = np.abs(np.fft.rfft(held * np.hanning(len(held)), _PADDED)) ** 2
    places = np.round(np.arange(1, 9) * note.hz * _PADDED / SR).astype(int)
    near = round(0.03 * note.hz * _PADDED / SR)
    partials = np.array([power[at - near : at + near + 1].max() for at in places])
    octave_up = partials[::2].sum() < _OCTAVE_UP * partials[1::2].sum()
    return replace(note, midi=note.midi + 12.0) if octave_up else note


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bow:
    """How a note is bowed."""

    note: MelodyNote
    slurred: bool
    rise_s: float  # until the bow has its speed, or under a slur the finger its place
    speed: float
    force: float
    vibrato: float  # semitones either way
    vibrato_hz: float


def _drawn_bows(rng: np.random.Generator, lowest: int, highest: int) -> list[_Bow]:
    bows: list[_Bow] = []
    at_s, key = 0.3, (lowest + highest) // 2
    for _ in range(_NOTES):
        length_s = float(rng.choice([0.15, 0.25, 0.4, 0.7, 1.2], p=[0.15, 0.25, 0.3, 0.2, 0.1]))
        before = key
        leap = int(rng.choice([-12, -7, -5, -4, -3, -2, -1, 0, 0, 1, 2, 3, 4, 5, 7, 12]))
        key = key + leap if lowest <= key + leap <= highest else key - leap
        rests = rng.random() < 0.15
        slurred = bool(bows and rng.random() < 0.5 and key != before)
        slurred = slurred and at_s - bows[-1].note.end_s < 0.01
        note = MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=key + rng.normal(0.0, 0.08))
        bows.append(
            _Bow(
                note=note,
                slurred=slurred,
                rise_s=float(rng.uniform(0.008, 0.05) if slurred else rng.uniform(0.03, 0.12)),
                speed=float(rng.uniform(0.12, 0.3)),
                force=float(rng.uniform(0.55, 0.85)),
                vibrato=float(rng.uniform(0.08, 0.35)) if length_s > 0.5 else 0.0,
                vibrato_hz=float(rng.uniform(4.8, 6.5)),
            )
        )
        at_s += length_s + (0.3 if rests else 0.0)
    return bows


def plucked_line(instrument: str, seed: int) -> Melody:
    """Play picked notes, repeats, hammer-ons and pull-offs on strings each tuned in its own way."""
    rng = np.random.default_rng([seed, len(instrument)])
    role, opens = PLUCKED[instrument]
    strokes = _drawn_strokes(rng, opens)
    return _picked(strokes, opens, role, rng)


def picked_chords(seed: int) -> Melody:
    """Pick the strings of shapes of a guitar one after another, each of which rings on."""
    rng = np.random.default_rng([seed, 3])
    role, opens = "fretted-chords", PLUCKED["guitar"][1]
    off = rng.normal(0.0, 0.05, len(opens))
    at_s, strokes = 0.3, []
    for shape in rng.choice(SHAPES, size=7):
        strings = [k for k, fret in enumerate(shape) if fret >= 0]
        order = rng.permutation(strings)[: int(rng.integers(3, len(strings) + 1))]
        order = np.sort(order) if rng.random() < 0.5 else order
        end_s = at_s + max(float(rng.choice([1.0, 1.6, 2.2])), 0.18 * len(order) + 0.3)
        for k, string in enumerate(order):
            midi = opens[string] + shape[string] + off[string]
            note = MelodyNote(start_s=at_s + 0.18 * k, end_s=end_s, midi=midi)
            strokes.append(_Stroke(note=note, string=int(string), picked=True))
        at_s = end_s
    return _picked(strokes, opens, role, rng)


def _picked(
    strokes: list[_Stroke], opens: tuple[int, ...], role: Role, rng: np.random.Generator
) -> Melody:
    t = np.arange(round((strokes[-1].note.end_s + 0.5) * SR)) / SR
    loss, bridge, plectrum = rng.uniform(0.06, 0.3), rng.uniform(0.08, 0.25), rng.uniform(0.06, 0.2)
    rings_s = rng.uniform(1.5, 5.0)
    samples = np.zeros(len(t))
    for string, open_midi in enumerate(opens):
        midi = np.full(len(t), float(open_midi))
        kept, force = np.zeros(len(t)), np.zeros(len(t))
        mine = [stroke for stroke in strokes if stroke.string == string]
        for stroke in mine:
            note, first = stroke.note, round(stroke.note.start_s * SR)
            moved = np.clip((t[first:] - note.start_s) / 0.003, 0.0, 1.0)
            midi[first:] = (
                note.midi if stroke.picked else midi[first - 1] * (1.0 - moved) + note.midi * moved
            )
            period_s = 1.0 / note.hz
            kept[first:] = 10.0 ** (-3.0 * period_s / rings_s)
            kept[round(note.end_s * SR) :] = 10.0 ** (-3.0 * period_s / 0.08)
            if stroke.picked:  # the plectrum stops the string before it lets it go
                kept[max(0, first - 150) : first] = 10.0 ** (-3.0 * period_s / 0.02)
            _strike(force, first, stroke, round(period_s * SR), plectrum, rng)
        if mine:
            played = _plucked(_hz(midi), force, kept, loss)
            far = round(bridge * SR / float(_hz(np.array(open_midi + 5.0))))
            samples += played - np.concatenate([np.zeros(far), played[:-far]])
    samples = lfilter([0.4], [1.0, -0.6], lfilter([1.0, -1.0], [1.0, -0.995], samples))
    notes = sorted((stroke.note for stroke in strokes), key=lambda note: note.start_s)
    return _melody(samples, notes, role, (opens[0], opens[-1] + 15), rng)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stroke:
    """How a note is struck: picked, or by a finger that falls on the string or leaves it."""

    note: MelodyNote
    string: int
    picked: bool


def _drawn_strokes(rng: np.random.Generator, opens: tuple[int, ...]) -> list[_Stroke]:
    off = rng.normal(0.0, 0.06, len(opens))
    strokes: list[_Stroke] = []
    at_s, string, fret = 0.3, len(opens) // 2, 5

    def play(fret: int, length_s: float, picked: bool) -> None:
        nonlocal at_s
        midi = opens[string] + fret + off[string]
        note = MelodyNote(start_s=at_s, end_s=at_s + length_s, midi=midi)
        strokes.append(_Stroke(note=note, string=string, picked=picked))
        at_s += length_s

    while len(strokes) < _NOTES:
        if rng.random() < 0.35:
            string = int(np.clip(string + rng.choice([-1, 1]), 0, len(opens) - 1))
        fret = int(np.clip(fret + rng.integers(-4, 5), 0, 12))
        lengths_s = rng.choice([0.1, 0.15, 0.25, 0.4, 0.8], size=3, p=[0.15, 0.25, 0.3, 0.2, 0.1])
        play(fret, lengths_s[0], picked=True)
        if rng.random() < 0.3:
            play(fret + int(rng.integers(1, 4)), lengths_s[1], picked=False)
            if rng.random() < 0.5:
                play(fret, lengths_s[2], picked=False)
        if rng.random() < 0.12:
            at_s += 0.3
    return strokes


def _strike(
    force: Floats, first: int, stroke: _Stroke, period: int, at: float, rng: np.random.Generator
) -> None:
    """Add what a plectrum, some way along the string, or a finger puts into it."""
    burst = lfilter([0.4], [1.0, -0.55], rng.normal(size=period))
    strength = 0.4 * rng.uniform(0.6, 1.1) * (1.0 if stroke.picked else 0.3)
    far = round(at * period)
    both = np.concatenate([burst, np.zeros(far)]) - np.concatenate([np.zeros(far), burst])
    last = min(len(force), first + len(both))
    force[first:last] += strength * both[: last - first]


def _melody(
    samples: Floats,
    notes: list[MelodyNote],
    role: Role,
    range_midi: tuple[int, int],
    rng: np.random.Generator,
) -> Melody:
    samples = 0.5 * samples / np.abs(samples).max()
    samples = samples + 10.0 ** (-70.0 / 20.0) * rng.normal(size=len(samples))
    lowest_hz, highest_hz = _hz(np.array([range_midi[0] - 3.0, range_midi[1] + 15.0]))
    return Melody(
        samples=soxr.resample(samples, SR, MELODY_SR, quality="VHQ"),
        notes=tuple(notes),
        role=role,
        range_hz=(float(lowest_hz), float(highest_hz)),
    )


def _hz(midi: Floats) -> Floats:
    f_hz: Floats = 440.0 * 2.0 ** ((midi - 69.0) / 12.0)
    return f_hz


def _through_a_body(samples: Floats, rng: np.random.Generator) -> Floats:
    """Let eight resonances of a wooden box raise or lower what lies near them."""
    for _ in range(8):
        turn = 2.0 * np.pi * np.exp(rng.uniform(np.log(120.0), np.log(5000.0))) / SR
        width, gain = np.sin(turn) / (2.0 * rng.uniform(4.0, 15.0)), 10.0 ** rng.uniform(-0.15, 0.4)
        above = [1.0 + width * gain, -2.0 * np.cos(turn), 1.0 - width * gain]
        below = [1.0 + width / gain, -2.0 * np.cos(turn), 1.0 - width / gain]
        samples = lfilter(above, below, samples)
    return samples


@njit(cache=False)
def _read(line: Floats, at: int, delay: float) -> float:
    """A value between samples, by Lagrange's cubic through the four around it."""
    whole = int(delay)
    rest = delay - whole + 1.0
    value = 0.0
    for k in range(4):
        weight = 1.0
        for m in range(4):
            if m != k:
                weight *= (rest - m) / (k - m)
        value += weight * line[(at - whole + 1 - k) % _LINE]
    return value


@njit(cache=False)
def _bowed(f_hz: Floats, speed: Floats, force: Floats, at: float, smooth: float) -> Floats:
    """The wave at the bridge; the bow lies a share ``at`` of the string away from it."""
    nut, bridge, out, lost = np.zeros(_LINE), np.zeros(_LINE), np.zeros(len(f_hz)), 0.0
    for i in range(len(f_hz)):
        # The loop's own delay: two samples of writing and what the bridge's low-pass takes.
        length = SR / f_hz[i] - 2.0 - smooth / (1.0 - smooth)
        arrived = _read(bridge, i, length * at)
        from_nut = -_read(nut, i, length * (1.0 - at))
        lost = (1.0 - smooth) * 0.985 * arrived + smooth * lost
        slips = speed[i] - (from_nut - lost)
        # It sticks while the string moves as the bow does, and slips the more easily the lighter
        # it lies (the friction table of the paper of 1986).
        grip = min((abs(slips) * (5.0 - 4.0 * force[i]) + 0.75) ** -4.0, 0.98)
        nut[(i + 1) % _LINE] = grip * slips - lost
        bridge[(i + 1) % _LINE] = grip * slips + from_nut
        out[i] = arrived
    return out


@njit(cache=False)
def _plucked(f_hz: Floats, force: Floats, kept: Floats, loss: float) -> Floats:
    """The wave at the bridge; ``kept``: of a wave that has run once along the string and back."""
    line, out, last = np.zeros(_LINE), np.zeros(len(f_hz)), 0.0
    for i in range(len(f_hz)):
        back = _read(line, i, SR / f_hz[i] - loss - 1.0)
        out[i] = kept[i] * ((1.0 - loss) * back + loss * last) + force[i]
        last = back
        line[(i + 1) % _LINE] = out[i]
    return out
