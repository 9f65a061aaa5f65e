"""Mains hum taken out of stems, against hum that was put there."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from tones.exact import laid_out, moments, steady, tone, with_floor
from tones.struck import struck

from planner.edges.hearing import hear_stem
from planner.leaks.mains_hum import without_hum
from planner.model import Floats
from planner.pitch import midi_to_hz
from planner.words.session_model import StemSpec

SR = 16_000
# Odd multiples are the louder ones of a single coil's hum (common practice, no source).
LINES = {1: 1.0, 2: 0.5, 3: 0.6, 4: 0.2, 5: 0.35, 6: 0.15, 7: 0.25, 9: 0.15, 11: 0.1}


def hum(
    length_s: float, mains_hz: float, lines: dict[int, float], wander_hz: float = 0.0
) -> Floats:
    """Hum whose frequency goes up and down once in 47 s; the loudest line has amplitude 1."""
    t = moments(length_s, SR)
    turn = 2 * np.pi * np.cumsum(mains_hz + wander_hz * np.sin(2 * np.pi * t / 47)) / SR
    return np.sum([a * np.cos(n * turn + n**2) for n, a in lines.items()], axis=0)


@cache
def chords(seed: int, length_s: float = 24.0) -> Floats:
    """Piano chords a second and a half apart, held for 1.2 s."""
    rng = np.random.default_rng(seed)
    pieces = []
    for at_s in np.arange(0.5, length_s - 2.0, 1.5):
        root = int(rng.integers(43, 67))
        for midi in (root, root + 4, root + 7):
            key = struck(float(midi_to_hz(float(midi))), (0.0,), 1.2, rng)
            pieces.append((float(at_s), 0.1 * key / np.abs(key).max()))
    return with_floor(laid_out(pieces, length_s, SR), -75.0, rng)


@pytest.mark.parametrize(
    ("mains_hz", "wander_hz"), [(50.03, 0.0), (59.98, 0.01), (49.8, 0.02), (60.5, 0.0)]
)
def test_hum_goes_and_the_chords_stay(mains_hz: float, wander_hz: float) -> None:
    """Of hum 30 dB under chords with rests less than a twentieth of the power is left."""
    played = chords(1)
    put = 10**-1.5 * np.std(played) * hum(24.0, mains_hz, LINES, wander_hz)
    got, told = without_hum((played + put).astype(np.float32), SR)
    assert told is not None
    mean_hz = mains_hz + wander_hz * float(np.mean(np.sin(2 * np.pi * moments(24.0, SR) / 47)))
    assert told.mains_hz == pytest.approx(mean_hz, abs=0.005)
    assert told.level_dbfs == pytest.approx(10 * np.log10(2 * np.mean(put**2)), abs=1.0)
    inside = slice(SR, -SR)  # its ends are known less well
    assert np.mean((got - played)[inside] ** 2) < 0.05 * np.mean(put**2)


def test_what_has_no_hum_is_left_as_it_is() -> None:
    """Chords alone, a drone on G1 under them, and steady tones keep every sample."""
    t = moments(24.0, SR)
    played = chords(2)
    drone = sum(0.01 / n * np.cos(2 * np.pi * n * 49.0 * t) for n in range(1, 12))
    a4 = sum(0.01 / n * np.cos(2 * np.pi * n * 440.0 * t) for n in range(1, 12))
    rng = np.random.default_rng(3)
    own = 0.2 * tone(steady(100.0, 24.0, SR), SR, rng)  # as loud as anything: music
    for samples in (played, played + drone, played + a4, own, np.zeros(24 * SR)):
        got, told = without_hum(samples.astype(np.float32), SR)
        assert told is None
        assert np.array_equal(got, samples.astype(np.float32))


@pytest.mark.parametrize(
    ("lines", "found"), [((1, 3, 5), True), ((1, 3), False), ((1, 3, 15), False)]
)
def test_edge_of_what_is_hum(lines: tuple[int, ...], found: bool) -> None:
    """Three lines among the first ten multiples are hum, two are not."""
    put = 10**-1.5 * np.std(chords(1)) * hum(24.0, 50.0, dict.fromkeys(lines, 1.0))
    _, told = without_hum((chords(1) + put).astype(np.float32), SR)
    assert (told is not None) == found


@pytest.mark.parametrize(("length_s", "found"), [(9.9, False), (10.1, True)])
def test_edge_of_what_is_long_enough(length_s: float, found: bool) -> None:
    """In less than ten seconds a held note may stand as well."""
    put = 10**-1.5 * np.std(chords(1)) * hum(length_s, 50.0, LINES)
    samples = (chords(1)[: len(put)] + put).astype(np.float32)
    assert (without_hum(samples, SR)[1] is not None) == found


@pytest.mark.parametrize(("under_db", "found"), [(10.0, False), (15.0, True)])
def test_edge_of_what_is_loud_enough_to_be_music(under_db: float, found: bool) -> None:
    """What lies less than 12 dB under the loud seconds of a stem is played."""
    played = with_floor(
        0.3 * tone(steady(233.0, 24.0, SR), SR, np.random.default_rng(4)), -75.0,
        np.random.default_rng(5),
    )  # fmt: skip
    put = hum(24.0, 50.0, LINES)
    put *= 10 ** (-under_db / 20) * np.std(played) / np.std(put)
    assert (without_hum((played + put).astype(np.float32), SR)[1] is not None) == found


def test_chords_under_hum_have_their_own_notes(tmp_path: Path) -> None:
    """A piano with hum 30 dB under it has the same notes as without, and is told of."""
    played = chords(6)
    put = 10**-1.5 * np.std(played) * hum(24.0, 50.03, LINES, 0.01)
    spec = StemSpec(code="PNO", file="x.wav", role="tuning-reference")
    heard = []
    for name, samples in (("clean.wav", played), ("hum.wav", played + put)):
        soundfile.write(tmp_path / name, samples, SR, subtype="FLOAT")
        heard.append(hear_stem(spec, tmp_path / name, name))
    clean, dirty = heard
    assert len(dirty.notes) == len(clean.notes) > 30
    for (one, _), (other, _) in zip(clean.notes, dirty.notes, strict=True):
        assert abs(one.start_s - other.start_s) < 0.02
        assert abs(1200 * np.log2(one.pitch_hz / other.pitch_hz)) < 3.0
    assert not clean.findings
    assert "multiples of 50 Hz" in dirty.findings[0].what
