"""When a pitch has come to its sustain: lines whose arrival follows from how they are made."""

import numpy as np
import pytest

from planner.measure.arrival import arrival_s, settled_span
from planner.measure.vibrato import find_vibrato
from planner.model import Floats

T_S = np.arange(0.01, 1.2, 0.005)
SUSTAIN_S = (0.15, 1.0)


def scoop(from_cents: float, time_s: float) -> Floats:
    line: Floats = -from_cents * np.exp(-T_S / time_s)
    return line


def wavering(cents: float, seed: int) -> Floats:
    """A slow random waver with this standard deviation, as a voice has it: about 5 Hz wide."""
    rng = np.random.default_rng(seed)
    smooth = np.convolve(rng.normal(size=len(T_S) + 40), np.hanning(41), mode="valid")
    line: Floats = cents * smooth / smooth.std()
    return line[: len(T_S)]


@pytest.mark.parametrize(("deep", "time_s"), [(20.0, 0.08), (60.0, 0.05), (150.0, 0.06)])
def test_a_rise_has_arrived_within_five_cents(deep: float, time_s: float) -> None:
    """deep exp(-t / time) comes to 5 cents at time ln(deep / 5)."""
    arrived = arrival_s(T_S, scoop(deep, time_s), SUSTAIN_S, None)
    assert arrived == pytest.approx(time_s * np.log(deep / 5.0), abs=0.006)


def test_what_wavers_later_does_not_put_the_arrival_off() -> None:
    """A rise of 60 cents with 50 ms is no late one (0.35 s) though the note wavers all along."""
    lines = [scoop(60.0, 0.05) + wavering(4.0, seed) for seed in range(40)]
    arrived = [arrival_s(T_S, line, SUSTAIN_S, None) for line in lines]
    assert max(at if at is not None else 9.0 for at in arrived) < 0.3
    # Near is two of the waver's standard deviations, 8 cents: 0.05 s ln(60 / 8).
    assert np.median([at for at in arrived if at is not None]) == pytest.approx(0.10, abs=0.02)


def test_an_end_that_sags_does_not_put_the_arrival_off() -> None:
    """What runs off in the last third came to its pitch all the same."""
    sag = np.where(T_S > 0.8, -60.0 * (T_S - 0.8), 0.0)
    assert arrival_s(T_S, scoop(60.0, 0.05) + sag, SUSTAIN_S, None) == pytest.approx(
        0.124, abs=0.02
    )


def test_vibrato_that_begins_later_does_not_put_the_arrival_off() -> None:
    """A swing of 30 cents from 0.4 s on, fitted later, is not taken out before it began."""
    swing = np.where(T_S > 0.4, 30.0 * np.sin(2 * np.pi * 6.0 * (T_S - 0.4)), 0.0)
    first_s, last_s = SUSTAIN_S
    inside = (first_s <= T_S) & (last_s >= T_S)
    vibrato = find_vibrato(T_S[inside], swing[inside], 0.02)
    assert vibrato is not None
    arrived = arrival_s(T_S, scoop(60.0, 0.05) + swing, SUSTAIN_S, vibrato)
    # Told to a quarter of a swing.
    assert arrived == pytest.approx(0.124, abs=0.25 / 6.0)


def test_a_late_arrival_is_late() -> None:
    """A straight rise of 40 cents over 0.6 s is near after 0.525 s, also where it wavers."""
    rise = np.minimum(0.0, 40.0 * (T_S / 0.6 - 1.0))
    assert arrival_s(T_S, rise, SUSTAIN_S, None) == pytest.approx(0.525, abs=0.01)
    late = [arrival_s(T_S, rise + wavering(2.5, seed), SUSTAIN_S, None) for seed in range(20)]
    assert all(at is not None and 0.4 < at < 0.65 for at in late)


def test_what_passes_through_has_not_arrived() -> None:
    """A rise that shoots past its pitch and comes back 0.3 s later has arrived when it is back."""
    line = np.interp(T_S, [0.0, 0.1, 0.2, 0.4, 0.5], [-60.0, 0.0, 40.0, 40.0, 0.0])
    arrived = arrival_s(T_S, line, SUSTAIN_S, None)
    assert arrived == pytest.approx(0.4875, abs=0.01)


def test_what_never_stays_has_not_arrived() -> None:
    """A line that runs through its mean in a second has no arrival."""
    assert arrival_s(T_S, 200.0 * (T_S - 0.575), SUSTAIN_S, None) is None


def test_a_window_loses_a_way_of_more_than_a_quarter_tone() -> None:
    """A scoop of 300 cents that has 90 left as the window begins, and a fall as far at its end."""
    first_s, last_s = settled_span(T_S, scoop(300.0, 0.125), SUSTAIN_S)
    assert 5.0 < 300.0 * np.exp(-first_s / 0.125) < 10.0
    assert last_s == SUSTAIN_S[1]
    falls = np.maximum(T_S - 0.9, 0.0) * -1000.0
    assert settled_span(T_S, falls, SUSTAIN_S) == pytest.approx((0.15, 0.905), abs=0.01)


def test_a_window_keeps_smaller_ways_vibrato_and_what_never_stays() -> None:
    """A sharp attack of 40 cents at 150 ms, a vibrato of 80 cents, a glide from end to end.

    And a swing too short to be told as vibrato: a sung note of 0.4 s had been read 50 cents high.
    """
    swing = 80.0 * np.sin(2 * np.pi * 5.5 * T_S)
    once = swing * (T_S > 0.6) * (T_S < 0.8)
    for line in (-scoop(130.0, 0.13), swing, once, 400.0 * T_S):
        assert settled_span(T_S, line, SUSTAIN_S) == SUSTAIN_S


def test_a_string_pulled_and_let_go_is_judged_where_it_is_held() -> None:
    """A semitone up within 0.12 s, held for 0.4 s, and back down: neither way is in the window.

    As the window begins, the pitch lies nearer to where it ends than to what is held.
    """
    line = np.interp(T_S, [0.1, 0.22, 0.62, 0.74], [0.0, 100.0, 100.0, 0.0])
    assert settled_span(T_S, line, (0.15, 0.9)) == pytest.approx((0.22, 0.62), abs=0.03)
