"""Stated uncertainties tell the truth, and a firm note is not far off.

The bars are the project's own: of a normal error one standard deviation covers 68 of a hundred
cases and two cover 95; wider limits here, because three sessions hold some three hundred notes.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bench.calibration import CODES, FAR_CENTS, coverage, graded, worsen
from bench.rooms import hear
from sessions.random_session import make_session
from sessions.score import Tally

CONDITIONS = {"as made": (None, None), "noise": (25.0, None), "bleed": (None, 30.0)}


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Tally]:
    """Tallies of three sessions, one in each condition, by stem and grade."""
    totals: dict[tuple[str, str], Tally] = {}
    for seed, (noise_db, bleed_db) in enumerate(CONDITIONS.values(), start=31):
        folder: Path = tmp_path_factory.mktemp(f"session_{seed}")
        truth = make_session(seed, folder / "session")
        worsen(truth, noise_db, bleed_db, seed)
        for key, tally in graded(truth).items():
            totals[key] = totals[key] + tally if key in totals else tally
    return totals


@pytest.mark.parametrize("what", ["sustain", "onset"])
@pytest.mark.parametrize("code", CODES)
def test_uncertainties_cover_the_errors(
    measured: dict[tuple[str, str], Tally], code: str, what: str
) -> None:
    """One stated uncertainty covers about two errors in three, two cover nearly all."""
    pairs = getattr(measured[code, "firm"], what)
    assert len(pairs) >= 25
    once, twice = coverage(pairs)
    assert 0.5 <= once <= 0.92
    assert twice >= 0.85


def test_a_firm_note_is_not_far_off(measured: dict[tuple[str, str], Tally]) -> None:
    """Of some three hundred firm notes at most two are over 5 cents off: notes taken as one."""
    firm = [pair for code in CODES for pair in measured[code, "firm"].sustain]
    assert len(firm) > 250
    assert sum(abs(error) > FAR_CENTS for error, _ in firm) <= 2


@pytest.fixture(scope="module")
def in_rooms() -> dict[str, Tally]:
    """Tallies of two parts of each kind in rooms as strong as a distant microphone's."""
    places = ((31, 0.35), (32, 0.8))
    heard = {code: [hear(seed, code, rt60_s).tally for seed, rt60_s in places] for code in CODES}
    return {code: first + second for code, (first, second) in heard.items()}


@pytest.mark.parametrize("what", ["sustain", "onset"])
@pytest.mark.parametrize("code", CODES)
def test_uncertainties_cover_the_errors_in_rooms(
    in_rooms: dict[str, Tally], code: str, what: str
) -> None:
    """Reverberation 12 dB under the sound, and the note before in it, are part of the doubt."""
    once, twice = coverage(getattr(in_rooms[code], what))
    assert once >= 0.5
    assert twice >= 0.85
