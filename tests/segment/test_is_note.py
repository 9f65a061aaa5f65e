"""Rings, breaths and bleed are no notes; faint slurs and strokes under others are."""

import numpy as np
import pytest
from tones.exact import (
    cents_between,
    faded,
    found_notes,
    laid_out,
    measured_notes,
    moments,
    steady,
    stem_of,
    tone,
    with_floor,
    with_snr,
)

from planner.demo.tones import band_noise
from planner.model import Floats, PitchTrack, Role
from planner.segment.is_note import is_note
from planner.segment.pitch_steps import Step

SR = 48_000


@pytest.mark.parametrize("kind", ["breath", "white", "rumble", "silence", "clicks", "steps"])
@pytest.mark.parametrize("role", ["lead-voice", "fretted"])
def test_what_is_not_pitched_gives_no_notes(kind: str, role: Role) -> None:
    """Breaths, noise, silence, clicks and footsteps hold no notes."""
    rng = np.random.default_rng(8)
    t = moments(3.0, SR)
    clicks = np.zeros(len(t))
    clicks[rng.integers(0, len(t), 12)] = 0.4
    thumps = np.zeros(len(t))
    for at in (0.4, 1.0, 1.7, 2.3):
        first = round(at * SR)
        thumps[first : first + 9600] += rng.standard_normal(9600) * np.exp(-t[:9600] / 0.02)
    swell = np.clip(np.sin(2 * np.pi * 0.5 * t), 0, 1)
    samples = {
        "breath": 0.05 * swell * band_noise(len(t), (500.0, 6000.0), rng),
        "white": 0.1 * rng.standard_normal(len(t)),
        "rumble": 0.1 * band_noise(len(t), (20.0, 300.0), rng),
        "silence": np.zeros(len(t)),
        "clicks": clicks,
        "steps": 0.2 * thumps,
    }[kind]
    assert found_notes(stem_of(samples, SR, role))[0] == ()


def test_a_breath_between_notes_is_none() -> None:
    """Breath between two sung notes adds no note and takes none away."""
    rng = np.random.default_rng(9)
    sung = faded(tone(steady(293.7, 0.7, SR), SR, rng), SR, rise_s=0.04, fall_s=0.05)
    breath = 0.15 * faded(band_noise(round(0.4 * SR), (600.0, 7000.0), rng), SR, rise_s=0.1)
    samples = laid_out([(0.3, sung), (1.15, breath), (1.6, sung)], 2.6, SR)
    notes = found_notes(stem_of(samples, SR, "lead-voice"))[0]
    assert [n.start_s for n in notes] == pytest.approx([0.3, 1.6], abs=0.03)


@pytest.mark.parametrize("f1_hz", [42.0, 63.0, 88.0, 128.0])
@pytest.mark.parametrize("snr_db", [60.0, 20.0])
def test_a_stiff_string_that_hardly_repeats_is_a_note(f1_hz: float, snr_db: float) -> None:
    """Twenty partials of B 1e-3 (Fletcher 1964) that do not decay have no common period."""
    rng = np.random.default_rng(round(f1_hz))
    note = tone(steady(f1_hz, 1.0, SR), SR, rng, b=1e-3, amplitudes=[1.0 / n for n in range(1, 21)])
    samples = laid_out([(0.3, faded(note, SR, rise_s=0.002))], 1.6, SR)
    samples = with_snr(samples, snr_db, rng)
    ((note_found, measured),) = measured_notes(stem_of(samples, SR, "fretted"))
    assert note_found.start_s == pytest.approx(0.3, abs=0.01)
    assert note_found.end_s == pytest.approx(1.3, abs=0.05)
    assert measured.sustain_hz is not None
    assert abs(cents_between(measured.sustain_hz, f1_hz)) < 0.1


@pytest.mark.parametrize("seed", range(6))
def test_partials_that_are_no_strings_are_no_note(seed: int) -> None:
    """Twelve partials anywhere, as a struck plate has them, are no stiff string."""
    rng = np.random.default_rng(seed)
    t = moments(1.0, SR)
    plate = sum(
        np.sin(2 * np.pi * (f_hz * t + rng.uniform())) for f_hz in rng.uniform(90.0, 2500.0, 12)
    )
    samples = laid_out([(0.3, faded(np.asarray(plate), SR, rise_s=0.002))], 1.6, SR)
    assert found_notes(stem_of(samples, SR, "fretted"))[0] == ()


def test_what_sounds_around_it_later_does_not_unmake_a_stroke() -> None:
    """A pluck alone for 0.15 s, then under a rising noise, is a note all the same."""
    rng = np.random.default_rng(2)
    pluck = tone(steady(220.0, 0.6, 16_000), 16_000, rng, decay_s=0.6)
    pluck[:32] *= np.linspace(0.0, 1.0, 32)
    noise = 0.5 * np.std(pluck) * rng.standard_normal(8000)
    noise *= np.clip(np.arange(len(noise)) / 1600, 0.0, 1.0)
    stem = stem_of(laid_out([(0.3, pluck), (0.42, noise)], 1.2, 16_000), 16_000, "fretted")
    notes, heard = found_notes(stem)
    assert np.median(heard.strength[60:180]) < 0.8
    assert any(abs(n.start_s - 0.3) < 0.02 and abs(n.pitch_hz / 220.0 - 1) < 0.02 for n in notes)


def hammered(semitones: float, f1_hz: float) -> Floats:
    """A string struck at 0.3 s, fading by 43 dB a second, hammered on to another pitch at 0.8 s."""
    line = steady(f1_hz, 1.0, SR)
    line[SR // 2 :] *= 2.0 ** (semitones / 12.0)
    width = round(0.01 * SR)
    line[SR // 2 - width : SR // 2] = np.geomspace(line[0], line[-1], width)
    return tone(line, SR, np.random.default_rng(4), decay_s=0.2)


@pytest.mark.parametrize("f1_hz", [98.0, 220.0, 440.0])
@pytest.mark.parametrize("semitones", [-3.0, 2.0])
def test_a_hammered_note_is_found_however_faint_it_is_by_then(
    semitones: float, f1_hz: float
) -> None:
    """22 dB under the strokes at its start, clean, and no softer than what leads to it."""
    rng = np.random.default_rng(5)
    strokes = [(0.3, hammered(semitones, f1_hz))]
    strokes += [(1.6 + 0.4 * k, faded(hammered(0.0, f1_hz)[: SR // 3], SR)) for k in range(4)]
    stem = stem_of(with_floor(0.5 * laid_out(strokes, 3.6, SR), -90.0, rng), SR, "fretted")
    notes, _ = found_notes(stem)
    assert [n.start_s for n in notes] == pytest.approx([0.3, 0.8, 1.6, 2.0, 2.4, 2.8], abs=0.02)
    assert 12 * np.log2(notes[1].pitch_hz / f1_hz) == pytest.approx(semitones, abs=0.1)


@pytest.mark.parametrize("hammers", [True, False])
def test_a_note_hammered_on_from_a_noisy_stroke_is_found(hammers: bool) -> None:
    """Of an upright bass: 20 dB under the strokes, out of the thump of one of 0.12 s.

    Where the string that is heard after the thump rang all along, nothing was played there.
    """
    rng = np.random.default_rng(6)
    first = round(0.12 * SR)
    thump = faded(0.08 * rng.standard_normal(first), SR)
    line = steady(98.0, 0.4, SR)
    line[first:] *= 2.0 ** (2 / 12)
    struck = 0.05 * tone(line if hammers else line[:first], SR, rng, decay_s=0.8)
    strokes = [(0.8, faded(struck, SR)), (0.8, thump)]
    if not hammers:
        ring = 0.05 * tone(steady(98.0 * 2 ** (2 / 12), 0.9, SR), SR, rng, decay_s=0.8)
        strokes += [(0.3, faded(ring, SR))]
    loud = faded(tone(steady(82.4, 0.35, SR), SR, rng, decay_s=0.5), SR)
    strokes += [(1.4 + 0.5 * k, 0.6 * loud) for k in range(4)]
    stem = stem_of(with_floor(laid_out(strokes, 3.6, SR), -90.0, rng), SR, "bass-fretless")
    found = [n.start_s for n in found_notes(stem)[0] if 0.86 < n.start_s < 1.3]
    assert found == (pytest.approx([0.92], abs=0.03) if hammers else [])


@pytest.mark.parametrize(
    ("role", "semitones", "counts"),
    [("lead-voice", -12, True), ("lead-voice", 12, False), ("fretted", -12, False)],
)
def test_a_voice_may_slur_an_octave_down(role: Role, semitones: int, counts: bool) -> None:
    """28 dB under a louder song, as loud as before: above would be a partial left alone.

    Of a string it would be another string.
    """
    frames, first = 200, 100
    f0_hz, level_db = np.full(frames, 523.0), np.full(frames, -30.0)
    f0_hz[first:] *= 2.0 ** (semitones / 12)
    heard = PitchTrack(
        hop_s=0.005, f0_hz=f0_hz, strength=np.full(frames, 0.99), level_db=level_db,
        attack=np.zeros(frames),
    )  # fmt: skip
    sung = Step(first=20, last=first, begins="attack", struck=20)
    slurred = Step(first=first, last=180, begins="legato", struck=first)
    assert (
        is_note(stem_of(np.zeros(SR), SR, role), slurred, sung, sung, heard, level_db, -2.0)
        is counts
    )


def test_what_is_uncovered_when_a_note_stops_is_none() -> None:
    """A string ringing along 22 dB under a note that is stopped is as faint, and was not played."""
    rng = np.random.default_rng(5)
    played = faded(tone(steady(220.0, 0.5, SR), SR, rng, decay_s=2.0), SR)
    ringing = 10 ** (-22 / 20) * tone(steady(247.0, 1.1, SR), SR, rng, decay_s=2.0)
    pieces = [
        (0.3, played),
        (0.3, faded(ringing, SR)),
        *((1.6 + 0.6 * k, played) for k in range(3)),
    ]
    stem = stem_of(with_floor(0.5 * laid_out(pieces, 3.8, SR), -90.0, rng), SR, "fretted")
    notes, _ = found_notes(stem)
    assert [n.start_s for n in notes] == pytest.approx([0.3, 1.6, 2.2, 2.8], abs=0.02)


@pytest.mark.parametrize(("role", "counts"), [("bass-fretless", True), ("bowed", False)])
def test_a_short_stroke_is_judged_where_it_is_clearest(role: Role, counts: bool) -> None:
    """The thump of an upright bass covers half of a note of 0.12 s; a bow that rustles is none."""
    frames, first, last = 100, 40, 64
    strength = np.full(frames, 0.5)
    strength[first:last] = np.interp(np.arange(24), [0, 14, 18, 23], [0.6, 0.8, 0.9, 0.6])
    heard = PitchTrack(
        hop_s=0.005,
        f0_hz=np.full(frames, 82.0),
        strength=strength,
        level_db=np.full(frames, -20.0),
        attack=np.zeros(frames),
    )
    stroke = Step(first=first, last=last, begins="attack", struck=first)
    assert np.median(strength[first:last]) < 0.8
    stem = stem_of(np.zeros(SR), SR, role)
    assert is_note(stem, stroke, None, None, heard, heard.level_db, -20.0) is counts


@pytest.mark.parametrize(("ends_db", "counts"), [(-45.0, False), (-30.0, True)])
def test_what_rings_from_one_bow_to_the_next_is_none(ends_db: float, counts: bool) -> None:
    """The short end of a string begins 9 dB under the bow that stops; the next rises over it."""
    frames, first, last = 200, 100, 140
    f0_hz, level_db = np.full(frames, 93.0), np.full(frames, -20.0)
    f0_hz[first:last] = 397.0
    level_db[first:last] = np.interp(
        np.arange(40), [0, 8, 36, 39], [-29.0, ends_db, ends_db, -21.0]
    )
    heard = PitchTrack(
        hop_s=0.005,
        f0_hz=f0_hz,
        strength=np.full(frames, 0.97),
        level_db=level_db,
        attack=np.zeros(frames),
    )
    bow = Step(first=40, last=first, begins="attack", struck=40)
    ring = Step(first=first, last=last, begins="legato", struck=first)
    stem = stem_of(np.zeros(SR), SR, "bowed")
    assert is_note(stem, ring, bow, bow, heard, level_db, -15.0) is counts


@pytest.mark.parametrize("role", ["bowed", "lead-voice", "fretted"])
@pytest.mark.parametrize(
    ("f_hz", "inner", "counts"), [(82.0, 0.83, True), (82.0, 0.77, False), (220.0, 0.83, False)]
)
def test_a_short_low_note_is_judged_by_itself(
    role: Role, f_hz: float, inner: float, counts: bool
) -> None:
    """A window of 80 ms reads a low note of 110 ms with its neighbours, but in its middle."""
    frames, first, last = 200, 100, 122
    strength = np.full(frames, 0.95)
    strength[first:last] = np.interp(np.arange(22), [0, 7, 14, 21], [0.6, inner, inner, 0.6])
    f0_hz = np.full(frames, 110.0)
    f0_hz[first:last] = f_hz
    level_db = np.full(frames, -20.0)
    heard = PitchTrack(
        hop_s=0.005, f0_hz=f0_hz, strength=strength, level_db=level_db, attack=np.zeros(frames)
    )
    stem = stem_of(np.zeros(SR), SR, role)
    steps = [
        Step(first=a, last=b, begins="soft", struck=a) for a, b in ((40, first), (first, last))
    ]
    assert np.median(strength[first:last]) < 0.8
    assert is_note(stem, steps[1], steps[0], steps[0], heard, level_db, -20.0) is counts
