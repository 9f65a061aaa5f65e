"""A stem in which one note sounds at a time, from its sound to its notes."""

from dataclasses import replace

from planner.model import Note, PitchTrack, Stem
from planner.segmenter import segment
from planner.tracker import track

_SELDOM = 0.1  # of the time that notes take: chosen; a double bass spends a third below the cello's


def find_notes(stem: Stem) -> tuple[tuple[Note, ...], PitchTrack]:
    """Track a stem in which one note sounds at a time, and split it into its notes.

    Where only a few of them lie below what the usual instrument of the role reaches, they are
    octave errors, and the stem is tracked again without that range.
    """
    pitch_track = track(stem)
    notes = segment(stem, pitch_track)
    low_s = sum(note.length_s for note in notes if note.pitch_hz < stem.seldom_below_hz)
    if 0.0 < low_s < _SELDOM * sum(note.length_s for note in notes):
        stem = replace(stem, range_hz=(stem.seldom_below_hz, stem.range_hz[1]))
        pitch_track = track(stem)
        notes = segment(stem, pitch_track)
    return notes, pitch_track
