"""A short note an octave up is a note of its own; one that loses its odd partials is not."""

from __future__ import annotations

import numpy as np
import pytest
from tones.exact import found_notes, laid_out, moments, stem_of, with_floor

from planner.model import Floats
from planner.track.octave_leaps import with_octave_leaps

SR = 48_000


def frames(*stretches: tuple[int, float, float]) -> tuple[Floats, Floats, Floats]:
    """A track at 200 Hz: of each stretch its frames, and how well 200 and 400 Hz fit there."""
    fits = np.concatenate([np.tile([low, high], (count, 1)) for count, low, high in stretches])
    return np.full(len(fits), 200.0), np.tile([200.0, 400.0], (len(fits), 1)), fits


def struck(count: int, *at: int) -> Floats:
    """An attack curve with strokes at some frames."""
    curve = np.full(count, 0.01)
    curve[list(at)] = 0.5
    return curve


def read(
    stretches: list[tuple[int, float, float]], *, at: int, driven: bool, rises: bool = True
) -> list[float]:
    """The pitch of each stretch after the leaps have been put right."""
    f0_hz, offered_hz, fits = frames(*stretches)
    level_db = np.linspace(-20.0, -5.0 if rises else -30.0, len(f0_hz))
    out = with_octave_leaps(
        f0_hz, offered_hz, fits, struck(len(f0_hz), at), level_db, driven=driven
    )
    edges = np.cumsum([count for count, _, _ in stretches])[:-1]
    return [float(np.median(part)) for part in np.split(out, edges)]


LOW, HIGH = (40, 0.99, 0.2), (20, 0.99, 0.99)


@pytest.mark.parametrize("driven", [True, False])
def test_a_period_that_suddenly_fits_is_a_leap(driven: bool) -> None:
    """Low, high for 0.1 s, low again: the path stays below, the note was above."""
    assert read([LOW, HIGH, LOW], at=40, driven=driven) == [200.0, 400.0, 200.0]


def test_a_string_leaps_only_where_it_is_struck() -> None:
    """Where nothing is struck the odd partials of one string have died."""
    assert read([LOW, HIGH], at=5, driven=False) == [200.0, 200.0]
    assert read([LOW, HIGH], at=42, driven=False) == [200.0, 400.0]


def test_what_is_let_go_may_end_in_its_octave() -> None:
    """A bow that is let go fades in its even partials; a slur to the octave grows again."""
    assert read([LOW, HIGH], at=40, driven=True, rises=False) == [200.0, 200.0]
    assert read([LOW, HIGH], at=40, driven=True) == [200.0, 400.0]


def test_a_reed_that_speaks_in_its_octave_is_one_note() -> None:
    """What begins high and gives way to the low pitch without a gap is how some reeds begin."""
    assert read([HIGH, LOW], at=0, driven=True) == [200.0, 200.0]


@pytest.mark.parametrize("high_fits", [0.75, 0.9, 0.97])
def test_weak_odd_partials_are_still_there(high_fits: float) -> None:
    """Where the octave fits worse it stays: at 0.97 with odd partials 18 dB down."""
    assert read([LOW, (20, 0.99, high_fits), LOW], at=40, driven=False) == [200.0] * 3


def test_what_fits_more_and_more_is_no_leap() -> None:
    """Odd partials that die away slowly let the octave fit by and by."""
    slowly = [(8, 0.99, float(fits)) for fits in np.linspace(0.5, 0.69, 5)]
    assert set(read([LOW, *slowly, HIGH], at=80, driven=False)) == {200.0}


def pluck(f_hz: float, length_s: float) -> Floats:
    """A string that is damped at the end of its time."""
    t = moments(length_s, SR)
    partials = sum(np.exp(-t * n * 2.0) / n * np.sin(2 * np.pi * n * f_hz * t) for n in range(1, 9))
    return partials * np.clip(t / 0.002, 0, 1) * np.clip((length_s - t) / 0.03, 0, 1)


@pytest.mark.parametrize("f_hz", [146.8, 233.1, 329.6])
def test_a_short_octave_on_a_guitar_is_found(f_hz: float) -> None:
    """Quavers at the pitch, its octave, and the pitch again, each damped by the next."""
    line = [(0.3, f_hz), (0.42, 2 * f_hz), (0.54, f_hz)]
    sounds = [(at_s, pluck(hz, 0.15)) for at_s, hz in line]
    samples = with_floor(0.1 * laid_out(sounds, 1.2, SR), -75.0, np.random.default_rng(1))
    notes, _ = found_notes(stem_of(samples, SR, "fretted"))
    assert [round(12 * np.log2(note.pitch_hz / f_hz)) for note in notes] == [0, 12, 0]
    assert (
        np.abs([note.start_s - at_s for note, (at_s, _) in zip(notes, line, strict=True)]).max()
        < 0.01
    )
