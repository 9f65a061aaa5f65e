"""Pitch against loudness: the published level term, and which notes are told."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from invented_plan import judged, plan

from planner.analyzer import upper_partials_db
from planner.measure.partial_series import FoundPartials
from planner.words.plan_model import Judged
from planner.write.loudness_pitch import level_lines, level_shift_cents, moves_with_level_cents


# The level term of Terhardt, Stoll and Seewann (JASA 71, 1982, 679), v = 2e-4 (L - 60)(f - 2), in
# cents: table computed from the formula as it stands in Terhardt's own program ptp2svp. Textbooks
# give "about 20 cents" down for 200 Hz and "over 30" up for 6 kHz from 60 to 90 dB.
@pytest.mark.outside
@pytest.mark.parametrize(
    ("hz", "level_db", "cents"),
    [
        (100, 40, 13.11), (200, 50, 6.22), (200, 90, -18.80), (440, 80, -10.84),
        (1000, 100, -13.91), (2000, 40, 0.0), (2000, 100, 0.0), (3000, 90, 10.36),
        (4000, 80, 13.79), (6000, 90, 41.06), (6000, 40, -27.92), (440, 60, 0.0),
    ],
)  # fmt: skip
def test_level_term_is_the_published_one(hz: float, level_db: float, cents: float) -> None:
    """Low tones fall, high tones rise with loudness; nothing moves at 2 kHz or at 60 dB."""
    assert level_shift_cents(hz, level_db) == pytest.approx(cents, abs=0.006)


def pure(upper_db: float | None, midi: int = 50, hz: float = 147.0, **changes: Any) -> Judged:
    note = judged(f"GLK-{midi:04d}", midi, **changes)
    measurement = replace(note.measured.measurement, upper_partials_db=upper_db, heard_hz=hz)
    return replace(note, measured=replace(note.measured, measurement=measurement))


def test_only_nearly_pure_notes_are_marked() -> None:
    """Partials 20 dB down in all mark a note; a rich one, or one not measured, is not."""
    assert moves_with_level_cents(pure(-20.0)) == pytest.approx(-12.9, abs=0.2)
    assert moves_with_level_cents(pure(-19.9)) is None
    assert moves_with_level_cents(pure(None)) is None


def test_they_are_told_as_advice_by_stem() -> None:
    """One sentence a stem: how many, from where to where, which way, and that it is no edit."""
    made = plan(judged=(pure(-30.0), pure(-40.0, 52, 165.0), judged("LV-0001")))
    (line,) = level_lines(made)
    assert line.startswith("GLK: 2 notes with hardly any partials (D3 to E3). Such tones can seem")
    assert "13 cents lower at 85 than at 65 dB SPL" in line
    assert "No figure of the edit list contains this." in line


def test_small_shifts_are_not_told() -> None:
    """Near 2 kHz even a pure tone stays where it is: nothing is said."""
    assert level_lines(plan(judged=(pure(-40.0, 96, 2093.0),))) == []


def test_partials_are_weighed_by_power() -> None:
    """Two partials at a tenth of the first's amplitude are 17 dB under it; none is at most -60."""

    def found(amplitudes: list[float]) -> FoundPartials:
        numbers = np.arange(1, len(amplitudes) + 1)
        return FoundPartials(
            numbers=numbers, f_hz=100.0 * numbers, variance=np.full(len(numbers), 1e-4),
            amplitudes=np.array(amplitudes),
        )  # fmt: skip

    assert upper_partials_db(found([1.0, 0.1, 0.1])) == pytest.approx(-17.0, abs=0.05)
    assert upper_partials_db(found([1.0])) == -60.0
    assert upper_partials_db(found([0.0, 1.0])) is None
