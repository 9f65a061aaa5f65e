"""Recorded notes measure the same once they are changed in ways that leave their pitch known.

The samples are those of the soundfont that pretty_midi ships; no truth is needed.
"""

import numpy as np
import pytest
from bench.consistency import QUIET_S, SR, Pair, changes, compared, line, measure
from recorded_samples import between_quiet, recorded_sample

from planner.model import Floats, Role

RECORDED: tuple[tuple[str, Role], ...] = (
    ("Violin C4", "bowed"),
    ("FluteE5", "woodwind"),
    ("TrumpC5", "brass"),
    ("AltoG", "woodwind"),
    ("Steel AcGtr G2", "fretted"),
    ("Fingered Bass G3", "bass-fretted"),
)


def sound(name: str) -> Floats:
    sample = recorded_sample(name, lasting_s=1.2)
    samples = np.interp(
        np.arange(0, 1.2, 1 / SR), np.arange(len(sample.samples)) / sample.sr, sample.samples
    )
    return between_quiet(0.5 * samples / np.abs(samples).max(), SR)


@pytest.fixture(scope="module")
def pairs() -> dict[str, list[Pair]]:
    """Sustains of all recordings by what was done to them, and all figures under "all"."""
    found: dict[str, list[Pair]] = {"all": []}
    for k, (name, role) in enumerate(RECORDED):
        samples = sound(name)
        other = sound(RECORDED[k - 1][0])
        before = measure(samples, SR, role)
        assert before[0][0].start_s == pytest.approx(QUIET_S, abs=0.06)
        for changed in changes(samples, other, np.random.default_rng(k)):
            after = measure(changed.samples, changed.sr, role)
            for what, some in compared(before, after, changed).items():
                found["all"] += some
                if what == "sustain":
                    found.setdefault(changed.how, []).extend(some)
    return found


@pytest.mark.parametrize("how", ["at 44.1 kHz", "20 dB softer", "upside down"])
def test_what_changes_no_pitch_changes_no_figure(pairs: dict[str, list[Pair]], how: str) -> None:
    """Rate, level and polarity leave sustains where they are, to a twentieth of a cent."""
    off = [abs(pair.difference_cents) for pair in pairs[how]]
    assert len(off) >= len(RECORDED)
    assert max(off) < 0.05


def test_doubts_cover_what_changes_do(pairs: dict[str, list[Pair]]) -> None:
    """Noise, bleed, rooms and moves by exact cents: 93 in 100 within twice both doubts."""
    within = [abs(p.difference_cents) <= 2.0 * p.doubt_cents for p in pairs["all"]]
    assert len(within) > 90
    assert np.mean(within) >= 0.93


def test_the_line_counts_what_is_covered() -> None:
    """One of two differences lies within its doubt, both within twice that."""
    some = [
        Pair(difference_cents=0.5, doubt_cents=1.0, confidence="firm"),
        Pair(difference_cents=-1.5, doubt_cents=1.0, confidence="firm"),
    ]
    assert "covered  50 and 100 %" in line(some)
    assert line([]) == "none"
