"""Measured guitars, and invented takes on them, for the tests of strings and frets."""

import numpy as np

from planner.demo.build import in_room, room_response
from planner.demo.tones import StringSound, at, mix, plucked
from planner.model import Floats
from planner.pitch import midi_to_hz, shift_hz
from tests.tones.truth import truth_of

GUITAR = (40, 45, 50, 55, 59, 64)
NAMES = dict(zip(GUITAR, ("low E", "A", "D", "G", "B", "high E"), strict=True))

# B of frets 0 to 12, and how many cents sharp of equal they were, for open strings by MIDI note:
# means of ten takes each of a steel-string acoustic guitar and, B alone, of an electric one.
# Source: data files trained_model_of_{martin,firebird}_from_12th_fret.mat of the open repository
# junilyd/icassp_plucking_position_estimation, commit f1a3e4e (J. M. Hjerrild and
# M. G. Christensen, ICASSP 2019). Left out of the electric one: E4, where the search for B met its
# lowest value, and B3, where it nearly did (B grows 2.1 times over an octave, against 3.8 to 4).
_ACOUSTIC_1E5 = """
40 11.65 12.29 14.67 16.64 18.20 20.52 23.51 26.18 29.11 32.05 35.97 40.66 44.58
45 4.84 5.47 6.29 6.93 7.46 8.50 9.78 10.58 11.38 13.22 15.31 16.49 18.23
50 3.50 3.94 4.31 4.71 5.51 6.36 6.95 7.62 8.80 9.71 10.98 12.23 13.61
55 3.35 3.54 3.93 4.50 4.99 5.67 6.35 7.19 8.06 9.05 10.15 11.45 12.65
59 6.33 7.04 7.82 8.83 9.91 11.05 12.44 13.98 15.63 17.58 19.69 22.02 24.72
64 1.93 2.13 2.44 2.74 3.03 3.39 3.81 4.30 4.84 5.43 6.22 6.93 7.68
"""
_ELECTRIC_1E5 = """
40 15.81 17.75 19.59 21.59 24.94 27.09 30.77 33.35 39.05 43.31 49.07 56.21 62.33
45 8.35 8.90 9.98 11.51 12.65 13.70 15.63 16.79 20.33 22.88 25.80 28.22 31.69
50 6.10 6.56 7.39 8.39 9.53 10.35 11.60 12.58 12.96 15.20 18.36 20.89 23.29
55 12.26 13.42 15.13 17.07 19.36 21.81 24.56 25.25 29.50 31.74 38.63 39.35 46.89
"""
_ACOUSTIC_CENTS = """
40 -0.0 9.5 5.6 4.0 3.4 2.6 -0.4 -1.2 -0.8 -0.3 0.8 1.9 2.3
45 0.1 7.3 3.9 2.6 3.2 2.5 -0.2 0.8 1.8 -0.0 0.1 2.2 4.3
50 -0.4 5.2 3.7 3.2 1.6 1.7 0.7 1.7 1.0 2.4 -0.5 1.4 1.9
55 0.3 6.6 5.1 3.7 3.2 2.5 2.2 1.9 1.9 2.7 1.5 2.1 3.7
59 3.5 9.8 7.6 7.3 6.4 6.2 5.2 5.4 5.6 4.9 5.1 5.0 5.4
64 4.2 9.5 7.9 6.9 6.1 5.5 5.7 5.1 5.0 4.5 4.1 4.2 5.6
"""


def _table(text: str, factor: float) -> dict[int, tuple[float, ...]]:
    rows = [[float(cell) for cell in line.split()] for line in text.strip().splitlines()]
    return {int(row[0]): tuple(factor * v for v in row[1:]) for row in rows}


ACOUSTIC_B = _table(_ACOUSTIC_1E5, 1e-5)
ELECTRIC_B = _table(_ELECTRIC_1E5, 1e-5)
ACOUSTIC_CENTS = _table(_ACOUSTIC_CENTS, 1.0)


def take(
    table: dict[int, tuple[float, ...]],
    seed: int,
    *,
    notes: int = 60,
    frets: tuple[int, int] = (0, 8),
    off_cents: dict[int, float] | None = None,
    scatter_cents: float = 1.5,
) -> tuple[Floats, list[tuple[float, int, int, float]]]:
    """Play notes on a measured guitar: samples at `SR`, and (start s, string, fret, sustain Hz).

    Pick, brightness, decay and loudness are drawn for every note; strings of ``off_cents`` are out
    of tune by so much, and every note by some cents more or less. A small room is added.
    """
    rng = np.random.default_rng(seed)
    sounds, truth, t = [], [], 0.3
    for _ in range(notes):
        string = int(rng.choice(sorted(table)))
        fret = int(rng.integers(*frets))
        sound = StringSound(
            b=table[string][fret],
            pick_at=float(rng.uniform(0.1, 0.3)),
            brightness=float(rng.uniform(0.6, 1.1)),
            decay_s=float(rng.uniform(0.8, 2.0)),
        )
        length_s = float(rng.choice([0.3, 0.45, 0.8]))
        off = (off_cents or {}).get(string, 0.0) + float(rng.normal(0.0, scatter_cents))
        f1_hz = shift_hz(midi_to_hz(string + fret), off)
        played = plucked(f1_hz, length_s, sound, rng, level=float(rng.uniform(0.5, 1.0)))
        sustain_hz = truth_of(at(played, 0)[0]).sustain_hz
        assert sustain_hz is not None
        sounds.append((t, played))
        truth.append((t, string, fret, sustain_hz))
        t += length_s + 0.05
    samples = in_room(mix(sounds, t + 0.5).samples, room_response(0.4, -20.0, rng))
    return 0.5 * samples / np.abs(samples).max(), truth


def random_take(
    seed: int, scatter: float = 0.025
) -> tuple[tuple[int, ...], Floats, Floats, Floats]:
    """Draw a tuning's B and a take on it: tuning, and string, fret and ln B of each note.

    Two of three are guitars, the others basses; two strings or more are used, in one position or
    all over. B of each open string is drawn within a factor of about two of the usual,
    and notes scatter around the law by ``scatter`` in ln B.
    """
    rng = np.random.default_rng(seed)
    tuning = GUITAR if seed % 3 else (28, 33, 38, 43)
    used = rng.choice(len(tuning), rng.integers(2, len(tuning) + 1), replace=False)
    if seed % 3:
        usual = np.log([13.6e-5, 6.4e-5, 4.6e-5, 6.4e-5, 5.4e-5, 1.9e-5])
    else:
        usual = np.full(4, np.log(10.0 ** rng.uniform(-4.3, -3.5)))
    opened = usual + rng.normal(0.0, 0.6, len(tuning))
    count = int(rng.integers(12, 120))
    string = rng.choice(used, count)
    fret = rng.integers(0, 13, count)
    if seed % 2:
        fret = rng.integers(0, 8) + rng.integers(0, 5, count)
    log_b = opened[string] + fret * np.log(2.0) / 6.0 + rng.normal(0.0, scatter, count)
    return tuning, np.array(tuning)[string], fret, log_b
