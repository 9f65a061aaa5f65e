"""Bars and tongues: notes whose first partial is the only one in tune.

Bars are made here from the modes of a free bar, so the truth is exact.
"""

import numpy as np
import pytest
from mir_eval.transcription import match_notes
from scipy.optimize import brentq  # type: ignore[import-untyped,unused-ignore]
from tones.exact import laid_out, stem_of, with_floor

from planner.chords import find_chord_notes
from planner.model import Floats
from planner.pitch import cents, midi_to_hz, shift_hz
from planner.polyphony.chord_bars import is_odd, learn_odd, loudest_alone, odd_above
from planner.polyphony.chord_peaks import Peaks

SR = 16000
# Frequencies of a free bar go as the square of the roots of cosh(x) cos(x) = 1 (L. Euler and
# D. Bernoulli; N. Fletcher and T. Rossing, The Physics of Musical Instruments, 2.11, from memory).
ROOTS = [
    float(brentq(lambda x: np.cos(x) - 1.0 / np.cosh(x), *between))
    for between in ((4.6, 4.8), (7.8, 7.95))
]
FREE_BAR = (ROOTS[1] / ROOTS[0]) ** 2
# Makers undercut a marimba's bars to 4 and a xylophone's to 3 (the same, 19.3; from memory).
SECOND = {"free bar": FREE_BAR, "marimba": 3.95, "xylophone": 3.0, "tongue": 5.4}
LINE = (0, 4, 7, 12, 9, 7, 5, 2, 0, -3, 0, 2, 4, 5, 7, 5, 4, 2, 7, 11, 12, 9, 4, 0, 7, 2)


def bar(f1_hz: float, second: float, rng: np.random.Generator) -> Floats:
    """Two modes, the upper one gone three times as fast, and a mallet's knock."""
    t = np.arange(round(0.8 * SR)) / SR
    first = np.exp(-t / 0.4) * np.sin(2 * np.pi * f1_hz * t)
    upper = np.exp(-t / 0.13) * np.sin(2 * np.pi * second * f1_hz * t)
    knock = np.exp(-t / 0.002) * rng.normal(size=len(t))
    level = rng.uniform(0.3, 1.0)
    upper_level = 0.3 * level if second * f1_hz < 0.45 * SR else 0.0
    made = level * first + upper_level * upper + 0.1 * level * knock
    made[-800:] *= np.linspace(1.0, 0.0, 800)
    return np.asarray(made)


def line(second: float, lowest: int, seed: int) -> tuple[Floats, list[tuple[float, float]]]:
    """A line with a third added now and then: samples, and (start s, Hz) of each note."""
    rng = np.random.default_rng(seed)
    sounds, truth = [], []
    for k, step in enumerate(LINE):
        for more in (0, 4) if k % 5 == 2 else (0,):
            f1_hz = shift_hz(midi_to_hz(lowest + 3 + step + more), float(rng.normal(0.0, 6.0)))
            truth.append((0.3 + 0.35 * k, f1_hz))
            sounds.append((truth[-1][0], bar(f1_hz, second, rng)))
    return with_floor(laid_out(sounds, 10.5, SR), -70, rng), truth


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("what", "lowest"), [
    ("free bar", 79), ("marimba", 55), ("xylophone", 68), ("tongue", 62),
])  # fmt: skip
def test_notes_of_bars_are_found_and_measured(what: str, lowest: int, seed: int) -> None:
    """F1 0.9 and more; nine in ten within 0.5 cents and as sure as one partial can be."""
    samples, truth = line(SECOND[what], lowest, seed)
    found = find_chord_notes(stem_of(samples, SR, "fixed-pitch"))
    true = np.array([[start_s, start_s + 0.4] for start_s, _ in truth])
    true_hz = np.array([hz for _, hz in truth])
    spans = np.array([[n.start_s, n.end_s] for n, _ in found])
    hz = np.array([n.pitch_hz for n, _ in found])
    pairs = match_notes(true, true_hz, spans, hz, 0.05, 50.0, offset_ratio=None)
    assert 2 * len(pairs) / (len(true) + len(found)) >= 0.9
    off = np.array([abs(cents(float(hz[j]), float(true_hz[i]))) for i, j in pairs])
    assert np.mean(off < 0.5) >= 0.9
    sure = [found[j][1].confidence for _, j in pairs]
    assert sure.count("fair") + sure.count("firm") >= 0.9 * len(pairs)


def test_a_bar_has_no_stiffness_of_a_string() -> None:
    """B is blank, but where modes of two bars struck together chance to lie on one law."""
    samples, _ = line(FREE_BAR, 79, 3)
    found = find_chord_notes(stem_of(samples, SR, "fixed-pitch"))
    assert sum(m.inharmonicity_b is None for _, m in found) >= 0.95 * len(found)


def test_a_quiet_note_of_a_harp_is_not_its_third_partial() -> None:
    """Plucked in the middle a string has odd partials; of what began, the third is the loudest."""
    peaks = peaks_of([980.0, 2940.0], [-74.0, -70.0])
    assert loudest_alone(peaks, (60.0, 4000.0))[0][0] == 980.0


def peaks_of(
    f_hz: list[float], level_db: list[float], rise_db: float = 20.0, above_db: float = 50.0
) -> Peaks:
    """Peaks of a stretch, all of which rose alike."""
    order = np.argsort(f_hz)
    return Peaks(
        f_hz=np.array(f_hz)[order], level_db=np.array(level_db)[order],
        above_db=np.full(len(f_hz), above_db), rise_db=np.full(len(f_hz), rise_db), width_hz=2.0,
    )  # fmt: skip


def test_the_loudest_that_begins_is_the_note() -> None:
    """Loudest of what rose, within the instrument's range; nothing where nothing did."""
    peaks = peaks_of([440.0, 440.0 * FREE_BAR], [-20.0, -30.0])
    assert loudest_alone(peaks, (60.0, 4000.0))[0][0] == 440.0
    assert loudest_alone(peaks, (500.0, 4000.0))[0][0] == pytest.approx(440.0 * FREE_BAR)
    assert loudest_alone(peaks_of([440.0], [-20.0], rise_db=1.0), (60.0, 4000.0)) == []
    assert loudest_alone(peaks_of([440.0], [-20.0], above_db=44.0), (60.0, 4000.0)) == []


def test_a_ratio_that_most_notes_have_is_learned() -> None:
    """2.756 above all of ten notes, a struck twelfth above two: the first alone, at its level."""
    f1_hz = [200.0 * 2 ** (k / 12) for k in range(10)]
    above = [
        odd_above(peaks_of([f, FREE_BAR * f, *([3.0 * f] if k < 2 else [])],
                           [-20.0, -38.0, *([-21.0] if k < 2 else [])]), f)
        for k, f in enumerate(f1_hz)
    ]  # fmt: skip
    odd = learn_odd(f1_hz, above, 10)
    assert odd is not None
    assert list(odd.ratio) == pytest.approx([FREE_BAR], rel=1e-6)
    assert list(odd.level_db) == pytest.approx([-18.0])
    assert is_odd(odd, 1000.0 * FREE_BAR, -39.0, 1000.0, -20.0)
    assert not is_odd(odd, 1000.0 * FREE_BAR, -25.0, 1000.0, -20.0)  # louder: struck as well
    assert not is_odd(odd, 3000.0, -39.0, 1000.0, -20.0)


def test_one_note_alone_among_many_is_no_bar() -> None:
    """A knock now and then in a piano's stem is named alone, and makes no bars of strings."""
    above = [odd_above(peaks_of([440.0], [-20.0]), 440.0)] * 3
    assert learn_odd([440.0] * 2, above[:2], 10) is None
    assert learn_odd([440.0] * 3, above, 100) is None
    assert learn_odd([440.0] * 3, above, 10) is not None


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_drums_are_no_bars(seed: int) -> None:
    """Skins and cymbals: short modes in the noise of their strokes. Hardly a note, none firm."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(0.3 * SR)) / SR
    kit = [(90.0, 0.06, 0.3), (190.0, 0.05, 1.0), (330.0, 0.04, 1.0), (2100.0, 0.02, 1.5)]
    sounds = []
    for k in range(48):
        hz, dies_s, noise = kit[int(rng.integers(4))]
        tone = np.exp(-t / dies_s) * np.sin(2 * np.pi * hz * t)
        stroke = noise * np.exp(-t / (2 * dies_s)) * rng.normal(size=len(t))
        sounds.append((0.3 + 0.25 * k, rng.uniform(0.5, 1.0) * (tone + 0.3 * stroke)))
    found = find_chord_notes(stem_of(laid_out(sounds, 13.0, SR), SR, "sampled"))
    assert sum(m.confidence in ("firm", "fair") for _, m in found) <= 2
