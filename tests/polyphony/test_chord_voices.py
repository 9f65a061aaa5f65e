"""Which notes of a chord stem sound beside a moment."""

import numpy as np

from planner.polyphony.chord_voices import Beside, Voice


def note(start_s: float, last_s: float) -> Voice:
    return Voice(
        start_s=start_s, last_s=last_s, f0_hz=100.0, b=0.0, share=1.0, soft=False,
        reach_s=(0.0, 0.1),
        worth=np.ones(5),
    )  # fmt: skip


def test_the_notes_beside_a_moment_are_those_that_a_look_at_all_would_give() -> None:
    """Two hundred notes in any order, among them long ones."""
    rng = np.random.default_rng(48101)
    starts = rng.uniform(0.0, 60.0, 200)
    voices = [note(float(s), float(s + rng.exponential(1.5))) for s in starts]
    beside = Beside(voices)
    for from_s in rng.uniform(0.0, 60.0, 50):
        to_s = float(from_s) + 0.3
        assert beside.sounding(float(from_s), to_s) == [
            k for k, v in enumerate(voices) if v.start_s <= to_s and v.last_s >= from_s
        ]


def test_a_stem_without_notes_has_none_beside() -> None:
    """Nothing sounds in it."""
    assert Beside([]).sounding(0.0, 1.0) == []
