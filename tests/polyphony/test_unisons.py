"""Strings of one key apart: found, sized and told from everything else that moves in a note."""

import json

import numpy as np
import pytest
from tones.struck import SR, as_stem, spread, stiffness, struck

from planner.chords import find_chord_notes
from planner.model import Measurement, Note
from planner.pitch import cents, hz_to_midi, midi_to_hz
from planner.polyphony.unisons import HOP_S, StringsApart, fit_lines, strings_apart

C3, C4, C5, C6 = (midi_to_hz(m) for m in (48, 60, 72, 84))
SEEDS = range(6)
Found = tuple[tuple[Note, Measurement], ...]


def asked(
    f1_hz: float,
    strings_cents: tuple[float, ...],
    length_s: float,
    seed: int,
    *,
    tremolo_hz: float = 0.0,
    beside: tuple[float, ...] = (),
    known: bool = True,
) -> StringsApart | None:
    """One key, struck; `beside`: other keys that sound too, known to the search or not."""
    rng = np.random.default_rng(seed)
    sound = struck(f1_hz, strings_cents, length_s, rng, tremolo_hz=tremolo_hz)
    for other in beside:
        sound = sound + struck(other, (0.0,), length_s, rng)
    sound = sound + 1e-4 * rng.standard_normal(len(sound))
    b = stiffness(f1_hz)
    others = [(f / np.sqrt(1 + stiffness(f)), stiffness(f)) for f in beside] if known else []
    piece = sound[int(0.05 * SR) : int(length_s * SR)]
    return strings_apart(piece, SR, (f1_hz / np.sqrt(1 + b), b), others)


def of_key(midi: int, found: Found) -> Found:
    """The notes of one key among those found."""
    return tuple(one for one in found if round(hz_to_midi(one[0].pitch_hz)) == midi)


@pytest.mark.parametrize("apart", [2.0, 4.0])
@pytest.mark.parametrize("strings", [2, 3])
@pytest.mark.parametrize("f1_hz", [C3, C4, C5, C6])
def test_strings_apart_are_found_and_sized(f1_hz: float, strings: int, apart: float) -> None:
    """In 2.5 s, 2 and 4 cents come out within 0.15 cents, the plus-minus near that, every time."""
    b = stiffness(f1_hz)
    for seed in SEEDS:
        got = asked(f1_hz, spread(strings, apart), 2.5, seed)
        assert got is not None
        assert got.cents == pytest.approx(apart, abs=0.15)
        assert 0.02 < got.uncertainty_cents < 0.15
        law = [n * f1_hz * np.sqrt((1 + b * n**2) / (1 + b)) for n in got.number]
        assert np.allclose(1200 * np.log2(np.array(got.middle_hz) / law), 0.0, atol=0.3)


@pytest.mark.parametrize("f1_hz", [C4, C5, C6])
def test_one_cent_is_found_in_two_and_a_half_seconds(f1_hz: float) -> None:
    """Two strings a cent apart are found in every note of 2.5 s from middle C on, within 0.2."""
    for seed in SEEDS:
        got = asked(f1_hz, spread(2, 1.0), 2.5, seed)
        assert got is not None
        assert got.cents == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("apart", [0.0, 0.5])
@pytest.mark.parametrize("f1_hz", [C3, C4, C5, C6])
def test_what_is_too_near_is_not_made_up(f1_hz: float, apart: float) -> None:
    """0 and 0.5 cents are never told as more than they are; the least visible distance is said."""
    for seed in SEEDS:
        got = asked(f1_hz, spread(2, apart), 2.5, seed)
        assert got is not None
        if got.cents:
            assert got.cents == pytest.approx(apart, abs=0.2)
        else:
            assert apart < got.uncertainty_cents < 1.5


@pytest.mark.parametrize("f1_hz", [C3, C4, C5, C6])
def test_one_string_that_dies_in_two_stages_does_not_beat(f1_hz: float) -> None:
    """Double decay alone is one pitch, in short notes and long ones."""
    for length_s in (1.0, 2.5):
        for seed in SEEDS:
            got = asked(f1_hz, (0.0,), length_s, seed)
            assert got is not None
            assert got.cents == 0.0


@pytest.mark.parametrize("rate_hz", [0.8, 1.7, 3.0, 5.0])
def test_a_tremolo_is_no_string(rate_hz: float) -> None:
    """Level that swings alike in all partials is not taken for strings."""
    for f1_hz in (C3, C4, C5, C6):
        for seed in SEEDS[:3]:
            got = asked(f1_hz, (0.0,), 2.5, seed, tremolo_hz=rate_hz)
            assert got is None or got.cents == 0.0


@pytest.mark.parametrize("known", [True, False])
def test_neighbours_are_no_strings(known: bool) -> None:
    """A semitone, a fifth, an octave 3 cents wide and a twelfth 3 wide, found or overlooked."""
    for f1_hz in (C3, C4):
        for step in (100.0, 702.0, 1203.0, 1905.0):
            for seed in SEEDS[:3]:
                other = f1_hz * 2.0 ** (step / 1200.0)
                got = asked(f1_hz, (0.0,), 2.0, seed, beside=(other,), known=known)
                assert got is None or got.cents == 0.0


def test_a_bad_key_is_found_within_a_chord() -> None:
    """E4 with strings 2.4 cents apart in a C major triad; C4 and G4 have one pitch each."""
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        sound = np.zeros(int(3.0 * SR))
        for midi, apart in ((60, 0.0), (64, 2.4), (67, 0.0)):
            note = struck(midi_to_hz(midi), spread(2, apart), 2.2, rng)
            sound[4000 : 4000 + len(note)] += note
        sound += 1e-4 * rng.standard_normal(len(sound))
        found = find_chord_notes(as_stem(sound))
        told = {key: of_key(key, found)[0][1] for key in (60, 64, 67)}
        assert told[64].strings_apart_cents == pytest.approx(2.4, abs=0.2)
        assert not told[60].strings_apart_cents
        assert not told[67].strings_apart_cents


def test_the_pitch_of_such_a_note_is_the_middle_give_or_take_more() -> None:
    """4 cents apart: the middle, half of them within 0.1 cents; the plus-minus 4 / sqrt(12)."""
    off = []
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        sound = struck(C4, spread(2, 4.0), 2.5, rng)
        sound = np.concatenate([np.zeros(2000), sound + 1e-4 * rng.standard_normal(len(sound))])
        ((_, m),) = of_key(60, find_chord_notes(as_stem(sound)))
        assert m.sustain_hz is not None
        assert m.uncertainty_cents is not None
        # any pitch between two strings is as likely: a uniform spread of 4 cents
        assert m.uncertainty_cents >= 4.0 / np.sqrt(12.0)
        off.append(abs(cents(m.sustain_hz, C4)))
        assert off[-1] < 2.0 * m.uncertainty_cents
    assert np.median(off) < 0.1


@pytest.mark.parametrize(("midi", "apart"), [(52, 2.0), (60, 4.0), (64, 2.4)])
def test_a_slow_beat_is_one_note(midi: int, apart: float) -> None:
    """What swells in again after the trough of a beat is the same note, to its end."""
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        sound = struck(midi_to_hz(midi), spread(2, apart), 3.0, rng)
        sound = np.concatenate([np.zeros(2000), sound + 1e-4 * rng.standard_normal(len(sound))])
        ((note, _),) = of_key(midi, find_chord_notes(as_stem(sound)))
        assert note.start_s == pytest.approx(0.125, abs=0.03)
        assert note.end_s == pytest.approx(3.125, abs=0.2)


def test_movable_chords_are_not_asked() -> None:
    """A chord guitar or a sampled part carries no word about strings of a key."""
    rng = np.random.default_rng(1)
    sound = struck(C4, spread(2, 4.0), 2.5, rng)
    found = find_chord_notes(as_stem(sound, "fretted-chords"))
    assert found
    assert {m.strings_apart_cents for _, m in found} == {None}


def test_short_notes_and_few_partials_say_nothing() -> None:
    """Half a second, or one free partial, is no evidence either way."""
    assert asked(C4, spread(2, 4.0), 0.5, 1) is None
    rng = np.random.default_rng(1)
    sound = struck(C4, spread(2, 4.0), 2.0, rng)
    dense = [(27.5 * k, 0.0) for k in (1.0, 1.3, 1.7)]  # a partial of theirs within 25 Hz of all
    assert strings_apart(sound[800:], SR, (C4, stiffness(C4)), dense) is None


def test_digital_silence_says_nothing() -> None:
    """No sound, no strings, no warning."""
    assert strings_apart(np.zeros(2 * SR), SR, (C4, 3e-4), []) is None


def test_lines_come_back_exactly() -> None:
    """Two decaying lines without noise come back with their decays and frequencies."""
    t = np.arange(48) * HOP_S
    poles = np.array([-0.8 + 2j * np.pi * 0.3, -1.9 - 2j * np.pi * 0.5])
    z = 0.7 * np.exp(poles[0] * t) + (0.2 + 0.3j) * np.exp(poles[1] * t)
    fits = fit_lines(z[None, :], 2)
    assert len(fits) == 2
    got = fits[1].poles[0][np.argsort(-fits[1].poles[0].imag)]
    assert np.allclose(got, poles, atol=1e-6)
    assert fits[1].left[0] < 1e-15 < fits[0].left[0]


@pytest.mark.outside
def test_plus_minus_of_a_line_meets_theory() -> None:
    """In noise, the stated deviation of a frequency equals its scatter (Cramer-Rao) within 25 %."""
    rng = np.random.default_rng(3)
    t = np.arange(40) * HOP_S
    clean = np.exp((-0.5 + 1.2j) * t) + 0.6 * np.exp((-0.5 - 3.0j) * t)
    noise = rng.standard_normal((200, 40, 2)) @ np.array([1.0, 1.0j]) * 0.01 / np.sqrt(2.0)
    fit = fit_lines(clean[None, :] + noise, 2)[1]
    order = np.argsort(fit.poles.imag, axis=1)
    high = np.take_along_axis(fit.poles.imag, order, axis=1)[:, 1]
    stated = np.array([fit.covariance[k, order[k, 1], order[k, 1]].real / 2 for k in range(200)])
    assert high.mean() == pytest.approx(1.2, abs=0.01)
    assert high.std() == pytest.approx(np.sqrt(stated.mean()), rel=0.25)


def test_result_is_plain_numbers() -> None:
    """What is told can be written as it is: no array types."""
    got = asked(C5, (0.0,), 2.0, 1)
    assert got is not None
    assert json.dumps([got.cents, got.uncertainty_cents])


def test_level_changes_nothing() -> None:
    """The same note 60 dB softer says the same (noise and all)."""
    rng = np.random.default_rng(2)
    sound = struck(C4, spread(2, 2.0), 2.0, rng) + 1e-4 * rng.standard_normal(int(2.4 * SR))
    b = stiffness(C4)
    loud, soft = (
        strings_apart(level * sound[800:30000], SR, (C4 / np.sqrt(1 + b), b), [])
        for level in (1.0, 1e-3)
    )
    assert loud is not None
    assert soft is not None
    assert soft.cents == pytest.approx(loud.cents, abs=1e-6)
    assert soft.number == loud.number
