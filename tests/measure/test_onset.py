"""The pitch of a note at its onset, read from a short window and from nothing outside it."""

from dataclasses import replace

import numpy as np
import pytest
from tones.exact import (
    bent,
    cents_between,
    faded,
    laid_out,
    measured_notes,
    moments,
    steady,
    stem_of,
    tone,
    with_floor,
    with_snr,
)

from planner.measure.contour import Contour, follow_partials
from planner.measure.note_span import NoteSpan
from planner.measure.onset import Onset, measure_onset, onset_reason, why_blank, without_vibrato
from planner.measure.stiffness import Stiffness
from planner.measure.vibrato import find_vibrato
from planner.model import Floats, Note

SR = 16_000


def note(pitch_hz: float, length_s: float, begins: str = "attack") -> Note:
    return Note(
        stem="X",
        start_s=0.0,
        end_s=length_s,
        start_smp=0,
        end_smp=round(length_s * SR),
        pitch_hz=pitch_hz,
        strength=0.95,
        pitched_share=1.0,
        level_db=-15.0,
        begins=begins,  # type: ignore[arg-type]
    )


def span(
    samples: Floats, pitch_hz: float, *, begins: str = "attack", swells: bool = False
) -> NoteSpan:
    return NoteSpan(
        note=note(pitch_hz, len(samples) / SR, begins),
        sr=SR,
        samples=samples,
        prior_hz=np.full(len(samples), pitch_hz),
        swells=swells,
    )


def onset_of(
    one: NoteSpan, window_s: tuple[float, float] = (0.010, 0.060), b: float = 0.0,
    contour: Contour | None = None, previous: Note | None = None, b_sd: float = 0.0,
) -> tuple[float, float]:  # fmt: skip
    stiffness = Stiffness(b=b, b_sd=None, known_sd=b_sd)
    onset = measure_onset(one, one.prior_hz, stiffness, contour, *window_s, previous)
    assert onset is not None
    return onset.hz, onset.sd_cents


@pytest.mark.parametrize("f1_hz", [110.0, 220.0, 880.0])
@pytest.mark.parametrize("snr_db", [50, 20])
def test_the_onset_window_is_read(f1_hz: float, snr_db: int) -> None:
    """A tone that stands 12 cents sharp of where it is looked for is read so, within its doubt."""
    rng = np.random.default_rng(1)
    line = bent(f1_hz, np.full(8000, 12.0))
    hz, sd_cents = onset_of(span(with_snr(tone(line, SR, rng), snr_db, rng), f1_hz))
    assert cents_between(hz, f1_hz) == pytest.approx(12.0, abs=0.5)
    assert abs(cents_between(hz, f1_hz) - 12.0) < 3 * sd_cents


def test_nothing_outside_the_window_counts() -> None:
    """Whatever comes before and after the window leaves the onset where it is, to a digit."""
    rng = np.random.default_rng(2)
    samples = with_snr(tone(steady(220.0, 0.5, SR), SR, rng), 30, rng)
    other = 3.0 * rng.standard_normal(len(samples))
    inside = slice(round(0.010 * SR), round(0.070 * SR))
    other[inside] = samples[inside]
    assert onset_of(span(samples, 220.0)) == onset_of(span(other, 220.0))


def test_a_relaxing_pluck_is_read_as_its_mean() -> None:
    """A pitch that falls by a dozen cents inside the window is read as its mean there."""
    t = moments(0.6, SR)
    line = bent(220.0, 15 * np.exp(-t / 0.08))
    one = span(tone(line, SR, np.random.default_rng(3)), 220.0)
    truth = 1200 * np.log2(line[160:1120] / 220.0).mean()
    assert cents_between(onset_of(one)[0], 220.0) == pytest.approx(truth, abs=0.5)


def test_a_quick_bend_is_read_along_the_prior() -> None:
    """A dying note that is bent only while its onset lasts is not read at its louder beginning."""
    t = moments(0.6, SR)
    line = bent(220.0, np.minimum(900 * t, 90.0))
    samples = tone(line, SR, np.random.default_rng(11), decay_s=0.025)
    one = NoteSpan(note=note(220.0, 0.6), sr=SR, samples=samples, prior_hz=line, swells=False)
    truth = 1200 * np.log2(line[160:1120] / 220.0).mean()
    assert cents_between(onset_of(one)[0], 220.0) == pytest.approx(truth, abs=0.5)


def test_a_stiff_string_is_read_at_its_first_partial() -> None:
    """With B held, high partials strong at the attack do not pull the onset up."""
    samples = tone(
        steady(110.0, 0.5, SR), SR, np.random.default_rng(4), b=1e-3,
        amplitudes=[1.0] * 25, decay_s=0.8, decay_tilt=0.3,
    )  # fmt: skip
    hz, _ = onset_of(span(samples, 110.0 / np.sqrt(1.001)), b=1e-3)
    assert cents_between(hz, 110.0) == pytest.approx(0.0, abs=0.3)


def starting(one: NoteSpan, *, sd_s: float) -> NoteSpan:
    """The same note, its start known so well."""
    return replace(one, note=replace(one.note, start_sd_s=sd_s))


def before(pitch_hz: float, gap_s: float) -> Note:
    """A note of 0.5 s that ends some time before the one measured begins."""
    return replace(note(pitch_hz, 0.5), start_s=-0.5 - gap_s, end_s=-gap_s)


def test_a_doubtful_start_on_a_slide_is_doubt() -> None:
    """On a start that slides, the doubt grows with how badly its place in time is known.

    A slide of 200 cents a second after a pause that may have begun 10 ms later reads 2 cents off,
    which weighs 1.8.
    """
    t = moments(0.6, SR)
    sliding = span(
        tone(bent(220.0, -200 * (0.3 - t)), SR, np.random.default_rng(5)),
        220.0, begins="soft", swells=True,
    )  # fmt: skip
    contour = follow_partials(sliding.samples, SR, np.full(len(t), 216.0))

    def doubt(start_sd_s: float) -> float:
        one = starting(sliding, sd_s=start_sd_s)
        return onset_of(one, contour=contour, previous=before(220.0, 0.1))[1]

    assert doubt(0.010) ** 2 - doubt(0.0) ** 2 == pytest.approx((1.8 * 2.0) ** 2, rel=0.02)
    assert doubt(0.018) > doubt(0.010) > doubt(0.002)
    still = tone(steady(220.0, 0.6, SR), SR, np.random.default_rng(5))
    calm = starting(span(still, 220.0, begins="soft", swells=True), sd_s=0.018)
    assert onset_of(calm, previous=before(220.0, 0.0))[1] < 1.0


def test_a_scoop_whose_start_was_missed_is_doubted_as_a_scoop() -> None:
    """Before the contour begins a decay was steeper: missed by 20 ms, its doubt covers the error.

    A scoop of 100 cents that decays in 0.04 s, begun 0.02 s before the samples: the onset that
    would have been read at its true start lies within one and a half times the doubt.
    """
    t = moments(0.8, SR)
    line = -100 * np.exp(-(t + 0.02) / 0.04)
    samples = tone(bent(330.0, line), SR, np.random.default_rng(5))
    contour = follow_partials(samples, SR, np.full(len(t), 330.0))
    one = starting(span(samples, 330.0, begins="soft", swells=True), sd_s=0.018)
    hz, sd_cents = onset_of(one, contour=contour, previous=before(330.0, 0.0))
    truth = float(np.mean(-100 * np.exp(-np.linspace(0.010, 0.070, 61) / 0.04)))
    error = abs(cents_between(hz, 330.0) - truth)
    assert 10.0 < error < 1.5 * sd_cents


def test_a_stiffness_hardly_known_is_doubt() -> None:
    """B off by its stated deviation pulls high partials along; then low ones count, and it is said.

    Partial n is pulled by n^2 / 2 times what B is off by; of 25 equal ones, weighed by n^2 as they
    tell a pitch, 1e-5 is 3.4 cents, less what the farthest lose as outliers.
    """
    b, off = 2e-4, 1e-5
    samples = tone(steady(55.0, 0.5, SR), SR, np.random.default_rng(12), b=b, amplitudes=[1.0] * 25)
    one = span(samples, 55.0 / np.sqrt(1.0 + b))
    window_s = (0.018, 0.091)
    believed = onset_of(one, window_s, b=b + off)
    doubted = onset_of(one, window_s, b=b + off, b_sd=off)
    right = onset_of(one, window_s, b=b, b_sd=off)
    assert 2.0 < abs(cents_between(believed[0], 55.0)) < 3.4
    assert abs(cents_between(doubted[0], 55.0)) < 0.5
    assert cents_between(right[0], 55.0) == pytest.approx(0.0, abs=0.1)
    assert abs(cents_between(doubted[0], 55.0)) < 2 * doubted[1]


def test_a_swelling_start_is_not_weighed_by_its_level() -> None:
    """Where the level grows twentyfold along a slide, the onset is still the mean of the window."""
    t = moments(0.6, SR)
    line = bent(261.6, -80 * np.exp(-t / 0.06))
    swell = np.clip(t / 0.09, 0.05, 1.0)
    samples = swell * tone(line, SR, np.random.default_rng(6))
    contour = follow_partials(samples, SR, np.full(len(t), 258.0))
    truth = float(1200 * np.log2(line[160:1120] / 261.6).mean())
    hz, _ = onset_of(span(samples, 261.6, swells=True), contour=contour)
    assert cents_between(hz, 261.6) == pytest.approx(truth, abs=2.0)


@pytest.mark.parametrize("seed", range(6))
def test_noise_before_a_soft_start_bends_no_onset(seed: int) -> None:
    """A tone that swells in 40 dB over a noise, found 20 ms before it: right within three cents."""
    t, rng = moments(0.6, SR), np.random.default_rng(seed)
    swell = np.sin(np.pi / 2 * np.clip((t - 0.02) / 0.08, 0.0, 1.0)) ** 2
    samples = with_floor(swell * tone(steady(440.0, 0.6, SR), SR, rng), -50.0, rng)
    contour = follow_partials(samples, SR, np.full(len(t), 440.0))
    hz, _ = onset_of(span(samples, 440.0, swells=True), contour=contour)
    assert cents_between(hz, 440.0) == pytest.approx(0.0, abs=3.0)


def test_a_window_without_enough_cycles_is_refused() -> None:
    """Two cycles of a low note, or no samples at all, have no onset."""
    low = span(tone(steady(41.2, 0.5, SR), SR, np.random.default_rng(7)), 41.2)
    none = Stiffness(b=0.0, b_sd=None, known_sd=0.0)
    assert measure_onset(low, low.prior_hz, none, None, 0.024, 0.045, None) is None
    assert measure_onset(low, low.prior_hz, none, None, 0.6, 0.1, None) is None


def test_the_reason_counts_the_cycles() -> None:
    """The reason for a blank says how long and how high the note is, and how few cycles that is."""
    assert onset_reason(note(41.2, 0.12), 0.12, 0.042) == (
        "0.12 s at 41 Hz leaves 2 cycles for the onset, and no steady partials in them"
    )


@pytest.mark.parametrize("turns", [0.0, 0.25, 0.6])
def test_vibrato_is_taken_out_of_the_onset(turns: float) -> None:
    """Of a note in vibrato from its first cycle, the onset is that of the centre."""
    t = moments(1.0, SR)
    line = bent(440.0, 40 * np.sin(2 * np.pi * (6.0 * t + turns)))
    contour = follow_partials(tone(line, SR, np.random.default_rng(8)), SR, steady(440.0, 1.0, SR))
    assert contour is not None
    cents = 1200 * np.log2(contour.f1_hz / 440.0)
    vibrato = find_vibrato(contour.t_s, cents, contour.window_s)
    assert vibrato is not None
    raw_hz = float(np.exp(np.log(line[160:1120]).mean()))
    onset = without_vibrato(an_onset(raw_hz, 0.1), vibrato, contour, cents, (0.010, 0.060))
    assert cents_between(onset.hz, 440.0) == pytest.approx(0.0, abs=2.0)
    assert onset.sd_cents > 1.0


def test_vibrato_that_comes_later_is_not() -> None:
    """Where the note begins without vibrato, its onset is left as it was measured."""
    t = moments(1.4, SR)
    line = bent(440.0, 40 * np.sin(2 * np.pi * 6.0 * t) * (t > 0.5))
    contour = follow_partials(tone(line, SR, np.random.default_rng(9)), SR, steady(440.0, 1.4, SR))
    assert contour is not None
    cents = 1200 * np.log2(contour.f1_hz / 440.0)
    later = contour.t_s > 0.55
    vibrato = find_vibrato(contour.t_s[later], cents[later], contour.window_s)
    assert vibrato is not None
    onset = without_vibrato(an_onset(441.0, 0.3), vibrato, contour, cents, (0.010, 0.060))
    assert onset.hz == 441.0
    assert 0.3 < onset.sd_cents < 2.0


def test_a_swing_unlike_a_vibrato_is_doubt() -> None:
    """A note that wavers before it swings: what is taken out of its onset is then unsure."""
    t = moments(1.4, SR)
    swing = 40 * np.sin(2 * np.pi * 6.0 * t)
    doubts = []
    for line in (swing, swing + 30 * np.sin(2 * np.pi * 13.0 * t) * (t < 0.25)):
        samples = tone(bent(440.0, line), SR, np.random.default_rng(9))
        contour = follow_partials(samples, SR, steady(440.0, 1.4, SR))
        assert contour is not None
        cents = 1200 * np.log2(contour.f1_hz / 440.0)
        later = contour.t_s > 0.3
        vibrato = find_vibrato(contour.t_s[later], cents[later], contour.window_s)
        assert vibrato is not None
        onset = without_vibrato(an_onset(440.0, 0.1), vibrato, contour, cents, (0.010, 0.060))
        assert onset.hz != 440.0
        doubts.append(onset.sd_cents)
    assert doubts[0] < 2.0
    assert doubts[1] > 2.0 * doubts[0]


def test_what_an_onset_would_read_later_is_doubt() -> None:
    """A slide that is over before the window and one that comes right after it: both are doubt."""
    t = moments(0.8, SR)
    doubts = []
    for line in (0.0 * t, np.clip(2000.0 * (t - 0.07), 0.0, 100.0)):
        samples = tone(bent(440.0, line), SR, np.random.default_rng(3))
        contour = follow_partials(samples, SR, steady(440.0, 0.8, SR))
        one = starting(span(samples, 440.0, begins="soft", swells=True), sd_s=0.010)
        doubts.append(onset_of(one, contour=contour, previous=before(440.0, 0.0))[1])
    assert doubts[1] > doubts[0] + 1.0


def test_a_string_that_is_not_struck_yet_is_doubt() -> None:
    """An onset window before the stroke reads what rings there: a quarter tone is no sag."""
    t = moments(0.8, SR)
    doubts = []
    for off_cents in (20.0, 70.0):
        samples = tone(
            bent(440.0, np.where(t < 0.065, off_cents, 0.0)), SR, np.random.default_rng(3)
        )
        contour = follow_partials(samples, SR, steady(440.0, 0.8, SR))
        doubts.append(onset_of(span(samples, 440.0), contour=contour)[1])
    assert doubts[0] < 2.0
    assert doubts[1] > 10.0


def test_one_partial_has_none_to_agree_with() -> None:
    """A sine in a clean file is read right, and still not called sure to tenths of a cent."""
    samples = tone(steady(440.0, 0.6, SR), SR, np.random.default_rng(3), amplitudes=[1.0])
    hz, sd_cents = onset_of(span(samples, 440.0))
    assert cents_between(hz, 440.0) == pytest.approx(0.0, abs=0.05)
    assert sd_cents > 1.0


RINGING = "previous note still ringing, onset not measured"


def after(pitch_hz: float, gap_s: float, begins: str = "attack") -> tuple[Note, Note]:
    """A note of 0.5 s at a pitch, and one at 440 Hz that begins a moment after it."""
    late = note(440.0, 0.5, begins)
    moved = replace(late, start_s=0.5 + gap_s, end_s=1.0 + gap_s)
    return note(pitch_hz, 0.5), moved


def an_onset(
    hz: float, sd_cents: float, partials_sd_cents: float = 0.5, slide_cents: float = 0.0
) -> Onset:
    return Onset(
        hz=hz, sd_cents=sd_cents, partials_sd_cents=partials_sd_cents, slide_cents=slide_cents
    )


def test_the_note_before_is_not_this_note_s_onset() -> None:
    """Where the window still reads the pitch of the note before, the onset is blank, and why."""
    before, late = after(466.2, 0.02)
    assert why_blank(an_onset(465.0, 2.0), late, before) == RINGING
    assert why_blank(an_onset(447.0, 2.0), late, before) == ""  # a quarter of the way off: a scoop
    assert why_blank(an_onset(465.0, 2.0), late, None) == ""
    before, late = after(466.2, 0.6)  # 30 dB down in a room of 1.2 s
    assert why_blank(an_onset(465.0, 2.0), late, before) == ""
    before, late = after(443.0, 0.02)  # the same note again, a little lower
    assert why_blank(an_onset(443.0, 2.0), late, before) == ""
    before, late = after(466.2, 0.0, "legato")
    assert "on its way from the note before" in why_blank(an_onset(465.0, 2.0), late, before)


def test_an_onset_known_badly_is_blank_for_its_own_reason() -> None:
    """A ring, partials that disagree and a slide have their own words from 25 cents on."""
    before, late = after(330.0, 0.02)
    assert why_blank(an_onset(440.0, 25.0, 24.0), late, before) == ""
    assert why_blank(an_onset(440.0, 26.0, 25.0), late, before) == RINGING
    assert why_blank(an_onset(440.0, 26.0, 25.0), late, None) == (
        "the partials of the onset agree to 26 cents only"
    )
    assert why_blank(an_onset(440.0, 26.0, 3.0), late, before) == (
        "the pitch slides through the onset, which says it to 26 cents only"
    )
    assert why_blank(an_onset(440.0, 5.0, 3.0, 99.0), late, before) == ""
    assert why_blank(an_onset(440.0, 5.0, 3.0, 101.0), late, before) == (
        "the pitch slides by 101 cents through the onset, not measured"
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_thump_under_a_string_is_not_its_onset(seed: int) -> None:
    """A body that thumps four semitones under a string, while that still grows: nothing is stated.

    As of sampled double basses; the contour followed the thump, and the onset was told to 11 cents.
    """
    sr, f_hz = 16_000, 82.4
    rng = np.random.default_rng(seed)
    t = moments(0.2, sr)
    series = [1.0 / n for n in range(1, 16)]
    string = tone(steady(f_hz, 0.2, sr), sr, rng, b=1e-4, amplitudes=series, decay_s=0.4)
    sound = string * (1.0 - np.exp(-t / 0.04))
    sound += 3.0 * np.sin(2 * np.pi * 0.8 * f_hz * t) * np.exp(-t / 0.08)
    samples = laid_out([(0.3, faded(sound, sr, rise_s=0.004, fall_s=0.02))], 0.9, sr)
    ((found, measured),) = measured_notes(
        stem_of(with_floor(samples, -75.0, rng), sr, "bass-fretless")
    )
    assert abs(cents_between(found.pitch_hz, f_hz)) < 20.0
    assert measured.onset_hz is None or abs(cents_between(measured.onset_hz, f_hz)) < 50.0
