"""Notes and cents against truths that are not ours to choose: recordings, mir_eval's matching."""

from pathlib import Path

import mir_eval
import numpy as np
import parselmouth
import pytest
import soxr
from recorded_samples import recorded_sample, resampled_by_cents
from sessions.random_session import make_session
from sessions.score import found_directly

from tests.test_measuring import cents, heard

# Recorded instruments in the soundfont TimGM6mb.sf2 (GPL-2), which the package pretty_midi ships.
SAMPLES = (
    "FluteD5",
    "TrumpC5",
    "TrumpG5",
    "Oboe C#",
    "Oboe A5",
    "Violin C4",
    "Piano Db3",
    "Piano Ab3",
    "Piano C5",
    "Acoustic Bass A31",
)


@pytest.mark.outside
@pytest.mark.parametrize("name", SAMPLES)
def test_a_moved_recording_reads_as_far_as_it_was_moved(name: str) -> None:
    """A recorded note resampled by an exact ratio reads that many cents higher, in its octave.

    Within half a cent, or within what it says itself that it does not know: partials of one piano
    note drift apart, and of two readings one follows them.
    """
    sample = recorded_sample(name, lasting_s=1.2)
    moved, exact_cents = resampled_by_cents(sample.samples, 23.0)
    pair = []
    for samples in (sample.samples, moved):
        quiet = np.zeros(1600)
        level = 0.5 / np.abs(samples).max()
        found = heard(
            np.concatenate([quiet, level * soxr.resample(samples, sample.sr, 16000), quiet])
        )
        pair.append(max(found, key=lambda one: one[0].length_s)[1])
    first, second = pair
    assert first.sustain_hz is not None
    assert second.sustain_hz is not None
    assert first.uncertainty_cents is not None
    assert second.uncertainty_cents is not None
    unsure_cents = float(np.hypot(first.uncertainty_cents, second.uncertainty_cents))
    off_cents = abs(cents(second.sustain_hz, first.sustain_hz) - exact_cents)
    assert off_cents <= 0.5 or off_cents <= unsure_cents < 1.0
    # Another estimator names the octave; headers of soundfonts do not always tell the key.
    sound = parselmouth.Sound(sample.samples, sampling_frequency=sample.sr)
    values = sound.to_pitch_ac(pitch_floor=50.0, pitch_ceiling=2600.0).selected_array["frequency"]
    theirs = float(np.median(values[values > 0]))
    assert abs(cents(first.sustain_hz, theirs)) < 50


@pytest.mark.outside
def test_notes_of_an_unseen_session(tmp_path: Path) -> None:
    """Single lines of a session with room and noise reach F1 0.90 and medians under 1 and 2 cents.

    Matching by mir_eval (C. Raffel and others, ISMIR 2014): onset 50 ms, pitch 50 cents, offsets
    ignored.
    """
    truth = make_session(11, tmp_path)
    for stem in truth.stems:
        if stem.code == "PNO" or stem.role == "exclude":
            continue
        found = found_directly(truth, stem)
        if not stem.notes:
            assert found == []
            continue
        pitch = [f.sustain_hz or f.onset_hz or f.pitch_hz for f in found]
        pairs = mir_eval.transcription.match_notes(
            np.array([(n.start_s, n.end_s) for n in stem.notes]),
            np.array([n.sustain_hz or n.onset_hz for n in stem.notes]),
            np.array([(f.start_s, f.end_s) for f in found]),
            np.array(pitch),
            offset_ratio=None,
        )
        assert 2 * len(pairs) / (len(stem.notes) + len(found)) >= 0.90, stem.code
        matched = [(stem.notes[i], found[j]) for i, j in pairs]
        sustain = [
            cents(f.sustain_hz, n.sustain_hz) for n, f in matched if f.sustain_hz and n.sustain_hz
        ]
        onset = [
            cents(f.onset_hz, n.onset_hz)
            for n, f in matched
            if f.onset_hz and abs(n.onset_moves_cents) < 3
        ]
        assert np.median(np.abs(sustain)) < 1.0, stem.code
        assert np.median(np.abs(onset)) < 2.0, stem.code
