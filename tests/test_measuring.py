"""How far the measuring goes: exact tones, a reference estimator, recorded instruments."""

from typing import cast

import numpy as np
import parselmouth
import pytest

from planner.analyzer import analyze
from planner.harmonics import fit_partials
from planner.measure.contour import follow_partials
from planner.measure.vibrato import find_vibrato
from planner.model import Floats, Measurement, Note, Role, Stem
from planner.segmenter import segment
from planner.tracker import track

SR = 16000


def cents(measured: float, true: float) -> float:
    return float(1200 * np.log2(measured / true))


def tone(
    f0_hz: float,
    length_s: float,
    *,
    b: float = 0.0,
    snr_db: float = 60.0,
    law_cents: Floats | float = 0.0,
    partials: int = 15,
    decay_per_s: float = 0.0,
    seed: int = 0,
) -> Floats:
    """Partials n f0 sqrt(1 + B n^2) of amplitude 1/n, high ones decaying faster."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * SR)) / SR
    phase = 2 * np.pi * np.cumsum(f0_hz * 2 ** ((np.zeros(len(t)) + law_cents) / 1200)) / SR
    out = np.zeros(len(t))
    for n in range(1, partials + 1):
        ratio = n * np.sqrt(1 + b * n * n)
        if ratio * f0_hz < 0.45 * SR:
            fade = np.exp(-decay_per_s * (1 + 0.3 * (n - 1)) * t)
            out += fade / n * np.cos(ratio * phase + rng.uniform(0, 2 * np.pi))
    noise = np.sqrt(np.mean(out**2) / 10 ** (snr_db / 10))
    return out + noise * rng.standard_normal(len(out))


def stem_of(samples: Floats, role: str = "fretted", sr: int = SR) -> Stem:
    return Stem(
        code="X",
        role=cast("Role", role),
        samples=np.asarray(samples, dtype=np.float32),
        analysis_sr=SR,
        sr=sr,
        frames=round(len(samples) * sr / SR),
        range_hz=(35.0, 2500.0),
    )


def heard(samples: Floats, role: str = "fretted") -> list[tuple[Note, Measurement]]:
    stem = stem_of(samples, role)
    pitch_track = track(stem)
    notes = segment(stem, pitch_track)
    return list(zip(notes, analyze(stem, pitch_track, notes), strict=True))


def with_silence(*pieces: Floats, gap_s: float = 0.1) -> Floats:
    gap = 1e-4 * np.random.default_rng(9).standard_normal(round(gap_s * SR))
    out = [gap]
    for piece in pieces:
        fade = np.minimum(1.0, np.minimum(np.arange(len(piece)), np.arange(len(piece))[::-1]) / 80)
        out += [0.3 * piece * fade, gap]
    return np.concatenate(out)


@pytest.mark.parametrize("f0_hz", [41.2, 110.0, 440.0, 1500.0])
@pytest.mark.parametrize("b", [0.0, 1e-4, 1e-3])
def test_window_fit_is_as_good_as_it_says(f0_hz: float, b: float) -> None:
    """At 20 dB no trial is off by a cent, and the errors are of the size that is stated."""
    window_s = max(0.06, 5 / f0_hz)
    errors, stated = [], []
    for seed in range(12):
        samples = tone(f0_hz, window_s, b=b, snr_db=20, seed=seed)
        off = np.random.default_rng(seed).uniform(-15, 15)
        fit = fit_partials(samples, SR, f0_hz * 2 ** (off / 1200), b=b)
        assert fit is not None
        errors.append(cents(fit.f1_hz, f0_hz * np.sqrt(1 + b)))
        stated.append(fit.sd_cents)
    assert np.abs(errors).max() < 1.0
    assert np.sqrt(np.mean(np.square(errors))) < 2.0 * np.median(stated)


@pytest.mark.parametrize("f0_hz", [55.0, 110.0, 220.0, 440.0])
def test_stiffness_is_measured(f0_hz: float) -> None:
    """B of f_n = n f0 sqrt(1 + B n^2) comes out within 2 % (H. Fletcher, JASA 36, 1964)."""
    samples = tone(f0_hz, 0.3, b=1e-3, snr_db=40, decay_per_s=2)
    fit = fit_partials(samples, SR, f0_hz, fit_b=True)
    assert fit is not None
    assert fit.b == pytest.approx(1e-3, rel=0.02)


@pytest.mark.parametrize("b", [1e-4, 3e-4, 1e-3])
@pytest.mark.parametrize("f0_hz", [82.4, 146.8, 246.9])
def test_a_stiff_string_of_constant_pitch_has_no_false_onset(b: float, f0_hz: float) -> None:
    """Onset and sustain of a decaying stiff string agree within a cent: its pitch never moved."""
    (only,) = heard(with_silence(tone(f0_hz, 0.9, b=b, snr_db=50, decay_per_s=3)))
    measured = only[1]
    assert measured.onset_hz is not None
    assert measured.sustain_hz is not None
    assert abs(cents(measured.onset_hz, measured.sustain_hz)) < 1.0
    assert abs(cents(measured.sustain_hz, f0_hz * np.sqrt(1 + b))) < 0.5


def test_a_pluck_that_starts_sharp() -> None:
    """A start 15 cents sharp that relaxes with 80 ms is read over the windows of the trade."""
    t = np.arange(round(0.9 * SR)) / SR
    law = 15 * np.exp(-t / 0.08)
    ((_, measured),) = heard(with_silence(tone(196.0, 0.9, law_cents=law, decay_per_s=2)))
    assert measured.onset_hz is not None
    assert measured.sustain_hz is not None
    onset = law[round(0.01 * SR) : round(0.07 * SR)].mean()
    sustain = law[round(0.15 * SR) : round(0.765 * SR)].mean()
    assert cents(measured.onset_hz, 196.0) == pytest.approx(onset, abs=1.0)
    assert cents(measured.sustain_hz, 196.0) == pytest.approx(sustain, abs=0.2)


@pytest.mark.parametrize("phase", np.linspace(0, 2 * np.pi, 7)[:-1])
def test_vibrato_centre_for_any_phase(phase: float) -> None:
    """A vibrato of 6.0 Hz and 71 cents (E. Prame, JASA 96 and 102) keeps its centre and figures."""
    t = np.arange(round(1.23 * SR)) / SR
    law = 71 * np.sin(2 * np.pi * 6.0 * t + phase)
    contour = follow_partials(tone(440.0, 1.23, law_cents=law), SR, np.full(len(t), 440.0))
    assert contour is not None
    line = 1200 * np.log2(contour.f1_hz / 440.0)
    vibrato = find_vibrato(contour.t_s, line, contour.window_s)
    assert vibrato is not None
    assert vibrato.rate_hz == pytest.approx(6.0, abs=0.05)
    assert vibrato.half_cents == pytest.approx(71.0, rel=0.05)
    assert abs(np.mean(line - vibrato.at(contour.t_s))) < 0.5


def test_a_steady_tone_has_no_vibrato() -> None:
    """Nothing is found where nothing swings."""
    t = np.arange(400) * 0.005
    assert find_vibrato(t, 0.3 * np.random.default_rng(1).standard_normal(400), 0.02) is None


@pytest.mark.parametrize("f0_hz", [36.7, 82.4, 261.6, 880.0, 2093.0])
def test_no_octave_errors(f0_hz: float) -> None:
    """Tones from 37 Hz to 2.1 kHz are found once, in the right octave."""
    ((note, _),) = heard(with_silence(tone(f0_hz, 0.6, snr_db=30)), "bowed")
    assert abs(cents(note.pitch_hz, f0_hz)) < 25


def test_repeats_split_and_legato_has_no_gap() -> None:
    """Struck repeats of one pitch are two notes; a legato step is two notes that touch."""
    pluck = tone(220.0, 0.4, decay_per_s=6)
    notes = [n for n, _ in heard(with_silence(np.concatenate([pluck, pluck])))]
    assert len(notes) == 2
    assert notes[1].start_s == pytest.approx(0.5, abs=0.01)
    step = np.where(np.arange(round(0.8 * SR)) < 0.4 * SR, 0.0, 200.0)
    first, second = (n for n, _ in heard(with_silence(tone(220.0, 0.8, law_cents=step)), "bowed"))
    assert first.end_smp == second.start_smp
    assert second.start_s == pytest.approx(0.5, abs=0.02)


def test_staccato_is_found_and_noise_is_not() -> None:
    """80 ms notes are found; noise and silence give none."""
    notes = heard(with_silence(*[tone(330.0, 0.08)] * 5))
    assert len(notes) == 5
    noise = np.random.default_rng(3).standard_normal(3 * SR) * 0.1
    assert heard(noise) == []
    assert heard(np.zeros(SR)) == []


def test_vibrato_and_scoop_are_one_note() -> None:
    """A scooped note in wide vibrato is not split."""
    t = np.arange(round(1.2 * SR)) / SR
    law = -150 * np.exp(-t / 0.05) + 55 * np.clip((t - 0.3) / 0.3, 0, 1) * np.sin(36 * t)
    assert len(heard(with_silence(tone(330.0, 1.2, law_cents=law)), "lead-voice")) == 1


def test_level_and_delay_change_nothing_else() -> None:
    """A quieter stem gives the same notes; a later one the same notes later."""
    samples = with_silence(tone(196.0, 0.5, decay_per_s=3), tone(247.0, 0.5, decay_per_s=3))
    plain = heard(samples)
    quiet = heard(0.1 * samples)
    late = heard(np.concatenate([samples[: SR // 20], samples]))
    assert [n.start_smp for n, _ in quiet] == [n.start_smp for n, _ in plain]
    for (note, m), (_, q), (later, d) in zip(plain, quiet, late, strict=True):
        assert m.sustain_hz == pytest.approx(q.sustain_hz, rel=1e-6)
        assert m.sustain_hz == pytest.approx(d.sustain_hz, rel=2e-5)
        assert later.start_s - note.start_s == pytest.approx(0.05, abs=0.003)


@pytest.mark.outside
@pytest.mark.parametrize("f0_hz", [110.0, 261.6, 659.3])
def test_agrees_with_praat(f0_hz: float) -> None:
    """Steady harmonic tones agree with Praat's autocorrelation estimator within 0.1 cents."""
    samples = tone(f0_hz, 1.0, snr_db=70)
    sound = parselmouth.Sound(samples, sampling_frequency=SR)
    pitch = sound.to_pitch_ac(time_step=0.01, pitch_floor=75.0, pitch_ceiling=900.0)
    values = pitch.selected_array["frequency"]
    theirs = float(np.median(values[values > 0]))
    ((_, measured),) = heard(with_silence(samples), "bowed")
    assert measured.sustain_hz is not None
    assert abs(cents(measured.sustain_hz, theirs)) < 0.1
