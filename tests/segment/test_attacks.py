"""Something begins: struck, or rising out of silence."""

import numpy as np
import pytest
from tones.exact import bent, faded, laid_out, moments, steady, stem_of, tone, with_floor

from planner.demo.tones import SR as DEMO_SR
from planner.demo.tones import StringSound, mix, plucked
from planner.model import Floats
from planner.segment.attacks import attack_frames, pitched_level_db, rise_s
from planner.tracker import HOP_S, track

SR = 16_000


def plucks(starts: list[float], f1_hz: float) -> Floats:
    rng = np.random.default_rng(1)
    sounds = [(s, plucked(f1_hz, 0.35, StringSound(damp_s=0.01), rng)) for s in starts]
    return with_floor(0.5 * mix(sounds, starts[-1] + 0.8).samples, -75.0, rng)


@pytest.mark.parametrize("f1_hz", [98.0, 220.0, 660.0])
def test_every_stroke_is_an_attack(f1_hz: float) -> None:
    """Four strokes are four attacks, each within three frames of where it was made."""
    starts = [0.4, 1.0, 1.5, 2.2]
    pitch_track = track(stem_of(plucks(starts, f1_hz), DEMO_SR, "fretted"))
    frames = attack_frames(pitch_track, pitched_level_db(pitch_track))
    assert len(frames) == 4
    assert list(frames * HOP_S) == pytest.approx(starts, abs=0.015)


@pytest.mark.parametrize("f1_hz", [43.7, 49.0, 55.0])
def test_a_low_string_is_attacked_once_a_stroke(f1_hz: float) -> None:
    """A window of 32 ms holds less than two periods, and its level swings by 3 dB with them.

    Recorded basses were read as struck three times in 0.2 s on their lowest notes.
    """
    t = moments(2.0, SR)
    pulses = sum(np.cos(2 * np.pi * n * f1_hz * t) / (1 + 0.2 * n) for n in range(1, 16))
    note = faded(pulses * np.exp(-t / 1.5), SR, rise_s=0.003, fall_s=0.05)
    rng = np.random.default_rng(2)
    samples = with_floor(laid_out([(0.4, note)], 2.8, SR), -75.0, rng)
    pitch_track = track(stem_of(samples, SR, "bass-fretted"))
    inside = slice(round(0.6 / HOP_S), round(1.2 / HOP_S))
    level_db = pitched_level_db(pitch_track)
    swings = [np.diff(db[inside], 3).std() for db in (level_db, pitch_track.level_db)]
    assert swings[0] < 0.5 * swings[1]
    assert len(attack_frames(pitch_track, level_db, struck=True)) == 1


@pytest.mark.parametrize("again", [True, False])
@pytest.mark.parametrize("f1_hz", [110.0, 165.0])
def test_a_string_struck_again_through_an_amplifier_breaks_its_period(
    f1_hz: float, again: bool
) -> None:
    """A clipped level stays even; what is struck anew has other phases, what rings on its own."""
    rng = np.random.default_rng(6)
    lengths_s = [0.3] * 5 if again else [1.5]
    plucked_s = np.cumsum([0.3, *lengths_s[:-1]])
    strings = [
        (at_s, faded(tone(steady(f1_hz, s + 0.008, SR), SR, rng, decay_s=0.8), SR, rise_s=0.002))
        for at_s, s in zip(plucked_s, lengths_s, strict=True)
    ]
    samples = with_floor(0.3 * np.tanh(30.0 * laid_out(strings, 2.2, SR)), -70.0, rng)
    pitch_track = track(stem_of(samples, SR, "fretted"))
    frames = attack_frames(pitch_track, pitched_level_db(pitch_track), struck=True)
    assert list(frames * HOP_S) == pytest.approx(list(plucked_s), abs=0.015)


def test_a_steady_note_is_attacked_once() -> None:
    """While a note is held nothing begins, in vibrato neither."""
    t = moments(2.0, SR)
    line = bent(440.0, 45 * np.sin(2 * np.pi * 5.5 * t) * np.clip(t - 0.3, 0, 1))
    note = faded(tone(line, SR, np.random.default_rng(2)), SR, rise_s=0.01)
    samples = with_floor(laid_out([(0.4, note)], 2.8, SR), -70.0, np.random.default_rng(3))
    pitch_track = track(stem_of(samples, SR))
    frames = attack_frames(pitch_track, pitched_level_db(pitch_track))
    assert list(frames * HOP_S) == pytest.approx([0.4], abs=0.03)


def test_silence_has_no_attacks() -> None:
    """Nothing begins in silence, and a track of two frames breaks nothing."""
    for samples in (np.zeros(SR), np.zeros(100)):
        pitch_track = track(stem_of(samples, SR))
        assert len(attack_frames(pitch_track, pitched_level_db(pitch_track))) == 0


def test_the_pitched_level_leaves_noise_out() -> None:
    """Half as periodic is 3 dB less of what is pitched; a clean tone keeps its level."""
    rng = np.random.default_rng(4)
    clean = 0.3 * tone(steady(220.0, 1.0, SR), SR, rng)
    noisy = clean + rng.standard_normal(len(clean)) * np.sqrt(np.mean(clean**2))
    middle = slice(60, 140)
    for samples, under_db in ((clean, 0.0), (noisy, 3.0)):
        pitch_track = track(stem_of(samples, SR))
        under = (pitch_track.level_db - pitched_level_db(pitch_track))[middle]
        assert float(np.median(under)) == pytest.approx(under_db, abs=0.6)


# ------------------------------------------------------------------------------ where it rises


@pytest.mark.parametrize("rise", [0.001, 0.010, 0.030])
@pytest.mark.parametrize("f1_hz", [82.4, 330.0, 1200.0])
@pytest.mark.parametrize("early_s", [-0.015, 0.0, 0.015])
def test_the_rise_is_found_near_a_rough_guess(rise: float, f1_hz: float, early_s: float) -> None:
    """A start known to 15 ms is found within 8 ms, for attacks of 1 to 30 ms."""
    note = faded(tone(steady(f1_hz, 0.5, SR), SR, np.random.default_rng(6)), SR, rise_s=rise)
    samples = with_floor(laid_out([(0.4, note)], 1.2, SR), -70.0, np.random.default_rng(7))
    risen = rise_s(stem_of(samples, SR), 0.4 + early_s, f1_hz)
    assert risen is not None
    assert risen[0] == pytest.approx(0.4, abs=0.008)
    assert risen[1] < 0.003


def test_without_a_rise_none_is_told() -> None:
    """In a steady tone, and past the end of a stem, there is no rise to find."""
    samples = 0.3 * tone(steady(220.0, 1.0, SR), SR, np.random.default_rng(8))
    assert rise_s(stem_of(samples, SR), 0.5, 220.0) is None
    assert rise_s(stem_of(samples, SR), 1.2, 220.0) is None


def test_a_note_that_has_just_ended_hides_no_start() -> None:
    """A stroke 40 ms after a note as loud as itself is placed where it starts."""
    rng = np.random.default_rng(12)
    before = faded(tone(steady(196.0, 0.36, SR), SR, rng), SR)
    after = faded(tone(steady(262.0, 0.36, SR), SR, rng), SR, rise_s=0.002)
    samples = laid_out([(0.3, before), (0.7, after)], 1.4, SR)
    risen = rise_s(stem_of(samples, SR), 0.69, 262.0)
    assert risen is not None
    assert risen[0] == pytest.approx(0.7, abs=0.003)
