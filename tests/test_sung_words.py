"""Notes of sung words are found, which `tests.tones.singing` makes of a glottis and a tract."""

import numpy as np
from bench.waveguides import scores
from tones.singing import SINGERS, pulse_shapes, sung_words


def test_as_much_air_comes_as_goes() -> None:
    """The derivative of a flow sums to nothing over a cycle (Fant, Liljencrants and Lin 1985)."""
    for cycle in pulse_shapes():
        assert abs(cycle[:-1].sum()) < 1e-3 * np.abs(cycle).sum()


def test_most_notes_of_sung_words_are_found() -> None:
    """Of two lines of each voice; .94 before hums, scoops and rests were told from notes."""
    lines = [sung_words(singer, seed) for singer in SINGERS for seed in (3, 4)]
    f1, within, _, firm_and_none = np.mean([scores(line) for line in lines], axis=0)
    assert f1 > 0.955
    assert within > 0.97
    assert firm_and_none < 0.2
