"""Two reeds to a key: the second is no note, and leaves open which of them is the pitch."""

import numpy as np
import pytest
from mir_eval.transcription import match_notes
from tones.exact import faded, laid_out, stem_of, with_floor

from planner.chords import find_chord_notes
from planner.model import Floats
from planner.pitch import midi_to_hz, shift_hz
from planner.polyphony.chord_peaks import Peaks
from planner.polyphony.chord_twins import without_twins

SR = 16000
LINE = (
    62,
    64,
    66,
    67,
    69,
    71,
    73,
    74,
    71,
    67,
    69,
    66,
    64,
    62,
    66,
    69,
    74,
    73,
    69,
    67,
    66,
    64,
    62,
    69,
)


def reeds(f1_hz: float, apart_cents: float, rng: np.random.Generator) -> Floats:
    """Both reeds of a key, twenty partials each; one alone where they are not apart."""
    t = np.arange(round(0.5 * SR)) / SR
    made = np.zeros(len(t))
    for hz in {f1_hz, shift_hz(f1_hz, apart_cents)}:
        for n in range(1, 21):
            if n * hz < 0.45 * SR:
                made += n**-0.7 * np.sin(2 * np.pi * n * hz * t + rng.uniform(0, 2 * np.pi))
    return faded(0.1 * made, SR, rise_s=0.02)


def played(apart_cents: float, seed: int) -> tuple[Floats, list[tuple[float, float]]]:
    """A line with thirds now and then: samples, and (start s, Hz of the first reed)."""
    rng = np.random.default_rng(seed)
    sounds, truth = [], []
    for k, midi in enumerate(LINE):
        for more in (0, 4) if k % 6 == 3 else (0,):
            truth.append((0.3 + 0.55 * k, midi_to_hz(midi + more)))
            sounds.append((truth[-1][0], reeds(truth[-1][1], apart_cents, rng)))
    return with_floor(laid_out(sounds, 14.5, SR), -70, rng), truth


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("apart_cents", [12.0, 18.0, 25.0])
def test_a_second_reed_is_no_note(apart_cents: float, seed: int) -> None:
    """Notes are found, F1 0.85 and more, none firm: either reed may be what is heard.

    Tremolo reeds lie 5 to 30 cents apart: common practice, no source.
    """
    samples, truth = played(apart_cents, seed)
    found = find_chord_notes(stem_of(samples, SR, "fixed-pitch"))
    true = np.array([[start_s, start_s + 0.5] for start_s, _ in truth])
    spans = np.array([[n.start_s, n.end_s] for n, _ in found])
    pairs = match_notes(
        true, np.array([hz for _, hz in truth]), spans, np.array([n.pitch_hz for n, _ in found]),
        0.05, 50.0, offset_ratio=None,
    )  # fmt: skip
    assert 2 * len(pairs) / (len(true) + len(found)) >= 0.85
    assert [m.confidence for _, m in found if m.confidence == "firm"] == []


def test_one_reed_is_firm_as_before() -> None:
    """Without a second reed nothing is in doubt: most notes are firm, and within half a cent."""
    samples, _ = played(0.0, 3)
    found = find_chord_notes(stem_of(samples, SR, "fixed-pitch"))
    firm = [m for _, m in found if m.confidence == "firm"]
    assert len(firm) >= 0.6 * len(LINE)
    assert all(m.uncertainty_cents is not None and m.uncertainty_cents < 1.0 for m in firm)


def peaks_at(f_hz: list[float]) -> Peaks:
    """Peaks of one level."""
    count = len(f_hz)
    return Peaks(
        f_hz=np.sort(np.array(f_hz)), level_db=np.full(count, -30.0),
        above_db=np.full(count, 50.0), rise_db=np.full(count, 20.0), width_hz=1.0,
    )  # fmt: skip


def test_what_lies_equally_far_beside_all_partials_is_a_reed() -> None:
    """Its peaks go, and it is told how far off it lies; the first reed's stay."""
    first = [220.0 * n for n in range(1, 11)]
    second = [shift_hz(hz, 16.0) for hz in first[2:]]
    left, apart = without_twins(peaks_at(first + second), [(220.0, 0.0)])
    assert list(left.f_hz) == pytest.approx(first)
    assert apart == {(220.0, 0.0): pytest.approx(16.0)}


def test_a_third_in_equal_temperament_is_no_reed() -> None:
    """Its partials lie beside every fifth of the lower note's alone (14 cents; 400 - 386)."""
    low = [220.0 * n for n in range(1, 13)]
    high = [midi_to_hz(61) * n for n in range(1, 10)]
    left, apart = without_twins(peaks_at(low + high), [(220.0, 0.0), (midi_to_hz(61), 0.0)])
    assert len(left.f_hz) == len(low + high)
    assert apart == {}
