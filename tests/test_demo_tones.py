"""The synthesised sounds have the pitch that their truth says, measured by other means."""

import numpy as np
import pytest
from tones.truth import mean_of_whole_cycles_hz, truth_of, truth_windows

from planner.demo.build import in_room, room_response, with_bleed, with_noise_floor
from planner.demo.driven import CELLO_BODY, VOICE_VOWELS, DrivenNote, DrivenSound, phrase, shaker
from planner.demo.tones import (
    SR,
    PianoSound,
    PlayedNote,
    StringSound,
    mix,
    piano_b,
    plucked,
    quick_size,
    struck,
    strummed,
)
from planner.model import Floats


def rng() -> np.random.Generator:
    return np.random.default_rng(3)


def partial_hz(samples: Floats, about_hz: float, first_s: float, last_s: float) -> float:
    """Frequency of one partial: the slope of the phase of what a narrow band lets through."""
    n = len(samples)
    f = np.fft.fftfreq(n, 1.0 / SR)
    band = np.exp(-0.5 * ((f - about_hz) / 12.0) ** 2)
    phase = np.unwrap(np.angle(np.fft.ifft(np.fft.fft(samples) * band)))
    inside = slice(round(first_s * SR), round(last_s * SR))
    t = np.arange(n)[inside] / SR
    return float(np.polyfit(t, phase[inside], 1)[0] / (2.0 * np.pi))


def cents_apart(a_hz: float, b_hz: float) -> float:
    return float(1200.0 * np.log2(a_hz / b_hz))


# ------------------------------------------------------------------------------ windows, truth


@pytest.mark.parametrize(
    ("length_s", "pitch_hz", "onset_s", "sustain_s", "end_s"),
    [
        # From the definition: max(10 ms, 1 period), max(60 ms, 5 periods), at most 35 %.
        (2.0, 440.0, (0.010, 0.070), (0.150, 1.700), (1.750, 2.000)),
        (1.0, 50.0, (0.020, 0.120), (0.150, 0.850), (0.850, 1.000)),
        (0.1, 440.0, (0.010, 0.045), None, None),
        (1.0, 20.0, (0.050, 0.300), (0.300, 0.850), (0.850, 1.000)),
        (0.8, 440.0, (0.010, 0.070), (0.150, 0.680), None),
    ],
)
def test_windows_follow_their_definition(
    length_s: float,
    pitch_hz: float,
    onset_s: tuple[float, float],
    sustain_s: tuple[float, float] | None,
    end_s: tuple[float, float] | None,
) -> None:
    """Onset, sustain and end are judged where the definition puts them."""
    windows = truth_windows(length_s, pitch_hz)
    assert windows.onset_s == pytest.approx(onset_s)
    assert windows.sustain_s == (None if sustain_s is None else pytest.approx(sustain_s))
    assert windows.end_s == (None if end_s is None else pytest.approx(end_s))


def test_truth_of_a_glide_is_its_mean_in_cents() -> None:
    """The mean of an exponential over a window, worked out by hand: its integral over the width."""
    t = np.arange(SR) / SR
    line = 220.0 * 2.0 ** (20.0 * np.exp(-t / 0.1) / 1200.0)
    truth = truth_of(PlayedNote(start_smp=0, f1_hz=line, centre_hz=line))
    by_hand = 20.0 * 0.1 * (np.exp(-0.10) - np.exp(-0.70)) / 0.060
    assert cents_apart(truth.onset_hz, 220.0) == pytest.approx(by_hand, abs=0.01)
    assert truth.sustain_hz is not None
    by_hand = 20.0 * 0.1 * (np.exp(-1.5) - np.exp(-8.5)) / 0.700
    assert cents_apart(truth.sustain_hz, 220.0) == pytest.approx(by_hand, abs=0.01)


def test_truth_of_vibrato_is_its_centre() -> None:
    """A steady sine in cents has one centre, however the note is cut and however it is said."""
    t = np.arange(round(1.37 * SR)) / SR
    line = 300.0 * 2.0 ** (71.0 * np.sin(2 * np.pi * 6.0 * t) / 1200.0)
    note = PlayedNote(start_smp=0, f1_hz=line, centre_hz=np.full(len(t), 300.0), vibrato_hz=6.0)
    truth = truth_of(note)
    assert truth.sustain_hz is not None
    assert cents_apart(truth.sustain_hz, 300.0) == pytest.approx(0.0, abs=0.02)
    assert truth.onset_hz == pytest.approx(300.0)
    cycles_hz = mean_of_whole_cycles_hz(note)
    assert cycles_hz is not None
    assert cents_apart(cycles_hz, 300.0) == pytest.approx(0.0, abs=0.02)


def test_whole_cycles_need_a_cycle() -> None:
    """Without vibrato, or in a note too short for one cycle of it, there is no such mean."""
    line = np.full(round(0.3 * SR), 300.0)
    assert mean_of_whole_cycles_hz(PlayedNote(start_smp=0, f1_hz=line, centre_hz=line)) is None
    short = PlayedNote(start_smp=0, f1_hz=line, centre_hz=line, vibrato_hz=5.0)
    assert mean_of_whole_cycles_hz(short) is None


# ------------------------------------------------------------------------------ strings


@pytest.mark.parametrize("n", [1, 2, 4, 6])
def test_partials_of_a_pluck_follow_the_stiff_string(n: int) -> None:
    """Partial n is n sqrt((1 + B n^2) / (1 + B)) of the first (Fletcher et al. 1962)."""
    string = StringSound(b=4e-4, sharp_at_onset_cents=0.0, pick_at=0.13, attack_noise_db=-90.0)
    sound = plucked(196.0, 1.5, string, rng())
    expected = 196.0 * n * np.sqrt((1 + 4e-4 * n * n) / (1 + 4e-4))
    measured = partial_hz(sound.samples, expected, 0.2, 0.8)
    assert cents_apart(measured, expected) == pytest.approx(0.0, abs=0.1)


def test_a_pluck_starts_sharp_and_settles() -> None:
    """The first partial runs along its true line: sharp at the pluck, then where it was asked."""
    string = StringSound(sharp_at_onset_cents=20.0, settle_s=0.15, attack_noise_db=-60.0)
    sound = plucked(220.0, 2.0, string, rng())
    line = sound.notes[0].f1_hz
    for first_s, last_s in ((0.1, 0.2), (0.3, 0.5), (1.2, 1.6)):
        piece = line[round(first_s * SR) : round(last_s * SR)]
        measured = partial_hz(sound.samples, 220.0, first_s, last_s)
        assert cents_apart(measured, float(piece.mean())) == pytest.approx(0.0, abs=0.3)
    assert cents_apart(line[0], 220.0) == pytest.approx(20.0, abs=0.01)
    assert cents_apart(line[-1], 220.0) == pytest.approx(0.0, abs=0.01)


def test_a_pluck_leaves_out_the_partial_whose_node_it_meets() -> None:
    """Plucked at a quarter, a string has no fourth partial."""
    string = StringSound(pick_at=0.25, attack_noise_db=-90.0, sharp_at_onset_cents=0.0)
    sound = plucked(200.0, 1.0, string, rng())
    spectrum = np.abs(np.fft.rfft(sound.samples[4800:43200] * np.hanning(38400)))
    level = [spectrum[round(200 * n * 0.8) - 8 : round(200 * n * 0.8) + 9].max() for n in (3, 4, 5)]
    assert level[1] < 0.01 * min(level[0], level[2])


def test_a_piano_key_stands_at_its_pitch() -> None:
    """Two strings a hair apart are heard half-way between them."""
    for apart_cents in (0.0, 0.4):
        piano = PianoSound(strings_apart_cents=apart_cents, knock_db=-90.0)
        sound = struck(441.0, 69, 1.5, piano, rng())
        measured = partial_hz(sound.samples, 441.0, 0.1, 0.9)
        assert cents_apart(measured, 441.0) == pytest.approx(0.0, abs=0.05)


def test_piano_stiffness_agrees_with_its_source() -> None:
    """B of A2 and A3 by Rigaud, David and Daudet (DAFx 2011), worked out from the formula."""
    assert piano_b(45) == pytest.approx(1.425e-4, rel=1e-3)
    assert piano_b(57) == pytest.approx(2.574e-4, rel=1e-3)


def test_a_strum_sounds_its_strings_one_after_the_other() -> None:
    """Notes of a strum begin a few milliseconds apart and keep their pitches."""
    strings = [plucked(f, 0.5, StringSound(), rng()) for f in (110.0, 165.0, 220.0)]
    strum = strummed(strings, 0.010)
    assert [n.start_smp for n in strum.notes] == [0, 480, 960]
    assert [round(float(n.f1_hz[-1])) for n in strum.notes] == [110, 165, 220]


# ------------------------------------------------------------------------------ bow and voice


@pytest.mark.outside
def test_another_program_hears_a_sung_note_where_its_truth_is() -> None:
    """Praat (Boersma 1993, by way of parselmouth) finds the mean pitch of a note with vibrato."""
    parselmouth = pytest.importorskip("parselmouth")
    sound = DrivenSound(formants=VOICE_VOWELS["a"], jitter_cents=2.0, noise_db=-60.0)
    note = DrivenNote(f1_hz=247.0, length_s=2.0, vibrato_half_cents=40.0, vibrato_hz=5.5)
    sung = phrase([note], sound, rng())
    pitch = parselmouth.Sound(sung.samples, SR).to_pitch_ac(
        time_step=0.005, pitch_floor=120.0, pitch_ceiling=600.0
    )
    times, heard = pitch.xs(), pitch.selected_array["frequency"]
    line = np.interp(times, np.arange(len(sung.notes[0].f1_hz)) / SR, sung.notes[0].f1_hz)
    inside = (times > 0.2) & (times < 1.8) & (heard > 0)
    assert inside.sum() > 250
    off = 1200.0 * np.log2(heard[inside] / line[inside])
    assert abs(off.mean()) < 0.5
    assert np.abs(off).max() < 8.0  # its frames of 25 ms round the crests off


def test_a_slide_is_half_way_at_the_border() -> None:
    """Two notes in one breath meet half-way between their pitches, and the line has no step."""
    sound = DrivenSound(jitter_cents=0.0, slide_s=0.08, formants=CELLO_BODY)
    notes = [DrivenNote(f1_hz=220.0, length_s=0.5), DrivenNote(f1_hz=247.0, length_s=0.5)]
    bowed = phrase(notes, sound, rng())
    first, second = bowed.notes
    assert second.start_smp == len(first.f1_hz) == SR // 2
    assert second.f1_hz[0] == pytest.approx(np.sqrt(220.0 * 247.0), rel=1e-3)
    line = np.concatenate([first.f1_hz, second.f1_hz])
    assert np.abs(np.diff(line)).max() < 0.05
    assert line[0] == pytest.approx(220.0)
    assert line[-1] == pytest.approx(247.0)


def test_a_tail_leans_to_where_it_was_told() -> None:
    """The last instant of a sagging note lies the told cents off; its first half does not."""
    sound = DrivenSound(jitter_cents=0.0)
    note = DrivenNote(f1_hz=330.0, length_s=2.0, end_cents=-26.0, end_s=0.5)
    line = phrase([note], sound, rng()).notes[0].centre_hz
    assert cents_apart(line[-1], 330.0) == pytest.approx(-26.0, abs=0.01)
    assert cents_apart(line[round(1.4 * SR)], 330.0) == pytest.approx(0.0, abs=0.01)


def test_a_consonant_comes_before_the_note() -> None:
    """The hiss lies in the lead, so the note still starts when it was asked to."""
    sound = DrivenSound(jitter_cents=0.0, consonant_db=-20.0)
    sung = phrase([DrivenNote(f1_hz=220.0, length_s=0.5)], sound, rng())
    placed = mix([(0.3, sung)], 1.0)
    assert placed.notes[0].start_s == pytest.approx(0.3)
    hiss = placed.samples[round(0.2 * SR) : round(0.29 * SR)]
    assert np.sqrt(np.mean(hiss**2)) > 0.005
    assert not placed.samples[: round(0.2 * SR)].any()


def test_a_shaker_has_no_period() -> None:
    """No lag of 2 to 20 ms repeats a shaker's sound, and it has no notes."""
    sound = shaker(0.3, rng())
    assert sound.notes == ()
    around = np.correlate(sound.samples, sound.samples, mode="full")[len(sound.samples) - 1 :]
    assert np.abs(around[96:960]).max() < 0.2 * around[0]


# ------------------------------------------------------------------------------ room, floor, bleed


@pytest.mark.parametrize("rt60_s", [0.3, 0.6])
def test_a_room_decays_as_asked(rt60_s: float) -> None:
    """Reverberation time from the backward integral (Schroeder 1965), -5 to -25 dB, times three."""
    response = room_response(rt60_s, -15.0, rng())
    assert response[0] == 1.0
    tail = response[round(0.04 * SR) :]
    left = np.cumsum(tail[::-1] ** 2)[::-1]
    left_db = 10.0 * np.log10(left / left[0] + 1e-30)
    t20 = np.argmax(left_db < -25.0) - np.argmax(left_db < -5.0)
    assert 3.0 * t20 / SR == pytest.approx(rt60_s, rel=0.12)


def test_a_room_is_as_loud_as_asked() -> None:
    """Energy of what follows the direct sound, against it."""
    response = room_response(0.4, -18.0, rng())
    assert 10.0 * np.log10(np.sum(response[1:] ** 2)) == pytest.approx(-18.0, abs=0.01)


def test_a_room_agrees_with_plain_convolution() -> None:
    """Working piece by piece changes nothing."""
    response = room_response(0.05, -6.0, rng())
    samples = rng().standard_normal(20_000)
    plain = np.convolve(samples, response)[: len(samples)]
    np.testing.assert_allclose(in_room(samples, response), plain, atol=1e-9)


def test_the_noise_floor_is_as_asked() -> None:
    """RMS of what was added to silence, in dBFS."""
    floor = with_noise_floor(np.zeros(SR), -60.0, rng())
    assert 10.0 * np.log10(np.mean(floor**2)) == pytest.approx(-60.0, abs=0.1)


def test_bleed_is_the_others_further_down() -> None:
    """Each stem keeps itself and gains the sum of the others at the told level."""
    mixed = with_bleed({"A": np.array([1.0, 0.0]), "B": np.array([0.0, 1.0])}, -20.0)
    np.testing.assert_allclose(mixed["A"], [1.0, 0.1])
    np.testing.assert_allclose(mixed["B"], [0.1, 1.0])


@pytest.mark.parametrize("n", [1, 2, 1000, 4096, 4097, 48_001])
def test_a_quick_size_is_long_enough_and_no_prime(n: int) -> None:
    """The size is at least as long as asked and has no factor above 5."""
    size = quick_size(n)
    assert n <= size < 2 * n + 1
    for factor in (2, 3, 5):
        while size % factor == 0:
            size //= factor
    assert size == 1


def test_the_same_seed_gives_the_same_sound() -> None:
    """Chance comes only from the generator that is handed in."""
    one, two = (plucked(100.0, 0.3, StringSound(), rng()).samples for _ in range(2))
    np.testing.assert_array_equal(one, two)
