"""A tone that begins in its even partials is one note; a true octave leap is two."""

import numpy as np
import pytest
from tones.exact import found_notes, laid_out, moments, stem_of, with_floor

from planner.model import Floats, Note
from planner.track.octave_starts import with_octave_leaps, without_low_starts, without_octave_notes

SR = 48_000


def reed(f_hz: float, length_s: float, *, speaks_s: float, odd_db: float) -> Floats:
    """A tone whose odd partials are faint until it speaks."""
    t = moments(length_s, SR)
    grown = 1.0 / (1.0 + np.exp(-(t - speaks_s) / 0.03))
    odd = 10 ** (odd_db / 20) * (1.0 - grown) + grown
    rise = np.clip(t / 0.03, 0, 1) * np.clip((length_s - t) / 0.04, 0, 1)
    parts = [
        (odd if n % 2 else 1.0) / n * np.sin(2 * np.pi * n * f_hz * t + n) for n in range(1, 13)
    ]
    return rise * np.sum(parts, axis=0)


def notes_of(*sounds: tuple[float, Floats]) -> tuple[Note, ...]:
    length_s = sounds[-1][0] + len(sounds[-1][1]) / SR + 0.3
    samples = with_floor(
        0.1 * laid_out(list(sounds), length_s, SR), -75.0, np.random.default_rng(1)
    )
    return found_notes(stem_of(samples, SR, "woodwind"))[0]


@pytest.mark.parametrize("f_hz", [233.1, 311.1, 587.3])
@pytest.mark.parametrize("odd_db", [-22.0, -25.0])
def test_a_reed_that_speaks_late_is_one_note(f_hz: float, odd_db: float) -> None:
    """Odd partials 22 and 25 dB down for a quarter of a second, as bassoons and oboes begin."""
    (note,) = notes_of((0.3, reed(f_hz, 0.9, speaks_s=0.25, odd_db=odd_db)))
    assert abs(1200 * np.log2(note.pitch_hz / f_hz)) < 20
    assert note.start_s == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize("f_hz", [233.1, 440.0])
def test_a_leap_down_an_octave_is_two_notes(f_hz: float) -> None:
    """A true higher note fits both periods alike, whatever follows it."""
    high = reed(2 * f_hz, 0.5, speaks_s=-1.0, odd_db=0.0)
    low = reed(f_hz, 0.6, speaks_s=-1.0, odd_db=0.0)
    notes = notes_of((0.3, high), (0.78, low))
    assert [round(12 * np.log2(n.pitch_hz / f_hz)) for n in notes] == [12, 0]


def test_a_high_note_over_the_ring_of_its_octave_stays() -> None:
    """Low, high, low again: the ring of the first makes the low period fit, and says nothing."""
    f_hz = 220.0
    low = reed(f_hz, 0.6, speaks_s=-1.0, odd_db=0.0)
    ring = 0.1 * reed(f_hz, 0.5, speaks_s=-1.0, odd_db=0.0)
    high = reed(2 * f_hz, 0.5, speaks_s=-1.0, odd_db=0.0)
    notes = notes_of((0.3, low), (0.88, high + ring[: len(high)]), (1.36, low))
    assert [round(12 * np.log2(n.pitch_hz / f_hz)) for n in notes] == [0, 12, 0]


@pytest.mark.parametrize("f_hz", [440.0, 659.3, 740.0])
def test_a_reed_whose_odd_partials_stay_faint_is_read_at_its_pitch(f_hz: float) -> None:
    """Odd partials with 2 % of the power all along, as on a recorded oboe: not an octave higher."""
    scale = [reed(f_hz * 2 ** (k / 12), 0.4, speaks_s=9.0, odd_db=-22.0) for k in (0, 2, 4)]
    notes = notes_of(*[(0.3 + 0.45 * k, sound) for k, sound in enumerate(scale)])
    assert [round(12 * np.log2(n.pitch_hz / f_hz)) for n in notes] == [0, 2, 4]


def test_a_note_that_shares_a_period_with_a_ring_stays() -> None:
    """G over the ring of the D above: both repeat together an octave under the G."""
    old = reed(392.0 * 1.5, 0.6, speaks_s=-1.0, odd_db=0.0)
    ring = 0.15 * reed(392.0 * 1.5, 0.5, speaks_s=-1.0, odd_db=0.0)
    new = reed(392.0, 0.5, speaks_s=-1.0, odd_db=0.0)
    notes = notes_of((0.3, old), (0.88, new + ring[: len(new)]))
    assert [round(12 * np.log2(n.pitch_hz / 392.0)) for n in notes] == [7, 0]


@pytest.mark.parametrize(
    ("before_hz", "read_hz"), [(500.0, 196.0), (588.0, 392.0), (196.0, 392.0), (784.0, 392.0)]
)
def test_a_ring_with_a_period_in_common_keeps_the_pitch_read(
    before_hz: float, read_hz: float
) -> None:
    """Twice a note's period fits better: after a note that shares it, that is the ring's doing."""
    f0_hz = np.concatenate([np.full(40, before_hz), np.full(60, 392.0)])
    candidates_hz = np.stack([f0_hz, f0_hz / 2], axis=1)
    strength = np.tile([0.95, 0.99], (100, 1))
    strength[:40] = 0.99
    out = without_octave_notes(f0_hz, candidates_hz, strength)
    np.testing.assert_array_equal(out[:40], before_hz)
    np.testing.assert_array_equal(out[40:], read_hz)


def test_noise_misfits_both_periods_alike() -> None:
    """A breathy note that fits its own period by 0.90 and twice that by 0.92 is left."""
    f0_hz = np.full(60, 392.0)
    candidates_hz = np.stack([f0_hz, f0_hz / 2], axis=1)
    out = without_octave_notes(f0_hz, candidates_hz, np.tile([0.90, 0.92], (60, 1)))
    np.testing.assert_array_equal(out, f0_hz)


@pytest.mark.parametrize(("low_frames", "read_hz"), [(2, 196.0), (40, 392.0)])
def test_only_what_sounded_for_a_while_rings_on(low_frames: int, read_hz: float) -> None:
    """A moment at the low pitch is the note's own start; 0.2 s of it are a note that rings on."""
    f0_hz = np.concatenate([np.full(40, 294.0), np.full(low_frames, 196.0), np.full(60, 392.0)])
    candidates_hz = np.stack([f0_hz, f0_hz / 2], axis=1)
    out = without_octave_notes(f0_hz, candidates_hz, np.tile([0.95, 0.99], (len(f0_hz), 1)))
    np.testing.assert_array_equal(out[40 + low_frames :], read_hz)


@pytest.mark.parametrize(("own", "read_hz"), [(0.85, 196.0), (0.99, 392.0)])
def test_frames_that_nothing_fits_say_nothing(own: float, read_hz: float) -> None:
    """Frames in which the note before still sounds are no sign for the high pitch."""
    f0_hz = np.full(60, 392.0)
    candidates_hz = np.stack([f0_hz, f0_hz / 2], axis=1)
    strength = np.tile([0.95, 0.99], (60, 1))
    strength[:25] = [own, own - 0.01]
    np.testing.assert_array_equal(without_octave_notes(f0_hz, candidates_hz, strength), read_hz)


@pytest.mark.parametrize("f_hz", [329.6, 370.0])
@pytest.mark.parametrize("fades_s", [0.04, 0.06])
def test_a_cracked_start_belongs_to_its_note(f_hz: float, fades_s: float) -> None:
    """A saxophone's low register sounds first, and dies away under the one that was fingered."""
    t = moments(0.7, SR)
    low = np.exp(-np.maximum(t - 0.05, 0.0) / fades_s)
    rise = np.clip(t / 0.02, 0, 1) * np.clip((0.7 - t) / 0.04, 0, 1)
    parts = [(low if n % 2 else 1.0) / n * np.sin(np.pi * n * f_hz * t + n) for n in range(1, 17)]
    (note,) = notes_of((0.3, rise * np.sum(parts, axis=0)))
    assert note.start_s == pytest.approx(0.3, abs=0.02)
    assert abs(1200 * np.log2(note.pitch_hz / f_hz)) < 20


@pytest.mark.parametrize(
    ("began", "here", "moved"),
    [(0.2, 0.09, True), (0.2, 0.11, False), (0.05, 0.044, True), (0.05, 0.046, False)],
)
def test_the_stroke_that_began_a_cracked_start_is_none_of_the_next_note(
    began: float, here: float, moved: bool
) -> None:
    """What is left of it where the register changes may be half of it; a stroke starts at 0.045."""
    f0_hz = np.repeat([200.0, 400.0], [16, 100])
    rising = np.interp(np.arange(116), [0, 6, 22], [0.5, 0.7, 0.99])
    fits = np.stack([np.full(116, 0.995), rising], axis=1)
    attack = np.full(116, 0.01)
    attack[4], attack[14] = began, here
    out = without_low_starts(f0_hz, np.tile([200.0, 400.0], (116, 1)), fits, attack)
    assert bool((out[:16] == 400.0).all()) is moved
    assert (out[16:] == 400.0).all()


@pytest.mark.parametrize("odd_db", [0.0, -10.0])
def test_a_short_low_note_before_its_octave_is_a_note(odd_db: float) -> None:
    """Slurred: the low note is there at once and gone at once, however soft its odd partials."""
    low = reed(185.0, 0.15, speaks_s=1.0, odd_db=odd_db)
    high = reed(370.0, 0.5, speaks_s=-1.0, odd_db=0.0)
    notes = notes_of((0.3, low), (0.43, high))
    assert [round(12 * np.log2(n.pitch_hz / 185.0)) for n in notes] == [0, 12]


def frames(*stretches: tuple[int, float, float]) -> tuple[Floats, Floats, Floats]:
    """A track at 200 Hz: of each stretch its frames, and how well 200 and 400 Hz fit there."""
    fits = np.concatenate([np.tile([low, high], (count, 1)) for count, low, high in stretches])
    return np.full(len(fits), 200.0), np.tile([200.0, 400.0], (len(fits), 1)), fits


def struck(count: int, *at: int) -> Floats:
    """An attack curve with strokes at some frames."""
    curve = np.full(count, 0.01)
    curve[list(at)] = 0.5
    return curve


def read(
    stretches: list[tuple[int, float, float]], *, at: int, driven: bool, rises: bool = True
) -> list[float]:
    """The pitch of each stretch after the leaps have been put right."""
    f0_hz, offered_hz, fits = frames(*stretches)
    level_db = np.linspace(-20.0, -5.0 if rises else -30.0, len(f0_hz))
    out = with_octave_leaps(
        f0_hz, offered_hz, fits, struck(len(f0_hz), at), level_db, driven=driven
    )
    edges = np.cumsum([count for count, _, _ in stretches])[:-1]
    return [float(np.median(part)) for part in np.split(out, edges)]


LOW, HIGH = (40, 0.99, 0.2), (20, 0.99, 0.99)


@pytest.mark.parametrize("driven", [True, False])
def test_a_period_that_suddenly_fits_is_a_leap(driven: bool) -> None:
    """Low, high for 0.1 s, low again: the path stays below, the note was above."""
    assert read([LOW, HIGH, LOW], at=40, driven=driven) == [200.0, 400.0, 200.0]


def test_a_string_leaps_only_where_it_is_struck() -> None:
    """Where nothing is struck the odd partials of one string have died."""
    assert read([LOW, HIGH], at=5, driven=False) == [200.0, 200.0]
    assert read([LOW, HIGH], at=42, driven=False) == [200.0, 400.0]


def test_what_is_let_go_may_end_in_its_octave() -> None:
    """A bow that is let go fades in its even partials; a slur to the octave grows again."""
    assert read([LOW, HIGH], at=40, driven=True, rises=False) == [200.0, 200.0]
    assert read([LOW, HIGH], at=40, driven=True) == [200.0, 400.0]


def test_a_reed_that_speaks_in_its_octave_is_one_note() -> None:
    """What begins high and gives way to the low pitch without a gap is how some reeds begin."""
    assert read([HIGH, LOW], at=0, driven=True) == [200.0, 200.0]


@pytest.mark.parametrize("high_fits", [0.75, 0.9, 0.97])
def test_weak_odd_partials_are_still_there(high_fits: float) -> None:
    """Where the octave fits worse it stays: at 0.97 with odd partials 18 dB down."""
    assert read([LOW, (20, 0.99, high_fits), LOW], at=40, driven=False) == [200.0] * 3


def test_what_fits_more_and_more_is_no_leap() -> None:
    """Odd partials that die away slowly let the octave fit by and by."""
    slowly = [(8, 0.99, float(fits)) for fits in np.linspace(0.5, 0.69, 5)]
    assert set(read([LOW, *slowly, HIGH], at=80, driven=False)) == {200.0}


def pluck(f_hz: float, length_s: float) -> Floats:
    """A string that is damped at the end of its time."""
    t = moments(length_s, SR)
    partials = sum(np.exp(-t * n * 2.0) / n * np.sin(2 * np.pi * n * f_hz * t) for n in range(1, 9))
    return partials * np.clip(t / 0.002, 0, 1) * np.clip((length_s - t) / 0.03, 0, 1)


@pytest.mark.parametrize("f_hz", [146.8, 233.1, 329.6])
def test_a_short_octave_on_a_guitar_is_found(f_hz: float) -> None:
    """Quavers at the pitch, its octave, and the pitch again, each damped by the next."""
    line = [(0.3, f_hz), (0.42, 2 * f_hz), (0.54, f_hz)]
    sounds = [(at_s, pluck(hz, 0.15)) for at_s, hz in line]
    samples = with_floor(0.1 * laid_out(sounds, 1.2, SR), -75.0, np.random.default_rng(1))
    notes, _ = found_notes(stem_of(samples, SR, "fretted"))
    assert [round(12 * np.log2(note.pitch_hz / f_hz)) for note in notes] == [0, 12, 0]
    assert (
        np.abs([note.start_s - at_s for note, (at_s, _) in zip(notes, line, strict=True)]).max()
        < 0.01
    )
