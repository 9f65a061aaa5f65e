"""A steady tone in noise is measured nearly as well as its noise allows.

The bound: D. Rife and R. Boorstyn, IEEE Trans. Information Theory 20 (1974), for a sinusoid; summed
over partials tied to one pitch as in A. Nehorai and B. Porat, IEEE Trans. ASSP 34 (1986). From
memory; a known case beside it.
"""

import numpy as np
import pytest
from bench.limits import KINDS, read
from bench.peers import LENGTH_S, SR, case_of, cramer_rao_cents, ours
from tones.exact import cents_between, faded, steady, tone

PITCHES_HZ = np.geomspace(82.0, 880.0, 24)


def test_the_bound_of_a_known_case() -> None:
    """At 200 Hz and 20 dB, 0.7 s of twenty partials at 1/n: sd(w) = sqrt(24 s2 / (N^3 20))."""
    noise = 0.5 * sum(1.0 / n**2 for n in range(1, 21)) / 100.0
    count = (0.85 - 0.15) * SR
    by_hand = np.sqrt(24 * noise / (count**3 * 20.0)) * SR / (2 * np.pi * 200.0)
    assert cramer_rao_cents(200.0, 20.0) == pytest.approx(1200 / np.log(2) * by_hand, rel=0.01)


@pytest.mark.parametrize("snr_db", [60.0, 40.0, 20.0, 10.0])
def test_the_sustain_of_a_steady_tone(snr_db: float) -> None:
    """Over two dozen pitches the errors are those of twice the bound at most, none over 0.1 cents.

    By their median, of which a normal error's standard deviation is 1.48 times: one reading in
    two dozen slips at 10 dB (0.03 cents, 20 times its bound). Period-based estimators lie at 80
    times the bound and more (`tests/bench/peers.py`).
    """
    over = []
    for k, f1_hz in enumerate(PITCHES_HZ):
        rng = np.random.default_rng(k)
        line = steady(float(f1_hz), LENGTH_S, SR)
        note = faded(tone(line, SR, rng), SR)
        reading = ours(case_of(note, line, snr_db, "bowed", rng))
        assert reading.sustain_hz is not None
        error = cents_between(reading.sustain_hz, float(f1_hz))
        assert abs(error) < 0.1
        over.append(error / cramer_rao_cents(float(f1_hz), snr_db))
    assert 1.48 * float(np.median(np.abs(over))) < 2.0


def test_the_sustain_of_a_driven_stiff_string() -> None:
    """One of B 1e-3 that does not die away, 60 dB over the noise, is as good as all others.

    Its period is sharp by a tenth of a semitone: followed along that alone, partials leaked into
    each other, and a note of 42 Hz lay 38 times its bound off. With B unknown in the bound.
    """
    (kind,) = [kind for kind in KINDS if kind.name == "steady B 1e-3"]
    over = []
    for f1_hz in (42.4, 65.0, 95.7, 230.5):
        reading = read(kind, f1_hz, 60.0, np.random.default_rng(round(f1_hz)))
        assert reading.sustain is not None
        over.append(reading.sustain / reading.bound)
    assert float(np.sqrt(np.mean(np.square(over)))) < 2.0
