"""Octave bands of a note before and after its edit: tones whose levels are exact."""

import numpy as np
import pytest

from planner.compare.edited_notes import band_levels_db, tone_change_db, tone_said
from planner.model import Floats

SR = 48_000
T_S = np.arange(round(0.8 * SR)) / SR


def sound(f_hz: float, levels_db: dict[int, float]) -> Floats:
    """Partials of a note with these levels, dB."""
    parts = [10 ** (db / 20) * np.sin(2 * np.pi * n * f_hz * T_S) for n, db in levels_db.items()]
    line: Floats = np.sum(parts, axis=0)
    return line


# One partial in each octave from 177 Hz to 5.7 kHz.
PLAIN = {1: 0.0, 2: -6.0, 4: -10.0, 8: -14.0, 16: -18.0}


def change(levels_db: dict[int, float], *, by_cents: float = 30.0, gain: float = 1.0) -> Floats:
    after = gain * sound(250.0 * 2 ** (by_cents / 1200), levels_db)
    return tone_change_db(
        band_levels_db(sound(250.0, PLAIN), SR), band_levels_db(after, SR, by_cents)
    )


def test_a_sine_at_full_scale_is_0_db() -> None:
    """At a midband (octaves from 125 Hz, IEC 61260-1) in that band alone, between two in both."""
    levels = band_levels_db(sound(1000.0, {1: 0.0}), SR)
    assert levels[3] == pytest.approx(0.0, abs=0.01)
    assert np.delete(levels, 3).max() < -55.0  # the lobe of the window
    between = band_levels_db(sound(1000.0 * 2**0.5, {1: 0.0}), SR)
    assert between[3:5] == pytest.approx([-3.01, -3.01], abs=0.02)


def test_a_band_beyond_the_rate_has_no_level() -> None:
    """At 16 kHz nothing can be said of the octave around 8 kHz."""
    assert np.isnan(band_levels_db(np.sin(np.arange(8000.0)), 16_000)).tolist() == [False] * 6 + [
        True
    ]


@pytest.mark.parametrize("by_cents", [-45.0, 0.0, 45.0])
@pytest.mark.parametrize("gain", [0.3, 1.0])
def test_a_move_and_a_gain_are_no_change_of_tone(by_cents: float, gain: float) -> None:
    """Partials that keep their levels among each other keep the tone, also at a band's edge."""
    assert np.nanmax(np.abs(change(PLAIN, by_cents=by_cents, gain=gain))) < 0.05
    at_edge = 250.0 * 2**0.5
    before = band_levels_db(sound(at_edge, PLAIN), SR)
    after = band_levels_db(sound(at_edge * 2 ** (by_cents / 1200), PLAIN), SR, by_cents)
    assert np.nanmax(np.abs(tone_change_db(before, after))) < 0.05


def test_what_is_dull_is_told_with_its_band() -> None:
    """The partial at 4 kHz 6 dB down: 6 dB less in that octave, and nothing else."""
    dull = change({**PLAIN, 16: -24.0})
    assert dull[5] == pytest.approx(-6.0, abs=0.1)
    assert tone_said({"LV-0001": dull}, {}) == [
        "the edit of LV-0001 changed its tone: 6 dB less around 4000 Hz, against the whole "
        "note; listen there"
    ]


def test_new_noise_where_nothing_was_is_told() -> None:
    """What was weak before and is not now counts."""
    noisy = sound(250.0, PLAIN) + np.random.default_rng(1).normal(size=len(T_S)) * 0.1
    found = tone_change_db(band_levels_db(sound(250.0, PLAIN), SR), band_levels_db(noisy, SR))
    assert tone_said({"LV-0001": found}, {})[0].count("dB more around 8000 Hz") == 1


def test_the_limit_is_told_from_beyond_it() -> None:
    """4 dB is not told, 4.1 is; and what the notes around changed as well is the file's."""
    change_db = np.full(7, np.nan)
    change_db[3] = 4.0
    assert tone_said({"A": change_db}, {}) == []
    change_db[3] = 4.1
    assert len(tone_said({"A": change_db}, {})) == 1
    assert tone_said({"A": change_db}, {"A": [change_db, change_db, np.zeros(7)]}) == []


def test_many_are_told_together() -> None:
    """More than three notes are counted, with the worst one's band."""
    changes = {f"LV-{k:04d}": np.array([0.0, 0, 0, 5.0 + k, 0, 0, 0]) for k in range(4)}
    (said,) = tone_said(changes, {})
    assert said.startswith("4 edited notes changed their tone, most of all LV-0003: 8 dB more")


def test_silence_says_nothing() -> None:
    """A note without a band has no tone to change."""
    assert tone_said({"A": np.full(7, np.nan)}, {"A": [np.full(7, np.nan)]}) == []
