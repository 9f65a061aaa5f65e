"""A sustain is the mean of its line, as well known as what moves the line allows."""

import numpy as np
import pytest
from tones.exact import bent, moments, tone, with_snr

from planner.measure.note_line import note_line
from planner.measure.note_span import NoteSpan
from planner.measure.stiffness import NOT_STIFF
from planner.measure.sustain import measure_sustain, shares_of_frames
from planner.model import FIRM_CENTS, Note

SR = 16_000


@pytest.mark.parametrize("frames", [4, 11, 12, 140])
def test_the_mean_of_a_line_is_its_mean(frames: int) -> None:
    """Still, sloped or bent, of a few frames or many: without noise the plain mean, no warning."""
    place = np.linspace(-1.0, 1.0, frames)
    for line in (0.0 * place + 3.0, 5.0 * place, 8.0 * np.exp(-3.0 * (place + 1.0))):
        assert float(shares_of_frames(line) @ line) == pytest.approx(float(line.mean()), abs=1e-6)


def test_noise_of_a_phase_averages_over_all_of_it() -> None:
    """Where only phase noise moves a line, its mean is known far better than from its two ends."""
    errors = []
    for seed in range(200):
        line = np.diff(np.random.default_rng(seed).normal(size=141))
        errors.append((float(shares_of_frames(line) @ line), float(line.mean())))
    fitted, plain = np.std(errors, axis=0)
    # White phase noise over n + 1 points: slope sqrt(12 / n^3) against sqrt(2) / n.
    assert plain == pytest.approx(np.sqrt(2) / 140, rel=0.2)
    assert fitted == pytest.approx(np.sqrt(12 / 140**3), rel=0.25)


@pytest.mark.parametrize("seed", range(5))
def test_a_short_sustain_after_a_scoop_is_as_unsure_as_where_it_begins(seed: int) -> None:
    """A sung note that has risen into its pitch just before it ends: no firm figure.

    Against the trade's window, 150 ms to 85 % of the note, which holds some of the rise.
    """
    rng = np.random.default_rng(seed)
    t = moments(0.28, SR)
    cents = 2500.0 * np.minimum(t - rng.uniform(0.182, 0.188), 0.0)
    samples = with_snr(tone(bent(180.0, cents), SR, rng), 50.0, rng)
    note = Note(
        stem="X", start_s=0.0, end_s=0.28, start_smp=0, end_smp=len(t), pitch_hz=180.0,
        strength=0.95, pitched_share=1.0, level_db=-15.0, begins="legato",
    )  # fmt: skip
    span = NoteSpan(note=note, sr=SR, samples=samples, prior_hz=np.full(len(t), 180.0), swells=True)
    line = note_line(span, NOT_STIFF)
    assert line.contour is not None
    told = measure_sustain(180.0, line, line.contour, swells=True)
    window = (t >= 0.150) & (t <= 0.85 * 0.28)
    assert line.settled
    assert abs(told.cents - cents[window].mean()) < 3.0 * told.sd_cents
    assert told.sd_cents > FIRM_CENTS
