"""Memory does not grow faster than the stem itself: long recordings are worked on by the piece."""

import tracemalloc

import numpy as np
import pytest
from tones.exact import faded, laid_out, moments, stem_of, tone

from planner.analyzer import analyze
from planner.chords import find_chord_notes
from planner.model import Role, Stem
from planner.segmenter import segment
from planner.tracker import track

SR = 16_000


def melody(minutes: float, role: Role) -> Stem:
    """A note every half second, over and over."""
    rng = np.random.default_rng(0)
    pitches = (220.0, 247.0, 262.0, 294.0, 330.0, 349.0, 392.0, 440.0)
    t = moments(0.45, SR)
    notes = [faded(tone(np.full(len(t), f1_hz), SR, rng), SR) for f1_hz in pitches]
    bar = laid_out([(0.5 * k, note) for k, note in enumerate(notes)], 0.5 * len(notes), SR)
    return stem_of(np.tile(bar, round(minutes * 60 * SR / len(bar))), SR, role)


def peak_bytes(stem: Stem) -> int:
    tracemalloc.start()
    try:
        if stem.role == "fixed-pitch":
            assert len(find_chord_notes(stem)) > 50
        else:
            pitch_track = track(stem)
            notes = segment(stem, pitch_track)
            assert len(analyze(stem, pitch_track, notes)) > 50
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("role", ["lead-voice", "fixed-pitch"])
def test_memory_grows_no_faster_than_twice_the_stem(role: Role) -> None:
    """Two minutes more take less than twice their own samples more."""
    short, long = melody(1.0, role), melody(3.0, role)
    peak_bytes(short)  # what is loaded and kept once does not grow
    grown = peak_bytes(long) - peak_bytes(short)
    assert grown < 2.0 * (long.samples.nbytes - short.samples.nbytes)
