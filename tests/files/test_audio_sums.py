"""A constant offset, through a file or for some of it, is not heard as a note."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from tones.exact import faded, laid_out, steady, tone

from planner.edges.hearing import hear_stem
from planner.files.audio_sums import take_out_offset
from planner.words.session_model import StemSpec

SR = 16_000


@pytest.mark.parametrize("f_hz", [30.9, 41.2, 440.0])
@pytest.mark.parametrize("length_s", [1.0, 9.7])
def test_a_tone_is_left_and_what_stands_is_not(f_hz: float, length_s: float) -> None:
    """To 0.01 % of it, across the borders of the blocks that are worked on."""
    wave = (0.5 * np.sin(2 * np.pi * f_hz * np.arange(round(length_s * SR)) / SR + 1.0)).astype(
        "f4"
    )
    samples = wave + np.float32(0.03)
    take_out_offset(samples, SR)
    assert samples == pytest.approx(wave, abs=5e-5)


@pytest.mark.parametrize("count", [1, 700, 4801])
def test_what_is_shorter_than_a_mean_loses_its_own(count: int) -> None:
    """Nothing is left of a constant, however short."""
    samples = np.full(count, 0.25, dtype=np.float32)
    take_out_offset(samples, SR)
    assert not samples.any()


def test_an_offset_that_comes_and_goes_sounds_no_notes(tmp_path: Path) -> None:
    """Six notes, and a gate that lets an offset 24 dB under them through for half of the time."""
    note = faded(tone(steady(330.0, 0.5, SR), SR, np.random.default_rng(2)), SR)
    samples = laid_out([(0.5 + 2.0 * k, note) for k in range(6)], 12.5, SR)
    samples += 0.03 * (np.arange(len(samples)) // (2 * SR) % 2)
    soundfile.write(tmp_path / "gated.wav", samples, SR, subtype="PCM_24")
    spec = StemSpec(code="A", file="gated.wav", role="woodwind")
    heard = hear_stem(spec, tmp_path / "gated.wav", "gated.wav")
    assert [n.start_s for n, _ in heard.notes] == pytest.approx(
        [0.5 + 2.0 * k for k in range(6)], abs=0.02
    )


def test_what_comes_before_an_offset_is_left() -> None:
    """A note that brings its own does not seem to swell in before its stroke."""
    samples = np.zeros(2 * SR, dtype=np.float32)
    samples[SR:] = 0.05
    take_out_offset(samples, SR)
    assert not samples[:SR].any()
    assert np.abs(samples[SR + round(0.3 * SR) :]).max() < 1e-6
