"""Chord stems: which notes are found, and how true their first partials are.

The synthetic piano is made here with exact truth. The recorded piano is the soundfont
`TimGM6mb.sf2` (GPL-2) that the package `pretty_midi` carries, read with `sf2utils`; its samples are
resampled by exact ratios, so that the cents between two versions are known.
"""

import warnings
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import pytest
from numpy.typing import NDArray

from planner.a4 import find_session_a4
from planner.chords import find_chord_notes
from planner.model import MeasuredNote, Measurement, Note, Role, Stem, StemNotes
from planner.pitch import cents, midi_to_hz, shift_hz
from planner.polyphony.chord_fits import Piece, fit_window, hann_bins, refine
from planner.polyphony.chord_partials import typical_b
from planner.words.session_model import Session

SR = 16000
Array = NDArray[np.float64]
Truth = tuple[float, float, float]  # start_s, end_s, first partial in Hz
Found = tuple[tuple[Note, Measurement], ...]
SHAPES = [(0, 4, 7), (0, 3, 7), (0, 4, 7, 10), (0, 3, 7, 10), (0, 5, 7), (0, 4, 9), (0, 3, 8),
          (0, 7, 16), (0, 10, 16), (0, 7, 15)]  # fmt: skip


def as_stem(samples: Array, role: Role = "tuning-reference", sr: int = SR) -> Stem:
    return Stem(
        code="PNO", role=role, samples=samples.astype(np.float32), analysis_sr=SR, sr=sr,
        frames=len(samples) * sr // SR, range_hz=(27.0, 4300.0),
    )  # fmt: skip


def struck(f1_hz: float, b: float, length_s: float, rng: np.random.Generator) -> Array:
    """One struck string: stiff partials, two-stage decay, a knock, a damper."""
    number = np.arange(1, 31)
    hz = number * f1_hz / np.sqrt(1 + b) * np.sqrt(1 + b * number**2)
    number, hz = number[hz < 7500], hz[hz < 7500]
    t = np.arange(int((length_s + 0.4) * SR)) / SR
    loud = number**-1.1 * np.abs(np.sin(np.pi * number / 7.7)) * rng.uniform(0.6, 1.4, len(hz))
    tau = 2.5 * 2.0 ** (-(12 * np.log2(f1_hz / 440) + 21) / 18)
    sound = np.zeros_like(t)
    for n, f, a in zip(number, hz, loud, strict=True):
        fade = 0.8 * np.exp(-t * (1 + 0.25 * n) / tau) + 0.2 * np.exp(-t * (1 + 0.1 * n) / tau / 3)
        sound += a * fade * np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi))
    sound = sound * (1 - np.exp(-t / 0.002))
    sound += 0.03 * rng.standard_normal(len(t)) * np.exp(-t / 0.01)
    damper = np.where(t < length_s, 1.0, np.exp(-(t - length_s) / 0.05))
    return np.asarray(0.08 * rng.uniform(0.5, 1.2) * sound * damper)


@cache
def piano(seed: int, a4_hz: float, seconds: float = 30.0) -> tuple[Array, tuple[Truth, ...]]:
    """Chords about every second in a light room, noise at -60 dBFS, each note 1 cent astray."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(int((seconds + 4) * SR))
    truth: list[Truth] = []
    at_s = 0.3
    while at_s < seconds - 1.5:
        root = int(rng.integers(43, 62))
        keys = {root + step for step in SHAPES[rng.integers(len(SHAPES))]}
        hold_s = rng.uniform(0.7, 1.05)
        for key in sorted(keys):
            f1_hz = shift_hz(midi_to_hz(key, a4_hz), rng.normal())
            b = float(np.clip(typical_b(f1_hz), 1e-4, 1e-3)) * rng.uniform(0.8, 1.25)
            note = struck(f1_hz, b, hold_s, rng)
            first = round(at_s * SR)
            sound[first : first + len(note)] += note
            truth.append((at_s, at_s + hold_s, f1_hz))
        at_s += rng.choice([0.5, 1.0, 1.0, 1.0, 2.0])
    sound = sound[: int(seconds * SR)]
    room = rng.standard_normal(SR // 2) * np.exp(-np.arange(SR // 2) / SR * 6.9 / 0.4)
    room[: SR // 100] = 0.0
    room *= 0.25 / np.sqrt((room**2).sum())
    size = 1 << 20
    wet = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(room, size), size)[: len(sound)]
    sound = sound + wet
    sound *= 0.3 / np.abs(sound).max()
    return sound + 1e-3 * rng.standard_normal(len(sound)), tuple(truth)


def matched(truth: tuple[Truth, ...], found: Found) -> tuple[float, list[tuple[Truth, Found]]]:
    """F1 and pairs of mir_eval: onset within 50 ms, pitch within 50 cents, ends not asked."""
    true_spans = np.array([t[:2] for t in truth])
    true_hz = np.array([t[2] for t in truth])
    spans = np.array([[n.start_s, n.end_s] for n, _ in found])
    hz = np.array([n.pitch_hz for n, _ in found])
    f1 = mir_eval.transcription.precision_recall_f1_overlap(
        true_spans, true_hz, spans, hz, offset_ratio=None
    )[2]
    pairs = mir_eval.transcription.match_notes(true_spans, true_hz, spans, hz, offset_ratio=None)
    return float(f1), [(truth[i], (found[j],)) for i, j in pairs]


# ---------------------------------------------------------------- the joint fit


def test_one_stationary_partial_reads_half_its_amplitude() -> None:
    """A sine of amplitude 0.4 exactly on a bin reads 0.2 there, phase counted from the middle."""
    t = (np.arange(1600) - 799.5) / SR
    bins = hann_bins(0.4 * np.cos(2 * np.pi * 500.0 * t))
    assert bins[50] == pytest.approx(0.2, abs=1e-9)


def test_three_known_notes_are_measured_to_a_twentieth_of_a_cent() -> None:
    """A struck triad, guesses 10 cents off, comes back within 0.05 cents a note."""
    rng = np.random.default_rng(4)
    truth = [(shift_hz(midi_to_hz(k), d), b) for k, d, b in
             ((48, 7.3, 1.5e-4), (52, -12.1, 2e-4), (55, 3.3, 3e-4))]  # fmt: skip
    sound = sum(struck(f, b, 1.2, rng) for f, b in truth)
    guesses = [(shift_hz(f, d), 1e-4) for (f, _), d in zip(truth, (10.0, -8.0, 5.0), strict=True)]
    part = np.asarray(sound)[int(0.04 * SR) : int(0.9 * SR)]
    piece = Piece(samples=part, sr=SR, others_hz=np.zeros(0))
    got = refine(piece, guesses, harmonic=False, longest_s=1.0)
    for (f1_hz, b), (string, _) in zip(truth, got, strict=True):
        assert string is not None
        assert abs(cents(string.f1_hz, f1_hz)) < 0.05
        assert string.b == pytest.approx(b, rel=0.02)


def test_an_octave_exactly_on_another_note_has_no_free_partial() -> None:
    """With B = 0 and a pure octave every partial of the upper note is covered: it abstains."""
    t = np.arange(SR) / SR
    n = np.arange(1, 13)
    sound = sum(np.sin(2 * np.pi * 220.0 * k * t) / k for k in n)
    sound = sound + sum(np.sin(2 * np.pi * 440.0 * k * t + 1) / k for k in n[:6])
    piece = Piece(samples=np.asarray(sound), sr=SR, others_hz=np.zeros(0))
    low, high = fit_window(piece, [(220.0, 0.0), (440.0, 0.0)])
    assert len(high.number) == 0
    assert high.collided >= 6
    assert set(low.number) >= {1, 3, 5, 7}


# ---------------------------------------------------------------- whole stems


@pytest.mark.parametrize(("seed", "a4_hz"), [(11, 437.3), (12, 443.8)])
def test_piano_chords_are_found_and_their_cents_are_true(seed: int, a4_hz: float) -> None:
    """F1 at least 0.85; cents median within 1, 95 % within 3; the plus-minus covers 2 in 3."""
    sound, truth = piano(seed, a4_hz)
    found = find_chord_notes(as_stem(sound))
    f1, pairs = matched(truth, found)
    assert f1 >= 0.85
    off, sure = [], []
    for (_, _, f1_hz), ((_, measured),) in pairs:
        if measured.sustain_hz is not None:
            assert measured.uncertainty_cents is not None
            error = abs(cents(measured.sustain_hz, f1_hz))
            off.append(error)
            sure.append(error <= 2 * measured.uncertainty_cents)
    assert len(off) >= 0.9 * len(pairs)
    assert np.median(off) <= 1.0
    assert np.percentile(off, 95) <= 3.0
    assert np.mean(sure) >= 0.85
    late = [abs(note.start_s - start_s) for (start_s, _, _), ((note, _),) in pairs]
    assert np.percentile(late, 90) <= 0.020


@pytest.mark.parametrize(("seed", "a4_hz"), [(11, 437.3), (12, 443.8)])
def test_a4_of_a_chord_stem_is_within_a_third_of_a_hertz(seed: int, a4_hz: float) -> None:
    """From the sound alone, an odd A4 is found within 0.3 Hz."""
    sound, _ = piano(seed, a4_hz)
    notes = tuple(
        MeasuredNote(id=f"PNO-{i:04d}", note=note, measurement=measured)
        for i, (note, measured) in enumerate(find_chord_notes(as_stem(sound)), 1)
    )
    stem = StemNotes(code="PNO", role="tuning-reference", facts=None, notes=notes)
    found = find_session_a4(
        Session(song="Low Tide Ledger", stems=(), reference_from="PNO"), (stem,)
    )
    assert abs(found.a4_hz - a4_hz) < 0.3
    assert found.findings == ()


def test_every_note_says_what_it_is_or_why_not() -> None:
    """Numbers come with an uncertainty, blanks with a reason, firm ones from a real fit."""
    sound, _ = piano(11, 437.3)
    for note, measured in find_chord_notes(as_stem(sound, sr=48000)):
        assert note.stem == "PNO"
        assert note.start_smp == round(note.start_s * 48000)
        assert 0 <= note.start_smp < note.end_smp <= 30 * 48000
        assert measured.onset_hz is None
        assert measured.not_measured_because
        if measured.sustain_hz is None:
            assert measured.not_measured_because.startswith("more than one note sounds here")
            assert measured.confidence == ""
        else:
            assert measured.heard_hz == measured.sustain_hz == note.pitch_hz
            assert measured.inharmonicity_b is not None
            assert measured.inharmonicity_b >= 0
            assert measured.confidence in ("firm", "fair", "shaky")


def test_a_single_line_works_too() -> None:
    """Six struck notes one after the other are six notes, each within half a cent."""
    rng = np.random.default_rng(8)
    sound = 1e-4 * rng.standard_normal(5 * SR)
    truth: list[Truth] = []
    for i, key in enumerate((48, 55, 60, 64, 72, 60)):
        note = struck(midi_to_hz(key, 441.0), 3e-4, 0.6, rng)
        first = int((0.2 + 0.7 * i) * SR)
        sound[first : first + len(note)] += note[: len(sound) - first]
        truth.append((first / SR, first / SR + 0.6, midi_to_hz(key, 441.0)))
    found = find_chord_notes(as_stem(sound))
    f1, pairs = matched(tuple(truth), found)
    assert f1 >= 0.9
    for (_, _, f1_hz), ((_, measured),) in pairs:
        assert measured.sustain_hz is not None
        assert abs(cents(measured.sustain_hz, f1_hz)) < 0.5


def test_the_same_chord_struck_again_begins_again() -> None:
    """Three strokes of one chord are nine notes, and the old ones end where the new ones begin."""
    rng = np.random.default_rng(9)
    sound = 1e-4 * rng.standard_normal(4 * SR)
    for i in range(3):
        for key in (48, 52, 55):
            note = struck(midi_to_hz(key), 2e-4, 0.98, rng)
            first = int((0.2 + i) * SR)
            sound[first : first + len(note)] += note[: len(sound) - first]
    found = find_chord_notes(as_stem(sound))
    assert len(found) == 9
    starts = sorted(note.start_s for note, _ in found)
    assert starts == pytest.approx([0.2] * 3 + [1.2] * 3 + [2.2] * 3, abs=0.02)


def test_a_chord_held_under_a_new_note_does_not_begin_again() -> None:
    """Organ notes that hold on while another enters stay one note each."""
    t = np.arange(3 * SR) / SR
    rng = np.random.default_rng(2)

    def pipe(hz: float, from_s: float) -> Array:
        gate = np.clip((t - from_s) / 0.02, 0, 1) * np.clip((2.8 - t) / 0.05, 0, 1)
        return gate * sum(np.sin(2 * np.pi * hz * n * t + n) / n for n in range(1, 9))

    sound = 0.05 * (pipe(220.0, 0.2) + pipe(277.6, 0.2) + pipe(330.5, 1.3))
    found = find_chord_notes(as_stem(sound + 1e-4 * rng.standard_normal(len(t)), "fixed-pitch"))
    pitches = [(round(n.start_s, 1), round(n.pitch_hz, 1)) for n, _ in found]
    assert pitches == [(0.2, 220.0), (0.2, 277.6), (1.3, 330.5)]
    assert found[0][0].end_s > 2.5


def test_digital_silence_has_no_notes() -> None:
    """Nothing in, nothing out."""
    assert find_chord_notes(as_stem(np.zeros(SR))) == ()
    assert find_chord_notes(as_stem(np.zeros(0))) == ()


@pytest.mark.parametrize("level", [1e-3, 0.1])
def test_noise_and_a_shaker_have_no_notes(level: float) -> None:
    """White noise, steady or in bursts, is no note."""
    rng = np.random.default_rng(3)
    noise = level * rng.standard_normal(8 * SR)
    bursts = noise * np.exp(-(np.arange(len(noise)) % (SR // 4)) / 400.0)
    assert find_chord_notes(as_stem(noise)) == ()
    assert all(m.confidence != "firm" for _, m in find_chord_notes(as_stem(bursts)))
    assert len(find_chord_notes(as_stem(bursts))) <= 1


def test_level_changes_nothing_and_delay_only_moves() -> None:
    """12 dB less gives the same notes and cents; a delay of 0.5 s moves only the times."""
    sound, _ = piano(11, 437.3)
    sound = sound[: 8 * SR]
    plain = find_chord_notes(as_stem(sound))
    soft = find_chord_notes(as_stem(0.25 * sound))
    later = find_chord_notes(as_stem(np.concatenate([np.zeros(SR // 2), sound])))
    assert len(plain) >= 8
    assert [n.start_smp for n, _ in soft] == [n.start_smp for n, _ in plain]
    for (_, one), (_, other) in zip(plain, soft, strict=True):
        assert one.sustain_hz is not None
        assert other.sustain_hz is not None
        assert abs(cents(other.sustain_hz, one.sustain_hz)) < 0.05
    both = [
        (a, b) for a, am in plain for b, _ in later
        if abs(b.start_s - a.start_s - 0.5) < 0.02 and abs(cents(b.pitch_hz, a.pitch_hz)) < 1
        and am.confidence == "firm"
    ]  # fmt: skip
    assert len(both) >= 0.85 * len(plain)


# ---------------------------------------------------------------- recorded piano, exact ratios


@cache
def recorded_piano() -> dict[str, Array]:
    """Piano samples of the soundfont that pretty_midi carries (GPL-2), 22.05 kHz, by name."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # both packages use what newer Pythons deprecate
        import pretty_midi
        from sf2utils.sf2parse import Sf2File

        path = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
        with path.open("rb") as opened:
            return {
                sample.name: np.frombuffer(sample.raw_sample_data, dtype="<i2") / 32768.0
                for sample in Sf2File(opened).samples
                if str(sample.name).startswith("Piano ")
            }


def resampled(samples: Array, raise_by: float) -> tuple[Array, float]:
    """Resample to 16 kHz and raise the pitch, by the FFT; the exact ratio comes back with it."""
    count = round(len(samples) * SR / 22050 / raise_by)
    spectrum = np.fft.rfft(samples)
    kept = np.zeros(count // 2 + 1, dtype=complex)
    keep = min(len(spectrum), len(kept) - 1)
    kept[:keep] = spectrum[:keep]
    out = np.fft.irfft(kept, count) * count / len(samples)
    fade = np.clip((len(out) - np.arange(len(out))) / (0.02 * SR), 0.0, 1.0)
    return np.asarray(out * fade), len(samples) / count * SR / 22050


@pytest.mark.outside
@pytest.mark.parametrize("moves", [(3.0, -7.0, 12.0), (-15.0, 4.0, -2.0), (8.0, 9.0, 10.0)])
def test_recorded_piano_chord_gives_its_exact_ratios_back(moves: tuple[float, ...]) -> None:
    """Three recorded notes, each moved by its own exact ratio, are found moved by those cents."""
    names = ("Piano Db3", "Piano Ab3", "Piano Db4")
    # The samples are stored sped up; slowed down again they sound near C#3, F3 and G#3.
    base = (138.6 / 810.0, 174.6 / 1015.0, 207.65 / 1221.0)
    sound = 1e-5 * np.random.default_rng(6).standard_normal(5 * SR)
    truth = []
    for i, by in enumerate((np.zeros(3), np.array(moves))):
        for name, ratio, move in zip(names, base, by, strict=True):
            note, exact = resampled(recorded_piano()[name], ratio * 2 ** (move / 1200))
            first = int((0.2 + 2.4 * i) * SR)
            note = note[: 2 * SR] * np.clip((2 * SR - np.arange(len(note[: 2 * SR]))) / 800, 0, 1)
            sound[first : first + len(note)] += 0.2 * note
            truth.append(exact)
    found = find_chord_notes(as_stem(sound))
    # C#3, F3 and G#3, as they were put in
    by_pitch = sorted(found, key=lambda one: one[0].pitch_hz)
    early = [m for n, m in by_pitch if n.start_s < 0.4]
    late = [m for n, m in by_pitch if 2.4 < n.start_s < 2.8]
    assert len(early) == len(late) == 3
    for i, (one, other) in enumerate(zip(early, late, strict=True)):
        assert one.sustain_hz is not None
        assert other.sustain_hz is not None
        wanted = cents(truth[3 + i], truth[i])
        assert abs(cents(other.sustain_hz, one.sustain_hz) - wanted) < 1.0


# ---------------------------------------------------------------- bow and breath


def bowed(f1_hz: float, length_s: float, swell_s: float, rng: np.random.Generator) -> Array:
    """A bowed tone with a vibrato of its own that swells in and fades out."""
    t = np.arange(int(length_s * SR)) / SR
    swing = 8.0 * np.sin(2 * np.pi * rng.uniform(5.0, 6.0) * t + rng.uniform(0, 6))
    turn = 2 * np.pi * np.cumsum(f1_hz * 2.0 ** (swing / 1200)) / SR
    sound = np.zeros_like(t)
    for n in range(1, min(20, int(7000 / f1_hz))):
        sound += np.cos(n * turn + rng.uniform(0, 6)) / n
    level = np.minimum(1.0, np.minimum(t / swell_s, (length_s - t) / 0.15))
    return np.asarray(0.1 * sound * level)


def overlaid(*parts: tuple[float, Array], seconds: float, rng: np.random.Generator) -> Array:
    sound = 1e-4 * rng.standard_normal(int(seconds * SR))
    for at_s, part in parts:
        first = round(at_s * SR)
        sound[first : first + len(part)] += part
    return np.asarray(sound)


def test_double_stops_that_swell_into_each_other_are_found() -> None:
    """Two bows that need 0.15 s to speak, legato: no quick onset tells where the second begins."""
    rng = np.random.default_rng(3)
    first = [(0.3, bowed(f, 1.3, 0.15, rng)) for f in (196.0, 293.7)]
    second = [(1.5, bowed(f, 1.3, 0.15, rng)) for f in (220.0, 329.6)]
    third = [(2.7, bowed(f, 1.3, 0.15, rng)) for f in (174.6, 261.6)]
    samples = overlaid(*first, *second, *third, seconds=4.5, rng=rng)
    found = find_chord_notes(as_stem(samples, "bowed-group"))
    told = [(round(n.start_s, 1), round(69 + 12 * np.log2(n.pitch_hz / 440))) for n, _ in found]
    keys = [sorted(k for at, k in told if abs(at - near) < 0.21) for near in (0.3, 1.5, 2.7)]
    assert keys == [[55, 62], [57, 64], [53, 60]]


def test_a_chord_that_swells_while_it_is_held_does_not_begin_again() -> None:
    """A crescendo of 12 dB in half a second brings no new note."""
    rng = np.random.default_rng(4)
    parts = [(0.3, bowed(f, 3.0, 0.1, rng)) for f in (196.0, 246.9)]
    samples = overlaid(*parts, seconds=3.5, rng=rng)
    t = np.arange(len(samples)) / SR
    samples = samples * 10.0 ** (-12.0 * (1.0 - np.clip((t - 1.5) / 0.5, 0, 1)) / 20)
    found = find_chord_notes(as_stem(samples, "bowed-group"))
    assert [round(69 + 12 * np.log2(n.pitch_hz / 440)) for n, _ in found] == [55, 59]


@pytest.mark.parametrize(("octave_cents", "notes"), [(0.0, 1), (25.0, 2)])
def test_an_octave_counts_only_where_it_is_not_the_lower_notes_own(
    octave_cents: float, notes: int
) -> None:
    """A driven tone an octave up is a second player only where it is off: else nothing to touch."""
    rng = np.random.default_rng(5)
    t = np.arange(int(1.5 * SR)) / SR
    level = np.minimum(1.0, np.minimum(t / 0.05, (1.5 - t) / 0.1))
    low_hz, high_hz = 220.0, 440.0 * 2.0 ** (octave_cents / 1200)
    low = sum(np.cos(2 * np.pi * n * low_hz * t + n) / n for n in range(1, 20))
    high = sum(np.cos(2 * np.pi * n * high_hz * t + n * n) / n for n in range(1, 12))
    samples = overlaid((0.3, 0.1 * level * (low + 1.5 * high)), seconds=2.2, rng=rng)
    assert len(find_chord_notes(as_stem(samples, "bowed-group"))) == notes


def test_what_swings_is_not_called_firm_on_the_word_of_one_window() -> None:
    """Double stops in vibrato: readings are covered, and no firm one is off by 5 cents."""
    z, firm_off = [], []
    for seed in (31, 32, 33):
        rng = np.random.default_rng(seed)
        parts, truth, at_s = [], [], 0.3
        while at_s < 12.0:
            length_s, low = float(rng.choice([0.5, 0.8, 1.2, 2.0])), int(rng.integers(48, 64))
            for key in (low, low + int(rng.choice([3, 4, 5, 7, 8, 9]))):
                f1_hz = shift_hz(midi_to_hz(key), 6.0 * rng.normal())
                parts.append((at_s, bowed(f1_hz, length_s + 0.1, rng.uniform(0.04, 0.15), rng)))
                truth.append((at_s, f1_hz))
            at_s += length_s + float(rng.choice([0.0, 0.0, 0.2]))
        samples = overlaid(*parts, seconds=at_s + 1.0, rng=rng)
        for note, m in find_chord_notes(as_stem(samples, "bowed-group")):
            near = [hz for start_s, hz in truth if abs(start_s - note.start_s) < 0.15]
            if m.sustain_hz is None or m.uncertainty_cents is None or not near:
                continue
            off = min((cents(m.sustain_hz, hz) for hz in near), key=abs)
            if abs(off) < 50.0:
                z.append(abs(off) / m.uncertainty_cents)
                firm_off += [abs(off)] if m.confidence == "firm" else []
    assert len(z) > 50
    assert len(firm_off) > 25
    assert np.mean(np.array(z) < 2.0) >= 0.93
    assert max(firm_off) < 5.0
