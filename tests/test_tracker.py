"""The coarse track: the right octave from 35 Hz to 2.5 kHz, nothing where nothing is pitched."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.fft import dct
from tones.exact import (
    WHOLE_RANGE_HZ,
    bent,
    faded,
    laid_out,
    moments,
    steady,
    stem_of,
    tone,
    with_snr,
)

from planner.model import Floats, PitchTrack
from planner.pitch import midi_to_hz
from planner.track.frame_blocks import frame_blocks
from planner.tracker import HOP_S, attack_strength, frame_level_db, frame_power, track

SR = 16_000
# Spectra as unlike as instruments': full, odd partials only, weak first partial, nearly a sine.
SPECTRA = {
    "full": [1.0 / n for n in range(1, 21)],
    "odd": [(n % 2) / n for n in range(1, 21)],
    "weak first": [0.05, *[1.0 / n for n in range(2, 21)]],
    "almost a sine": [1.0, 0.02, 0.01],
}


def inside(pitch_track: PitchTrack, first_s: float, last_s: float) -> Floats:
    return pitch_track.f0_hz[round(first_s / HOP_S) : round(last_s / HOP_S)]


def octave_errors(f0_hz: Floats, true_hz: float) -> int:
    """Frames that are pitched and lie more than half a semitone off."""
    pitched = f0_hz[~np.isnan(f0_hz)]
    return int((np.abs(12 * np.log2(pitched / true_hz)) > 0.5).sum())


def one_note(f1_hz: float, spectrum: str = "full", snr_db: float = 30, seed: int = 1) -> Floats:
    rng = np.random.default_rng(seed)
    note = tone(steady(f1_hz, 0.6, SR), SR, rng, amplitudes=SPECTRA[spectrum])
    return laid_out([(0.1, faded(with_snr(note, snr_db, rng), SR))], 0.8, SR)


@pytest.mark.parametrize("f1_hz", [36.0, 41.2, 61.7, 110.0, 148.0, 155.0, 440.0, 1046.5, 2450.0])
@pytest.mark.parametrize("spectrum", ["full", "weak first", "almost a sine"])
def test_no_octave_errors_in_the_whole_range(f1_hz: float, spectrum: str) -> None:
    """Harmonic tones of any colour are pitched nearly throughout and never in another octave."""
    f0_hz = inside(track(stem_of(one_note(f1_hz, spectrum), SR)), 0.2, 0.6)
    assert octave_errors(f0_hz, f1_hz) == 0
    assert np.mean(~np.isnan(f0_hz)) > 0.95


@pytest.mark.parametrize("f1_hz", [73.4, 146.8, 587.3])
def test_odd_partials_alone_keep_their_octave(f1_hz: float) -> None:
    """A tone of odd partials, as of a low clarinet, is read at its first partial."""
    f0_hz = inside(track(stem_of(one_note(f1_hz, "odd"), SR)), 0.2, 0.6)
    assert octave_errors(f0_hz, f1_hz) == 0


def test_a_missing_fundamental_is_heard() -> None:
    """Partials 2 to 12 of 98 Hz are read at 98 Hz."""
    amplitudes = [0.0, *[1.0 / n for n in range(2, 13)]]
    rng = np.random.default_rng(2)
    note = faded(tone(steady(98.0, 0.6, SR), SR, rng, amplitudes=amplitudes), SR)
    f0_hz = inside(track(stem_of(laid_out([(0.1, note)], 0.8, SR), SR)), 0.2, 0.6)
    assert octave_errors(f0_hz, 98.0) == 0
    assert not np.isnan(f0_hz).any()


@pytest.mark.parametrize("f1_hz", [55.0, 220.0, 1760.0])
def test_the_track_is_good_to_a_few_cents(f1_hz: float) -> None:
    """The median of a clean steady tone lies within five cents of the truth."""
    f0_hz = inside(track(stem_of(one_note(f1_hz), SR)), 0.2, 0.6)
    assert abs(1200 * np.log2(np.median(f0_hz) / f1_hz)) < 5


def test_a_vibrato_is_followed() -> None:
    """The track goes along with a vibrato of 60 cents."""
    t = moments(1.0, SR)
    line = bent(330.0, 60 * np.sin(2 * np.pi * 5.5 * t))
    pitch_track = track(stem_of(faded(tone(line, SR, np.random.default_rng(3)), SR), SR))
    f0_hz = inside(pitch_track, 0.1, 0.9)
    truth = line[np.round(np.arange(20, 20 + len(f0_hz)) * HOP_S * SR).astype(int)]
    assert np.abs(1200 * np.log2(f0_hz / truth)).max() < 15


@pytest.mark.parametrize("kind", ["white", "hiss", "silence", "clicks"])
def test_nothing_pitched_is_nothing(kind: str) -> None:
    """Noise, hiss, silence and clicks are hardly ever called pitched."""
    rng = np.random.default_rng(4)
    noise = 0.1 * rng.standard_normal(2 * SR)
    clicks = np.zeros(2 * SR)
    clicks[[3000, 9000, 13_500, 20_000, 29_000]] = 0.5
    samples = {
        "white": noise,
        "hiss": np.diff(noise, prepend=0.0),
        "silence": np.zeros(2 * SR),
        "clicks": clicks,
    }[kind]
    assert np.mean(~np.isnan(track(stem_of(samples, SR)).f0_hz)) < 0.02


def test_what_moves_slowly_has_no_pitch() -> None:
    """An offset that comes within a tenth of a second, as one taken out around it leaves it.

    A constant repeats after any time, and what hardly moves nearly does.
    """
    slow = np.cumsum(np.hanning(round(0.15 * SR)))
    samples = np.concatenate([np.zeros(SR // 4), 0.1 * slow / slow.max(), np.zeros(SR // 4)])
    assert np.isnan(track(stem_of(samples, SR)).f0_hz[: round(0.38 / HOP_S)]).all()


def test_candidates_outside_the_range_are_not_offered() -> None:
    """A stem that cannot play a note is not said to play it."""
    stem = stem_of(one_note(110.0), SR, range_hz=(190.0, 1500.0))
    f0_hz = track(stem).f0_hz
    pitched = f0_hz[~np.isnan(f0_hz)]
    assert ((pitched > 185.0) & (pitched < 1540.0)).all()


@pytest.mark.parametrize("frames", [0, 1, 37, 4000])
def test_one_frame_every_hop(frames: int) -> None:
    """All arrays have one frame per 5 ms, the first on sample 0, and cannot be written to."""
    pitch_track = track(stem_of(np.zeros(frames * 80), SR))
    arrays = (pitch_track.f0_hz, pitch_track.strength, pitch_track.level_db, pitch_track.attack)
    assert {len(a) for a in arrays} == {frames + 1}
    assert not any(a.flags.writeable for a in arrays)
    assert pitch_track.hop_s == HOP_S


def test_a_long_silence_offers_no_period() -> None:
    """Eight seconds of a tone 70 dB under two notes are not even looked at; the notes are heard."""
    note = one_note(220.0)
    faint = 1e-4 * np.sin(2 * np.pi * 300.0 * moments(8.0, SR))
    pitch_track = track(stem_of(np.concatenate([note, faint, note]), SR))
    middle = round((len(note) / SR + 4.0) / HOP_S)
    assert np.isnan(pitch_track.f0_hz[middle - 600 : middle + 600]).all()
    assert pitch_track.strength[middle] == 0.0
    for at in (len(note) // 160, len(pitch_track.f0_hz) - len(note) // 160):
        assert pitch_track.f0_hz[at] == pytest.approx(220.0, rel=0.005)


def test_the_level_is_rms_dbfs() -> None:
    """A sine of amplitude 0.5 is at -9.03 dBFS RMS; silence stands at the floor of -120."""
    samples = np.concatenate([np.zeros(SR), 0.5 * np.sin(2 * np.pi * 500 * moments(1.0, SR))])
    level_db = frame_level_db(samples, SR, 401, window_s=0.032)
    assert level_db[300] == pytest.approx(-9.03, abs=0.02)
    assert level_db[100] == -120.0


def test_an_attack_stands_out_and_a_vibrato_does_not() -> None:
    """A note's start rises far above anything in the wide vibrato that follows (Böck 2013)."""
    t = moments(1.5, SR)
    line = bent(440.0, 80 * np.sin(2 * np.pi * 6 * t))
    note = faded(tone(line, SR, np.random.default_rng(5)), SR)
    curve = attack_strength(laid_out([(0.5, note)], 2.2, SR), SR, 441)
    start = round(0.5 / HOP_S)
    assert abs(int(np.argmax(curve)) - start) <= 4
    assert curve[start + 20 : start + 280].max() < 0.25 * curve.max()
    assert curve[: start - 10].max() == 0.0


# ------------------------------------------------------------------------------ laws


@settings(max_examples=6, deadline=None, derandomize=True)
@given(gain_db=st.floats(-40.0, 5.0), midi=st.integers(30, 96))
def test_the_level_changes_nothing(gain_db: float, midi: int) -> None:
    """A louder or softer stem has the same pitch, frame by frame."""
    samples = one_note(midi_to_hz(midi), seed=midi)
    plain = track(stem_of(samples, SR)).f0_hz
    scaled = track(stem_of(samples * 10 ** (gain_db / 20), SR)).f0_hz
    both = ~np.isnan(plain) & ~np.isnan(scaled)
    assert np.abs(1200 * np.log2(plain[both] / scaled[both])).max() < 1.0
    assert np.mean(np.isnan(plain) != np.isnan(scaled)) < 0.02


@settings(max_examples=6, deadline=None, derandomize=True)
@given(hops=st.integers(1, 200), midi=st.integers(30, 96))
def test_a_delay_by_whole_hops_only_shifts(hops: int, midi: int) -> None:
    """Silence put before a stem shifts its track by as many frames."""
    samples = one_note(midi_to_hz(midi), seed=midi)
    plain = track(stem_of(samples, SR)).f0_hz
    later = track(stem_of(np.concatenate([np.zeros(hops * 80), samples]), SR)).f0_hz[hops:]
    both = ~np.isnan(plain) & ~np.isnan(later)
    assert np.abs(1200 * np.log2(plain[both] / later[both])).max() < 0.5
    assert np.mean(np.isnan(plain) != np.isnan(later)) < 0.02


def test_the_range_is_the_tools_own() -> None:
    """The range tested here is the one that the roles promise."""
    from planner.words.roles import TOOL_HIGH_HZ, TOOL_LOW_HZ

    assert WHOLE_RANGE_HZ == (TOOL_LOW_HZ, TOOL_HIGH_HZ)


@pytest.mark.parametrize("longest", [100, 231, 320, 321])
def test_what_overlapping_frames_share_adds_up(longest: int) -> None:
    """Each frame's autocorrelation from shared products is numpy's own, to single precision."""
    rng = np.random.default_rng(longest)
    sound = np.cumsum(rng.normal(size=16_000)).astype(np.float32)
    for _, block in frame_blocks(sound, 1280, 80, 201, lead=640):
        power, size = frame_power(block, 80, longest)
        here = dct(power, type=1, axis=1)[:, : longest + 1] / size
        for frame, correlation in zip(block, here, strict=True):
            exact = np.correlate(frame.astype(float), frame.astype(float), "full")[1279:]
            off = np.abs(correlation - exact[: longest + 1]).max()
            assert off <= 2e-6 * max(exact[0], 1e-6)
