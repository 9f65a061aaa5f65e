"""Partials tell the pitch of a window: how exactly, how honestly, and when not at all."""

import numpy as np
import pytest
from numpy.typing import NDArray
from tones.exact import bent, cents_between, moments, steady, tone, with_snr

from planner.harmonics import fit_partials, on_circle, turned
from planner.measure.contour import (
    Contour,
    contour_of,
    follow_partials,
    partial_phases,
    partials_along,
)
from planner.measure.partial_series import FoundPartials, PartialFit, partial_ratios
from planner.model import Floats

SR = 16_000
TRIALS = 8


def onset_window_s(f1_hz: float) -> float:
    """The length of window in which an onset is measured."""
    return max(0.060, 5.0 / f1_hz)


def start_hz(f1_hz: float, b: float, rng: np.random.Generator) -> float:
    """A prior as good as a coarse track's: off by up to 15 cents."""
    return float(f1_hz / np.sqrt(1 + b) * 2 ** (rng.uniform(-15, 15) / 1200))


def fitted(samples: Floats, f0_hz: float, **how: object) -> PartialFit:
    fit = fit_partials(samples, SR, f0_hz, **how)  # type: ignore[arg-type]
    assert fit is not None
    return fit


def followed(samples: Floats, prior_hz: Floats, **how: float) -> Contour:
    contour = follow_partials(samples, SR, prior_hz, **how)  # type: ignore[arg-type]
    assert contour is not None
    return contour


# ------------------------------------------------------------------------------ the formula


def test_measured_partials_obey_the_two_partial_identity() -> None:
    """B from any two partials fitted is the B that all of them give together."""
    rng = np.random.default_rng(5)
    samples = with_snr(tone(steady(110.0, 0.3, SR), SR, rng, b=5e-4), 60, rng)
    fit = fitted(samples, 110.0, fit_b=True)
    f_hz = partial_ratios(fit.numbers, fit.b) * fit.f0_hz * (1 + fit.misfit_cents / 1731.234)
    by_number = dict(zip(fit.numbers.tolist(), f_hz.tolist(), strict=True))
    r = 2 * by_number[11] / (11 * by_number[2])
    assert (r**2 - 1) / (121 - 4 * r**2) == pytest.approx(5e-4, rel=0.01)
    assert fit.f1_hz == pytest.approx(fit.f0_hz * np.sqrt(1 + fit.b))


# ------------------------------------------------------------------------------ fit_partials


@pytest.mark.parametrize("snr_db", [60, 20, 10])
@pytest.mark.parametrize("b", [0.0, 3e-4, 1e-3])
@pytest.mark.parametrize("f1_hz", [41.2, 110.0, 440.0, 1760.0])
def test_errors_are_as_large_as_stated(f1_hz: float, b: float, snr_db: int) -> None:
    """With B known, errors are within twice the stated size; from 20 dB on none reaches a cent."""
    errors, stated = [], []
    for trial in range(TRIALS):
        rng = np.random.default_rng((trial, round(f1_hz), snr_db))
        line = steady(f1_hz, onset_window_s(f1_hz), SR)
        fit = fitted(with_snr(tone(line, SR, rng, b=b), snr_db, rng), start_hz(f1_hz, b, rng), b=b)
        errors.append(cents_between(fit.f1_hz, f1_hz))
        stated.append(fit.sd_cents)
    assert np.sqrt(np.mean(np.square(errors))) < 2 * np.sqrt(np.mean(np.square(stated)))
    if snr_db >= 20:
        assert np.abs(errors).max() < 1.0
    if snr_db == 60:
        assert np.abs(errors).max() < 0.02


@pytest.mark.parametrize("snr_db", [40, 20, 10])
@pytest.mark.parametrize("b", [1e-4, 1e-3])
@pytest.mark.parametrize("f1_hz", [41.2, 110.0, 440.0])
def test_stiffness_comes_out_of_a_quarter_second(f1_hz: float, b: float, snr_db: int) -> None:
    """With B unknown, B is within 10 % and the pitch within a cent, both near the stated size."""
    errors, stated, off_b, stated_b = [], [], [], []
    for trial in range(TRIALS):
        rng = np.random.default_rng((trial, round(f1_hz), snr_db))
        samples = with_snr(tone(steady(f1_hz, 0.25, SR), SR, rng, b=b), snr_db, rng)
        fit = fitted(samples, start_hz(f1_hz, b, rng), fit_b=True, most_partials=20)
        assert fit.b_sd is not None
        assert fit.b == pytest.approx(b, rel=0.10)
        errors.append(cents_between(fit.f1_hz, f1_hz))
        stated.append(fit.sd_cents)
        off_b.append(fit.b - b)
        stated_b.append(fit.b_sd)
    assert np.abs(errors).max() < 1.0
    assert np.sqrt(np.mean(np.square(errors))) < 2 * np.sqrt(np.mean(np.square(stated)))
    assert np.sqrt(np.mean(np.square(off_b))) < 2 * np.sqrt(np.mean(np.square(stated_b)))


@pytest.mark.parametrize("f1_hz", [41.2, 196.0, 440.0])
def test_no_stiffness_is_found_where_there_is_none(f1_hz: float) -> None:
    """On exact multiples B is 0 within four of its own standard deviations."""
    for trial in range(TRIALS):
        rng = np.random.default_rng(trial)
        samples = with_snr(tone(steady(f1_hz, 0.25, SR), SR, rng), 20, rng)
        fit = fitted(samples, start_hz(f1_hz, 0.0, rng), fit_b=True, most_partials=20)
        assert fit.b_sd is not None
        assert abs(fit.b) < 4 * fit.b_sd


def test_stiffness_is_measured_only_where_asked() -> None:
    """Where B is given, it is held and no uncertainty is claimed for it."""
    rng = np.random.default_rng(1)
    fit = fitted(tone(steady(220.0, 0.1, SR), SR, rng, b=2e-4), 220.0, b=2e-4)
    assert fit.b == 2e-4
    assert fit.b_sd is None


@pytest.mark.parametrize("f1_hz", [82.4, 220.0])
def test_the_fundamental_may_be_missing(f1_hz: float) -> None:
    """Partials 3 to 12 alone give the pitch of the first, which is not there."""
    for trial in range(TRIALS):
        rng = np.random.default_rng(trial)
        amplitudes = [0.0, 0.0, *[1.0 / n for n in range(3, 13)]]
        samples = tone(steady(f1_hz, onset_window_s(f1_hz), SR), SR, rng, amplitudes=amplitudes)
        fit = fitted(with_snr(samples, 20, rng), start_hz(f1_hz, 0.0, rng))
        assert abs(cents_between(fit.f1_hz, f1_hz)) < 0.7


@pytest.mark.parametrize("periods", [2.6, 3.0])
@pytest.mark.parametrize("f1_hz", [41.2, 110.0])
def test_a_few_periods_are_enough(f1_hz: float, periods: float) -> None:
    """Two and a half periods at 40 dB are measured within half a cent (no look outside them)."""
    for trial in range(TRIALS):
        rng = np.random.default_rng(trial)
        samples = with_snr(tone(steady(f1_hz, periods / f1_hz, SR), SR, rng), 40, rng)
        fit = fitted(samples, start_hz(f1_hz, 0.0, rng))
        assert abs(cents_between(fit.f1_hz, f1_hz)) < 0.5


@pytest.mark.parametrize(("f1_hz", "length_s"), [(41.2, 0.045), (110.0, 0.018), (880.0, 0.0015)])
def test_less_than_that_is_refused(f1_hz: float, length_s: float) -> None:
    """Windows of about two periods, or of a few samples, give no figure instead of a bad one."""
    samples = tone(steady(f1_hz, length_s, SR), SR, np.random.default_rng(1))
    assert fit_partials(samples, SR, f1_hz) is None


def test_a_decaying_window_is_not_biased() -> None:
    """Partials that die at different speeds leave the pitch of a short window where it is."""
    for trial in range(TRIALS):
        rng = np.random.default_rng(trial)
        line = steady(110.0, 0.06, SR)
        samples = tone(line, SR, rng, b=3e-4, decay_s=0.15, decay_tilt=0.3)
        fit = fitted(with_snr(samples, 60, rng), start_hz(110.0, 3e-4, rng), b=3e-4)
        assert abs(cents_between(fit.f1_hz, 110.0)) < 0.1


def test_a_pitch_law_takes_the_movement_out() -> None:
    """Along a known vibrato or glide the fit gives the pitch that the law's mean stands for."""
    t = moments(0.25, SR)
    for swing in (50 * np.sin(2 * np.pi * 5.5 * t + 1.0), -160 * t):
        line = bent(330.0, swing)
        samples = with_snr(tone(line, SR, np.random.default_rng(2)), 40, np.random.default_rng(3))
        fit = fitted(samples, float(line.mean()) * 1.003, pitch_law=line)
        assert cents_between(fit.f1_hz, float(line.mean())) == pytest.approx(0.0, abs=0.05)


# ------------------------------------------------------------------------------ follow_partials


@pytest.mark.parametrize(("f1_hz", "most_cents"), [(55.0, 4.0), (196.0, 0.5), (880.0, 0.5)])
def test_a_steady_tone_is_followed_along_its_line(f1_hz: float, most_cents: float) -> None:
    """The contour lies on the pitch though the prior is 30 cents off; 5 ms of a low note jitter."""
    rng = np.random.default_rng(4)
    samples = with_snr(tone(steady(f1_hz, 0.8, SR), SR, rng), 40, rng)
    contour = followed(samples, steady(f1_hz * 2 ** (30 / 1200), 0.8, SR))
    off = 1200 * np.log2(contour.f1_hz / f1_hz)
    assert np.abs(off).max() < most_cents
    assert abs(off.mean()) < 0.02


@pytest.mark.parametrize("cents_per_s", [-150.0, 400.0])
def test_a_glide_is_followed(cents_per_s: float) -> None:
    """A glide is read where it is at that moment."""
    t = moments(0.6, SR)
    line = bent(220.0, cents_per_s * (t - 0.3))
    prior_hz = bent(220.0, 0.9 * cents_per_s * (t - 0.3))
    contour = followed(tone(line, SR, np.random.default_rng(6)), prior_hz)
    truth = cents_per_s * (contour.t_s - 0.3)
    assert np.abs(1200 * np.log2(contour.f1_hz / 220.0) - truth).max() < 0.5


def test_a_vibrato_is_followed_through_its_window() -> None:
    """A vibrato comes out with the swing that its Hann window leaves, in time, in the centre."""
    t = moments(1.0, SR)
    line = bent(440.0, 50 * np.sin(2 * np.pi * 6 * t))
    contour = followed(tone(line, SR, np.random.default_rng(7)), steady(440.0, 1.0, SR))
    # What a Hann window of x cycles leaves of a sine: sinc(x) / (1 - x^2) (its Fourier transform).
    cycles = 6 * contour.window_s
    left = np.sinc(cycles) / (1 - cycles**2)
    truth = 50 * left * np.sin(2 * np.pi * 6 * contour.t_s)
    assert np.abs(1200 * np.log2(contour.f1_hz / 440.0) - truth).max() < 1.0


def test_a_stiff_tone_is_followed_on_its_first_partial() -> None:
    """With its B known, a string of B = 1e-3 is followed on f1 = f0 sqrt(1 + B)."""
    rng = np.random.default_rng(8)
    f0_hz = 110.0 / np.sqrt(1 + 1e-3)
    contour = followed(
        tone(steady(110.0, 0.6, SR), SR, rng, b=1e-3), steady(f0_hz, 0.6, SR), b=1e-3
    )
    assert np.abs(1200 * np.log2(contour.f1_hz / 110.0)).max() < 0.1


def test_the_level_is_that_of_the_tone() -> None:
    """A sine of amplitude 0.1 is at -23.0 dBFS RMS: 20 log10(0.1 / sqrt 2)."""
    samples = tone(steady(440.0, 0.5, SR), SR, np.random.default_rng(9), amplitudes=[0.1])
    contour = followed(samples, steady(440.0, 0.5, SR))
    assert float(np.median(contour.level_db)) == pytest.approx(-23.01, abs=0.1)


def test_a_phase_that_turns_back_is_no_pitch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where noise turns the phase back past zero, the line stays an octave under the prior."""

    def backwards(
        tracks: NDArray[np.complex128], ratios: Floats, rounds: int
    ) -> tuple[Floats, Floats, Floats]:
        frames = tracks.shape[1] - 1
        return np.full(frames, -2.0), np.zeros((len(ratios), frames)), np.ones(len(ratios))

    monkeypatch.setattr("planner.measure.contour._shared_turn", backwards)
    contour = followed(np.zeros(SR), np.full(SR, 50.0))
    assert contour.f1_hz == pytest.approx(25.0)


# ------------------------------------------------------------------------------ phases


def test_waves_are_cosines_and_sines() -> None:
    """Whole multiples, made as products, to -108 dB; those of stiff strings and phases, too."""
    turns, whole = 300.0 * moments(0.5, SR), np.arange(1.0, 17.0)
    for times, least in ((whole, 4e-6), (whole * np.sqrt(1.0 + 3e-4 * whole**2), 1e-6)):
        phase = 2.0 * np.pi * np.multiply.outer(times, turns)
        assert np.abs(turned(times, turns) - [np.cos(phase), np.sin(phase)]).max() < least
    phase = np.linspace(-60.0, 60.0, 1001)
    assert np.abs(on_circle(phase) - np.exp(1j * phase)).max() < 4e-6


@pytest.mark.parametrize("f1_hz", [41.2, 196.0, 440.0])
def test_phases_are_turned_to_another_stiffness(f1_hz: float) -> None:
    """Followed for a B 2 % off and turned, a string's pitch is as if followed for its own B."""
    rng, b = np.random.default_rng(13), 3e-4
    samples = tone(steady(f1_hz, 0.6, SR), SR, rng, b=b, decay_s=0.8, decay_tilt=0.25)
    samples, prior_hz = with_snr(samples, 60, rng), np.full(len(samples), f1_hz)
    own, near = (partial_phases(samples, SR, prior_hz, b=each) for each in (b, 1.02 * b))
    assert own is not None
    assert near is not None
    line = contour_of(own).f1_hz
    off = [1200 * np.log2(contour_of(p).f1_hz / line) for p in (near, near.at_stiffness(b))]
    assert np.sqrt(np.mean(off[1] ** 2)) < 0.2 * np.sqrt(np.mean(off[0] ** 2))
    assert abs(off[1].mean()) < 0.002


# ------------------------------------------------------------------------------ partials_along


def found_along(samples: Floats, f1_hz: float) -> FoundPartials:
    phases = partial_phases(samples, SR, np.full(len(samples), f1_hz))
    assert phases is not None
    found = partials_along(phases, contour_of(phases), (0.2, 0.45))
    assert found is not None
    return found


@pytest.mark.parametrize(("f1_hz", "off_cents"), [(55.0, 5.0), (196.0, -2.0), (700.0, 0.6)])
def test_a_partial_off_its_place_is_found_where_it_lies(f1_hz: float, off_cents: float) -> None:
    """The third is off, the others where they belong, to 0.1 cents; as loud as they are to 7 %."""
    rng, t = np.random.default_rng(11), moments(0.6, SR)
    samples = tone(steady(f1_hz, 0.6, SR), SR, rng, amplitudes=[0.4, 0.3, 0.0, 0.2, 0.1])
    samples += 0.25 * np.cos(2 * np.pi * 3 * f1_hz * 2 ** (off_cents / 1200) * t)
    found = found_along(with_snr(samples, 60, rng), f1_hz)
    five = found.numbers <= 5
    off = 1200 * np.log2(found.f_hz[five] / (found.numbers[five] * f1_hz))
    assert found.numbers[five].tolist() == [1, 2, 3, 4, 5]
    assert off == pytest.approx([0.0, 0.0, off_cents, 0.0, 0.0], abs=0.1)
    assert found.amplitudes[five] == pytest.approx([0.4, 0.3, 0.25, 0.2, 0.1], rel=0.07)


def test_places_of_partials_say_how_well_they_are_known() -> None:
    """In noise of 20 dB about two in three lie within one stated deviation, nearly all in two."""
    far = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        samples = with_snr(tone(steady(220.0, 0.6, SR), SR, rng), 20, rng)
        found = found_along(samples, 220.0)
        far.append(np.abs(found.f_hz - 220.0 * found.numbers) / np.sqrt(found.variance))
    assert 0.55 < np.mean(np.concatenate(far) <= 1.0) < 0.9
    assert np.mean(np.concatenate(far) <= 2.0) > 0.88


def test_noise_is_no_partial() -> None:
    """Of a lone sine in noise its own partial is found, and hardly any of the fifteen others."""
    rng = np.random.default_rng(12)
    counts = []
    for _ in range(10):
        sine = tone(steady(220.0, 0.6, SR), SR, rng, amplitudes=[1.0])
        found = found_along(with_snr(sine, 30, rng), 220.0)
        assert found.numbers[0] == 1
        counts.append(len(found.numbers))
    assert np.mean(counts) < 5


def test_too_little_is_not_followed() -> None:
    """Four frames of 5 ms beyond the window are the least; shorter gives nothing."""
    samples = tone(steady(110.0, 0.04, SR), SR, np.random.default_rng(1))
    assert follow_partials(samples, SR, steady(110.0, 0.04, SR)) is None


def test_partials_that_something_else_turns_are_doubt() -> None:
    """Another tone 14 dB under a window turns its partials; the doubt says by about how much."""
    far = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        mixed = tone(steady(220.0, 0.06, SR), SR, rng) + 0.2 * tone(
            steady(247.0, 0.06, SR), SR, rng
        )
        fit = fit_partials(mixed, SR, 220.0)
        assert fit is not None
        far.append(abs(cents_between(fit.f1_hz, 220.0)) / max(fit.sd_cents, fit.apart_sd_cents))
    assert np.mean(np.array(far) <= 1.0) > 0.5
    assert np.mean(np.array(far) <= 2.0) > 0.85


def test_what_turns_all_partials_alike_is_shared() -> None:
    """Partials off by as many Hz each, weak or strong, weigh alike: the pitch is as good as theirs.

    The bound is that of equal weights, sd / sqrt(sum n^2) of f0; by their noise alone the strong
    first partials would decide, and be as wrong as one of them is.
    """
    off_hz, partials = 0.5, 10
    errors = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        turned = rng.normal(0.0, off_hz, partials)
        samples = sum(
            tone(steady(220.0 * n + turned[n - 1], 0.2, SR), SR, rng, amplitudes=[1.0 / n**3])
            for n in range(1, partials + 1)
        )
        fit = fitted(with_snr(np.asarray(samples), 70, rng), 220.0)
        errors.append(fit.f0_hz - 220.0)
    bound_hz = off_hz / np.sqrt(np.sum(np.arange(1, partials + 1) ** 2))
    assert np.sqrt(np.mean(np.square(errors))) < 1.5 * bound_hz


def test_few_partials_are_all_heard() -> None:
    """Four partials in white noise share the pitch: none is followed alone (equal parts are best).

    Amplitudes at 1/n make partials equally sure of it: their phase noise grows as they weaken.
    """
    for seed in range(10):
        rng = np.random.default_rng(seed)
        line = steady(1760.0, 1.0, SR)
        samples = with_snr(tone(line, SR, rng, amplitudes=[1.0, 1 / 2, 1 / 3, 1 / 4]), 30, rng)
        shares = followed(samples, line).shares
        assert shares.max() < 0.55
