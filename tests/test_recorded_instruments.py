"""Recorded instruments moved by exact ratios read as far as they were moved, each as one note.

The samples are those of the soundfont TimGM6mb.sf2 (GPL-2) that the package pretty_midi ships, read
by sf2utils; nothing of it is copied here. A sample told to be at half its rate sounds an octave
lower, which brings the high ones down to where the instrument plays.
"""

import warnings
from dataclasses import dataclass

import numpy as np
import pytest
from recorded_samples import (
    RecordedSample,
    between_quiet,
    recorded_sample,
    resampled_by_cents,
    soundfont_path,
)
from tones.exact import cents_between, measured_notes, stem_of

from planner.model import Measurement, Note, Role
from planner.pitch import midi_to_hz

pytestmark = pytest.mark.outside

LENGTH_S = 1.2
MOVED_CENTS = (-38.0, -7.0, 11.0, 35.0)
# Name in the soundfont, role, and by how much its rate is divided.
RECORDED: tuple[tuple[str, Role, int], ...] = (
    ("Piano Ab2", "fretted", 4),
    ("Piano Db3", "fretted", 4),
    ("Piano Ab3", "fretted", 2),
    ("N Guitar D2", "fretted", 2),
    ("N Guitar B2", "fretted", 2),
    ("N Guitar E3", "fretted", 2),
    ("Steel AcGtr A1", "fretted", 1),
    ("Steel AcGtr G2", "fretted", 2),
    ("Fingered Bass C1", "bass-fretted", 2),
    ("Fingered Bass G3", "bass-fretted", 4),
    ("Violin G3", "bowed", 1),
    ("Violin C4", "bowed", 1),
    ("Arco Cello Gb1", "bowed", 1),
    ("Arco Cello D2", "bowed", 2),
    ("TrumpC5", "brass", 2),
    ("TrumpD#5", "brass", 1),
    ("TrumpG5", "brass", 1),
    ("TrumpA#5", "brass", 1),
    ("TrumpD#6", "brass", 1),
    ("FluteE5", "woodwind", 1),
    ("FluteG5", "woodwind", 1),
    ("Oboe C#", "woodwind", 1),
    ("Oboe E5", "woodwind", 1),
    ("Doo G3", "lead-voice", 2),
    ("Doo Eb4", "lead-voice", 2),
    ("AltoG", "woodwind", 1),
    ("TenorG#", "woodwind", 1),
    ("BariC5", "woodwind", 1),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One recording, moved by some cents: what was found."""

    name: str
    moved_cents: float  # exactly
    notes: list[tuple[Note, Measurement]]


def heard_at(sample: RecordedSample, role: Role, divided: int, cents: float) -> Heard:
    sr = sample.sr // divided
    samples = 0.5 * sample.samples / np.abs(sample.samples).max()
    exact = 0.0
    if cents:
        samples, exact = resampled_by_cents(samples, cents)
    notes = measured_notes(stem_of(between_quiet(samples, sr), sr, role))
    return Heard(name=sample.name, moved_cents=exact, notes=notes)


@pytest.fixture(scope="module")
def heard() -> dict[str, list[Heard]]:
    """Every recording as it is, then moved: by name."""
    found = {}
    for name, role, divided in RECORDED:
        whole = recorded_sample(name, lasting_s=LENGTH_S / divided)
        n = round(LENGTH_S * whole.sr / divided)
        sample = RecordedSample(
            name=name,
            samples=whole.samples[:n],
            sr=whole.sr,
            root_midi=whole.root_midi,
            correction_cents=whole.correction_cents,
        )
        found[name] = [heard_at(sample, role, divided, c) for c in (0.0, *MOVED_CENTS)]
    return found


@pytest.fixture(scope="module")
def keys() -> dict[str, float]:
    """The key, as a MIDI number with its fraction, at which each sample sounds as recorded.

    A zone's root key overrides the sample's, and its fine tuning adds to the sample's correction
    (SoundFont 2.04 specification, generators 58 and 52).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from sf2utils.sf2parse import Sf2File
    wanted = {name for name, _, _ in RECORDED}
    found: dict[str, float] = {}
    with open(soundfont_path(), "rb") as stream:
        for instrument in Sf2File(stream).instruments:
            for zone in getattr(instrument, "bags", []):
                sample = zone.sample
                if sample is None or sample.name not in wanted:
                    continue
                root = zone.base_note if zone.base_note is not None else sample.original_pitch
                fine = (zone.fine_tuning or 0) + sample.pitch_correction
                found.setdefault(sample.name, root - fine / 100)
    return found


@pytest.mark.parametrize("name", [name for name, _, _ in RECORDED])
def test_a_recording_is_one_note(heard: dict[str, list[Heard]], name: str) -> None:
    """One recorded note is one note, moved or not, found within 50 ms (MIREX) of its start."""
    for one in heard[name]:
        assert len(one.notes) == 1, one.moved_cents
        assert one.notes[0][0].start_s == pytest.approx(0.2, abs=0.05)


@pytest.mark.parametrize(("name", "divided"), [(name, d) for name, _, d in RECORDED])
def test_a_recording_is_in_the_octave_of_its_key(
    heard: dict[str, list[Heard]], keys: dict[str, float], name: str, divided: int
) -> None:
    """The pitch lies within a quarter tone of the key that the soundfont gives the sample."""
    true_hz = midi_to_hz(keys[name]) / divided
    for one in heard[name]:
        sustain_hz = one.notes[0][1].sustain_hz
        assert sustain_hz is not None
        assert abs(cents_between(sustain_hz, true_hz) - one.moved_cents) < 50


def differences(heard: dict[str, list[Heard]], *, onset: bool) -> dict[str, list[float]]:
    """How far each moved version reads from where it should, against the version as it is."""
    found: dict[str, list[float]] = {}
    for name, versions in heard.items():
        still = versions[0].notes[0][1]
        for one in versions[1:]:
            moved = one.notes[0][1]
            pair = (
                (moved.onset_hz, still.onset_hz) if onset else (moved.sustain_hz, still.sustain_hz)
            )
            if onset and "slides" in still.not_measured_because + moved.not_measured_because:
                continue  # over a semitone there is no figure: D2 of the cello, at its limit
            assert pair[0] is not None
            assert pair[1] is not None
            found.setdefault(name, []).append(cents_between(*pair) - one.moved_cents)
    return found


def test_sustains_move_as_far_as_the_recording(heard: dict[str, list[Heard]]) -> None:
    """The median sustain is right within 0.3 cents, nine in ten within half a cent."""
    off = np.abs(np.concatenate(list(differences(heard, onset=False).values())))
    assert np.median(off) < 0.3
    assert np.percentile(off, 90) < 0.5


def test_onsets_move_as_far_as_the_recording(heard: dict[str, list[Heard]]) -> None:
    """The median onset is right within a cent; real attacks glide, so a few are further off."""
    by_name = differences(heard, onset=True)
    assert sum(len(values) for values in by_name.values()) >= len(MOVED_CENTS) * len(RECORDED) - 4
    off = np.abs(np.concatenate(list(by_name.values())))
    assert np.median(off) < 1.0
    assert np.mean(off < 5.0) > 0.9
    near = [name for name, values in by_name.items() if np.median(np.abs(values)) < 1.0]
    assert len(near) > 0.7 * len(by_name)


def test_onsets_are_within_what_is_stated(heard: dict[str, list[Heard]]) -> None:
    """Of two readings of one attack, nine in ten agree within two of their stated uncertainties."""
    covered = []
    for name, values in differences(heard, onset=True).items():
        stated = heard[name][0].notes[0][1].onset_uncertainty_cents
        assert stated is not None
        covered += [abs(value) <= 2 * np.sqrt(2) * stated for value in values]
    assert np.mean(covered) >= 0.9
