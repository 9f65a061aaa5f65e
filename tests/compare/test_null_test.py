"""The null test on made-up bounces whose delay, gain and changed stretches are exact."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from planner.compare.note_pairs import Reading
from planner.compare.null_test import NullTest, piece_sums, untouched
from planner.edges.nulling import null_test
from tests.invented_plan import RULE, row

SR = 16000
Sound = NDArray[np.float64]


@cache
def made() -> Sound:
    """Plucked notes of other pitches every half second, over a floor 60 dB under them."""
    seconds = 12.0
    rng = np.random.default_rng(5)
    t = np.arange(round(seconds * SR)) / SR
    sound = 3e-4 * rng.standard_normal(len(t))
    for k in range(int(2 * seconds)):
        own = t - 0.5 * k
        tone = sum(np.sin(2 * np.pi * n * (110 + 17 * (k % 9)) * own) / n for n in range(1, 9))
        sound += np.where(own >= 0, 0.1 * tone * np.exp(-own / 0.2), 0.0)
    return sound


def line() -> Sound:
    return made().copy()


@pytest.fixture
def compared(tmp_path: Path) -> Callable[..., NullTest]:
    """Write an original and a bounce, and compare them."""

    def compare(bounce: Sound, *, original: Sound | None = None, subtype: str = "PCM_24",
                rows: tuple = (), notes: tuple = (), late_s: float = 0.0) -> NullTest:  # fmt: skip
        first = line() if original is None else original
        soundfile.write(tmp_path / "line.wav", first, SR, subtype="PCM_24")
        soundfile.write(tmp_path / "line_fix.wav", bounce, SR, subtype=subtype)
        return null_test(
            "LV", tmp_path / "line.wav", tmp_path / "line_fix.wav",
            rows=rows, notes=notes, late_s=late_s,
        )  # fmt: skip

    return compare


def test_the_same_sound(compared: Callable[..., NullTest]) -> None:
    """Nothing is left, over the whole file."""
    found = compared(line())
    assert found.passed
    assert (found.late_smp, found.gain_db, found.why_not) == (0.0, 0.0, "")
    assert found.compared_s == pytest.approx(12.0)
    assert found.null_db is not None
    assert found.null_db < -190


@pytest.mark.parametrize("late", [512, 1, -300, 7000])
@pytest.mark.parametrize("gain_db", [-1.94, 0.0, 6.0])
def test_delay_and_gain_are_made_up_for(
    compared: Callable[..., NullTest], late: int, gain_db: float
) -> None:
    """To the sample, and to a hundredth of a dB; both polarities."""
    x = line() * 10 ** (gain_db / 20)
    y = np.concatenate([np.zeros(late), x]) if late > 0 else x[-late:]
    found = compared(-y, original=line())
    assert found.late_smp == late
    assert found.late_s == pytest.approx(late / SR)
    assert found.gain_db == pytest.approx(gain_db, abs=0.01)
    assert found.turned_over
    assert not found.passed
    assert found.changed == ()
    assert found.null_db is not None
    assert found.null_db < -80  # 24 bits, and the sum of two roundings


def test_a_part_of_a_sample(compared: Callable[..., NullTest]) -> None:
    """A delay of 10.37 samples, made by the phases of its whole spectrum, is found and undone."""
    low = signal.sosfiltfilt(signal.butter(8, 0.7, output="sos"), line())
    low[:200] = low[-200:] = 0.0
    spectrum = np.fft.rfft(low)
    turned = spectrum * np.exp(-2j * np.pi * np.arange(len(spectrum)) / len(low) * 10.37)
    found = compared(np.fft.irfft(turned, len(low)), original=low)
    assert found.late_smp == pytest.approx(10.37, abs=0.002)
    assert found.changed == ()


def test_other_forms_of_file_are_the_same_sound(compared: Callable[..., NullTest]) -> None:
    """16 bits, noise 80 dB under full scale, and both sides of a stereo file."""
    noise = 1e-4 * np.random.default_rng(1).standard_normal(len(line()))
    for bounce, subtype in (
        (line(), "PCM_16"),
        (line() + noise, "PCM_24"),
        (np.stack([line(), line()], axis=1) * 0.5, "FLOAT"),
    ):
        found = compared(bounce, original=line(), subtype=subtype)
        assert found.changed == ()
        assert not found.rerendered


def spoiled(start_s: float, end_s: float, how: Callable[[Sound], Sound]) -> Sound:
    y = line()
    part = slice(round(start_s * SR), round(end_s * SR))
    y[part] = how(y[part])
    return y


@pytest.mark.parametrize(
    ("bounce", "how", "start_s", "end_s", "size"),
    [
        (spoiled(5.0, 7.0, lambda x: x * 10 ** (2.0 / 20)), "level", 5.0, 7.0, 2.0),
        (spoiled(5.04, 7.03, lambda x: x * 10 ** (-3.0 / 20)), "level", 5.0, 7.1, -3.0),
        (spoiled(5.0, 7.0, lambda x: x * np.linspace(1, 0.5, len(x))), "level", 5.0, 7.0, -5.9),
        (spoiled(5.0, 6.0, lambda x: 0.0 * x), "silent", 5.0, 6.0, None),
        (spoiled(5.0, 7.0, lambda x: np.roll(x, 48)), "later", 5.0, 7.0, 0.003),
        (spoiled(5.04, 7.03, lambda x: np.roll(x, -320)), "later", 5.0, 7.1, -0.02),
        (spoiled(5.0, 6.0, lambda x: np.roll(x, 4000)), "other", 5.0, 6.0, None),
    ],
)
def test_a_stretch_that_changed_is_told(
    compared: Callable[..., NullTest],
    bounce: Sound, how: str, start_s: float, end_s: float, size: float | None,
) -> None:  # fmt: skip
    """Where, and what: its level (steady, or a fade at its most), its place, a hole, another."""
    found = compared(bounce)
    assert [one.how for one in found.changed] == [how]
    one = found.changed[0]
    assert (one.start_s, one.end_s) == (pytest.approx(start_s, abs=0.11),
                                        pytest.approx(end_s, abs=0.11))  # fmt: skip
    if how == "level":
        assert one.level_db == pytest.approx(size, abs=0.1)
        assert one.steady == (size != -5.9)
    if how == "later":
        assert one.later_s == pytest.approx(size, abs=1e-4)
    assert found.null_db is not None
    assert found.null_db < -100
    assert not found.passed


def test_sound_where_there_was_silence(compared: Callable[..., NullTest]) -> None:
    """Something came in: a click, a voice from another file."""
    x = line()
    x[5 * SR : 7 * SR] = 0.0
    y = x.copy()
    y[6 * SR : 6 * SR + 1600] = 0.01
    found = compared(y, original=x)
    assert [(one.how, one.start_s) for one in found.changed] == [("added", 6.0)]


def test_a_file_that_was_rendered_anew(compared: Callable[..., NullTest]) -> None:
    """Where most of it has another sound no stretches are listed: no null is possible."""
    found = compared(signal.lfilter([1.0, -0.5], [1.0], line()))
    assert found.rerendered
    assert found.changed == ()
    other = compared(np.random.default_rng(9).standard_normal(12 * SR) * 0.1)
    assert other.rerendered


def reading(k: int) -> Reading:
    return Reading(
        id=f"LV-{k:04d}", stem="LV", start_s=0.5 * k, end_s=0.5 * k + 0.3, pitch_hz=220.0
    )


def note_row(k: int, **more: object) -> object:
    start, end = round(0.5 * k * SR), round((0.5 * k + 0.3) * SR)
    given = row(
        id=f"LV-{k:04d}", covers=(f"LV-{k:04d}",), start_smp=start, end_smp=end,
        crossfade_in_ms=20.0, crossfade_out_ms=30.0,
    )  # fmt: skip
    return replace(given, **more)


def test_edits_and_what_rings_on_from_them_are_left_aside(
    compared: Callable[..., NullTest],
) -> None:
    """An edited note is not compared; its ring may move with it; the next note may not."""
    notes = tuple(reading(k) for k in range(24))
    rows = (note_row(8),)
    inside = spoiled(4.0, 4.33, lambda x: np.roll(x, 7))
    found = compared(inside, rows=rows, notes=notes)
    assert found.passed
    assert found.reaching == 0
    assert found.compared_s == pytest.approx(12.0 - 0.45, abs=0.2)
    ring = compared(spoiled(4.0, 4.48, lambda x: np.roll(x, 7)), rows=rows, notes=notes)
    assert ring.passed
    assert ring.reaching == 1
    assert 0.0 < ring.reach_s < 0.2
    further = compared(spoiled(4.0, 5.2, lambda x: np.roll(x, 7)), rows=rows, notes=notes)
    assert not further.passed
    assert further.changed[0].end_s == pytest.approx(5.2, abs=0.11)


def test_where_nothing_is_asked() -> None:
    """A part's rule touches all of a file, a span's all between, others their notes."""
    spans = {"LV-0001": (1000, 2000), "LV-0002": (3000, 4000)}
    base = replace(RULE, covers=("LV-0001", "LV-0002"), start_smp=1000, end_smp=4000,
                   crossfade_in_ms=None, crossfade_out_ms=None)  # fmt: skip
    sr = 1000  # joins of 50 samples
    part, span, pitch = (replace(base, scope=s) for s in ("part", "span", "pitch"))
    assert untouched((part,), spans, 10000, sr) == ()
    assert untouched((span,), spans, 10000, sr) == ((0, 950), (4050, 10000))
    assert untouched((pitch,), spans, 10000, sr) == ((0, 950), (2050, 2950), (4050, 10000))
    for state in ("refused", "parked"):
        assert untouched((replace(part, state=state),), spans, 10000, sr) == ((0, 10000),)


@pytest.mark.parametrize("shape", ["fade", "rides"])
def test_a_level_that_moves_along_the_file_is_one_thing_to_say(
    compared: Callable[..., NullTest], shape: str
) -> None:
    """A fade over all of it, or levels ridden by hand, is told once with how far it goes."""
    t = np.arange(len(line())) / SR
    by_db = -0.5 * t if shape == "fade" else 1.5 * np.sin(2 * np.pi * t / 5.0)
    found = compared(line() * 10 ** (by_db / 20))
    assert not found.passed
    assert not found.rerendered
    assert found.changed == ()
    assert found.ride_db is not None
    ends = (-6.0, 0.0) if shape == "fade" else (-1.5, 1.5)
    assert found.ride_db == pytest.approx(ends, abs=0.15)


def test_a_hole_in_a_ridden_file_is_still_told(compared: Callable[..., NullTest]) -> None:
    """What is silent, or another sound, under a fade is a stretch of its own."""
    t = np.arange(len(line())) / SR
    faded = line() * 10 ** (-0.5 * t / 20)
    faded[round(4.0 * SR) : round(4.5 * SR)] = 0.0
    found = compared(faded)
    assert found.ride_db is not None
    assert [one.how for one in found.changed] == ["silent"]
    assert (found.changed[0].start_s, found.changed[0].end_s) == pytest.approx((4.0, 4.5), abs=0.11)


def test_a_step_of_level_over_less_than_half_is_a_stretch(
    compared: Callable[..., NullTest],
) -> None:
    """One verse a decibel softer is no ride: its place is what matters."""
    y = line()
    y[: round(4.0 * SR)] *= 10 ** (-1.0 / 20)
    found = compared(y)
    assert found.ride_db is None
    assert [one.how for one in found.changed] == ["level"]


def test_why_nothing_was_compared(compared: Callable[..., NullTest], tmp_path: Path) -> None:
    """Another rate, a rule over the part, silence: each is said."""
    whole = replace(RULE, scope="part")
    assert compared(line(), rows=(whole,)).why_not == "a rule moves the whole part"
    silence = np.zeros(12 * SR)
    assert compared(silence, original=silence).why_not == "there is silence outside the edits"
    soundfile.write(tmp_path / "other.wav", line(), 8000)
    found = null_test(
        "LV", tmp_path / "line.wav", tmp_path / "other.wav", rows=(), notes=(), late_s=0.0
    )
    assert found.why_not == "the bounce has another sample rate"
    everything = note_row(0, start_smp=0, end_smp=12 * SR - 100)
    assert compared(line(), rows=(everything,)).why_not == "edits cover nearly all of it"


def test_sums_leave_their_inputs() -> None:
    """Arrays come back as they went in."""
    x = np.random.default_rng(2).standard_normal((400, 2))
    before = x.copy()
    piece_sums(x, x, 100)
    assert np.array_equal(x, before)
